// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"airhold/tools/systemtest/results"
)

// outcome is how one test ended.
type outcome struct {
	test  string
	ok    bool
	text  string
	took  time.Duration
	notes []string
}

// book keeps the outcomes of a run and prints each as it comes.
type book struct {
	out   io.Writer
	begun time.Time

	mu       sync.Mutex // boxes run beside each other
	outcomes []outcome
}

// add prints one line for a test, and what it noted when it failed.
func (b *book) add(o outcome) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.outcomes = append(b.outcomes, o)
	word := "ok"
	if !o.ok {
		word = "FAIL"
	}
	fmt.Fprintf(b.out, "%-4s %-22s %5.1f s  %s\n", word, o.test, o.took.Seconds(), o.text)
	if o.ok {
		return
	}
	for _, n := range o.notes {
		fmt.Fprintf(b.out, "       %s\n", strings.ReplaceAll(strings.TrimSpace(n), "\n", "\n       "))
	}
}

// failed counts what did not end well.
func (b *book) failed() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := 0
	for _, o := range b.outcomes {
		if !o.ok {
			n++
		}
	}
	return n
}

// listener turns the messages of one box into outcomes and files.
type listener struct {
	book  *book
	now   func() time.Time
	test  string
	since time.Time
	notes []string
	files map[string][]byte
	done  []string
}

func (l *listener) hear(m results.Message) {
	switch m.Kind {
	case results.Started:
		l.test, l.since, l.notes = m.Test, l.now(), nil
	case results.Note:
		l.notes = append(l.notes, m.Text)
	case results.File:
		l.files[m.Name] = append(l.files[m.Name], m.Data...)
	case results.Passed, results.Failed:
		l.done = append(l.done, m.Test)
		l.book.add(outcome{test: m.Test, ok: m.Kind == results.Passed, text: m.Text, took: l.now().Sub(l.since), notes: l.notes})
	case results.Mark, results.Found, results.Ended:
	}
}

// missed gives the tests that were planned and have no outcome, because the box died, one failure each.
func (l *listener) missed(planned []string, why error, console string) {
	first := true
	for _, name := range planned {
		if slices.Contains(l.done, name) {
			continue
		}
		o := outcome{test: name, text: "not run: " + why.Error()}
		if first {
			o.text, first = why.Error(), false
			o.notes = slices.Concat(l.notes, []string{"the console's end:", tail(console, 25)})
		}
		l.book.add(o)
	}
}

// tail gives the last n lines of a text.
func tail(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
