// SPDX-License-Identifier: Apache-2.0

package config

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// maxOpen bounds brackets inside brackets and the depth of the whole; the parser calls itself for each level.
const maxOpen = 50

// parse turns data into the top of the tree, nil after reporting why it is none. The limits come first: the parser's
// time grows with the square of the entries at one level.
func (r *reader) parse(data []byte) ast.Node {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if len(data) > maxBytes {
		r.fail(place{1, 1}, fmt.Sprintf("the file is larger than %d KiB; no machine file is", maxBytes>>10), "", "")
		return nil
	}
	r.lines = strings.Split(string(data), "\n")
	if at, why := unreadable(data, r.lines); why != "" {
		r.fail(at, why, "", "")
		return nil
	}
	// Comments carry nothing here, and the parser hangs them onto values in ways that cost time.
	file, err := parseBytes(data)
	if err != nil {
		r.syntax(err)
		return nil
	}
	var body ast.Node
	for _, doc := range file.Docs {
		if doc.Body == nil || doc.Body.Type() == ast.CommentType || doc.Body.Type() == ast.DirectiveType {
			continue
		}
		if body != nil {
			r.fail(placeOf(doc.Body), "a second document starts here; a machine file is one document, without a \"---\" line inside", "", "")
			return nil
		}
		body = doc.Body
	}
	if body == nil {
		r.fail(place{1, 1}, "the file says nothing; a documented example to start from is printed by: airhold check --example", "", "")
		return nil
	}
	r.anchors = map[string]ast.Node{}
	ast.Walk(anchorFinder(r.anchors), body)
	return body
}

// parseBytes keeps a fault of the parser to the file that shows it: a box must not stop because of a typing error.
func parseBytes(data []byte) (file *ast.File, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			file, err = nil, fmt.Errorf("%v", fault)
		}
	}()
	return parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
}

// unreadable returns why data is not even tried, and where.
func unreadable(data []byte, lines []string) (place, string) {
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return placeAt(data, i), "the file holds zero bytes from here on: it was cut off while being written, or is no plain text (UTF-8); restore a copy"
	}
	if !utf8.Valid(data) {
		for i := 0; i < len(data); {
			c, n := utf8.DecodeRune(data[i:])
			if c == utf8.RuneError && n == 1 {
				return placeAt(data, i), "a byte here is no UTF-8 text; save the file as UTF-8 (a degree sign from an old editor does this)"
			}
			i += n
		}
	}
	said, open, raw := 0, 0, 0
	for i, line := range lines {
		text := strings.TrimSpace(line)
		if n := utf8.RuneCountInString(line); n > maxLine {
			return place{i + 1, maxLine}, fmt.Sprintf("the line has %d characters; at most %d are read", n, maxLine)
		}
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		if said++; said > maxLines {
			return place{i + 1, 1}, fmt.Sprintf("more than %d lines; no machine file has so many", maxLines)
		}
		before, _, _ := strings.Cut(line, " #")
		open = opened(before, open)
		raw = opened(line, raw)
		if open > maxOpen || raw > 20*maxOpen {
			return place{i + 1, 1}, fmt.Sprintf("more than %d brackets are open inside one another here", maxOpen)
		}
	}
	return place{}, ""
}

func opened(line string, n int) int {
	for i := range len(line) {
		switch line[i] {
		case '[', '{':
			n++
		case ']', '}':
			n = max(0, n-1)
		}
		if n > 20*maxOpen {
			break
		}
	}
	return n
}

func placeAt(data []byte, i int) place {
	start := bytes.LastIndexByte(data[:i], '\n') + 1
	return place{1 + bytes.Count(data[:i], []byte("\n")), 1 + utf8.RuneCount(data[start:i])}
}

// syntax reports what the parser stumbled over, once and in words of the file.
func (r *reader) syntax(err error) {
	at := place{1, 1}
	what := err.Error()
	if e, ok := errors.AsType[yaml.Error](err); ok {
		what = e.GetMessage()
		if tk := e.GetToken(); tk != nil && tk.Position != nil {
			at = place{tk.Position.Line, tk.Position.Column}
		}
	}
	for i, line := range r.lines[:min(len(r.lines), at.line+1)] {
		blank := line[:len(line)-len(strings.TrimLeft(line, " \t"))]
		if tab := strings.IndexByte(blank, '\t'); tab >= 0 && len(blank) < len(line) {
			r.fail(place{i + 1, tab + 1}, "a tab indents this line; YAML wants spaces, two for each step", "", "")
			return
		}
	}
	if next := at.line + 1; strings.Contains(what, "mapping value is not allowed") && indent(r.snippet(next)) > indent(r.snippet(at.line)) {
		r.fail(place{next, indent(r.snippet(next)) + 1}, "this line is indented deeper than the one above it, which has its value already; keys of one level start in the same column", "", "")
		return
	}
	r.fail(at, inWords(what), "", "")
}

func indent(line string) int { return len(line) - len(strings.TrimLeft(line, " ")) }

// inWords turns the parser's message into one that says what to do.
func inWords(what string) string {
	switch {
	case strings.Contains(what, "could not find end character"):
		return "a quotation mark opens here and never closes; close it, or the end of the file is missing"
	case strings.Contains(what, "must be specified"), strings.Contains(what, "could not find flow"):
		return "a bracket was opened before this place and does not close here; close it, or the end of the file is missing"
	case strings.Contains(what, "directive"):
		return "a value that starts with \"%\" needs quotation marks around it"
	case strings.Contains(what, "is a reserved character"):
		return "a value that starts with " + strings.Fields(what)[0] + " needs quotation marks around it"
	case strings.Contains(what, "mapping value is not allowed"):
		return "a second \": \" on this line; one \"key: value\" a line, or quotation marks around a value that holds \": \""
	case strings.Contains(what, "value is not allowed in this context"), strings.Contains(what, "non-map value is specified"):
		return "this line does not line up with those above it, or lacks its \": \"; keys of one level start in the same column"
	default:
		return "this is not YAML: " + strings.Join(strings.Fields(what), " ")
	}
}

// anchorFinder collects what "&name" marks, for the places that say "*name".
type anchorFinder map[string]ast.Node

// Visit implements ast.Visitor.
func (f anchorFinder) Visit(n ast.Node) ast.Visitor {
	if a, ok := n.(*ast.AnchorNode); ok && a.Name != nil && a.Name.GetToken() != nil {
		f[a.Name.GetToken().Value] = a.Value
	}
	return f
}
