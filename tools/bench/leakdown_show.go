// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"math"
	"slices"

	"airhold/firmware/leakdown"
	"airhold/firmware/rig"
)

// dump prints one test: what was drawn, the truth over time and each estimate beside it.
func dump(w io.Writer, r *ranges, seed uint64, index int) error {
	t := draw(r, seed, index)
	fmt.Fprintln(w, "  "+t.words())
	fmt.Fprintf(w, "  b %.3f, around %.1f K (said %+.1f), %.1f hPa (said %+.1f), sensor %+.2f %% FS %+.2f %%, body %+.1f K, %d bit, %g Hz\n",
		t.hold.Leak.B, t.hold.Weather.Kelvin, t.setup.Ambient-t.hold.Weather.Kelvin, t.hold.Around/100,
		(t.setup.Barometer-t.hold.Around)/100, 100*t.gauge.Offset, 100*t.gauge.Gain, t.gauge.Body, t.gauge.Bits, t.gauge.Rate)
	for i, q := range t.quiet {
		q.setup.Signature = t.setup.Signature
		res, _, err := runTest(&q)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "  before %d: %s\n    %s %s\n", i+1, q.words(), res.Verdict, signature(res.Signature))
		if res.Signature != nil {
			t.setup.Signature = res.Signature
		}
	}
	res, samples, err := runTest(&t)
	if err != nil {
		return err
	}
	if err := dumpTruth(w, &t, samples); err != nil {
		return err
	}
	fmt.Fprintf(w, "\n  %6s %8s %8s %17s %7s %7s %7s  %-10s %9s %9s  %s\n", "s", "estimate", "error", "95 %", "sigma", "P pass", "P fail",
		"", "cooled", "lost bar", "budget, L/min")
	for _, u := range res.Updates {
		v, low, high := lmin(u.Leak.Value), lmin(u.Leak.Low), lmin(u.Leak.High)
		mark := " "
		if t.true < low || t.true > high {
			mark = "!"
		}
		fmt.Fprintf(w, "  %6.1f %8.3f %+8.3f %8.3f %8.3f%s %6.2f  %6.4f  %6.4f  %-10s %9.4f %9.4f ", u.At.Seconds(), v, v-t.true, low, high, mark,
			(v-t.true)/(high-low)*3.92, u.PassChance, u.FailChance, u.Verdict, u.Cooling/bar, u.Lost/bar)
		for _, b := range u.Budget {
			fmt.Fprintf(w, " %s %.3f", b.Key, lmin(b.U))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "  %s at %.1f s; start pressure %.4f bar g; %s\n", res.Verdict, res.DecidedAt.Seconds(), res.StartPressure/bar,
		signature(res.Signature))
	for _, s := range res.Reasons {
		fmt.Fprintln(w, "  "+s)
	}
	return nil
}

func signature(s *leakdown.Signature) string {
	if s == nil {
		return "no signature"
	}
	return fmt.Sprintf("signature tau %.1f s (ln sd %.2f), n %.2f +- %.2f, slow %.2f +- %.2f, %d tests", math.Exp(s.LogTau), s.LogTauSD,
		s.N, s.NSD, s.Slow, s.SlowSD, s.Tests)
}

func dumpTruth(w io.Writer, t *trial, samples []leakdown.Sample) error {
	h, err := rig.NewHold(t.hold)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "\n  %6s %10s %10s %8s %8s %8s %9s %9s %9s\n", "s", "bar g", "read", "gas-wall", "wall", "around", "L/min now",
		"L/min@wall", "vapour Pa")
	for at := 0.0; at <= testSpan; {
		h.Advance(at)
		v := h.Truth()
		fmt.Fprintf(w, "  %6.0f %10.4f %10.4f %8.2f %8.2f %8.2f %9.3f %9.3f %9.0f\n", at, v.Gauge/bar, second(samples, at)/bar,
			v.Gas-v.Inner, v.Inner, v.Around, lmin(v.Flow), lmin(v.Flow)*math.Sqrt(v.Gas/v.Inner), v.Vapour*461.523*v.Gas/v.Volume)
		switch {
		case at < 10:
			at += 2
		case at < 60:
			at += 10
		default:
			at += 60
		}
	}
	return nil
}

// worst prints the k tests whose errors are the largest beside the bars, and every wrong verdict.
func (s *sheet) worst(w io.Writer, k int) {
	bars := []float64{1.5, 0.65, 0.33, 0.18, 0.16}
	score := func(o *outcome) float64 {
		if o.trial.true > judgedLeak {
			return 0
		}
		most := 0.0
		for h := range horizons() {
			if e := math.Abs(o.err(h)); e > most*bars[h] {
				most = e / bars[h]
			}
		}
		return most
	}
	order := make([]*outcome, len(s.all))
	for i := range s.all {
		order[i] = &s.all[i]
	}
	slices.SortStableFunc(order, func(a, b *outcome) int {
		switch x, y := score(a), score(b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	one := func(o *outcome) {
		fmt.Fprintf(w, "    %s; %s at %.0f s; errors", o.trial.words(), o.verdict, o.decided)
		for h, at := range horizons() {
			mark := ""
			if i := o.at[h]; o.trial.true < i.Low || o.trial.true > i.High {
				mark = "!"
			}
			fmt.Fprintf(w, " %g:%+.2f%s", at, o.err(h), mark)
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "  the %d largest errors over their bars (! outside the interval)\n", k)
	for _, o := range order[:min(k, len(order))] {
		one(o)
	}
	fmt.Fprintln(w, "  wrong verdicts, and none outside 0.8-1.25 x limit")
	for i := range s.all {
		o := &s.all[i]
		if o.good() && o.verdict == leakdown.Fail || !o.good() && o.verdict == leakdown.Pass || o.clear() && o.undecided() {
			one(o)
		}
	}
}
