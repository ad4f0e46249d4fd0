// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/leakdown"
)

func nearly(got, want, within float64) bool { return math.Abs(got-want) <= within }

// None of n: high is 1-((1-level)/2)^(1/n) (closed form). 10 of 100 at 95 %: 4.90 to 17.62 % (a usual textbook example of
// Clopper and Pearson's interval, from memory).
func TestBinomial(t *testing.T) {
	for _, c := range []struct {
		k, n             int
		level, low, high float64
	}{
		{0, 870, 0.95, 0, 1 - math.Pow(0.025, 1.0/870)},
		{0, 20, 0.99, 0, 1 - math.Pow(0.005, 1.0/20)},
		{20, 20, 0.99, math.Pow(0.005, 1.0/20), 1},
		{10, 100, 0.95, 0.0490, 0.1762},
		{0, 0, 0.95, 0, 1},
	} {
		if low, high := binomial(c.k, c.n, c.level); !nearly(low, c.low, 6e-5) || !nearly(high, c.high, 6e-5) {
			t.Errorf("binomial(%d, %d, %g) = %.5f, %.5f; want %.5f, %.5f", c.k, c.n, c.level, low, high, c.low, c.high)
		}
	}
}

// The mean of n equal draws from a normal distribution lies within 1.96/sqrt(n) of its standard deviation (textbook).
func TestBootstrap(t *testing.T) {
	d := roll(1, "bootstrap", 0)
	x := make([]float64, 400)
	for i := range x {
		x[i] = d.NormFloat64()
	}
	low, high := bootstrap(x, 0.95, mean)
	if width := high - low; !nearly(width, 2*1.96/20, 0.03) || low > mean(x) || high < mean(x) {
		t.Errorf("bootstrap of the mean %.3f: %.3f to %.3f; want a width near 0.196 around it", mean(x), low, high)
	}
	if low, high := bootstrap(nil, 0.95, mean); !math.IsNaN(low) || !math.IsNaN(high) {
		t.Errorf("bootstrap of nothing = %g, %g; want no number", low, high)
	}
}

// What is drawn lies in its ranges, fills them, and does not depend on what else is drawn.
func TestDrawKeepsToTheRanges(t *testing.T) {
	for _, r := range sets() {
		low, high, none := math.Inf(1), 0.0, 0
		for i := range 400 {
			x := draw(&r, 5, i)
			v := x.hold.Volume / litre
			low, high = math.Min(low, v), math.Max(high, v)
			a := x.hold.Air
			start := x.hold.Start / bar
			slack := 0.0
			if r.learned {
				slack = 0.3
			}
			if a.Hot < r.hot.low || a.Hot > r.hot.high || start < r.start.low-slack || start > r.start.high+slack || x.hold.Wall.Excess < 0 ||
				math.Abs(x.setup.Volume/x.hold.Volume-1) > r.volumeError/100 || math.Abs(x.setup.Barometer-x.hold.Around) > r.barometer*100 {
				t.Fatalf("outside the ranges: %s", x.words())
			}
			if x.true == 0 {
				none++
			} else if x.true < r.leak.low || x.true > r.leak.high {
				t.Fatalf("a leak of %g", x.true)
			}
			if r.learned != (len(x.quiet) > 0) {
				t.Fatalf("%s: %d tests before", r.name, len(x.quiet))
			}
		}
		if low > r.volume.low+2 || high < r.volume.high-2 || none < 50 || none > 110 {
			t.Errorf("%s: volumes %.1f to %.1f L, %d of 400 without leak; want the whole range and some 80", r.name, low, high, none)
		}
	}
	r := mainRanges()
	one, same, other := draw(&r, 9, 3), draw(&r, 9, 3), draw(&r, 10, 3)
	if d := cmp.Diff(one.hold, same.hold); d != "" {
		t.Errorf("the same seed draws another test:\n%s", d)
	}
	if cmp.Equal(one.hold, other.hold) {
		t.Error("two seeds draw the same")
	}
}

// 40 L that fall by 50 mbar in 300 s at 20 degC lose 0.400 L/min ANR (pressure change method, the form of EN 1779, from
// memory: V*dp/dt, 1 Pa m3/s = 0.6 L/min).
func TestNaiveReadsASteadyFall(t *testing.T) {
	var s []leakdown.Sample
	for i := range 6001 {
		at := float64(i) / 10
		s = append(s, leakdown.Sample{At: time.Duration(i) * 100 * time.Millisecond, Pressure: 7e5 - at*5000/300})
	}
	for _, m := range naiveMethods() {
		if got := m.leak(leakdown.Setup{Volume: 0.04}, s); !nearly(got, 0.4, 1e-6) {
			t.Errorf("%s = %.6f L/min; want 0.4", m.words, got)
		}
	}
	for i := range s {
		s[i].Bad = true
	}
	if got := naiveMethods()[0].leak(leakdown.Setup{Volume: 0.04}, s); !math.IsNaN(got) {
		t.Errorf("from bad readings %g; want no number", got)
	}
}

// Estimates, verdicts and tests without either end up where the table's words say.
func TestSheetCounts(t *testing.T) {
	one := func(truth, value, half float64, v leakdown.Verdict, decided float64) outcome {
		o := outcome{trial: trial{true: truth}, verdict: v, decided: decided}
		for range horizons() {
			o.at = append(o.at, leakdown.Interval{Value: value, Low: value - half, High: value + half})
		}
		return o
	}
	nan := math.NaN()
	s := sheet{level: 0.95, all: []outcome{
		one(1, 1.3, 0.2, leakdown.Pass, 50),
		one(2.9, 3.3, 1, leakdown.Fail, 100),
		one(5, 5, 1, leakdown.Pass, 30),
		one(5, 5.4, 1, leakdown.Undecided, 600),
		one(25, 99, 1, leakdown.Fail, 20), // too large to count its error
		one(0, nan, nan, leakdown.Invalid, 600),
		one(0, nan, nan, leakdown.Pass, 20), // a verdict without a number
	}}
	r := mainRanges()
	s.fill(&r)
	want := map[string]float64{
		"RMSE at 300 s":                                  math.Sqrt((0.09 + 0.16 + 0 + 0.16) / 4),
		"95 % covers at 300 s (3 of 5)":                  0.6,
		"false pass (1 of 3)":                            1.0 / 3,
		"false fail (1 of 4)":                            0.25,
		"undecided at 600 s (2 of 7)":                    2.0 / 7,
		"undecided outside 0.8-1.25 x limit (2 of 6)":    1.0 / 3,
		"judged invalid (counted as undecided) (1 of 7)": 1.0 / 7,
		"time to verdict, mean (undecided: 600)":         1420.0 / 7,
		"time to verdict, median":                        50,
	}
	for _, f := range s.figures {
		if v, asked := want[f.words]; asked {
			if !nearly(f.value, v, 1e-9) {
				t.Errorf("%s = %g; want %g", f.words, f.value, v)
			}
			delete(want, f.words)
		}
	}
	for words := range want {
		t.Errorf("no figure %q", words)
	}
}

func TestFigureMisses(t *testing.T) {
	for _, c := range []struct {
		name              string
		f                 figure
		full, sliceMisses bool
	}{
		{"under", figure{value: 0.1, low: 0.05, high: 0.2, bar: atMostOf(0.15)}, false, false},
		{"over by chance", figure{value: 0.17, low: 0.1, high: 0.3, bar: atMostOf(0.15)}, true, false},
		{"over", figure{value: 0.3, low: 0.2, high: 0.4, bar: atMostOf(0.15)}, true, true},
		{"too few covered", figure{value: 0.8, low: 0.7, high: 0.93, bar: between(0.94, 0.995)}, true, true},
		{"too many covered, by chance", figure{value: 1, low: 0.98, high: 1, bar: between(0.94, 0.995)}, true, false},
		{"nothing measured", figure{value: math.NaN(), low: math.NaN(), high: math.NaN(), bar: atMostOf(1)}, true, true},
		{"only reported", figure{value: 9}, false, false},
	} {
		if got := c.f.misses(false); got != c.full {
			t.Errorf("%s: misses in a full run = %v", c.name, got)
		}
		if got := c.f.misses(true); got != c.sliceMisses {
			t.Errorf("%s: misses in a slice = %v", c.name, got)
		}
	}
}

// A handful of tests from the command line: the table has every row and the seed, the same seed gives the same table, and
// the naive methods fall short.
func TestLeakdownTable(t *testing.T) {
	run := func() string {
		var b bytes.Buffer
		started := time.Now()
		_, _, err := runSets(t.Context(), leakdownOptions{n: 12, seed: 4, cores: 2}, sets()[:1], 0.95, &b)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("took %s", time.Since(started))
		text, _, _ := strings.Cut(b.String(), " tests in ")
		_, rest, _ := strings.Cut(b.String(), "minutes")
		return text + rest
	}
	text := run()
	for _, want := range []string{"RMSE at 600 s", "95 % covers at 60 s", "false fail", "undecided outside", "time to verdict, median", "<= 0.18"} {
		if !strings.Contains(text, want) {
			t.Errorf("the table lacks %q", want)
		}
	}
	if n := strings.Count(text, "%  misses"); n != len(naiveMethods()) {
		t.Errorf("%d naive methods miss the bars; want %d:\n%s", n, len(naiveMethods()), text)
	}
	if d := cmp.Diff(text, run()); d != "" {
		t.Errorf("the same seed prints another table:\n%s", d)
	}
}

func TestLeakdownArguments(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"leakdown", "-sets", "easy"}, "warmwall"},
		{[]string{"leakdown", "-n", "0"}, "1 or more"},
		{[]string{"leakdown", "main"}, "flags only"},
	} {
		if err := bench(t.Context(), c.args, io.Discard); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("bench %v = %v; want a word of %q", c.args, err, c.want)
		}
	}
}

func TestDumpShowsTruthAndEstimates(t *testing.T) {
	var b bytes.Buffer
	if err := bench(t.Context(), []string{"leakdown", "-sets", "main", "-seed", "4", "-dump", "1"}, &b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"main 1: leak", "gas-wall", "estimate", "budget", "start pressure"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the dump lacks %q:\n%s", want, b.String())
		}
	}
}
