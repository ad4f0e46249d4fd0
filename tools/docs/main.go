// SPDX-License-Identifier: Apache-2.0

// Command docs writes the parts of README.md that are made from the program itself, so that the two cannot disagree:
// the table of alarms, with what this release's checks really watch.
//
//	go run ./tools/docs        print the parts
//	go run ./tools/docs -w     put them into README.md
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/store"
)

func main() {
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

func run(args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("docs", flag.ContinueOnError)
	fs.SetOutput(stderr)
	write := fs.Bool("w", false, "put the parts into README.md")
	if err := fs.Parse(args); err != nil {
		return 2
	}
	table, err := alarmTable()
	if err != nil {
		fmt.Fprintln(stderr, err)
		return 1
	}
	if !*write {
		fmt.Fprint(stdout, table)
		return 0
	}
	text, err := os.ReadFile("README.md")
	if err == nil {
		text, err = replacePart(text, table)
	}
	if err == nil {
		err = os.WriteFile("README.md", text, 0o644) //nolint:gosec // a document for everyone
	}
	if err != nil {
		fmt.Fprintln(stderr, err)
		return 1
	}
	return 0
}

const (
	begin = "<!-- alarms: written by go run ./tools/docs -w -->\n"
	end   = "<!-- end of alarms -->\n"
)

func replacePart(text []byte, table string) ([]byte, error) {
	head, rest, ok := bytes.Cut(text, []byte(begin))
	_, tail, ok2 := bytes.Cut(rest, []byte(end))
	if !ok || !ok2 {
		return nil, errors.New("README.md has lost the marks of the alarm table")
	}
	return []byte(string(head) + begin + table + end + string(tail)), nil
}

// alarmTable lists the catalogue in its order, those that this release watches first.
func alarmTable() (string, error) {
	watched, err := watchedKeys()
	if err != nil {
		return "", err
	}
	var b strings.Builder
	b.WriteString("| shown as | key | priority | likely cause | what to do |\n|---|---|---|---|---|\n")
	var later []string
	for _, r := range alarms.Catalogue() {
		if r.Kind == alarms.PageMade {
			continue
		}
		if !watched[r.Key] {
			later = append(later, strings.ToLower(r.Title[:1])+r.Title[1:])
			continue
		}
		pri := r.Priority.String()
		switch r.Kind {
		case alarms.ShopNote:
			pri = "shop note"
		case alarms.Reminder:
			pri = "reminder"
		default:
		}
		fmt.Fprintf(&b, "| %s | `%s` | %s | %s | %s |\n", r.Title, r.Key, pri, r.Cause, r.Do)
	}
	if len(later) > 0 {
		fmt.Fprintf(&b, "\nIn the catalogue, not yet watched by this release: %s.\n", strings.Join(later, ", "))
	}
	return b.String(), nil
}

// watchedKeys lets a spine of the example machine tick and listens to what its checks speak of.
func watchedKeys() (map[findings.Key]bool, error) {
	m := config.ExampleMachine()
	heard := &listener{keys: map[findings.Key]bool{}}
	s, err := firmware.NewSpine(firmware.SpineOptions{Machine: m, Table: firmware.NewTable(m), Out: heard, Heard: heard})
	if err != nil {
		return nil, err
	}
	for i := range 30 {
		s.Apply(&store.Entry{Kind: store.IsTick, At: time.Duration(i) * time.Second})
	}
	return heard.keys, nil
}

type listener struct{ keys map[findings.Key]bool }

func (l *listener) Find(f findings.Finding)      { l.keys[f.Key] = true }
func (l *listener) Transition(alarms.Transition) {}
func (l *listener) Run(compressor.Run)           {}
func (l *listener) Estimate(firmware.Estimate)   {}
func (l *listener) Event(firmware.Event)         {}
