// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/rig"
)

const (
	litre     = 1e-3
	bar       = 1e5
	minute    = 60.0
	limitLmin = 3.0
	testSpan  = 600.0 // s
	wallNoise = 0.1   // K, of one reading of a wall sensor
)

// trial is one test: the truth, the sensor that watches it and what the tester states.
type trial struct {
	set   string
	index int
	hold  rig.HoldOptions
	gauge rig.HoldGauge
	setup leakdown.Setup
	seed  uint64  // of the sensor's noise
	true  float64 // L/min ANR at the start pressure, see trueLeak
	wall  bool    // the wall sensor's readings are handed on
	quiet []trial // the clean tests before, of a learned machine
}

// trueLeak is what an estimate is compared with: the flow through the hole at the pressure when shut in, with the air at
// the wall's temperature, as mass over the ANR density by the gas law (1.1884 kg/m3). The air is hotter than the wall at
// that moment, and through the same hole hot air passes less mass, by the root of the temperatures: 3 % for 20 K. What is
// stated is thus the leak of the settled machine, so that two tests of it compare. Counted by the standard's rounded
// density of 1.185 kg/m3 the same leak has 0.3 % more litres.
func trueLeak(o rig.HoldOptions) float64 { return o.Leak.Flow / litre * minute }

// dice draws.
type dice struct{ *rand.Rand }

func (d dice) in(s span) float64 { return s.low + (s.high-s.low)*d.Float64() }

func (d dice) logIn(s span) float64 { return s.low * math.Pow(s.high/s.low, d.Float64()) }

func (d dice) within(half float64) float64 { return half * (2*d.Float64() - 1) }

// roll returns the dice of one test, the same whatever else is run.
func roll(seed uint64, set string, index int) dice {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s %d", set, index)
	return dice{rand.New(rand.NewPCG(seed, h.Sum64()))} //nolint:gosec // a benchmark has to be repeatable
}

// draw makes test number index of a set.
func draw(r *ranges, seed uint64, index int) trial {
	d := roll(seed, r.name, index)
	t := trial{set: r.name, index: index, wall: r.wallSensor > 0}
	machine := rig.HoldOptions{Volume: litre * d.in(r.volume), Start: bar * d.in(r.start)}
	machine.Air = rig.HoldAir{
		Tau: d.logIn(r.tau), Power: r.powers[d.IntN(len(r.powers))], Slow: d.in(r.slow), Slower: d.in(r.slower),
		SlowHot: d.in(r.slowHot), Jet: d.in(r.jet), JetLasts: d.in(r.jetLasts),
	}
	machine.Wall = rig.HoldWall{
		Heat: d.in(r.wallHeat) * machine.Volume / litre, Inner: d.in(r.inner), Spread: d.in(r.spread), Loss: d.in(r.loss),
	}
	machine.Leak.B = d.in(r.b)
	t.gauge = rig.HoldGauge{
		Offset: d.in(r.offset) / 100, Gain: d.in(r.gain) / 100, Noise: d.in(r.noise) / 100, Tempco: d.in(r.tempco) / 100,
		BodyLag: d.in(r.bodyLag), Bits: r.bits[d.IntN(len(r.bits))], Rate: r.rates[d.IntN(len(r.rates))],
		Spikes: d.in(r.spikes) / minute, SpikeSize: 0.03, WallOffset: d.within(r.wallSensor), WallNoise: wallNoise,
	}
	t.setup = leakdown.Setup{
		Where: "tank side", Volume: machine.Volume * (1 + d.within(r.volumeError)/100), Limit: limitLmin * litre / minute,
		WallSD: r.wallSD, Full: true,
	}
	leak := 0.0
	if d.Float64() >= r.none {
		leak = d.logIn(r.leak)
	}
	if r.learned {
		for range 2 + d.IntN(2) {
			small := 0.0
			if d.IntN(2) == 0 {
				small = d.logIn(span{0.05, 0.5})
			}
			t.quiet = append(t.quiet, day(t, r, d, machine, small))
		}
	}
	return day(t, r, d, machine, leak)
}

// day returns a machine's test with what differs from test to test.
func day(t trial, r *ranges, d dice, o rig.HoldOptions, leak float64) trial {
	if r.learned { // its pressure switch cuts out within 0.3 bar
		was := o.Start
		o.Start += d.within(0.3 * bar)
		o.Air.Tau *= math.Pow(o.Start/was, 1-2*o.Air.Power) // more air to cool, and free convection that grows with density
	}
	o.Around = d.in(span{0.85, 1.03}) * bar
	o.Air.Hot = d.in(r.hot)
	o.Wall.Excess = math.Abs(r.excess * d.NormFloat64())
	o.Weather = rig.HoldWeather{Kelvin: d.in(r.around), Ramp: d.in(r.ramp) / 3600}
	if d.Float64() < r.sun {
		o.Weather.Sun = []rig.HoldSun{{At: d.in(span{0, testSpan}), Rise: d.in(r.rise)}}
	}
	if d.Float64() < r.film {
		o.Film = rig.HoldFilm{Water: 0.02, Vapour: d.in(r.vapour), Lag: d.in(r.filmLag)}
	}
	o.Leak.Flow = leak * litre / minute
	if d.Float64() < r.change {
		o.Leak.Changes = []rig.HoldChange{{At: d.in(span{0, testSpan}), Size: d.in(r.size), Over: d.in(r.over)}}
	}
	t.gauge.Body = d.in(r.body)
	t.gauge.Gaps = nil
	for range d.IntN(r.gaps + 1) {
		t.gauge.Gaps = append(t.gauge.Gaps, rig.HoldGap{
			At: d.in(span{0, testSpan}), Lasts: d.in(r.gapLasts), Marked: d.IntN(2) == 0,
		})
	}
	t.setup.Barometer = o.Around + d.within(r.barometer*100)
	t.setup.Ambient = o.Weather.Kelvin + d.within(r.aroundError)
	t.hold, t.true, t.seed = o, trueLeak(o), d.Uint64()
	return t
}

// samples runs the truth and the sensor chain.
func (t *trial) samples() ([]leakdown.Sample, error) {
	h, err := rig.NewHold(t.hold)
	if err != nil {
		return nil, fmt.Errorf("test %d of %s: %w", t.index, t.set, err)
	}
	read := t.gauge.Watch(h, testSpan, t.seed)
	out := make([]leakdown.Sample, len(read))
	for i, r := range read {
		out[i] = leakdown.Sample{At: time.Duration(math.Round(r.At * 1e9)), Pressure: r.Pressure, Bad: r.Bad}
		if t.wall {
			out[i].Wall = r.Wall
		}
	}
	return out, nil
}

// words is the test in one line.
func (t *trial) words() string {
	a, w := t.hold.Air, t.hold.Wall
	return fmt.Sprintf("%s %d: leak %.3g, %.1f L (said %+.1f %%), %.2f bar, hot %.1f K, tau %.0f s, n %.2f, slow %.2f x%.1f, "+
		"jet %.2f %.0f s, wall +%.1f K %.0f s, ramp %+.1f K/h, sun %+.1f K, vapour %.2f",
		t.set, t.index, t.true, t.hold.Volume/litre, 100*(t.setup.Volume/t.hold.Volume-1), t.hold.Start/bar, a.Hot, a.Tau, a.Power,
		a.Slow, a.Slower, a.Jet, a.JetLasts, w.Excess, w.Loss, t.hold.Weather.Ramp*3600, t.sun(), t.hold.Film.Vapour)
}

func (t *trial) sun() float64 {
	sum := 0.0
	for _, s := range t.hold.Weather.Sun {
		sum += s.Rise
	}
	return sum
}
