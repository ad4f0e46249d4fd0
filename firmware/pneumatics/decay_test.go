// SPDX-License-Identifier: Apache-2.0

package pneumatics_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// TestChokedDecay: 5 L/min ANR out of 40 L at 800 kPa. By hand: k = (5/60000)/0.04*100/800 = 2.604167e-4 /s; after 300 s
// 8*exp(-0.078125) bar; at the start 8*60*k = 0.125 bar/min.
func TestChokedDecay(t *testing.T) {
	t.Parallel()
	k, err := pneumatics.DecayRate(5*lMin, 800e3, 0.040, 293.15)
	expect(t, "k", k, 2.60417e-4, 1e-4, err)
	expect(t, "bar a minute", k*8*60, 0.125, 1e-4, nil)
	p, err := pneumatics.ChokedPressure(800e3, k, 300*time.Second)
	expect(t, "pressure after 300 s", float64(p), 739.879e3, 1e-4, err)
	d, err := pneumatics.ChokedHoldTime(800e3, p, k)
	expect(t, "time back", d.Seconds(), 300, 1e-9, err)
	q, err := pneumatics.LeakOfRate(k, 800e3, 0.040, 293.15)
	expect(t, "leak back", float64(q)/lMin, 5, 1e-12, err)

	c := pneumatics.Closed{Volume: 0.040, Temperature: 293.15, Leak: 5 * lMin, Pressure: 800e3, Barometer: 101325, Critical: 0.5}
	p, err = c.After(800e3, 300*time.Second)
	expect(t, "the general case while choked", float64(p), 739.879e3, 1e-4, err)
	rate, err := c.Rate()
	expect(t, "its rate", rate, 2.60417e-4, 1e-4, err)
}

// stepped is the slow reference: fourth-order Runge-Kutta on dp/dt = -q(p)*p0/v*t/T0 with the flow from Path.Flow, down
// to the pressure to. It shares nothing with the closed forms under test but the flow.
func stepped(t *testing.T, path pneumatics.Path, v, kelvin, barometer, from, to float64) float64 {
	t.Helper()
	fall := func(p float64) float64 {
		q, err := path.Flow(units.PressureAbs(math.Max(p, barometer)), units.PressureAbs(barometer), units.Kelvin(kelvin))
		if err != nil {
			t.Fatal(err)
		}
		return float64(q) * 100e3 / v * kelvin / 293.15
	}
	h := (from - to) / fall(from) / 20000
	seconds := 0.0
	for p := from; ; {
		a := fall(p)
		b := fall(p - h/2*a)
		c := fall(p - h/2*b)
		d := fall(p - h*c)
		next := p - h/6*(a+2*b+2*c+d)
		if next <= to {
			return seconds + h*(p-to)/(p-next)
		}
		p, seconds = next, seconds+h
	}
}

// TestHoldTimeAgainstSteps checks the general hold time with a slow integration of the flow equation, from choked
// starts down to where the flow is a straight line.
func TestHoldTimeAgainstSteps(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name          string
		b, tK         float64
		from, to      float64
		at, barometer float64
	}{
		{"choked all the way", 0.3, 293.15, 800e3, 500e3, 800e3, 101325},
		{"leaves the choked range", 0.3, 293.15, 800e3, 150e3, 800e3, 101325},
		{"never choked", 0.2, 273.15, 300e3, 110e3, 250e3, 90e3},
		{"into the straight line", 0.528, 310, 300e3, 101.37e3, 300e3, 101325},
		{"b of nothing", 0, 293.15, 400e3, 150e3, 400e3, 101325},
		{"into a vacuum", 0.5, 293.15, 400e3, 150e3, 400e3, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			path := pneumatics.Path{Conductance: 2e-10, Critical: tt.b}
			q, err := path.Flow(units.PressureAbs(tt.at), units.PressureAbs(tt.barometer), units.Kelvin(tt.tK))
			if err != nil {
				t.Fatal(err)
			}
			c := pneumatics.Closed{
				Volume: 0.02, Temperature: units.Kelvin(tt.tK), Leak: q, Pressure: units.PressureAbs(tt.at),
				Barometer: units.PressureAbs(tt.barometer), Critical: tt.b,
			}
			want := stepped(t, path, 0.02, tt.tK, tt.barometer, tt.from, tt.to)
			got, err := c.HoldTime(units.PressureAbs(tt.from), units.PressureAbs(tt.to))
			expect(t, "hold time", got.Seconds(), want, 2e-4, err)
			back, err := c.After(units.PressureAbs(tt.from), got)
			expect(t, "pressure after it", float64(back), tt.to, 1e-7, err)
		})
	}
}

// TestHoldTimeOverCritical: where all stays choked the general case is the closed form ln(p1/p2)/k.
func TestHoldTimeOverCritical(t *testing.T) {
	t.Parallel()
	c := pneumatics.Closed{Volume: 0.038, Temperature: 288.15, Leak: 3 * lMin, Pressure: 750e3, Barometer: 101325, Critical: 0.35}
	k, err := c.Rate()
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.HoldTime(800e3, 400e3)
	expect(t, "hold time", got.Seconds(), math.Ln2/k, 1e-9, err)
}

func TestHoldTimeAtItsEnds(t *testing.T) {
	t.Parallel()
	c := pneumatics.Closed{Volume: 0.038, Temperature: 288.15, Leak: 3 * lMin, Pressure: 750e3, Barometer: 101325, Critical: 0.35}
	if d, err := c.HoldTime(500e3, 600e3); d != 0 || err != nil {
		t.Errorf("below the needed pressure: %v, %v; want no time", d, err)
	}
	if d, err := pneumatics.ChokedHoldTime(500e3, 600e3, 1e-4); d != 0 || err != nil {
		t.Errorf("choked, below the needed pressure: %v, %v; want no time", d, err)
	}
	tight := c
	tight.Leak = 0
	if p, err := tight.After(500e3, time.Hour); p != 500e3 || err != nil {
		t.Errorf("without a leak: %v, %v; want the pressure as it was", p, err)
	}
	if p, err := c.After(500e3, 1e6*time.Hour); p < 101325 || p > 101325.1 || err != nil {
		t.Errorf("after a century: %v, %v; want the barometer", p, err)
	}
	low := c
	low.Pressure = 101325
	wide := c
	wide.Critical = 0.95
	refused := map[string]error{}
	_, refused["down to the air around"] = c.HoldTime(500e3, 101325)
	_, refused["no leak"] = tight.HoldTime(500e3, 400e3)
	_, refused["leak without a drop"] = low.HoldTime(500e3, 400e3)
	_, refused["b out of range"] = wide.HoldTime(500e3, 400e3)
	_, refused["back in time"] = c.After(500e3, -time.Second)
	_, refused["below the air around"] = c.After(90e3, time.Second)
	_, refused["no rate"] = pneumatics.ChokedHoldTime(500e3, 400e3, 0)
	_, refused["centuries"] = pneumatics.ChokedHoldTime(500e3, 400e3, 1e-15)
	_, refused["no volume"] = pneumatics.DecayRate(1e-5, 5e5, 0, 293)
	_, refused["negative rate"] = pneumatics.LeakOfRate(-1, 5e5, 1, 293)
	_, refused["pressure of nothing"] = pneumatics.ChokedPressure(0, 1e-4, time.Second)
	for name, err := range refused {
		if !errors.Is(err, pneumatics.ErrOutsideModel) {
			t.Errorf("%s: error %v; want one that wraps ErrOutsideModel", name, err)
		}
	}
}

// TestHoldTimeFallsWithTheLeak: more leak never holds longer, a lower needed pressure never holds shorter.
func TestHoldTimeFallsWithTheLeak(t *testing.T) {
	t.Parallel()
	r := seeded(t)
	for range 2000 {
		c := pneumatics.Closed{
			Volume: 0.04, Temperature: 293.15, Leak: units.Flow((0.1 + 20*r.Float64()) * lMin), Pressure: 700e3,
			Barometer: 101325, Critical: 0.2 + 0.33*r.Float64(),
		}
		to := units.PressureAbs(102e3 + 400e3*r.Float64())
		long, err1 := c.HoldTime(700e3, to)
		lower, err2 := c.HoldTime(700e3, to-units.PressureAbs(500*r.Float64()))
		c.Leak *= units.Flow(1 + r.Float64())
		short, err3 := c.HoldTime(700e3, to)
		if err1 != nil || err2 != nil || err3 != nil || short > long || lower < long {
			t.Fatalf("%+v to %v: %v, with more leak %v, lower %v (%v %v %v)", c, to, long, short, lower, err1, err2, err3)
		}
	}
}
