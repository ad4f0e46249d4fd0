// SPDX-License-Identifier: Apache-2.0

package rig_test

import (
	"errors"
	"math"
	"testing"

	"airhold/firmware/rig"
)

const lpm = 1e-3 / 60

func parked(valve, leak float64) rig.PlumbingOptions {
	bags := func(flow float64) rig.HoldOptions {
		return rig.HoldOptions{
			Volume: 0.0185, Stretch: 0.0185 * 5e-7, Start: 300e3, CreepAfter: 5,
			Air: rig.HoldAir{Tau: 8}, Leak: rig.HoldLeak{Flow: flow, B: 0.3},
		}
	}
	return rig.PlumbingOptions{
		Tank: rig.HoldOptions{Volume: 0.038, Start: 700e3, Air: rig.HoldAir{Tau: 35}},
		Ranks: []rig.PlumbingRank{
			{Bags: bags(leak), Valve: rig.HoldLeak{Flow: valve, B: 0.4}},
			{Bags: bags(0)},
		},
		Rest: 180,
	}
}

// Mass balance: what left the tank is in the rank or gone through its hole.
func TestPlumbingLosesNoAir(t *testing.T) {
	p, err := rig.NewPlumbing(parked(3*lpm, 2*lpm))
	if err != nil {
		t.Fatal(err)
	}
	sum := func() float64 {
		v := p.Truth()
		all := v.Tank.Air + v.Tank.GoneMass
		for _, r := range v.Ranks {
			all += r.Air + r.GoneMass
		}
		return all
	}
	before := sum()
	p.Advance(300)
	if after := sum(); math.Abs(after-before) > 1e-9*before {
		t.Errorf("air in all volumes and gone = %.12g kg; want %.12g", after, before)
	}
	// 3 L/min for 300 s by the gas law (ideal gas; the tank's pressure falls by a few per cent meanwhile).
	const rho = 100e3 / (287.055 * 293.15)
	if got, want := p.Truth().Passed[0], 3*lpm*300*rho; math.Abs(got/want-1) > 0.05 {
		t.Errorf("passed the valve = %.5f kg; want about %.5f", got, want)
	}
}

func TestPlumbingFlowsAreThoseAtTheStart(t *testing.T) {
	p, err := rig.NewPlumbing(parked(3*lpm, 2*lpm))
	if err != nil {
		t.Fatal(err)
	}
	v := p.Truth()
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"front valve", v.Valves[0], 3 * lpm},
		{"rear valve", v.Valves[1], 0},
		{"front bags", v.Ranks[0].Flow, 2 * lpm},
		{"rear bags", v.Ranks[1].Flow, 0},
	} {
		if math.Abs(c.got-c.want) > 1e-9*lpm+1e-6*c.want {
			t.Errorf("%s: flow = %g; want %g", c.name, c.got, c.want)
		}
	}
}

// A choked hole passes in proportion to the absolute pressure (ISO 6358): after a vent the leak of the bags is smaller by
// the pressures and by the ellipse beyond the critical ratio.
func TestPlumbingVentKeepsTheHole(t *testing.T) {
	p, err := rig.NewPlumbing(parked(0, 2*lpm))
	if err != nil {
		t.Fatal(err)
	}
	before := p.Truth().Ranks[0]
	if err := p.Vent(50e3, 0, rig.HoldAir{}); err != nil {
		t.Fatal(err)
	}
	after := p.Truth().Ranks[0]
	phi := func(gauge float64) float64 {
		r := 101325 / (gauge + 101325)
		if r < 0.3 {
			return 1
		}
		x := (r - 0.3) / 0.7
		return math.Sqrt(1 - x*x)
	}
	want := 2 * lpm * (after.Gauge + 101325) * phi(after.Gauge) / ((before.Gauge + 101325) * phi(before.Gauge))
	if math.Abs(after.Flow/want-1) > 0.01 {
		t.Errorf("leak after the vent = %g m3/s; want %g", after.Flow, want)
	}
}

func TestPlumbingRefuses(t *testing.T) {
	o := parked(1, 0)
	o.Ranks[0].Valve.B = 0.9
	if _, err := rig.NewPlumbing(o); !errors.Is(err, rig.ErrPlumbing) {
		t.Errorf("critical ratio 0.9: error = %v; want ErrPlumbing", err)
	}
	o = parked(1, 0)
	o.Tank.Volume = 0
	if _, err := rig.NewPlumbing(o); !errors.Is(err, rig.ErrHold) {
		t.Errorf("no tank: error = %v; want ErrHold", err)
	}
}
