// SPDX-License-Identifier: Apache-2.0

package config

import (
	"bytes"
	"crypto/sha256"
	_ "embed" // for the example
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Limits of what is read at all; a machine file of every key and a full machine has some 400 lines.
const (
	maxBytes    = 1 << 20
	maxLines    = 5000 // that say something
	maxLine     = 1000 // characters
	maxProblems = 200  // reported
	maxDBCBytes = 4 << 20
)

//go:embed example.yaml
var exampleYAML []byte

//go:embed example.dbc
var exampleDBC []byte

// Example returns the text of the documented example machine file, the invented "Kettle Ridge 16".
func Example() []byte { return bytes.Clone(exampleYAML) }

// ExampleMachine returns the example machine as read, its DBC included.
func ExampleMachine() *Machine {
	m, problems := Parse("example.yaml", Example())
	if m == nil {
		panic(fmt.Sprintf("the embedded example is refused: %v", problems)) // a test keeps this from happening
	}
	return m
}

// Load reads the machine file at path and the DBC files it names, which stand beside it. The error is one of reading the
// file; what is wrong in it comes as problems. The machine is nil when a problem is an error, see Refused.
func Load(path string) (*Machine, []Problem, error) {
	data, err := readFile(path, maxBytes)
	if err != nil {
		return nil, nil, fmt.Errorf("read machine file: %w", err)
	}
	m, problems := ParseWith(path, data, func(file string) ([]byte, error) {
		if !filepath.IsAbs(file) {
			file = filepath.Join(filepath.Dir(path), file)
		}
		return readFile(file, maxDBCBytes)
	})
	return m, problems, nil
}

// readFile reads at most one byte more than limit, enough for the reader to see that it is too much.
func readFile(path string, limit int64) ([]byte, error) {
	f, err := os.Open(path) //nolint:gosec // the path is the one the user named
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	return data, errors.Join(err, f.Close())
}

// ownDBC is the example's description. A copy of the example finds it anywhere.
const ownDBC = "example.dbc"

// Parse reads a machine file's bytes; name is the file's name in the problems. The DBC files it names are not read, but
// for the example's own.
func Parse(name string, data []byte) (*Machine, []Problem) {
	return ParseWith(name, data, nil)
}

// ParseWith is Parse with a way to read the DBC files that the machine file names, as it names them; nil reads none. It
// reports every problem, in the order of the file. The machine is nil when one of them is an error.
func ParseWith(name string, data []byte, read func(file string) ([]byte, error)) (*Machine, []Problem) {
	r := &reader{file: name, read: read, places: map[string]place{}, seen: map[string]bool{}}
	m := &Machine{Path: name}
	if body := r.parse(data); body != nil {
		r.machine(m, body)
		for _, rule := range rules() {
			rule.check(&checked{reader: r, m: m})
		}
	}
	slices.SortStableFunc(r.problems, func(a, b Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	if len(r.problems) > maxProblems {
		more := len(r.problems) - maxProblems
		last := r.problems[maxProblems-1]
		r.problems = append(r.problems[:maxProblems], Problem{
			File: name, Line: last.Line, Column: last.Column, Severity: SevError, Snippet: last.Snippet,
			Message: fmt.Sprintf("and %d more problems after this place; mend those above first", more),
		})
	}
	if Refused(r.problems) {
		return nil, r.problems
	}
	sum := sha256.Sum256(data)
	m.SHA256 = hex.EncodeToString(sum[:])
	return m, r.problems
}

// Refused reports whether problems hold an error; warnings alone refuse no file.
func Refused(problems []Problem) bool {
	return slices.ContainsFunc(problems, func(p Problem) bool { return p.Severity == SevError })
}

// snippet returns a line of the file for a message, without its line end.
func (r *reader) snippet(line int) string {
	if line < 1 || line > len(r.lines) {
		return ""
	}
	return strings.TrimRight(r.lines[line-1], "\r")
}
