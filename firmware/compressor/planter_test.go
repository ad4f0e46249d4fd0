// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/compressor"
)

// planter is the test's own model of a small tank: gas mass and gas temperature in one volume, a compressor with a
// pressure switch, a steady use and bags that take air in bursts. Figures: 38 L, 180 L/min ANR, 6.5-7.5 bar gauge.
type planter struct {
	use     float64 // m3/s ANR, steady
	bursts  float64 // mean use by bag bursts, m3/s ANR
	start   float64 // Pa gauge
	running bool    // at the start
	engine  func(t float64) bool
	sun     float64 // K/s of the wall
	leak    float64 // m3/s ANR at 800 kPa absolute, choked: proportional to absolute pressure
}

type truth struct {
	on   time.Duration
	runs int
}

func (m planter) play(length, period time.Duration, seed uint64) ([]sample, truth) {
	const (
		vol, cap0     = 0.038, 0.003 // m3, m3/s
		patm, t0      = 101325.0, 293.15
		cutIn, cutOut = 6.5e5, 7.5e5
		tau, dt       = 30.0, 0.05
	)
	g := rand.New(rand.NewPCG(seed, 1))
	wall := t0
	gas := t0
	n := (m.start + patm) / gas // pressure over temperature stands for mass
	on := m.running
	var rows []sample
	var tr truth
	next := 0.0
	burst := 0.0
	if on {
		tr.runs = 1
	}
	for t := 0.0; t < length.Seconds(); t += dt {
		p := n*gas - patm
		eng := m.engine == nil || m.engine(t)
		was := on
		on = eng && ((on && p < cutOut) || p <= cutIn)
		if on && !was {
			tr.runs++
		}
		if on {
			tr.on += time.Duration(dt * float64(time.Second))
		}
		if burst <= 0 && m.bursts > 0 && g.Float64() < dt/8 { // every 8 s on average, 10 L/s for as long as it takes
			burst = m.bursts * 8 / 0.01 * g.ExpFloat64()
		}
		q := -m.use - m.leak*(p+patm)/8e5
		if burst > 0 {
			q -= 0.01
			burst -= dt
		}
		if p <= 0 {
			q = 0
		}
		// dm in units of n: flow at 100 kPa and t0
		out := q * 1e5 / t0 / vol * dt
		in := 0.0
		if on {
			in = cap0 * 1e5 / t0 / vol * dt
		}
		wall += m.sun * dt
		hot := wall + 35 // inlet
		gas += (out*0.4*gas + in*(1.4*hot-gas)) / n
		gas += (wall - gas) * dt / tau
		n += out + in
		if t >= next-1e-9 {
			noise := sensorNoise * g.NormFloat64()
			rows = append(rows, sample{time.Duration(math.Round(t*1000)) * time.Millisecond, n*gas - patm + noise})
			next += period.Seconds()
		}
	}
	return rows, tr
}

const sensorNoise = 500.0 // Pa rms: 0.05 % of 10 bar

const litre = 1e-3 / 60 // m3/s in a litre a minute

func plates() map[string]compressor.Options {
	return map[string]compressor.Options{
		"nothing known": {},
		"switch points": {CutIn: 6.5e5, CutOut: 7.5e5, Volume: 0.038, Delivery: 0.003},
	}
}

func TestPlanterWorking(t *testing.T) {
	// Duty must come out at any sampling period; what a slow recording cannot show is allowed for: an edge lies
	// anywhere in a sampling period, and runs last some 15 s.
	for _, tc := range []struct {
		period time.Duration
		duty   float64 // allowed error
		runs   float64 // allowed share of runs not counted or counted twice
	}{
		{50 * time.Millisecond, 0.01, 0.1},
		{100 * time.Millisecond, 0.01, 0.1},
		{500 * time.Millisecond, 0.01, 0.1},
		{time.Second, 0.015, 0.1},
		{2 * time.Second, 0.02, 0.1},
		{5 * time.Second, 0.04, 0.15},
		{10 * time.Second, 0.06, 0.2},
		{13 * time.Second, 0.08, 0.3},
	} {
		for name, o := range plates() {
			t.Run(tc.period.String()+"/"+name, func(t *testing.T) {
				m := planter{start: 7e5, use: 5 * litre, bursts: 22 * litre}
				rows, tr := m.play(2*time.Hour, tc.period, 11)
				res := play(rows, o)
				duty, _ := res.c.DutyWhole()
				want := tr.on.Seconds() / (2 * 3600)
				if math.Abs(duty-want) > tc.duty {
					t.Errorf("duty = %.4f; want %.4f +- %.3f", duty, want, tc.duty)
				}
				if n := res.c.RunCount(); math.Abs(float64(n-tr.runs)) > tc.runs*float64(tr.runs) {
					t.Errorf("runs = %d; want %d", n, tr.runs)
				}
				if len(res.bell.rang) != 0 {
					t.Errorf("rang at %v; want never at duty %.3f", res.bell.rang, want)
				}
				t.Logf("duty %.4f of %.4f, runs %d of %d", duty, want, res.c.RunCount(), tr.runs)
			})
		}
	}
}

func TestPlanterAtRest(t *testing.T) {
	off := func(float64) bool { return false }
	for name, m := range map[string]planter{
		"tight":              {start: 7e5, engine: off},
		"slow leak":          {start: 7e5, engine: off, leak: 0.5 * litre},
		"fast leak":          {start: 7e5, engine: off, leak: 10 * litre},
		"below cut-in":       {start: 4e5, engine: off, leak: 0.1 * litre},
		"empty":              {start: 0, engine: off},
		"morning sun":        {start: 7e5, engine: off, sun: 5.0 / 600, leak: 0.1 * litre},
		"bags moved by hand": {start: 7e5, engine: off, bursts: 3 * litre},
		"stopped in a run":   {start: 6.8e5, running: true, engine: func(s float64) bool { return s < 6 }},
	} {
		for _, period := range []time.Duration{100 * time.Millisecond, time.Second, 10 * time.Second, 13 * time.Second} {
			for plate, o := range plates() {
				t.Run(name+"/"+period.String()+"/"+plate, func(t *testing.T) {
					length := 2 * time.Hour
					if m.sun > 0 {
						length = 30 * time.Minute // 15 K
					}
					rows, tr := m.play(length, period, 5)
					res := play(rows, o)
					if got := res.c.OnTime(); got-tr.on > 30*time.Second {
						t.Errorf("on for %v; want %v", got, tr.on)
					}
					if len(res.bell.rang) != 0 {
						t.Errorf("rang at %v; want never", res.bell.rang)
					}
					if s, _ := res.c.State(); s == compressor.On {
						t.Error("still on at the end; want not")
					}
				})
			}
		}
	}
}

func TestNeverRests(t *testing.T) {
	for name, m := range map[string]planter{
		"leak and bags take it all": {start: 6.9e5, running: true, leak: 150 * litre, bursts: 25 * litre},
		"leak takes nearly all":     {start: 6.6e5, running: true, leak: 165 * litre},
		"bags take it all":          {start: 6.9e5, running: true, use: 110 * litre, bursts: 60 * litre},
	} {
		for _, period := range []time.Duration{100 * time.Millisecond, time.Second, 10 * time.Second} {
			for plate, o := range plates() {
				t.Run(name+"/"+period.String()+"/"+plate, func(t *testing.T) {
					rows, tr := m.play(15*time.Minute, period, 9)
					res := play(rows, o)
					t.Logf("rang %v; on %v of %v, from %.0f to %.0f", res.bell.rang, res.c.OnTime(), tr.on, rows[0].p, rows[len(rows)-1].p)
					if len(res.bell.rang) == 0 || res.bell.rang[0] > 10*time.Minute {
						t.Errorf("rang at %v; want within 10 min", res.bell.rang)
					}
				})
			}
		}
	}
}
