// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
	"airhold/firmware/rig"
)

// zoneRanges says from what the machines of the zone rows are drawn.
func zoneRanges() []string {
	return []string{
		"tank 20-60 L known to 3 %, 500-850 kPa; air 2-35 K hot, time constant 12-90 s at 10 K, exponent 0, 1/4 or 1/3,",
		"0-20 % of the air three times slower, inlet jet up to 60 % for 5 s; wall off by |N(0, 3 K)|, 10-40 min to the air around",
		"two ranks 8-25 L known to 10 %, stretch 2-10 %/bar known to 20 %, 200-400 kPa, rested 180-400 s; rubber creeps by",
		"2-8 % of its deflection a decade, back after the vent to 50 kPa; 180 s of rest before the second watch",
		"air around +-2 K/h; critical ratio of each leak 0.2-0.53; pressure sensors 1 MPa, noise 0.05 %, offset +-0.25 %, 16 bits, 10 Hz",
		"harsh: 12 bits, creep 8-16 % a decade, stretch known to 40 % though 20 % is said, air around +-6 K/h, half the air may lie apart",
	}
}

// zoneRow is what came out of one kind of test. Right means: exactly the true paths named, and nothing else possible.
type zoneRow struct {
	kind    zoneCase
	n       int
	right   int
	cannot  int // "cannot tell"
	none    int // "nothing leaks"
	flat    int // a wrong path named without doubt
	refused int
	sizes   int // leaks named rightly, and how many of their intervals hold the truth
	covered int
}

// zoneCase is a kind of test.
type zoneCase struct {
	words    string
	bar, aim target
	flow     float64 // L/min ANR at the start of the first watch
	watch    float64 // s
	watches  int
	pair     bool    // a fill valve passes what the rank behind it loses
	wall     float64 // K, standard deviation of the tank's wall against the air around
	harsh    bool    // see zoneRanges
}

func zoneCases() []zoneCase {
	atLeast := func(share float64) target { return target{share, math.Inf(1), true} }
	none := target{}
	return []zoneCase{
		{"1 L/min, two watches of 180 s", atLeast(0.97), atLeast(0.99), 1, 180, 2, false, 3, false},
		{"2 L/min, two watches of 180 s", atLeast(0.99), atLeast(0.998), 2, 180, 2, false, 3, false},
		{"hidden pair of 2, two of 180 s", atLeast(0.98), atLeast(0.995), 2, 180, 2, true, 3, false},
		{"1 L/min, two watches of 300 s", none, none, 1, 300, 2, false, 3, false},
		{"2 L/min, two watches of 300 s", none, none, 2, 300, 2, false, 3, false},
		{"hidden pair of 2, two of 300 s", none, none, 2, 300, 2, true, 3, false},
		{"0.5 L/min, two watches of 180 s", none, none, 0.5, 180, 2, false, 3, false},
		{"1 L/min, wall off by 10 K", none, none, 1, 180, 2, false, 10, false},
		{"1 L/min, harsh", none, none, 1, 180, 2, false, 3, true},
		{"hidden pair of 2, harsh", none, none, 2, 180, 2, true, 3, true},
		{"no leak, harsh", none, none, 0, 180, 2, false, 3, true},
		{"no leak, two watches of 180 s", none, none, 0, 180, 2, false, 3, false},
		{"1 L/min, one watch of 180 s", none, none, 1, 180, 1, false, 3, false},
		{"hidden pair of 2, one of 180 s", none, none, 2, 180, 1, true, 3, false},
	}
}

// zoneGuest puts the lines about several volumes into the leak-down table. A slice makes a quarter of the tests, and only
// those with a bar; a whole run makes a sixteenth of those without one.
func zoneGuest() guest {
	return guest{
		words: "which path leaks (tank and two ranks)\n  " + strings.Join(zoneRanges(), "\n  "),
		rows: func(ctx context.Context, seed uint64, n, cores int, level float64) ([]figure, error) {
			figures := []figure{}
			for _, c := range zoneCases() {
				count := n
				switch {
				case n <= sliceTests && !c.bar.set:
					continue
				case n <= sliceTests:
					count = max(1, n/4)
				case !c.bar.set: // reported beside the others
					count = max(1, n/16)
				}
				r, err := c.run(ctx, seed, count, cores)
				if err != nil {
					return nil, err
				}
				figures = append(figures, r.figures(level)...)
			}
			return figures, nil
		},
	}
}

// run makes n tests. Equal seeds give equal rows, however many cores there are.
func (c zoneCase) run(ctx context.Context, seed uint64, n, cores int) (zoneRow, error) {
	row := zoneRow{kind: c}
	var mu sync.Mutex
	var wait sync.WaitGroup
	var next atomic.Int64
	for range cores {
		wait.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && ctx.Err() == nil; i = int(next.Add(1)) - 1 {
				dice := rand.New(rand.NewPCG(seed, uint64(i))) //nolint:gosec // repeatable by seed
				m := drawParked(dice, c, i)
				out := m.analyse(dice)
				mu.Lock()
				row.count(m, out)
				mu.Unlock()
			}
		})
	}
	wait.Wait()
	return row, ctx.Err()
}

// figures makes lines of a row.
func (row *zoneRow) figures(level float64) []figure {
	c := row.kind
	share := func(words string, k, n int, bar, aim target) figure {
		low, high := binomial(k, n, level)
		return figure{
			set: "zones", words: fmt.Sprintf("%s (%d of %d)", words, k, n), unit: "%", value: float64(k) / math.Max(1, float64(n)),
			low: low, high: high, bar: bar, aim: aim, n: n,
		}
	}
	list := []figure{share(c.words, row.right, row.n, c.bar, c.aim)}
	for _, x := range []struct {
		words string
		k     int
	}{
		{"  a wrong place without doubt", row.flat},
		{"  cannot tell", row.cannot},
		{"  nothing found", row.none},
		{"  not judged", row.refused},
	} {
		if x.k > 0 && (c.flow > 0 || x.k != row.none) {
			list = append(list, share(x.words, x.k, row.n, target{}, target{}))
		}
	}
	if row.sizes > 0 {
		list = append(list, share("  95 % of a named leak covers", row.covered, row.sizes, target{}, target{}))
	}
	return list
}

// parkedMachine is one simulated machine with what the test is told of it.
type parkedMachine struct {
	plumbing rig.PlumbingOptions
	options  zones.Options
	truth    map[string]float64 // m3/s ANR by path
	watch    float64
	watches  int
	gauges   []rig.HoldGauge
}

// drawParked draws a machine; i chooses the place that leaks.
func drawParked(dice *rand.Rand, c zoneCase, i int) parkedMachine {
	in := func(low, high float64) float64 { return low + (high-low)*dice.Float64() }
	about := func(v, share float64) float64 { return v / (1 + in(-share, share)) }
	const lpm = 1e-3 / 60
	names := []string{"front", "rear"}
	m := parkedMachine{truth: map[string]float64{}, watch: c.watch, watches: c.watches}
	places := []string{"tank side", "front fill valve", "rear fill valve", "front rank", "rear rank"}
	switch {
	case c.pair:
		m.truth[names[i%2]+" fill valve"] = c.flow * lpm
		m.truth[names[i%2]+" rank"] = c.flow * lpm * in(0.9, 1.1)
	case c.flow > 0:
		m.truth[places[i%len(places)]] = c.flow * lpm
	}
	leak := func(where string) rig.HoldLeak {
		return rig.HoldLeak{Flow: m.truth[where], B: in(0.2, 0.528)}
	}
	ramp, creepLow, creepHigh, apart, off, bits := 2.0, 0.02, 0.08, 0.2, 0.2, 16
	if c.harsh {
		ramp, creepLow, creepHigh, apart, off, bits = 6, 0.08, 0.16, 0.5, 0.4, 12
	}
	weather := rig.HoldWeather{Kelvin: in(278, 308), Ramp: in(-ramp, ramp) / 3600}
	volume := in(0.020, 0.060)
	m.plumbing = rig.PlumbingOptions{
		Rest: in(180, 400),
		Tank: rig.HoldOptions{
			Volume: volume, Start: in(500e3, 850e3), Weather: weather,
			Air:  rig.HoldAir{Hot: in(2, 35), Tau: in(12, 90), Power: []float64{0, 0.25, 1.0 / 3}[dice.IntN(3)], Slow: in(0, apart), Jet: in(0, 0.6)},
			Wall: rig.HoldWall{Excess: math.Abs(c.wall * dice.NormFloat64()), Loss: in(600, 2400)},
			Leak: leak("tank side"),
		},
	}
	m.options.Tank = leakdown.Setup{Volume: about(volume, 0.03), WallSD: c.wall}
	for _, name := range names {
		size, stretch, gauge := in(0.008, 0.025), in(2e-7, 10e-7), in(200e3, 400e3)
		m.plumbing.Ranks = append(m.plumbing.Ranks, rig.PlumbingRank{
			Bags: rig.HoldOptions{
				Volume: size, Stretch: size * stretch, Start: gauge, Weather: weather,
				Creep: in(creepLow, creepHigh) * stretch * gauge / math.Ln10, CreepAfter: 5,
				Air:  rig.HoldAir{Hot: in(0, 15), Tau: in(6, 30), Power: 0.25},
				Wall: rig.HoldWall{Loss: in(600, 2400)},
				Leak: leak(name + " rank"),
			},
			Valve: leak(name + " fill valve"),
		})
		m.options.Ranks = append(m.options.Ranks, zones.Rank{
			Name: name, Volume: about(size, 0.10), Stretch: about(stretch, off), PowerOff: zones.Hold,
		})
	}
	for range 3 {
		m.gauges = append(m.gauges, rig.HoldGauge{Offset: in(-0.0025, 0.0025), Noise: 0.0005, Tempco: in(-0.0002, 0.0002), Bits: bits})
	}
	return m
}

// analyse runs the watches on the machine and judges the readings.
func (m parkedMachine) analyse(dice *rand.Rand) zones.Outcome {
	const rest = 180.0
	p, err := rig.NewPlumbing(m.plumbing)
	if err != nil {
		return zones.Outcome{Answer: zones.NotJudged, Sentences: []string{err.Error()}}
	}
	rested := m.plumbing.Rest
	recorded := []zones.Recorded{}
	for i := range m.watches {
		if i > 0 {
			if err := p.Vent(50e3, 5+20*dice.Float64(), rig.HoldAir{Tau: 6 + 24*dice.Float64(), Power: 0.25}); err != nil {
				return zones.Outcome{Answer: zones.NotJudged, Sentences: []string{err.Error()}}
			}
			rested = rest
			p.Advance(m.watch + rest)
		}
		r := zones.Recorded{Readings: map[string][]leakdown.Sample{}, Rested: map[string]time.Duration{}}
		for k, list := range p.Watch(m.gauges, m.watch, dice.Uint64()) {
			name := zones.TankName
			if k > 0 {
				name = m.options.Ranks[k-1].Name
				r.Rested[name] = time.Duration(rested * float64(time.Second))
			}
			for _, v := range list {
				r.Readings[name] = append(r.Readings[name], leakdown.Sample{At: time.Duration(v.At * float64(time.Second)), Pressure: v.Pressure})
			}
		}
		recorded = append(recorded, r)
	}
	return zones.Analyse(m.options, recorded)
}

// count adds one outcome to a line.
func (row *zoneRow) count(m parkedMachine, out zones.Outcome) {
	row.n++
	named := len(out.Paths) == len(m.truth)
	for _, p := range out.Paths {
		if _, is := m.truth[p.Where]; !is {
			named = false
		}
	}
	switch {
	case out.Answer == zones.NotJudged:
		row.refused++
	case out.Answer == zones.CannotTell:
		row.cannot++
	case named:
		row.right++
		for _, p := range out.Paths {
			row.sizes++
			if v := m.truth[p.Where]; v >= p.Leak.Low && v <= p.Leak.High {
				row.covered++
			}
		}
	case out.Answer == zones.Nothing:
		row.none++
	default:
		row.flat++
	}
}
