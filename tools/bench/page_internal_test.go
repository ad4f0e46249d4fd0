// SPDX-License-Identifier: Apache-2.0

package main

import (
	"io"
	"strings"
	"testing"

	"airhold/firmware/store"
)

// What a tablet has shown is held against the journal: each kind of mistake counts, and being behind what came after the
// goal does not.
func TestCompareFindsWhatATabletGotWrong(t *testing.T) {
	name := func(c string) string { return strings.Repeat(c, 16) }
	var journal []store.Record
	for i, c := range []string{"a", "b", "c", "d"} {
		journal = append(journal, store.Record{Seq: int64(2*i + 1), Hash: name(c) + "rest"})
	}
	for _, c := range []struct {
		what                 string
		shown                string
		seq                  int64
		lost, twice, strange int
	}{
		{"all", "abcd", 7, 0, 0, 0},
		{"behind the end", "abc", 5, 0, 0, 0},
		{"behind the goal", "ab", 3, 1, 0, 0},
		{"one missing in between", "acd", 7, 1, 0, 0},
		{"one twice", "abbcd", 7, 0, 1, 0},
		{"out of turn", "acbd", 7, 0, 2, 0},
		{"never announced", "abcdx", 7, 0, 0, 1},
	} {
		var shown []string
		for _, r := range c.shown {
			shown = append(shown, name(string(r)))
		}
		if lost, twice, strange := compare(shown, c.seq, 5, journal); lost != c.lost || twice != c.twice || strange != c.strange {
			t.Errorf("%s: %d lost, %d twice, %d strange; want %d, %d, %d", c.what, lost, twice, strange, c.lost, c.twice, c.strange)
		}
	}
}

func TestUnknownPartOfThePage(t *testing.T) {
	if err := bench(t.Context(), []string{"page", "-only", "colour"}, io.Discard); err == nil || !strings.Contains(err.Error(), "alerts, kills") {
		t.Errorf("bench page -only colour = %v; want the list of measurements", err)
	}
}
