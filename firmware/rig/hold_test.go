// SPDX-License-Identifier: Apache-2.0

package rig_test

import (
	"errors"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/rig"
)

const (
	lmin = 1e-3 / 60 // m3/s in a litre a minute
	psi  = 6894.757
	cfm  = 0.3048 * 0.3048 * 0.3048 / 60
)

func hold(t *testing.T, o rig.HoldOptions) *rig.Hold {
	t.Helper()
	h, err := rig.NewHold(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func closeTo(got, want, share float64) bool { return math.Abs(got-want) <= share*math.Abs(want) }

// everything is a tank with every effect that a tank can have.
func everything() rig.HoldOptions {
	return rig.HoldOptions{
		Volume: 0.03, Start: 7e5, Around: 98e3,
		Air:     rig.HoldAir{Hot: 30, Tau: 20, Power: 1.0 / 3, Slow: 0.2, SlowHot: 1.2, Jet: 1, JetLasts: 6},
		Wall:    rig.HoldWall{Inner: 0.3, Loss: 900, Excess: 4},
		Weather: rig.HoldWeather{Kelvin: 290, Ramp: 5e-4, Sun: []rig.HoldSun{{At: 100, Rise: 6}}},
		Film:    rig.HoldFilm{Water: 0.02, Vapour: 0.7},
		Leak:    rig.HoldLeak{Flow: 12 * lmin, B: 0.3, Changes: []rig.HoldChange{{At: 200, Size: 1.3, Over: 30}}},
	}
}

// bags is a rank of bags that stretch and creep.
func bags() rig.HoldOptions {
	return rig.HoldOptions{
		Volume: 0.016, Stretch: 0.016 * 0.06 / 1e5, Creep: 0.01, Start: 2.5e5,
		Air:  rig.HoldAir{Hot: 8, Tau: 15, Power: 0.25, Slow: 0.1},
		Wall: rig.HoldWall{Loss: 1200, Excess: 1},
		Leak: rig.HoldLeak{Flow: 4 * lmin, B: 0.4},
	}
}

// No gram and no joule may be lost: air inside and air gone, heat of the air, heat of the wall.
func TestHoldKeepsItsBalance(t *testing.T) {
	for name, o := range map[string]rig.HoldOptions{"tank": everything(), "bags": bags()} {
		t.Run(name, func(t *testing.T) {
			h := hold(t, o)
			a := h.Truth()
			for _, at := range []float64{1, 30, 250, 600} {
				h.Advance(at)
				b := h.Truth()
				if got := b.Air + b.GoneMass; !closeTo(got, a.Air, 1e-12) {
					t.Errorf("at %g s there are %.12g kg inside and outside; at the start %.12g", at, got, a.Air)
				}
				// What moves is of the order of kilojoules.
				if got, want := b.InnerJ-a.InnerJ, b.HeatJ-b.OutJ-b.WorkJ; math.Abs(got-want) > 0.01 {
					t.Errorf("at %g s the air has %.4f J more than at the start; heat, work and air gone say %.4f", at, got, want)
				}
				if got, want := b.WallJ-a.WallJ, -b.HeatJ-b.LostJ-b.LatentJ; math.Abs(got-want) > 0.01 {
					t.Errorf("at %g s the wall has %.4f J more; air, surroundings and film say %.4f", at, got, want)
				}
				if b.OutJ < 300e3*b.GoneMass*0.9 || b.HeatJ == 0 {
					t.Errorf("at %g s: %g J gone with %g kg, %g J of heat: the ledger sleeps", at, b.OutJ, b.GoneMass, b.HeatJ)
				}
				if v := 287.055 * b.Air * b.Gas / b.Volume; name == "bags" && !closeTo(v, b.Gauge+101325, 1e-12) {
					t.Errorf("at %g s m*R*T/V = %g Pa; the truth says %g", at, v, b.Gauge+101325)
				}
			}
			if name == "bags" && h.Truth().WorkJ == 0 {
				t.Error("bags that stretch and creep did no work")
			}
		})
	}
}

func TestHoldWithoutHeatAndLeakStays(t *testing.T) {
	h := hold(t, rig.HoldOptions{Volume: 0.04, Start: 7e5, Air: rig.HoldAir{Hot: 25, Slow: 0.2}, Wall: rig.HoldWall{Loss: 900, Excess: 10}})
	h.Advance(600)
	if got := h.Truth(); got.Gauge != 7e5 && !closeTo(got.Gauge, 7e5, 1e-12) || got.Gone != 0 {
		t.Errorf("after 600 s: %.6f Pa and %g m3 gone; want 700000 and 0", got.Gauge, got.Gone)
	}
}

// A choked leak from air that stays at its wall's temperature is exponential: 40 L at 8 bar absolute that lose 5 L/min ANR
// (k = 2.60417e-4 /s) stand at 7.39879 bar after 300 s. The wall takes 0.5 s to give the air its heat, which costs 5e-5.
func TestHoldAgreesWithIsothermalClosedForm(t *testing.T) {
	h := hold(t, rig.HoldOptions{
		Volume: 0.04, Start: 7e5, Around: 1e5, Air: rig.HoldAir{Tau: 0.5}, Wall: rig.HoldWall{Heat: 1e9},
		Leak: rig.HoldLeak{Flow: 5 * lmin},
	})
	if got := h.Truth().Flow; !closeTo(got, 5*lmin, 1e-12) {
		t.Errorf("flow when shut in = %g; want 5 L/min", got/lmin)
	}
	h.Advance(300)
	if got := h.Truth().Gauge + 1e5; !closeTo(got, 7.39879e5, 1e-4) {
		t.Errorf("after 300 s: %.5f bar; want 7.39879", got/1e5)
	}
}

// A choked leak without heat: T/T0 = (1 + x/5)^-2 and p/p0 = (1 + x/5)^-7 with x = first flow times time over the air at
// the start (blowdown of an insulated vessel, gamma 1.4; any gas dynamics text, from memory).
func TestHoldAgreesWithInsulatedBlowdown(t *testing.T) {
	h := hold(t, rig.HoldOptions{Volume: 0.02, Start: 9e5, Around: 1e5, Air: rig.HoldAir{Slow: 0.3}, Leak: rig.HoldLeak{Flow: 30 * lmin}})
	kg := h.Truth().Air
	h.Advance(120)
	x := 30 * lmin * 100e3 / (287.055 * 293.15) * 120 / kg
	got := h.Truth()
	if want := 10e5 * math.Pow(1+x/5, -7); !closeTo(got.Gauge+1e5, want, 1e-9) {
		t.Errorf("pressure = %.3f Pa; want %.3f", got.Gauge+1e5, want)
	}
	if want := 293.15 * math.Pow(1+x/5, -2); !closeTo(got.Gas, want, 1e-9) {
		t.Errorf("temperature = %.6f K; want %.6f", got.Gas, want)
	}
}

// Newton cooling is exponential; a conductance that grows with excess^n gives (1 + n*(hot/10)^n*t/tau)^(-1/n).
func TestHoldAgreesWithCoolingLaws(t *testing.T) {
	for _, n := range []float64{0, 0.25, 1.0 / 3} {
		h := hold(t, rig.HoldOptions{Volume: 0.04, Start: 7e5, Air: rig.HoldAir{Hot: 30, Tau: 40, Power: n}, Wall: rig.HoldWall{Heat: 1e9}})
		for _, at := range []float64{10, 40, 80} {
			h.Advance(at)
			want := 30 * math.Exp(-at/40)
			if n > 0 {
				want = 30 * math.Pow(1+n*math.Pow(3, n)*at/40, -1/n)
			}
			v := h.Truth()
			if got := v.Gas - v.Inner; !closeTo(got, want, 2e-3) {
				t.Errorf("exponent %.2f at %g s: %.4f K left; want %.4f", n, at, got, want)
			}
			if got, want := v.Gauge+101325, (7e5+101325)*v.Gas/(293.15+30); !closeTo(got, want, 1e-9) {
				t.Errorf("exponent %.2f at %g s: %.1f Pa; constant volume says %.1f", n, at, got, want)
			}
		}
	}
}

// Layers, jet and a warmer layer change how the air cools, each in its own direction.
func TestHoldAirEffects(t *testing.T) {
	left := func(a rig.HoldAir, at float64) float64 {
		a.Hot, a.Tau, a.Power = 20, 30, 0.25
		h := hold(t, rig.HoldOptions{Volume: 0.04, Start: 7e5, Air: a, Wall: rig.HoldWall{Heat: 1e9}})
		h.Advance(at)
		return h.Truth().Gas - h.Truth().Inner
	}
	plain := left(rig.HoldAir{}, 60)
	if got := left(rig.HoldAir{Slow: 0.2}, 60); got < plain*1.1 {
		t.Errorf("with a layer %.3f K are left; without %.3f", got, plain)
	}
	if got := left(rig.HoldAir{Jet: 1}, 60); got > plain*0.95 {
		t.Errorf("with a jet %.3f K are left; without %.3f", got, plain)
	}
	if got := left(rig.HoldAir{Slow: 0.2, SlowHot: 1.3}, 60); got < left(rig.HoldAir{Slow: 0.2}, 60) {
		t.Errorf("with a hot layer %.3f K are left", got)
	}
}

// A hole sized by one cell of a published one-page table of free air through orifices ("100 % coefficient", cubic feet a
// minute, 20 degC) passes what the table's other cells say. The table is rounded to two or three digits.
func TestHoldAgreesWithPublishedOrificeTable(t *testing.T) {
	const atm = 101325.0
	flow := func(by, at, cell float64) float64 { // ft3/min at gauge pressure at through a hole that passes cell at by
		h := hold(t, rig.HoldOptions{
			Volume: 10, Start: by * psi, Around: atm, Air: rig.HoldAir{Tau: 0.3}, Wall: rig.HoldWall{Heat: 1e12},
			Leak: rig.HoldLeak{Flow: cell * cfm},
		})
		for h.Truth().Gauge > at*psi { // run it down; the wall keeps the air warm
			h.Advance(h.Truth().At + math.Max(0.1, 0.2*(h.Truth().Gauge-at*psi)/(by*psi)*10/(cell*cfm)/8))
		}
		return h.Truth().Flow / cfm
	}
	table := map[float64][5]float64{ // bore in inches: at 125, 100, 90, 80 and 70 psi
		1.0 / 8: {31.6, 26, 23.7, 21.4, 19.2},
		1.0 / 4: {126, 104, 94.8, 85.7, 76.7},
		3.0 / 8: {284, 234, 213, 193, 173},
	}
	for bore, cells := range table {
		for i, at := range []float64{100, 90, 80, 70} {
			if got := flow(125, at, cells[0]); !closeTo(got, cells[i+1], 0.01) {
				t.Errorf("%g in at %g psi: %.4g ft3/min; the table says %.4g", bore, at, got, cells[i+1])
			}
		}
	}
}

// The low-pressure rows of the same table, 1/8 in, where the flow is slower than sound: sized by its 15 psi cell. The
// ellipse is not the nozzle's curve; they differ by less than the tolerance.
func TestHoldAgreesWithPublishedLowPressureTable(t *testing.T) {
	h := hold(t, rig.HoldOptions{
		Volume: 1, Start: 15 * psi, Air: rig.HoldAir{Tau: 0.3}, Wall: rig.HoldWall{Heat: 1e9}, Leak: rig.HoldLeak{Flow: 6.72 * cfm},
	})
	rows := [][2]float64{{12, 6.07}, {9, 5.30}, {7, 4.68}, {6, 4.34}, {5, 3.97}, {4, 3.56}, {3, 3.10}, {2, 2.53}, {1, 1.80}}
	for _, row := range rows {
		for h.Truth().Gauge > row[0]*psi {
			h.Advance(h.Truth().At + 0.1)
		}
		if got := h.Truth().Flow / cfm; !closeTo(got, row[1], 0.01) {
			t.Errorf("%g psi: %.4g ft3/min; the table says %.4g", row[0], got, row[1])
		}
	}
}

// Bags that creep at one temperature keep p*V.
func TestHoldCreep(t *testing.T) {
	o := rig.HoldOptions{Volume: 0.016, Creep: 0.02, Start: 2e5, Around: 1e5, Air: rig.HoldAir{Tau: 0.3}, Wall: rig.HoldWall{Heat: 1e9}}
	h := hold(t, o)
	h.Advance(540)
	if got, want := h.Truth().Gauge+1e5, 3e5/(1+0.02*math.Log(4)); !closeTo(got, want, 1e-5) {
		t.Errorf("after 540 s: %.1f Pa; want %.1f", got, want)
	}
	o.Stretch = 0.016 * 0.05 / 1e5
	if s := hold(t, o); !closeTo(s.Truth().Volume, 0.016*1.1, 1e-12) {
		t.Errorf("bags at 2 bar have %g m3; want 10 %% more than 0.016", s.Truth().Volume)
	}
}

// A wet wall fills the air with vapour up to saturation (2339 Pa at 20 degC, IAPWS) and no further, and only while there is
// water.
func TestHoldFilm(t *testing.T) {
	end := func(water float64) rig.HoldTruth {
		h := hold(t, rig.HoldOptions{
			Volume: 0.04, Start: 7e5, Air: rig.HoldAir{Tau: 20}, Wall: rig.HoldWall{Heat: 1e9}, Film: rig.HoldFilm{Water: water, Vapour: 0.2},
		})
		h.Advance(400)
		return h.Truth()
	}
	wet := end(0.02)
	if got := wet.Vapour * 461.523 * wet.Gas / wet.Volume; !closeTo(got, 2339, 1e-3) {
		t.Errorf("vapour beside a wet wall at 20 degC = %.1f Pa; want 2339", got)
	}
	if got, want := wet.Gauge-7e5, 0.8*2339.0; !closeTo(got, want, 2e-3) {
		t.Errorf("pressure rose by %.1f Pa; want the vapour's %.1f", got, want)
	}
	if thin := end(1e-5); thin.Film < -1e-6 || thin.Vapour > wet.Vapour/2 {
		t.Errorf("from 10 mg of water came %g kg, %g are left", thin.Vapour, thin.Film)
	}
}

func TestHoldLeakChanges(t *testing.T) {
	o := rig.HoldOptions{Volume: 1, Start: 7e5, Leak: rig.HoldLeak{Flow: lmin, Changes: []rig.HoldChange{{At: 100, Size: 0.5, Over: 10}}}}
	h := hold(t, o)
	h.Advance(99)
	if got := h.Truth().Flow; !closeTo(got, lmin, 0.01) {
		t.Errorf("before the change %g L/min; want 1", got/lmin)
	}
	h.Advance(200)
	if got := h.Truth().Flow; !closeTo(got, lmin/2, 0.01) {
		t.Errorf("long after the change %g L/min; want 0.5", got/lmin)
	}
}

func TestHoldRefuses(t *testing.T) {
	for name, o := range map[string]rig.HoldOptions{
		"nothing":              {},
		"not a number":         {Volume: math.NaN(), Start: 1e5},
		"a wet bag":            {Volume: 1, Start: 1e5, Stretch: 1e-9, Film: rig.HoldFilm{Water: 1}},
		"all air apart":        {Volume: 1, Start: 1e5, Air: rig.HoldAir{Slow: 1}},
		"faster than a nozzle": {Volume: 1, Start: 1e5, Leak: rig.HoldLeak{B: 0.6}},
	} {
		if _, err := rig.NewHold(o); !errors.Is(err, rig.ErrHold) {
			t.Errorf("%s: %v; want ErrHold", name, err)
		}
	}
}

// The sensor chain. The steps: 6.144 V / 32768 = 187.5 uV (ADS1115 data sheet) is 46.9 Pa, and 5 V / 4096 is 305.2 Pa, of a
// sensor with 10 bar over 0.5 to 4.5 V.
func TestHoldGauge(t *testing.T) {
	watch := func(g rig.HoldGauge, seed uint64) []rig.HoldReading {
		return g.Watch(hold(t, rig.HoldOptions{Volume: 1, Start: 5e5}), 20, seed)
	}
	for _, c := range []struct {
		bits int
		step float64
	}{{16, 46.875}, {12, 305.176}} {
		r := watch(rig.HoldGauge{Bits: c.bits, Noise: 0.0005}, 1)
		least := math.Inf(1)
		for i := 1; i < len(r); i++ {
			if d := math.Abs(r[i].Pressure - r[i-1].Pressure); d > 1 {
				least = math.Min(least, d)
			}
		}
		if !closeTo(least, c.step, 1e-3) {
			t.Errorf("%d bit: steps of %.3f Pa; want %.3f", c.bits, least, c.step)
		}
	}
	clean := watch(rig.HoldGauge{Offset: 0.0025, Gain: -0.01, Rate: 5}, 1)
	if len(clean) != 101 || !closeTo(clean[50].Pressure, 5e5*0.99+2500, 1e-12) || !closeTo(clean[50].At, 10, 1e-12) {
		t.Errorf("%d readings, the 51st %+v; want 101, and 497500 Pa at 10 s", len(clean), clean[50])
	}
	var sum float64
	noisy := watch(rig.HoldGauge{Noise: 0.0005, Rate: 50}, 3)
	for _, r := range noisy {
		sum += (r.Pressure - 5e5) * (r.Pressure - 5e5)
	}
	if got := math.Sqrt(sum / float64(len(noisy))); !closeTo(got, 500, 0.1) {
		t.Errorf("noise = %.0f Pa; want 500", got)
	}
	gaps := watch(rig.HoldGauge{Gaps: []rig.HoldGap{{At: 5, Lasts: 1}, {At: 10, Lasts: 2, Marked: true}}}, 1)
	bad := 0
	for _, r := range gaps {
		if r.Bad {
			bad++
		}
	}
	if len(gaps) != 191 || bad != 20 {
		t.Errorf("%d readings, %d bad; want 191 and 20", len(gaps), bad)
	}
	spiky := rig.HoldGauge{Noise: 0.0005, Spikes: 0.5, SpikeSize: 0.03, WallNoise: 0.1}
	if d := cmp.Diff(watch(spiky, 7), watch(spiky, 7)); d != "" {
		t.Errorf("the same seed reads differently:\n%s", d)
	}
	if cmp.Equal(watch(spiky, 7), watch(spiky, 8)) {
		t.Error("another seed reads the same")
	}
}
