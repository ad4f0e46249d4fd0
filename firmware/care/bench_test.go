// SPDX-License-Identifier: Apache-2.0

package care_test

import (
	"testing"
	"time"

	"airhold/firmware/care"
	"airhold/firmware/findings"
)

// life is an invented machine's: it is switched on and off, works, and its box keeps its care list. Dates are invented.
type life struct {
	t       *testing.T
	o       care.Options
	c       *care.Care
	at      time.Duration // boot clock
	zero    time.Time     // UTC at boot time zero
	shift   time.Duration // how far off the wall clock is
	trusted bool
	in      care.Inputs
	run     time.Duration // of the compressor in all
	heard   map[string]findings.Finding
	notes   []string
	drained int
}

func newLife(t *testing.T, o care.Options) *life {
	t.Helper()
	l := &life{t: t, o: o, trusted: true, in: care.Inputs{RunSeen: true, WorkSeen: true}, heard: map[string]findings.Finding{}}
	l.o.UTC = func(at time.Duration) (time.Time, bool) {
		if !l.trusted {
			return time.Time{}, false
		}
		return l.zero.Add(at + l.shift), true
	}
	l.o.Notes = l
	l.o.Drained = func(time.Duration) { l.drained++ }
	return l
}

// Find implements findings.Sink.
func (l *life) Find(f findings.Finding) { l.heard[f.Where] = f }

// Note implements findings.Notes.
func (l *life) Note(_ time.Duration, kind, text string) { l.notes = append(l.notes, kind+": "+text) }

// on switches the box on at a moment, with what it kept before.
func (l *life) on(utc time.Time) {
	if l.c != nil {
		l.o.Saved = l.c.Save()
	}
	l.zero, l.at, l.shift = utc.UTC(), 0, 0
	l.c = care.New(l.o, l)
	l.pass(20 * time.Second)
}

// pass lets time go by, a tick each ten seconds: as many as may lie between two that count as work.
func (l *life) pass(d time.Duration) {
	for end := l.at + d; l.at < end; {
		l.at += 10 * time.Second
		if l.in.Working {
			l.run += 3 * time.Second // a duty of 30 %
		}
		l.in.RunTime = l.run
		l.c.Tick(l.at, l.in)
	}
}

// work lets the machine work.
func (l *life) work(d time.Duration) {
	l.in.Working = true
	l.pass(d)
	l.in.Working = false
	l.pass(10 * time.Second)
}

// day switches on at a moment, works so many hours, and goes on standing for ten minutes.
func (l *life) day(utc time.Time, hours float64) {
	l.on(utc)
	l.work(time.Duration(hours * float64(time.Hour)))
	l.pass(10 * time.Minute)
}

// item returns an item as it stands.
func (l *life) item(name string) care.Item {
	l.t.Helper()
	for _, it := range l.c.List() {
		if it.Name == name {
			return it
		}
	}
	l.t.Fatalf("there is no item %s", name)
	return care.Item{}
}

func (l *life) done(name string) {
	l.t.Helper()
	if err := l.c.Done(l.at, name, "Ada", ""); err != nil {
		l.t.Fatal(err)
	}
	l.pass(10 * time.Second)
}

// stands checks an item: due, soon, and its reason.
func (l *life) stands(when, name string, due, soon bool, why string) {
	l.t.Helper()
	it := l.item(name)
	if it.Due != due || it.Soon != soon || it.Why != why {
		l.t.Errorf("%s, %s: due %v, soon %v, %q; want %v, %v, %q", when, name, it.Due, it.Soon, it.Why, due, soon, why)
	}
	f := l.heard[it.Matter]
	if f.Active != due {
		l.t.Errorf("%s, %s: its finding is active %v; want %v", when, name, f.Active, due)
	}
}

// asks checks which items the box asks after.
func (l *life) asks(when string, want ...string) {
	l.t.Helper()
	var got []string
	for _, q := range l.c.Ask() {
		got = append(got, q.Item)
	}
	if len(got) != len(want) {
		l.t.Errorf("%s: asks after %v; want %v", when, got, want)
		return
	}
	for i := range got {
		if got[i] != want[i] {
			l.t.Errorf("%s: asks after %v; want %v", when, got, want)
			return
		}
	}
}

// utc is an hour of an invented day.
func utc(year int, month time.Month, day, hour int) time.Time {
	return time.Date(year, month, day, hour, 0, 0, 0, time.UTC)
}
