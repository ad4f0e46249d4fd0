// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"airhold/bus/signals"
	"airhold/config"
)

const checkUsage = `usage: airhold check --machine FILE [--json]
       airhold check --example

Reads a machine file, touches nothing else, and names every problem at once:
its place, what is allowed there and what was probably meant. A warning does
not refuse the file. Exit code 0: the file is accepted, 3: it is refused.

  --machine FILE   the machine file
  --json           JSON lines, one problem a line, the last one a summary
  --example        print the documented example, to start your own file from
`

// runCheck is the check command.
func runCheck(_ context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("machine", "", "")
	asJSON := flags.Bool("json", false, "")
	example := flags.Bool("example", false, "")
	if err := parseArgs(flags, args); errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(stdout, checkUsage)
		return exitOK
	} else if err != nil {
		return wrongUsage("check", stderr, "%v", err)
	}
	if flags.NArg() > 0 {
		return wrongUsage("check", stderr, "%q is one word too many; name the file with --machine", flags.Arg(0))
	}
	if *example {
		if _, err := stdout.Write(config.Example()); err != nil {
			fmt.Fprintf(stderr, "airhold check: %v\n", err)
			return exitFailed
		}
		return exitOK
	}
	if *path == "" {
		return wrongUsage("check", stderr, "say which file: --machine FILE")
	}
	m, problems := readMachine(*path)
	write := checkText
	if *asJSON {
		write = checkJSON
	}
	if err := write(stdout, *path, m, problems); err != nil {
		fmt.Fprintf(stderr, "airhold check: %v\n", err)
		return exitFailed
	}
	if m == nil {
		return exitRefused
	}
	return exitOK
}

// loadMachine reads the machine file for a command that needs it. It prints the problems of a refused one to stderr and
// returns exitRefused with no machine.
func loadMachine(path string, stderr io.Writer) (*config.Machine, int) {
	m, problems := readMachine(path)
	if m == nil {
		printProblems(stderr, problems)
		fmt.Fprintf(stderr, "%s is refused: %s.\n", path, countProblems(problems))
		return nil, exitRefused
	}
	if len(problems) > 0 {
		fmt.Fprintf(stderr, "%s: %s; see: airhold check --machine %s\n", path, countProblems(problems), path)
	}
	return m, exitOK
}

// readMachine is config.Load and checkBus, with a file that cannot be read as a problem like any other, without a line.
func readMachine(path string) (*config.Machine, []config.Problem) {
	m, problems, err := config.Load(path)
	if m != nil {
		if problems = append(problems, checkBus(m)...); config.Refused(problems) {
			m = nil
		}
	}
	if err == nil {
		return m, problems
	}
	p := config.Problem{File: path, Severity: config.SevError, Message: fmt.Sprintf("the file cannot be read: %v", err)}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		p.Message = "there is no such file; the documented example, to start from, is printed by: airhold check --example"
	case errors.Is(err, fs.ErrPermission):
		p.Message = "this user may not read the file"
	}
	return nil, []config.Problem{p}
}

// checkBus looks up every signal that the machine file names, in the catalogue or in the file's own DBCs.
func checkBus(m *config.Machine) []config.Problem {
	var problems []config.Problem
	lines := linesOf(m.Path)
	fail := func(at config.Place, message, allowed, suggestion string) {
		p := config.Problem{File: m.Path, Line: at.Line, Column: at.Column, Severity: config.SevError, Message: message, Allowed: allowed, Suggestion: suggestion}
		if at.Line >= 1 && at.Line <= len(lines) {
			p.Snippet = strings.TrimRight(lines[at.Line-1], "\r")
		}
		problems = append(problems, p)
	}
	dbcs := map[string]*signals.DBC{}
	for _, d := range m.DBCs {
		parsed, err := signals.ParseDBC(d.File, d.Data)
		if err != nil {
			fail(d.At, fmt.Sprintf("DBC %q cannot be used: %v", d.Name, err), "", "")
			continue
		}
		dbcs[d.Name] = parsed
	}
	for _, c := range m.Channels {
		if c.Kind != config.FromCAN {
			continue
		}
		if c.CAN.DBC == "" {
			if _, err := signals.Compile(c.CAN.Signal); err != nil {
				name, _, _ := strings.Cut(c.CAN.Signal, "[")
				fail(c.At, fmt.Sprintf("the catalogue has no signal %q", c.CAN.Signal), "the signals that airhold decode names", config.Nearest(name, signals.Names()))
			}
			continue
		}
		if own, ok := dbcs[c.CAN.DBC]; ok {
			if _, err := own.Compile(c.CAN.Message, c.CAN.Signal); err != nil {
				fail(c.At, err.Error(), "", "")
			}
		}
	}
	return problems
}

func linesOf(path string) []string {
	data, err := os.ReadFile(path) //nolint:gosec // the path is the one the user named
	if err != nil {
		return nil // the snippet is a comfort, no more
	}
	return strings.Split(string(data), "\n")
}

// printProblems writes each problem with the line it stands on and a mark under its place.
func printProblems(w io.Writer, problems []config.Problem) {
	for _, p := range problems {
		if p.Line == 0 {
			fmt.Fprintf(w, "%s: %s: %s\n\n", p.File, p.Severity, p.Message)
			continue
		}
		fmt.Fprintf(w, "%s:%d:%d: %s: %s\n", p.File, p.Line, p.Column, p.Severity, p.Message)
		if line, mark := underline(p.Snippet, p.Column); line != "" {
			fmt.Fprintf(w, "%6d | %s\n       | %s\n", p.Line, line, mark)
		}
		if p.Allowed != "" {
			fmt.Fprintf(w, "       allowed: %s\n", p.Allowed)
		}
		if p.Suggestion != "" {
			fmt.Fprintf(w, "       did you mean: %s\n", p.Suggestion)
		}
		fmt.Fprintln(w)
	}
}

// underline returns the part of a line around column (in characters, from 1) and a line with a mark below that place.
// Tabs are kept in both, so that they stay one above the other; control characters never reach a terminal.
func underline(line string, column int) (shown, mark string) {
	const width = 110
	text := []rune(line)
	for i, c := range text {
		if c != '\t' && (c < ' ' || c == 0x7f || c >= 0x80 && c < 0xa0) {
			text[i] = '?'
		}
	}
	at := min(max(column-1, 0), len(text))
	from := 0
	if at > width-10 {
		from = at - width/2
	}
	end := min(len(text), from+width)
	var b strings.Builder
	for _, c := range text[from:at] {
		if c != '\t' {
			c = ' '
		}
		b.WriteRune(c)
	}
	return strings.TrimRight(string(text[from:end]), " "), b.String() + "^"
}

func countProblems(problems []config.Problem) string {
	nErrors, nWarnings := tally(problems)
	plural := func(n int, word string) string {
		if n == 1 {
			return "1 " + word
		}
		return fmt.Sprintf("%d %ss", n, word)
	}
	switch {
	case nErrors == 0 && nWarnings == 0:
		return "no problem"
	case nErrors == 0:
		return plural(nWarnings, "warning")
	case nWarnings == 0:
		return plural(nErrors, "error")
	default:
		return plural(nErrors, "error") + " and " + plural(nWarnings, "warning")
	}
}

func tally(problems []config.Problem) (nErrors, nWarnings int) {
	for _, p := range problems {
		if p.Severity == config.SevError {
			nErrors++
		} else {
			nWarnings++
		}
	}
	return nErrors, nWarnings
}

func checkText(w io.Writer, path string, m *config.Machine, problems []config.Problem) error {
	var b strings.Builder
	printProblems(&b, problems)
	switch {
	case m == nil:
		fmt.Fprintf(&b, "%s is refused: %s.\n", path, countProblems(problems))
	case len(problems) > 0:
		fmt.Fprintf(&b, "%s is accepted with %s.\n%s\n", path, countProblems(problems), describe(m))
	default:
		fmt.Fprintf(&b, "%s: no problem found.\n%s\n", path, describe(m))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// describe says in one sentence what the file describes, so that its writer sees whether it is the right machine.
func describe(m *config.Machine) string {
	count := func(n int, one, many string) string {
		if n == 1 {
			return "1 " + one
		}
		return fmt.Sprintf("%d %s", n, many)
	}
	bySource := map[config.SourceKind]int{}
	for _, c := range m.Channels {
		bySource[c.Kind]++
	}
	var sources []string
	for _, k := range []config.SourceKind{config.FromADC, config.FromCAN, config.FromCSV, config.FromSim} {
		if n := bySource[k]; n > 0 {
			sources = append(sources, fmt.Sprintf("%d %s", n, k))
		}
	}
	rows := 0
	names := make([]string, 0, len(m.Ranks))
	for _, k := range m.Ranks {
		rows += k.Rows
		names = append(names, k.Name)
	}
	ranks := "no ranks"
	if len(names) > 0 {
		ranks = fmt.Sprintf("%s (%s) with %s", count(len(names), "rank", "ranks"), strings.Join(names, ", "), count(rows, "row", "rows"))
	}
	return fmt.Sprintf("It describes %q: a tank of %.4g L for at most %.4g kPa, relief at %.4g kPa; %s; %s; %s (%s); %s; %s.",
		m.Name, float64(m.Tank.Volume)*1e3, float64(m.Tank.SafeWorkingPressure)/1e3, float64(m.Tank.ReliefSetting)/1e3,
		count(len(m.Compressors), "compressor", "compressors"), ranks,
		count(len(m.Channels), "channel", "channels"), strings.Join(sources, ", "),
		count(len(m.Boards), "converter board", "converter boards"), count(len(m.Links), "CAN link", "CAN links"))
}

func checkJSON(w io.Writer, path string, m *config.Machine, problems []config.Problem) error {
	lines := json.NewEncoder(w)
	lines.SetEscapeHTML(false)
	for _, p := range problems {
		if err := lines.Encode(p); err != nil {
			return fmt.Errorf("write problem: %w", err)
		}
	}
	s := struct {
		Event       string `json:"event"`
		File        string `json:"file"`
		Accepted    bool   `json:"accepted"`
		Errors      int    `json:"errors"`
		Warnings    int    `json:"warnings"`
		Name        string `json:"name,omitempty"`
		SHA256      string `json:"sha256,omitempty"`
		Compressors int    `json:"compressors"`
		Ranks       int    `json:"ranks"`
		Channels    int    `json:"channels"`
		Boards      int    `json:"boards"`
		Links       int    `json:"links"`
	}{Event: "summary", File: path, Accepted: m != nil}
	s.Errors, s.Warnings = tally(problems)
	if m != nil {
		s.Name, s.SHA256 = m.Name, m.SHA256
		s.Compressors, s.Ranks, s.Channels, s.Boards, s.Links = len(m.Compressors), len(m.Ranks), len(m.Channels), len(m.Boards), len(m.Links)
	}
	if err := lines.Encode(s); err != nil {
		return fmt.Errorf("write summary: %w", err)
	}
	return nil
}
