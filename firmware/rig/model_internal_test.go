// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func mustNew(tb testing.TB, o Options) *Rig {
	tb.Helper()
	r, err := New(o)
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// An hour of planting with leaks everywhere: what is in a vessel is what was there, came and went; so for the whole
// machine; so for the energy.
func TestMassAndEnergyAreConserved(t *testing.T) {
	r := mustNew(t, Options{Seed: 3, Story: "quiet"})
	for _, p := range Places() {
		if err := r.SetLeak(p, 6*litreMn); err != nil {
			t.Fatal(err)
		}
	}
	m := &r.m
	wallStart := m.wallK
	outside := 0.0 // J from outside to the wall
	for range 3600 * 100 {
		before := m.wallK
		heat := m.tank.book.heatJ
		m.step()
		r.fire()
		outside += (m.wallK-before)*wallHeat + (m.tank.book.heatJ - heat)
	}
	start, now := 0.0, 0.0
	for name, v := range map[string]*vessel{"tank": &m.tank, "front": &m.ranks[0].air, "rear": &m.ranks[1].air} {
		b := v.book
		start, now = start+b.startKg, now+v.kg
		if want := b.startKg + b.inKg - b.outKg; !near(v.kg, want, 1e-9) {
			t.Errorf("%s: %.9f kg; started, came and went %.9f", name, v.kg, want)
		}
		want := b.startJ + b.inJ - b.outJ + b.heatJ - b.workJ
		if got := v.kg * heatCv * v.kelvin; !near(got, want, 1e-7) {
			t.Errorf("%s: %.3f J; the ledger says %.3f", name, got, want)
		}
		if !near(v.pa*v.volume, v.kg*gasR*v.kelvin, 1e-9) {
			t.Errorf("%s: p*V = %g, m*R*T = %g", name, v.pa*v.volume, v.kg*gasR*v.kelvin)
		}
	}
	s := m.sum
	gone := s.Vent[0] + s.Vent[1] + s.Drain + s.Relief + s.Leaks[atTank] + s.Leaks[atFront] + s.Leaks[atRear]
	if want := start + anrRho*float64(s.Delivery-gone); !near(now, want, 1e-6) {
		t.Errorf("machine holds %.6f kg; delivered less gone %.6f", now, want)
	}
	if s.Delivery < 2 || gone < 2 {
		t.Errorf("delivered %.1f m3 and lost %.1f in an hour; that is no planting", s.Delivery, gone)
	}
	if got, want := (m.wallK-wallStart)*wallHeat, outside-m.tank.book.heatJ; !near(got, want, 1e-6) {
		t.Errorf("wall took %.2f J; the ledger says %.2f", got, want)
	}
}

// The known figures of a sound machine (common practice, no source): duty 10 to 25 %, some 28 L/min ANR for the bags,
// ground contact 97 %, and the tank inside the switch's band whenever the ranks rest.
func TestQuietDayIsQuiet(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: five hours of one goroutine")
	}
	for _, seed := range []uint64{1} {
		r := mustNew(t, Options{Seed: seed, Story: "quiet"})
		var restLow, restHigh float64 = math.Inf(1), 0
		var front, rear, n float64
		lowest := math.Inf(1)
		var rested time.Duration
		for at := time.Duration(0); at < 5*time.Hour; at += 500 * time.Millisecond {
			x := r.Truth(at)
			if x.Ranks[0].Filling || x.Ranks[1].Filling {
				rested = 0
			} else {
				rested += 500 * time.Millisecond
			}
			lowest = min(lowest, float64(x.Tank))
			if rested > 90*time.Second {
				restLow, restHigh = min(restLow, float64(x.Tank)), max(restHigh, float64(x.Tank))
			}
			if x.Lowered && at > time.Minute {
				front, rear, n = front+float64(x.Ranks[0].Target), rear+float64(x.Ranks[1].Target), n+1
			}
			if len(x.Faults) > 0 {
				t.Fatalf("seed %d: faults %v on a quiet day", seed, x.Faults)
			}
		}
		x := r.Truth(5 * time.Hour)
		if x.Duty < 0.10 || x.Duty > 0.25 {
			t.Errorf("seed %d: duty = %.3f; want 0.10 to 0.25", seed, x.Duty)
		}
		if use := float64(x.Sum.Vent[0]+x.Sum.Vent[1]) / 300 * 1000; use < 22 || use > 34 {
			t.Errorf("seed %d: the bags use %.1f L/min; want about 28", seed, use)
		}
		if restLow < cutIn-6e3 || restHigh > cutOut+6e3 {
			t.Errorf("seed %d: tank at rest from %.0f to %.0f Pa; want cut-in to cut-out", seed, restLow, restHigh)
		}
		if lowest < 420e3 {
			t.Errorf("seed %d: tank fell to %.0f Pa while planting", seed, lowest)
		}
		if f, b := front/n, rear/n; math.Abs(f-310e3) > 25e3 || math.Abs(b-260e3) > 25e3 {
			t.Errorf("seed %d: mean targets %.0f and %.0f Pa; want about 310 and 260 kPa", seed, f, b)
		}
		for i, row := range x.Rows {
			if c := 1 - row.Off.Seconds()/row.Work.Seconds(); c < 0.96 || c > 0.98 {
				t.Errorf("seed %d: contact of load_%d = %.4f; want 0.97", seed, i+1, c)
			}
		}
	}
}

// A 180 L/min compressor makes 160 to 170 at 7 bar; pumping 38 L from 650 to 750 kPa takes a sound one some 14 s if the
// air stayed cold, less because it heats.
func TestCompressorDeliversWhatItIsSaidTo(t *testing.T) {
	r := mustNew(t, Options{Seed: 5, Story: "shop"})
	r.Advance(0)
	r.m.ranks[0].once, r.m.ranks[1].once = math.NaN(), math.NaN()
	for at := time.Duration(0); at < 2*time.Minute; at += 100 * time.Millisecond {
		x := r.Truth(at)
		lpm := float64(x.Flow.Delivery) / litreMn
		switch {
		case !x.CompressorOn && lpm != 0:
			t.Fatalf("at %s: off and delivers %.1f", at, lpm)
		case x.CompressorOn && (lpm < 150 || lpm > 190):
			t.Fatalf("at %s: %.1f L/min at %.0f Pa", at, lpm, x.Tank)
		}
	}
	if x := r.Truth(2 * time.Minute); x.Starts != 1 || x.Tank < 600e3 {
		t.Errorf("after the charge: %d starts, %.0f Pa; want one, and a full tank", x.Starts, x.Tank)
	}
}

func TestEqualSeedsGiveEqualDays(t *testing.T) {
	day := func(seed uint64, stride time.Duration) (Truth, []byte) {
		r := mustNew(t, Options{Seed: seed, Story: "quiet", Skip: time.Minute})
		var raw []byte
		for at := time.Duration(0); at <= 5*time.Minute; at += stride {
			for _, f := range r.Due(at, nil) {
				raw = append(raw, f.Data[:]...)
			}
		}
		return r.Truth(5 * time.Minute), raw
	}
	a, rawA := day(7, time.Second)
	b, rawB := day(7, 50*time.Millisecond)
	if d := cmp.Diff(a, b); d != "" {
		t.Errorf("one seed, two strides (-1 s +50 ms):\n%s", d)
	}
	if !cmp.Equal(rawA, rawB) {
		t.Errorf("frames differ with the stride: %d and %d bytes", len(rawA), len(rawB))
	}
	if c, _ := day(8, time.Second); cmp.Equal(a, c) {
		t.Error("two seeds gave one day")
	}
}

func TestRampsReachTheirEnd(t *testing.T) {
	p := ramp{from: 1, to: 16, begun: 10, over: 4}
	for _, c := range []struct{ at, straight, growing float64 }{{10, 1, 1}, {12, 8.5, 4}, {14, 16, 16}, {99, 16, 16}} {
		if got := p.straight(c.at); !near(got, c.straight, 1e-12) {
			t.Errorf("straight(%g) = %g; want %g", c.at, got, c.straight)
		}
		if got := p.growing(c.at); !near(got, c.growing, 1e-12) {
			t.Errorf("growing(%g) = %g; want %g", c.at, got, c.growing)
		}
	}
}

// NTC 10 kOhm, B 3950 K: 10 kOhm at 25 degC by definition; 33.62 kOhm at 0 degC and 3.588 kOhm at 50 degC by the B
// equation (computed by hand).
func TestThermistor(t *testing.T) {
	for celsius, ohms := range map[float64]float64{25: 10000, 0: 33620, 50: 3588} {
		want := ohms / (ohms + 10e3)
		if got := thermistorShare(273.15 + celsius); !near(got, want, 2e-3) {
			t.Errorf("share at %g degC = %.4f; want %.4f", celsius, got, want)
		}
	}
}
