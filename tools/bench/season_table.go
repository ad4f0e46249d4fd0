// SPDX-License-Identifier: Apache-2.0

package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

func atLeast(low float64) target { return target{low, math.Inf(1), true} }

// seasonSheet makes the table's lines of all machines' seasons.
type seasonSheet struct {
	all     []machineOutcome
	level   float64
	figures []figure
	perfect []string // naive readers that meet the bars
}

func (s *seasonSheet) add(f figure) { f.set = "season"; s.figures = append(s.figures, f) }

func (s *seasonSheet) sample(words, unit string, bar, aim target, x []float64, of func([]float64) float64) {
	f := figure{words: words, unit: unit, value: math.NaN(), bar: bar, aim: aim, n: len(x)}
	f.low, f.high = bootstrap(x, s.level, of)
	if len(x) > 0 {
		f.value = of(x)
	}
	s.add(f)
}

func (s *seasonSheet) share(words string, k, n int, bar, aim target) {
	low, high := binomial(k, n, s.level)
	s.add(figure{
		words: fmt.Sprintf("%s (%d of %d)", words, k, n), unit: "%", value: float64(k) / float64(n), low: low, high: high, bar: bar, aim: aim, n: n,
	})
}

// counted is what happened on one machine: events, and in how many hours.
type counted struct {
	k int
	h float64
}

// rate adds a line of events by the hour or by a hundred. Alarms come in clusters, a machine that is misjudged once is so
// again: the interval is the wider one of Poisson's and of drawing the machines anew.
func (s *seasonSheet) rate(words string, machines []counted, per float64, bar, aim target) {
	k, h := 0, 0.0
	numbers := make([]float64, len(machines))
	for i, m := range machines {
		k, h = k+m.k, h+m.h
		numbers[i] = float64(i)
	}
	low, high := poisson(k, s.level)
	if k > 0 {
		least, most := bootstrap(numbers, s.level, func(x []float64) float64 {
			n, t := 0, 0.0
			for _, i := range x {
				n, t = n+machines[int(i)].k, t+machines[int(i)].h
			}
			return float64(n) / math.Max(t, 1e-9) * h
		})
		low, high = math.Min(low, least), math.Max(high, most)
	}
	unit := "/h"
	if per != 1 {
		unit = fmt.Sprintf("/%gh", per)
	}
	f := figure{
		words: fmt.Sprintf("%s (%d in %.0f h)", words, k, h), unit: unit, value: float64(k) / h * per, low: low / h * per, high: high / h * per,
		bar: bar, aim: aim, n: k,
	}
	if h == 0 {
		f.value = math.NaN()
	}
	s.add(f)
}

// poisson returns the exact interval of the expectation behind k events (Garwood's, by the distribution itself).
func poisson(k int, level float64) (low, high float64) {
	tail, most := (1-level)/2, 10*float64(k)+20
	atMost := func(k int, mean float64) float64 {
		sum := 0.0
		for i := range k + 1 {
			g, _ := math.Lgamma(float64(i) + 1)
			sum += math.Exp(float64(i)*math.Log(mean) - mean - g)
		}
		return sum
	}
	if k > 0 {
		low = most * bisect(func(x float64) bool { return 1-atMost(k-1, most*x) < tail })
	}
	return low, most * bisect(func(x float64) bool { return atMost(k, most*x) > tail })
}

// fill computes all lines.
func (s *seasonSheet) fill() {
	s.compressor()
	s.falseLeaks()
	s.nights()
	s.delays()
	s.weak()
	s.alarms()
	s.odd()
}

func (s *seasonSheet) soundDays() (days []*dayOutcome) {
	for i := range s.all {
		for j := range s.all[i].sound {
			days = append(days, &s.all[i].sound[j])
		}
	}
	return days
}

func (s *seasonSheet) compressor() {
	var f1, duty, sign, true100 []float64
	for _, d := range s.soundDays() {
		if v := d.f1(); !math.IsNaN(v) {
			f1 = append(f1, v)
		}
		duty, sign = append(duty, 100*math.Abs(d.dutyError())), append(sign, 100*d.dutyError())
		true100 = append(true100, 100*d.duty())
	}
	s.sample("compressor on/off, F1 of tenths of a second", "", atLeast(0.98), atLeast(0.99), f1, mean)
	s.sample("  worst day", "", target{}, target{}, f1, slices.Min[[]float64])
	s.sample("  duty error of a day, mean size", "pts", atMostOf(0.3), atMostOf(0.1), duty, mean)
	s.sample("  duty error of a day, mean", "pts", target{}, target{}, sign, mean)
	s.sample("  true duty", "%  ", target{}, target{}, true100, mean)
}

// falseLeaks counts what was announced with no leak there: on sound days, and on the leak days before their leak.
func (s *seasonSheet) falseLeaks() {
	var sound, all []counted
	for i := range s.all {
		var c counted
		for j := range s.all[i].sound {
			d := &s.all[i].sound[j]
			c.k += d.leaks(hours(24))
			c.h += d.hours
		}
		sound = append(sound, c)
		for j := range s.all[i].leaks {
			d := &s.all[i].leaks[j]
			c.k += d.leaks(d.onset)
			c.h += d.onset.Hours()
		}
		all = append(all, c)
	}
	s.rate("false leak alarms", all, 100, atMostOf(1), atMostOf(0.2))
	s.rate("  of these on days without any leak", sound, 100, target{}, target{})
	free := 0
	for _, c := range all {
		free += is(c.k == 0)
	}
	s.share("  machines without one", free, len(all), target{}, target{})
}

// nightOf is the largest leak, L/min ANR on the night's average, of a tank that held: the bars are for those. A larger one
// is known no better than the tank's volume.
const nightOf = 0.1

func (s *seasonSheet) nights() {
	words := [2]string{"overnight hold, wall sensor, RMSE", "overnight hold, ambient only, RMSE"}
	bars := [2][2]float64{{0.01, 0.005}, {0.1, 0.05}}
	for w := range words {
		var small, large []float64
		n, unknown, known, in := 0, 0, 0, 0
		for i := range s.all {
			for _, o := range s.all[i].nights {
				n++
				if math.IsNaN(o.said[w]) {
					unknown++
					continue
				}
				known++
				in += is(o.in[w])
				if o.true <= nightOf {
					small = append(small, o.said[w]-o.true)
				} else {
					large = append(large, 100*(o.said[w]-o.true)/o.true)
				}
			}
		}
		if n == 0 {
			continue
		}
		s.sample(fmt.Sprintf("%s, held (%d)", words[w], len(small)), "L/min", atMostOf(bars[w][0]), atMostOf(bars[w][1]), small, rootMeanSquare)
		s.sample(fmt.Sprintf("  leak over %g L/min, RMS of the error (%d)", nightOf, len(large)), "%  ", target{}, target{}, large, rootMeanSquare)
		s.share("  95 % interval holds the truth", in, known, target{}, target{})
		s.share("  night not known", unknown, n, target{}, target{})
	}
}

// delays are those of the leaks, with what was said of place and size. A leak that was not raised counts as its window's
// length. A day on which a leak had been called before there was one is left out: it is counted as a false alarm.
func (s *seasonSheet) delays() {
	var right, raisedN, sized, sizedN int
	var errors []float64
	var signed [2][]float64 // tank side, ranks
	for _, c := range leakCases() {
		var delay []float64
		missed, spoilt := 0, 0
		for i := range s.all {
			for j := range s.all[i].leaks {
				o := &s.all[i].leaks[j]
				if o.kind != c {
					continue
				}
				if o.leaks(o.onset) > 0 {
					spoilt++
					continue
				}
				r, ok := o.first("air-leak", o.onset)
				if !ok {
					missed++
					delay = append(delay, (o.ends - o.onset).Minutes())
					continue
				}
				delay = append(delay, (r.at - o.onset).Minutes())
				raisedN++
				right += is(r.where == o.where)
				if v := o.size(o.onset); !math.IsNaN(v) && o.leakN > 0 {
					e := v/(o.leakSum/o.leakN) - 1
					sizedN++
					sized += is(math.Abs(e) <= 0.35)
					errors = append(errors, 100*math.Abs(e))
					signed[is(c.rank)] = append(signed[is(c.rank)], 100*e)
				}
			}
		}
		if len(delay) == 0 {
			continue
		}
		words := fmt.Sprintf("%s, mean delay (%d; %d missed, %d spoilt)", c.words(), len(delay), missed, spoilt)
		s.sample(words, "min", atMostOf(c.bar), atMostOf(c.aim), delay, mean)
		s.sample("  median", "min", target{}, target{}, delay, middle)
		s.sample("  95th percentile", "min", target{}, target{}, delay, high95)
	}
	if raisedN == 0 {
		return
	}
	s.share("place right when raised", right, raisedN, atLeast(0.95), atLeast(0.99))
	s.sample(fmt.Sprintf("size 10 min after onset, mean size of the error (%d)", sizedN), "%  ", atMostOf(35), atMostOf(15), errors, mean)
	s.share("  within 35 %", sized, sizedN, target{}, target{})
	s.sample(fmt.Sprintf("  tank side, mean error (%d)", len(signed[0])), "%  ", target{}, target{}, signed[0], mean)
	s.sample(fmt.Sprintf("  ranks, mean error (%d)", len(signed[1])), "%  ", target{}, target{}, signed[1], mean)
}

func high95(x []float64) float64 { return highest(x, 0.95) }
func high90(x []float64) float64 { return highest(x, 0.90) }

// highest is the smallest value that a share of x does not exceed.
func highest(x []float64, share float64) float64 {
	y := slices.Clone(x)
	slices.Sort(y)
	return y[max(0, int(math.Ceil(share*float64(len(y))-1e-9))-1)]
}

// weak is a compressor that loses a fifth of its delivery, in hours of planting.
func (s *seasonSheet) weak() {
	var delay []float64
	found := 0
	for i := range s.all {
		for j := range s.all[i].weak {
			o := &s.all[i].weak[j]
			planted := func(at time.Duration) float64 {
				return o.planted[min(len(o.planted)-1, int(at.Minutes()))]
			}
			h := planted(hours(o.hours)) - planted(o.at)
			if r, ok := o.first("delivery-low", o.at); ok {
				h = planted(r.at) - planted(o.at)
				found += is(h <= weakBar.Hours())
			}
			delay = append(delay, h)
		}
	}
	if len(delay) == 0 {
		return
	}
	s.sample(fmt.Sprintf("delivery -20 %%, nine in ten found within (%d)", len(delay)), "h", atMostOf(weakBar.Hours()), atMostOf(1), delay, high90)
	s.sample("  mean", "h", target{}, target{}, delay, mean)
	s.share("  found within 3 h of planting", found, len(delay), target{}, target{})
}

// alarms are those of the sound days, and of all days: with leaks, weak compressors and what is odd. Only what is heard
// counts for the bar of a person's load; what is shown without sound in another alarm's group stands in a line of its own.
func (s *seasonSheet) alarms() {
	s.announced("alarms heard in a season without faults", func(m *machineOutcome) (days []*dayOutcome) {
		for i := range m.sound {
			days = append(days, &m.sound[i])
		}
		return days
	})
	mixed := false
	for i := range s.all {
		m := &s.all[i]
		mixed = mixed || len(m.leaks)+len(m.weak)+len(m.odd) > 0
	}
	if !mixed {
		return
	}
	s.announced("alarms heard on all days, those with faults too", func(m *machineOutcome) (days []*dayOutcome) {
		for i := range m.sound {
			days = append(days, &m.sound[i])
		}
		for i := range m.leaks {
			days = append(days, &m.leaks[i].dayOutcome)
		}
		for i := range m.weak {
			days = append(days, &m.weak[i].dayOutcome)
		}
		for i := range m.odd {
			days = append(days, &m.odd[i].dayOutcome)
		}
		return days
	})
}

// announced adds the lines of the alarms of some days by the hour: together, by priority, and by kind.
func (s *seasonSheet) announced(words string, of func(m *machineOutcome) []*dayOutcome) {
	days := make([][]*dayOutcome, len(s.all))
	kinds := map[findings.Key]int{}
	for i := range s.all {
		days[i] = of(&s.all[i])
		for _, d := range days[i] {
			for j := range d.raised {
				if !d.raised[j].silent {
					kinds[d.raised[j].key]++
				}
			}
		}
	}
	count := func(of func(r *raising) bool) (out []counted) {
		for i := range days {
			var c counted
			for _, d := range days[i] {
				c.h += d.hours
				for j := range d.raised {
					c.k += is(of(&d.raised[j]))
				}
			}
			out = append(out, c)
		}
		return out
	}
	s.rate(words, count(func(r *raising) bool { return !r.silent }), 1, atMostOf(2), atMostOf(0.5))
	for _, p := range []alarms.Priority{alarms.High, alarms.Medium, alarms.Low} {
		s.rate("  "+p.String()+" priority", count(func(r *raising) bool { return !r.silent && r.priority == p }), 1, target{}, target{})
	}
	s.rate("  beside these, without sound", count(func(r *raising) bool { return r.silent }), 1, target{}, target{})
	names := slices.SortedFunc(maps.Keys(kinds), func(a, b findings.Key) int {
		return cmp.Or(kinds[b]-kinds[a], cmp.Compare(a, b))
	})
	for _, key := range names {
		s.rate("  "+string(key), count(func(r *raising) bool { return !r.silent && r.key == key }), 1, target{}, target{})
	}
}

// odd are the days on which somebody might take something for a leak.
func (s *seasonSheet) odd() {
	count := func(of func(kind int) bool) (out []counted, sum float64) {
		for i := range s.all {
			var c counted
			for j := range s.all[i].odd {
				if o := &s.all[i].odd[j]; of(o.kind) {
					c.k += o.leaks(hours(24))
					c.h += o.hours
				}
			}
			out, sum = append(out, c), sum+c.h
		}
		return out, sum
	}
	all, h := count(func(int) bool { return true })
	if h == 0 {
		return
	}
	s.rate("false leak alarms on odd days", all, 100, atMostOf(1), atMostOf(0.2))
	for k, kind := range oddKinds() {
		if c, h := count(func(x int) bool { return x == k }); h > 0 {
			s.rate("  "+kind.words, c, 100, target{}, target{})
		}
	}
}

// printNaive prints what the best single threshold reaches on the same days, and notes it where that meets the bars.
func (s *seasonSheet) printNaive(w io.Writer) {
	best, hoursAll := 0, 0.0
	var falses [needleSteps]int
	for _, d := range s.soundDays() {
		hoursAll += d.hours
		for i := range needleSteps {
			falses[i] += d.gauge.calls[i]
		}
	}
	if hoursAll == 0 {
		return
	}
	for best < needleSteps-1 && float64(falses[best])/hoursAll*100 > 1 {
		best++
	}
	fmt.Fprintf(w, "\n  naive, on the same days: calls a leak when the tank fell by more than %.0f kPa in the last minute, the smallest fall with at most\n"+
		"  one false call in 100 h (%d in %.0f h)\n", needleFall(best)/1e3, falses[best], hoursAll)
	meets, judged := true, 0
	for _, c := range leakCases() {
		var delay []float64
		missed := 0
		for i := range s.all {
			for j := range s.all[i].leaks {
				o := &s.all[i].leaks[j]
				if o.kind != c {
					continue
				}
				at, ok := o.gauge.first(best, o.onset)
				if !ok {
					missed++
					at = o.ends
				}
				delay = append(delay, (at - o.onset).Minutes())
			}
		}
		if len(delay) == 0 {
			continue
		}
		judged++
		word := "misses"
		if mean(delay) <= c.bar {
			word = "meets"
		} else {
			meets = false
		}
		fmt.Fprintf(w, "  %-54s %8.3g min   %d of %d never called; bar <= %g %s\n", c.words()+", mean delay", mean(delay), missed, len(delay), c.bar, word)
	}
	if meets && judged > 0 {
		s.perfect = append(s.perfect, "the naive threshold meets the bars: the season is too easy")
	}
}
