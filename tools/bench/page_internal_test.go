// SPDX-License-Identifier: Apache-2.0

package main

import (
	"io"
	"math"
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
	if err := bench(t.Context(), []string{"page", "-only", "colour"}, io.Discard); err == nil || !strings.Contains(err.Error(), "alerts, kills, broker") {
		t.Errorf("bench page -only colour = %v; want the list of measurements", err)
	}
}

// Quantiles from the usual table of Student's t, two-sided 95 % (from memory), and a line
// through points whose slope and scatter are worked out by hand: 0, 1, 1, 2 at 0 to 3 h has slope 0.6 and a residual sum of
// squares of 0.2, so a standard error of sqrt(0.1/5).
func TestLineAndItsInterval(t *testing.T) {
	for free, want := range map[int]float64{2: 4.303, 3: 3.182, 5: 2.571, 10: 2.228, 40: 2.021} {
		if got := student95(free); math.Abs(got-want) > 0.01 {
			t.Errorf("student95(%d) = %.4f; want %.3f", free, got, want)
		}
	}
	var all []kept
	for i, heap := range []float64{0, 1, 1, 2} {
		all = append(all, kept{Hour: float64(i), Heap: heap})
	}
	slope, half, level := line(all, func(k kept) float64 { return k.Heap })
	if math.Abs(slope-0.6) > 1e-9 || math.Abs(half-4.303*math.Sqrt(0.1/5)) > 1e-3 || level != 1 {
		t.Errorf("line = %.4f, %.4f, %.4f; want 0.6, %.4f, 1", slope, half, level, 4.303*math.Sqrt(0.1/5))
	}
	if s := share([]float64{4, 1, 3, 2}, 0.5); s != 2 {
		t.Errorf("the half of 1 to 4 is %g; want 2, the nearest rank", s)
	}
}

// The ranks are those of tables of the binomial distribution with p = 1/2: for n = 12, P(X <= 2) = 79/4096 = 0.0193 and
// P(X <= 3) = 299/4096 = 0.073.
func TestMedianBetween(t *testing.T) {
	twelve := []float64{12, 3, 5, 1, 9, 7, 2, 11, 4, 8, 10, 6}
	if mid, low, high := medianBetween(twelve); mid != 6 || low != 3 || high != 10 {
		t.Errorf("twelve values: %v (%v to %v); want 6, from the third to the tenth", mid, low, high)
	}
	if _, low, high := medianBetween(twelve[:5]); !math.IsInf(low, -1) || !math.IsInf(high, 1) {
		t.Errorf("five values: %v to %v; no two of them hold the median with 95 %%", low, high)
	}
}
