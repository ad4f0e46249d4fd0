// SPDX-License-Identifier: Apache-2.0

package care

import (
	"testing"
	"time"

	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheListIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, w := range trade() {
		all = append(all, w.words, w.matter, w.short, w.question, w.caution, (&item{what: w, hours: 100 * time.Hour}).every(), (&item{what: w}).every())
	}
	for c := nothing; c <= noSeason; c++ {
		for _, v := range []verdict{
			{due: true, cause: c, have: 3, want: 2},
			{due: true, cause: c, have: 1, want: 1},
			{cause: c, have: 1, want: 2},
			{cause: c, have: 49.5, want: 50},
			{cause: c, have: 0.5, want: 1, lacks: needsWork},
			{cause: c, want: 30, lacks: needsClock},
		} {
			all = append(all, v.why(true), v.why(false))
		}
	}
	begun := time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC)
	c := New(Options{
		Items: map[string]Override{"belt": {Off: true}},
		UTC:   func(at time.Duration) (time.Time, bool) { return begun.Add(at), true },
	}, nil)
	for _, p := range [][2]string{{"", ""}, {"wings", ""}, {"belt", ""}, {"drain", "perhaps"}, {"drain", "unknown"}} {
		if err := c.Tell(time.Hour, p[0], p[1], "cab", ""); err != nil {
			all = append(all, err.Error())
		}
	}
	for _, w := range trade() {
		_ = c.Done(time.Hour, w.name, "cab", "") // that the belt is not on the list is told above
	}
	c.hear(2 * time.Hour)
	if err := c.Done(2*time.Hour, "drain", "cab", ""); err != nil {
		t.Fatal(err)
	}
	c.s.Season = season{Number: 2, Began: begun}
	undated := New(Options{}, nil)
	if err := undated.Done(time.Hour, "drain", "", ""); err != nil {
		t.Fatal(err)
	}
	for _, l := range append(c.Learned(), undated.Learned()...) {
		all = append(all, l.Words, l.Text)
	}
	all = append(all, needsClock, needsDate, needsBehind, needsRun, needsWork)
	golden.Sentences(t, all)
}
