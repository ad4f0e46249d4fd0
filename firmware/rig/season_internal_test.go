// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"testing"
	"time"

	"airhold/sensors/units"
)

// tally is what a day comes to.
type tally struct {
	hours, duty, bags float64 // h, share, L/min ANR
	starts            float64
	lowest            float64 // Pa in the tank, under way
	leak, leaked      float64 // L/min, sum and number over samples under way later than three hours
}

func (d *Day) tally() (t tally) {
	var s DaySample
	t.lowest = math.Inf(1)
	was, on, n := false, 0.0, 0.0
	for d.Next(&s) {
		n++
		if s.On {
			on++
		}
		if s.On && !was {
			t.starts++
		}
		was = s.On
		if s.Moving {
			t.lowest = math.Min(t.lowest, s.TankTrue)
			if s.Lowered == 1 && s.At > 3*time.Hour {
				t.leak, t.leaked = t.leak+float64(s.Leak)/litreMn, t.leaked+1
			}
		}
	}
	t.hours, t.duty = n/36000, on/n
	t.bags = float64(d.m.sum.Vent[0]+d.m.sum.Vent[1]) / (n / 10) / litreMn
	return t
}

// What a day's machine holds at the end is what it held at the start, what was delivered, and less what has gone: by the
// ledgers of the flows, which the vessels do not know.
func TestDayClosesItsBalance(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: whole days of one goroutine")
	}
	for seed := range uint64(4) {
		d := NewDay(DayOptions{Seed: seed, Hours: 5, Leak: DayLeak{Where: Places()[seed], Flow: 8 * litreMn, At: time.Hour, Over: time.Hour}})
		held := func() float64 { return d.m.tank.kg + d.m.ranks[0].air.kg + d.m.ranks[1].air.kg }
		start := held()
		got := d.tally()
		s := d.m.sum
		gone := s.Vent[0] + s.Vent[1] + s.Drain + s.Relief + s.Leaks[atTank] + s.Leaks[atFront] + s.Leaks[atRear]
		want := start + anrRho*float64(s.Delivery-gone)
		if now := held(); !near(now, want, 1e-6) || got.hours < 4.99 {
			t.Errorf("seed %d: machine holds %.6f kg after %.2f h; delivered less gone %.6f", seed, now, got.hours, want)
		}
		if mean := math.Abs(got.leak / got.leaked); mean < 4 || mean > 14 {
			t.Errorf("seed %d: %s leaks %.1f L/min at work; want about 8, more in a rank above 2 bar g", seed, Places()[seed], mean)
		}
	}
}

// The demo machine's day as the trade knows it (common practice, no source): the compressor works some 16 % of the time,
// the bags use some 28 L/min, less stops and lunch. Drawn machines are weaker and work more.
func TestDaysAreAsTheTradeKnowsThem(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: whole days of one goroutine")
	}
	demo, drawn := 0.0, 0.0
	bags, least := 0.0, math.Inf(1)
	const n = 4
	for seed := range uint64(n) {
		b := demoBuild()
		x := NewDay(DayOptions{Seed: seed, Build: &b}).tally()
		demo, bags = demo+x.duty/n, bags+x.bags/n
		y := NewDay(DayOptions{Seed: seed}).tally()
		drawn += y.duty / n
		least = math.Min(least, math.Min(x.lowest, y.lowest))
	}
	t.Logf("duty of the demo machine %.3f, of drawn ones %.3f; bags %.1f L/min; tank never under %.0f kPa", demo, drawn, bags, least/1e3)
	if demo < 0.13 || demo > 0.20 {
		t.Errorf("demo machine's duty = %.3f; want about 0.16", demo)
	}
	if drawn < 0.15 || drawn > 0.35 {
		t.Errorf("drawn machines' duty = %.3f; want 0.15 to 0.35", drawn)
	}
	if bags < 21 || bags > 31 {
		t.Errorf("bags use %.1f L/min; want about 28 less stops and lunch", bags)
	}
	if least < 200e3 {
		t.Errorf("a tank fell to %.0f Pa under way", least)
	}
}

// The rig's own step of 10 ms, and ten times as many random throws of the drive, come to the same day within its scatter.
func TestDayStepIsFineEnough(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: whole days of one goroutine")
	}
	b := demoBuild()
	const n = 4
	var at [2]tally
	for i, steps := range []int{10, daySteps} {
		for seed := range uint64(n) {
			d := NewDay(DayOptions{Seed: seed, Build: &b})
			d.steps, d.m.dt = steps, 0.1/float64(steps)
			x := d.tally()
			at[i].duty += x.duty / n
			at[i].bags += x.bags / n
			at[i].starts += x.starts / n
		}
	}
	t.Logf("10 ms: %+v; %d ms: %+v", at[0], 100/daySteps, at[1])
	if !near(at[1].duty, at[0].duty, 0.04) || !near(at[1].bags, at[0].bags, 0.04) || !near(at[1].starts, at[0].starts, 0.04) {
		t.Errorf("step of 10 ms %+v, of the day %+v", at[0], at[1])
	}
}

func TestEqualOptionsGiveEqualDays(t *testing.T) {
	day := func(seed uint64) (sum float64) {
		before := NewDay(DayOptions{Seed: seed, Hours: 1})
		before.tally()
		d := NewDay(DayOptions{Seed: seed + 1, Hours: 1, Before: before})
		var s DaySample
		for i := 1.0; d.Next(&s); i++ {
			for _, v := range []float64{s.Tank, s.Ranks[0], s.Ranks[1], s.Wall, s.Ambient, s.Speed, s.TankTrue} {
				if !math.IsNaN(v) {
					sum += v * math.Sqrt(i)
				}
			}
		}
		return sum
	}
	if a, b := day(7), day(7); a != b { //nolint:testifylint // bit for bit is what is asked
		t.Errorf("two days of one seed: %v and %v", a, b)
	}
	if day(7) == day(9) {
		t.Error("two seeds gave one day")
	}
}

// A night's mean loss comes back from the readings at its ends by the pressure-change method (EN 1779: with the gas law,
// q = V/p0*T0*(p1/T1 - p2/T2)/dt), and by the size that was asked for.
func TestNightLosesWhatItIsSaidTo(t *testing.T) {
	for seed := range uint64(6) {
		evening := NewDay(DayOptions{Seed: seed, Hours: 2})
		evening.tally()
		b := evening.Build()
		leak := 0.05 * float64(seed)
		d := NewDay(DayOptions{Seed: 100 + seed, Hours: 0.1, Before: evening, Night: NightOptions{
			Hours: 10, Leaks: [3]units.Flow{units.Flow(leak * litreMn), 0, units.Flow(leak * litreMn)},
		}})
		n, ok := d.Night()
		if !ok || n.Lasts != 10*time.Hour {
			t.Fatalf("seed %d: night %v lasts %s", seed, ok, n.Lasts)
		}
		q := func(volume, p1, t1, p2, t2 float64) float64 {
			return volume / 100e3 * 293.15 * (p1/t1 - p2/t2) / n.Lasts.Seconds() / litreMn
		}
		got := q(b.Tank, n.Began.Tank+n.Began.Barometer, n.Began.Air, n.At.Tank+n.At.Barometer, n.At.Air)
		if lost := float64(n.Lost[0]) / litreMn; math.Abs(got-lost) > 1e-3 {
			t.Errorf("seed %d: pressures say %.4f L/min of the tank, the truth %.4f", seed, got, lost)
		}
		var s DaySample
		if d.Next(&s); math.Abs(s.Tank-s.TankTrue) > 12e3 || math.Abs(s.TankTrue-n.At.Tank) > 1e3 {
			t.Errorf("seed %d: the morning's first reading is %.0f Pa; the tank has %.0f, and had %.0f a moment ago", seed, s.Tank, s.TankTrue, n.At.Tank)
		}
		asked := leak + b.Seep[0]/litreMn
		if lost := float64(n.Lost[0]) / litreMn; lost > asked*1.1+0.11 || lost < asked*0.35 {
			t.Errorf("seed %d: the tank lost %.3f L/min; its leaks are %.3f at 7 bar", seed, lost, asked)
		}
	}
}

func TestSensorsSaySoWhenTheySayNothing(t *testing.T) {
	d := NewDay(DayOptions{Seed: 5, Hours: 1, Extra: DayExtra{
		Frozen: Span{20 * time.Minute, 5 * time.Minute}, Gap: Span{30 * time.Minute, time.Minute},
		Stuck: Span{40 * time.Minute, 5 * time.Minute}, NoBaro: true,
	}})
	var s, was DaySample
	moved := 0
	for d.Next(&s) {
		switch {
		case !math.IsNaN(s.Barometer):
			t.Fatalf("at %s: a barometer that is not there says %g", s.At, s.Barometer)
		case s.At >= 30*time.Minute && s.At < 31*time.Minute:
			if !math.IsNaN(s.Tank) || !math.IsNaN(s.Ranks[1]) || !math.IsNaN(s.Ambient) {
				t.Fatalf("at %s, in the gap: %+v", s.At, s)
			}
		case s.At > 20*time.Minute && s.At < 25*time.Minute:
			if s.Tank != was.Tank || s.Ranks != was.Ranks {
				t.Fatalf("at %s, frozen: tank %g after %g", s.At, s.Tank, was.Tank)
			}
		case s.At > 40*time.Minute && s.At < 45*time.Minute:
			if s.Tank != was.Tank {
				t.Fatalf("at %s, tank stuck: %g after %g", s.At, s.Tank, was.Tank)
			}
			if s.Ranks != was.Ranks {
				moved++
			}
		case math.IsNaN(s.Tank):
			t.Fatalf("at %s: no tank", s.At)
		}
		was = s
	}
	if moved < 1000 {
		t.Errorf("ranks moved in %d samples while the tank stuck; want most of 3000", moved)
	}
}

// A parked machine refilled from a shop's line gets its air without a compressor.
func TestShopLineFillsAParkedMachine(t *testing.T) {
	d := NewDay(DayOptions{Seed: 3, Hours: 1, Extra: DayExtra{Parked: true, Shop: Span{10 * time.Minute, 20 * time.Minute}}})
	x := d.tally()
	if b := d.Build(); x.duty != 0 || d.m.sum.Delivery <= 0 || d.m.tank.pa-d.m.weather.baro > b.CutOut+50e3 {
		t.Errorf("duty %g, %.3f m3 let in, tank %.0f Pa; cut-out %.0f", x.duty, d.m.sum.Delivery, d.m.tank.pa-d.m.weather.baro, b.CutOut)
	}
}

func TestRangesAreSound(t *testing.T) {
	for i, r := range SeasonRanges() {
		if r.Words == "" || r.Low > r.High || r.si <= 0 {
			t.Errorf("range %d: %+v", i, r)
		}
	}
	for seed := range uint64(500) {
		b := DrawBuild(seed)
		if b.CutOut-b.CutIn < 69e3 || b.Relief < b.CutOut+b.Drift+3*b.Jitter || b.Relief > pressureFS {
			t.Fatalf("machine %d: %+v", seed, b)
		}
	}
}

func BenchmarkDay(b *testing.B) {
	for i := range b.N {
		NewDay(DayOptions{Seed: uint64(i)}).tally()
	}
}
