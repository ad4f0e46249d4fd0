// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"math"
	"slices"

	"airhold/firmware/leakdown"
)

// figure is one line of the table: what was reached, with its interval, beside what it must and what it should reach.
type figure struct {
	set, words string
	unit       string // "%" multiplies by 100
	value      float64
	low, high  float64 // interval of value at the run's level; both value where there is none
	bar, aim   target
	n          int
}

// target is where a figure has to lie; a figure without one is only reported.
type target struct {
	low, high float64
	set       bool
}

func atMostOf(high float64) target     { return target{math.Inf(-1), high, true} }
func between(low, high float64) target { return target{low, high, true} }
func (t target) holds(v float64) bool  { return v >= t.low && v <= t.high }
func (t target) words(f *figure) string { // as the table prints it
	switch {
	case !t.set:
		return ""
	case math.IsInf(t.low, -1):
		return "<= " + f.number(t.high)
	case math.IsInf(t.high, 1):
		return ">= " + f.number(t.low)
	}
	return f.number(t.low) + " to " + f.number(t.high)
}

func (f *figure) number(v float64) string {
	if math.IsNaN(v) {
		return "none"
	}
	if f.unit == "%" {
		return fmt.Sprintf("%.4g", 100*v)
	}
	return fmt.Sprintf("%.3g", v)
}

// misses tells whether the value misses its bar; with the interval's help, whether it does so beyond chance.
func (f *figure) misses(slice bool) bool {
	if !f.bar.set {
		return false
	}
	if math.IsNaN(f.value) {
		return true
	}
	if slice {
		return f.low > f.bar.high || f.high < f.bar.low
	}
	return !f.bar.holds(f.value)
}

func (f *figure) print(w io.Writer) {
	said := func(t target) string {
		switch {
		case !t.set:
			return ""
		case t.holds(f.value):
			return " meets"
		}
		return " misses"
	}
	fmt.Fprintf(w, "  %-54s %8s %-5s %-16s %-16s%-8s %-16s%-7s\n", f.words, f.number(f.value), f.unit,
		f.number(f.low)+" to "+f.number(f.high), f.bar.words(f), said(f.bar), f.aim.words(f), said(f.aim))
}

func head(w io.Writer, level float64) {
	fmt.Fprintf(w, "  %-54s %8s %-5s %-16s %-24s %s\n", "", "reached", "", fmt.Sprintf("%.0f %% interval", 100*level), "bar", "aim")
}

// sheet gathers the figures of one set of tests.
type sheet struct {
	set     string
	all     []outcome
	level   float64
	figures []figure
}

// judgedLeak is the largest leak, L/min, whose errors are counted.
const judgedLeak = 15

func (s *sheet) add(f figure) {
	f.set = s.set
	s.figures = append(s.figures, f)
}

// share adds a figure that counts; of is asked of every test and says whether it is in the sample and whether it counts.
func (s *sheet) share(words string, bar, aim target, of func(o *outcome) (in, counts bool)) {
	k, n := 0, 0
	for i := range s.all {
		if in, counts := of(&s.all[i]); in {
			n++
			if counts {
				k++
			}
		}
	}
	low, high := binomial(k, n, s.level)
	s.add(figure{
		words: fmt.Sprintf("%s (%d of %d)", words, k, n), unit: "%", value: float64(k) / float64(n), low: low, high: high,
		bar: bar, aim: aim, n: n,
	})
}

// sample adds a figure computed from a value of each test.
func (s *sheet) sample(words, unit string, bar, aim target, x []float64, of func([]float64) float64) {
	low, high := bootstrap(x, s.level, of)
	f := figure{words: words, unit: unit, value: math.NaN(), low: low, high: high, bar: bar, aim: aim, n: len(x)}
	if len(x) > 0 {
		f.value = of(x)
	}
	s.add(f)
}

// errors are estimate less truth at horizon h over the leaks that count, of the tests that had an estimate.
func (s *sheet) errors(h int) (x []float64) {
	for i := range s.all {
		if e := s.all[i].err(h); s.all[i].trial.true <= judgedLeak && !math.IsNaN(e) {
			x = append(x, e)
		}
	}
	return x
}

func (o *outcome) err(h int) float64 { return o.at[h].Value - o.trial.true }

func (o *outcome) good() bool { return o.trial.true < limitLmin }

// clear tells whether the leak is well away from the limit.
func (o *outcome) clear() bool {
	return o.trial.true < 0.8*limitLmin || o.trial.true > 1.25*limitLmin
}

func (o *outcome) undecided() bool {
	return o.verdict != leakdown.Pass && o.verdict != leakdown.Fail
}

func (s *sheet) rms(h int, bar, aim target) {
	s.sample(fmt.Sprintf("RMSE at %g s", horizons()[h]), "L/min", bar, aim, s.errors(h), rootMeanSquare)
}

// coverage counts a test without an estimate as not covered, unless it was invalid.
func (s *sheet) coverage(bar target) {
	for h, at := range horizons() {
		s.share(fmt.Sprintf("95 %% covers at %g s", at), bar, bar, func(o *outcome) (in, counts bool) {
			i := o.at[h]
			in = o.trial.true <= judgedLeak && (o.verdict != leakdown.Invalid || !math.IsNaN(i.Value))
			return in, i.Low <= o.trial.true && o.trial.true <= i.High
		})
	}
}

// width reports how wide the intervals are, and that beside the errors: 1 is as wide as normal errors of that RMSE need.
func (s *sheet) width() {
	for h, at := range horizons() {
		var x []float64
		for i := range s.all {
			if v := s.all[i].at[h]; s.all[i].trial.true <= judgedLeak && !math.IsNaN(v.Value) {
				x = append(x, v.High-v.Low)
			}
		}
		s.sample(fmt.Sprintf("interval width at %g s, mean; over 3.92 RMSE %.2f", at, mean(x)/3.92/rootMeanSquare(s.errors(h))),
			"L/min", target{}, target{}, x, mean)
	}
}

func (s *sheet) bias(h int) {
	s.sample(fmt.Sprintf("bias at %g s", horizons()[h]), "L/min", target{}, target{}, s.errors(h), mean)
}

func (s *sheet) falsePass(bar, aim target) {
	s.share("false pass", bar, aim, func(o *outcome) (in, counts bool) { return !o.good(), o.verdict == leakdown.Pass })
}

func (s *sheet) falseFail(bar, aim target) {
	s.share("false fail", bar, aim, func(o *outcome) (in, counts bool) { return o.good(), o.verdict == leakdown.Fail })
}

func (s *sheet) undecided(all, allAim, out, outAim target) {
	s.share("undecided at 600 s", all, allAim, func(o *outcome) (in, counts bool) { return true, o.undecided() })
	s.share("undecided outside 0.8-1.25 x limit", out, outAim, func(o *outcome) (in, counts bool) {
		return o.clear(), o.undecided()
	})
	s.share("judged invalid (counted as undecided)", target{}, target{}, func(o *outcome) (in, counts bool) {
		return true, o.verdict == leakdown.Invalid
	})
}

func (s *sheet) times(average, averageAim, half, halfAim target) {
	var x []float64
	for i := range s.all {
		x = append(x, s.all[i].decided)
	}
	s.sample("time to verdict, mean (undecided: 600)", "s", average, averageAim, x, mean)
	s.sample("time to verdict, median", "s", half, halfAim, x, middle)
}

// fill computes the lines of a set. Bars and aims are those of the task; a line that has none is reported only.
func (s *sheet) fill(r *ranges) {
	none := target{}
	covers := between(0.94, 0.995)
	pass, passAim := atMostOf(0.005), atMostOf(0.001)
	fail, failAim := atMostOf(0.008), atMostOf(0.003)
	variant := atMostOf(0.02) // false fails in any variant
	switch r.name {
	case "main":
		for h, v := range [][2]float64{{}, {0.65, 0.45}, {0.33, 0.22}, {0.18, 0.13}, {0.16, 0.11}} {
			if h == 0 {
				s.rms(h, none, none)
				continue
			}
			s.rms(h, atMostOf(v[0]), atMostOf(v[1]))
		}
		s.coverage(covers)
		s.falsePass(pass, passAim)
		s.falseFail(fail, failAim)
		s.undecided(atMostOf(0.05), atMostOf(0.03), atMostOf(0.005), atMostOf(0.001))
		s.times(atMostOf(105), atMostOf(80), atMostOf(70), atMostOf(50))
	case "warmwall":
		s.everyRMS(map[int][2]target{3: {atMostOf(0.45), atMostOf(0.30)}})
		s.coverage(covers)
		s.falsePass(pass, atMostOf(0.003))
		s.falseFail(atMostOf(0.02), atMostOf(0.01))
		s.undecided(none, none, none, none)
		s.times(none, none, none, none)
	case "learned":
		s.share("had learned a signature", none, none, func(o *outcome) (in, counts bool) { return true, o.taught })
		s.everyRMS(map[int][2]target{1: {atMostOf(0.35), none}, 2: {atMostOf(0.23), none}})
		s.coverage(covers)
		s.falsePass(pass, passAim)
		s.falseFail(variant, failAim)
		s.undecided(none, none, none, none)
		s.times(atMostOf(75), atMostOf(50), atMostOf(45), atMostOf(30))
	case "wallsensor":
		s.everyRMS(map[int][2]target{3: {atMostOf(0.13), none}})
		s.coverage(covers)
		s.falsePass(pass, passAim)
		s.falseFail(variant, failAim)
		s.undecided(none, none, none, none)
		s.times(none, none, none, none)
	case "unknown":
		s.everyRMS(nil)
		s.coverage(between(0.90, math.Inf(1)))
		s.falsePass(pass, passAim)
		s.falseFail(variant, variant)
		s.undecided(none, none, none, none)
		s.times(none, none, none, none)
	case "harsh": // reported without a bar, see leakdown_ranges.go
		s.everyRMS(nil)
		s.coverage(none)
		s.falsePass(none, none)
		s.falseFail(none, none)
		s.undecided(none, none, none, none)
		s.times(none, none, none, none)
	default:
		s.everyRMS(nil)
		s.coverage(covers)
		s.falsePass(pass, passAim)
		s.falseFail(variant, failAim)
		s.undecided(none, none, none, none)
		s.times(none, none, none, none)
	}
	s.bias(2)
	s.bias(3)
	s.width()
}

func (s *sheet) everyRMS(with map[int][2]target) {
	for h := range horizons() {
		t := with[h]
		s.rms(h, t[0], t[1])
	}
}

// invalid prints why tests that nothing disturbed were judged invalid.
func (s *sheet) invalid(w io.Writer) {
	count := map[string]int{}
	for i := range s.all {
		if o := &s.all[i]; o.verdict == leakdown.Invalid {
			for _, r := range o.reasons {
				count[r]++
			}
		}
	}
	reasons := make([]string, 0, len(count))
	for r := range count {
		reasons = append(reasons, r)
	}
	slices.SortFunc(reasons, func(a, b string) int { return count[b] - count[a] })
	for i, r := range reasons {
		if i == 5 {
			fmt.Fprintf(w, "    and %d other reasons\n", len(reasons)-5)
			break
		}
		fmt.Fprintf(w, "    invalid %d times: %s\n", count[r], r)
	}
}

// printNaive prints what the naive methods reach on the same tests, and returns those that are good enough for the bars: a
// benchmark that lets them pass asks too little.
func (s *sheet) printNaive(w io.Writer) (tooGood []string) {
	fmt.Fprintf(w, "  %-32s %12s %12s %12s %12s\n", "naive, on the same tests", "bias L/min", "RMSE L/min", "false fail", "false pass")
	for i, m := range naiveMethods() {
		var x []float64
		var good, bad, fails, passes int
		for j := range s.all {
			o := &s.all[j]
			v := o.naive[i]
			if math.IsNaN(v) {
				continue
			}
			if o.trial.true <= judgedLeak {
				x = append(x, v-o.trial.true)
			}
			if o.good() {
				good++
				fails += is(v > limitLmin)
			} else {
				bad++
				passes += is(v <= limitLmin)
			}
		}
		ff, fp := float64(fails)/float64(good), float64(passes)/float64(bad)
		said := "misses"
		if rootMeanSquare(x) <= m.bar && ff <= 0.008 && fp <= 0.005 {
			said = "MEETS THE BARS"
			tooGood = append(tooGood, m.words)
		}
		fmt.Fprintf(w, "  %-32s %+12.2f %12.2f %10.1f %% %10.1f %%  %s\n", m.words, mean(x), rootMeanSquare(x), 100*ff, 100*fp, said)
	}
	return tooGood
}

func is(b bool) int {
	if b {
		return 1
	}
	return 0
}
