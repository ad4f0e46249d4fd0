// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"math"
	"testing"
	"time"

	"airhold/tools/golden"
)

// fed is a test that was given a reading every quarter of a second, up to a time.
func fed(t *testing.T, s Setup, until float64, at func(s float64) Sample) *Test {
	t.Helper()
	s.Volume = 40e-3
	x, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	for sec := 0.0; sec <= until; sec += 0.25 {
		p := at(sec)
		p.Pressure += 40 * math.Sin(37*sec) // the noise of a converter
		if p.At == 0 {
			p.At = time.Duration(sec * float64(time.Second))
		}
		x.Add(p)
	}
	return x
}

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfATestIsListed(t *testing.T) {
	t.Parallel()
	steady := func(kPa float64) func(float64) Sample {
		return func(float64) Sample { return Sample{Pressure: kPa * 1e3} }
	}
	leaks := func(s float64) Sample { // 3 L/min ANR of 40 L
		return Sample{Pressure: 801325*math.Exp(-3*litreMinute*anrPressure/40e-3/801325*s) - 101325}
	}
	after := func(from float64, then func(s float64) Sample) func(float64) Sample {
		return func(s float64) Sample {
			if s < from {
				return leaks(s)
			}
			return then(s)
		}
	}
	late := func(by time.Duration) func(float64) Sample {
		return after(12, func(s float64) Sample {
			return Sample{At: time.Duration(s*float64(time.Second)) + by, Pressure: 700e3}
		})
	}
	var all []string
	add := func(x *Test) {
		r := x.Result()
		if len(r.Reasons) == 0 {
			t.Errorf("after %s the test is %s and says nothing", r.Duration, r.Verdict)
		}
		all = append(all, r.Reasons...)
	}

	add(fed(t, Setup{}, 16, late(20*time.Minute)))
	add(fed(t, Setup{}, 16, late(90*time.Second)))
	add(fed(t, Setup{}, 60, after(12, func(float64) Sample { return Sample{Bad: true} })))
	add(fed(t, Setup{}, 30, after(20, func(float64) Sample { return Sample{Pressure: 715e3} })))
	add(fed(t, Setup{}, 30, after(20, func(s float64) Sample { return Sample{Pressure: 630e3 - 100*s} })))
	add(fed(t, Setup{}, 30, after(20, func(s float64) Sample { return Sample{Pressure: 700e3 + (s-20)*7e3} })))
	for _, d := range []Disturbance{CompressorStarted, ValveMoved, PlanterMoved, SupplyOff, SensorLost} {
		x := fed(t, Setup{}, 5, steady(700))
		x.Disturb(d)
		add(x)
	}
	for _, kPa := range []float64{0.7, 7, 50, 100, 4500, 10e3, 70e3, 700e3} {
		add(fed(t, Setup{}, 16, steady(kPa)))
	}
	add(fed(t, Setup{Rank: true}, 16, steady(12)))

	short := fed(t, Setup{}, 5, steady(700))
	short.Close()
	add(short)
	blind := fed(t, Setup{}, 5, func(float64) Sample { return Sample{Bad: true} })
	blind.Close()
	add(blind)

	// What a whole watch would bring is set by hand, and told by the test itself.
	for _, warms := range []func(x *Test){
		func(*Test) {},
		func(x *Test) { x.g.wall = []heat{{0, 290}, {60, 292}, {120, 294}, {180, 296}} },
		func(x *Test) { x.g.air = []heat{{0, 290}, {60, 292}, {120, 294}, {180, 296}} },
	} {
		x := fed(t, Setup{}, 20, steady(700))
		warms(x)
		x.rising = true
		x.judge(&Estimate{At: 20 * time.Second, PassChance: 0.5, FailChance: 0.5})
		add(x)
	}
	judged := func(more func(x *Test), e Estimate) {
		x := fed(t, Setup{}, 20, steady(700))
		more(x)
		x.judge(&e)
		add(x)
	}
	judged(func(x *Test) { x.ratio = 12 }, Estimate{At: 40 * time.Second, PassChance: 0.5, FailChance: 0.5})
	for _, at := range []time.Duration{80 * time.Second, 10 * time.Minute} {
		judged(func(x *Test) { x.skip = 2 }, Estimate{At: at, PassChance: 0.999, FailChance: 0.001})
		judged(func(*Test) {}, Estimate{At: at, PassChance: 0.001, FailChance: 0.999})
		judged(func(x *Test) { x.g.blocks[len(x.g.blocks)-1].y -= 3 }, Estimate{At: at, PassChance: 0.5, FailChance: 0.5})
		judged(func(x *Test) { x.verdict = Pass }, Estimate{At: at, PassChance: 0.001, FailChance: 0.999})
	}
	for _, rank := range []bool{false, true} {
		x := fed(t, Setup{Rank: rank}, 20, steady(700))
		for _, term := range x.budget(6, 5, 4, 3, 2, 1) {
			all = append(all, term.Words, term.Help)
			open := fed(t, Setup{Rank: rank}, 20, steady(700))
			open.updates = []Estimate{{Budget: []Term{term}}}
			open.Close()
			add(open)
		}
	}
	add(fed(t, Setup{}, 601, leaks)) // as large as the limit: nobody can say after ten minutes either
	golden.Sentences(t, all)
}
