// SPDX-License-Identifier: Apache-2.0

package overnight_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/supply/overnight"
	"airhold/sensors/units"
)

const (
	tank = readings.Channel(iota)
	wall
	ambient
	glass
	key
	drive
	speed
	front
	none  = readings.NoChannel
	litre = 1e-3 / 60
	zeroC = 273.15
)

func table() *readings.Table {
	return readings.NewTable([]readings.Info{
		{ID: "tank", Quantity: units.QPressure, Reference: units.Gauge},
		{ID: "wall", Quantity: units.QTemperature},
		{ID: "ambient", Quantity: units.QTemperature},
		{ID: "barometer", Quantity: units.QPressure, Reference: units.Absolute},
		{ID: "ignition", Quantity: units.QState},
		{ID: "drive", Quantity: units.QRate},
		{ID: "speed", Quantity: units.QSpeed},
		{ID: "front", Quantity: units.QPressure, Reference: units.Gauge},
	})
}

// journal keeps notes.
type journal []string

func (j *journal) Note(_ time.Duration, kind, text string) { *j = append(*j, kind+": "+text) }

// evening is where the invented boots begin.
func evening() time.Time { return time.Date(2026, time.April, 27, 19, 10, 0, 0, time.UTC) }

func clockFrom(boot time.Time) func(time.Duration) (time.Time, bool) {
	return func(at time.Duration) (time.Time, bool) { return boot.Add(at), true }
}

// with says which sensors a machine has.
type with struct{ wall, ambient, glass bool }

// night is one simulated night of the rig's closed vessel and of the sensors that watch it.
type night struct {
	hold     rig.HoldOptions
	run      float64 // s between the last run and the loss of power
	hours    float64
	volume   float64 // as the machine file has it
	offset   float64 // Pa
	tempco   float64 // Pa/K
	wallOff  float64 // K
	contact  float64 // share of the air that the wall sensor sees
	noise    float64 // Pa of one reading
	glassOff [2]float64
	weather  float64 // Pa by which the barometer is higher in the morning
	seed     uint64
}

// draw makes a night within what a field has. Sizes are those of the leak-down simulations (design ranges), the rest
// common practice.
func draw(dice *rand.Rand) night {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*dice.Float64() }
	lg := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, dice.Float64()) }
	n := night{seed: dice.Uint64(), hours: u(8, 12), run: lg(25, 3600)}
	v := u(0.020, 0.060)
	n.hold = rig.HoldOptions{
		Volume: v, Start: u(500e3, 850e3), Around: u(95e3, 102e3),
		Air:  rig.HoldAir{Hot: u(2, 25), Tau: lg(15, 70), Power: []float64{0, 0.25, 1.0 / 3}[dice.IntN(3)], Slow: u(0, 0.3), Jet: u(0, 2)},
		Wall: rig.HoldWall{Excess: u(0, 15), Loss: u(700, 2400)},
	}
	n.hold.Weather.Kelvin = zeroC + u(8, 26)
	n.hold.Weather.Ramp = -u(-2, 18) / (n.hours * 3600)
	if dice.IntN(2) == 0 {
		n.hold.Film = rig.HoldFilm{Water: 0.05, Vapour: 1}
	}
	n.hold.Leak.B = u(0.2, 0.5283)
	if dice.IntN(10) > 2 {
		n.hold.Leak.Flow = lg(0.005, 0.3) * litre
	}
	n.volume = v * (1 + u(-0.03, 0.03))
	n.offset, n.tempco, n.noise = u(-2500, 2500), u(-200, 200), 500
	n.wallOff, n.contact = 0.3*dice.NormFloat64(), u(0, 0.07)
	n.weather = u(-1000, 1000)
	n.glassOff = [2]float64{50 * dice.NormFloat64(), 50 * dice.NormFloat64()}
	return n
}

// sensors feed a box with one second of what they read.
func (n *night) sensors(o *overnight.Overnight, at time.Duration, tr rig.HoldTruth, w with, morning bool, dice *rand.Rand) {
	k, off := 0, 0.0
	if morning {
		k, off = 1, n.weather
	}
	p := tr.Gauge - off + n.offset + n.tempco*(tr.Around-n.hold.Weather.Kelvin)
	for i := range 10 {
		o.Read(readings.Reading{At: at + time.Duration(i-9)*100*time.Millisecond, Channel: tank, Value: p + n.noise*dice.NormFloat64()})
	}
	if w.wall {
		o.Read(readings.Reading{At: at, Channel: wall, Value: tr.Wall + n.contact*(tr.Around-tr.Wall) + n.wallOff + 0.05*dice.NormFloat64()})
	}
	if w.ambient {
		o.Read(readings.Reading{At: at, Channel: ambient, Value: tr.Around + 0.1*dice.NormFloat64()})
	}
	if w.glass {
		o.Read(readings.Reading{At: at, Channel: glass, Value: n.hold.Around + off + n.glassOff[k]})
	}
	o.Tick(at)
}

func (n *night) options(w with) overnight.Options {
	o := overnight.Options{
		Volumes: []overnight.Volume{{Name: "tank", Where: "tank", Pressure: tank, Volume: n.volume, Uncertainty: 0.03}},
		Wall:    none, Ambient: none, Barometer: none, Ignition: none, Drive: none, Speed: none,
		Around: n.hold.Around + 300,
	}
	if w.wall {
		o.Wall = wall
	}
	if w.ambient {
		o.Ambient = ambient
	}
	if w.glass {
		o.Barometer = glass
	}
	return o
}

// play runs the night once for each set of sensors and returns what the mornings said and the true mean leak.
func (n *night) play(t *testing.T, sets ...with) ([]overnight.Hold, float64) {
	t.Helper()
	h, err := rig.NewHold(n.hold)
	if err != nil {
		t.Fatal(err)
	}
	boxes := make([]*overnight.Overnight, len(sets))
	dices := make([]*rand.Rand, len(sets))
	for i, w := range sets {
		o := n.options(w)
		o.UTC = clockFrom(evening())
		boxes[i] = overnight.New(o, table())
		dices[i] = rand.New(rand.NewPCG(n.seed, uint64(i)))
	}
	const runs = 20 // s of compressor before
	first := h.Truth()
	for s := range runs {
		tr := first
		tr.Gauge -= 6e3 * float64(runs-s)
		for i, w := range sets {
			n.sensors(boxes[i], time.Duration(s+1)*time.Second, tr, w, false, dices[i])
		}
	}
	for s := 1.0; s <= n.run; s++ {
		h.Advance(s)
		for i, w := range sets {
			n.sensors(boxes[i], time.Duration(runs+s)*time.Second, h.Truth(), w, false, dices[i])
		}
	}
	before := h.Truth()
	h.Advance(n.run + n.hours*3600)
	after := h.Truth()
	out := make([]overnight.Hold, len(sets))
	for i, w := range sets {
		o := n.options(w)
		o.Saved = boxes[i].Save()
		o.UTC = clockFrom(evening().Add(time.Duration((n.run + n.hours*3600) * float64(time.Second))))
		box := overnight.New(o, table())
		for s := range 80 {
			n.sensors(box, time.Duration(s+1)*time.Second, after, w, true, dices[i])
		}
		held := box.Held()
		if len(held) != 1 {
			t.Fatalf("Held() has %d places after 80 s; want 1", len(held))
		}
		out[i] = held[0]
	}
	return out, (after.Gone - before.Gone) / (after.At - before.At)
}

type score struct {
	n, inside   int
	sum2, worst float64
	bias        float64
	width       float64
}

func (s *score) add(h overnight.Hold, truth float64) {
	e := (h.Leak.SI - truth) / litre
	s.n++
	s.sum2 += e * e
	s.bias += e
	s.worst = math.Max(s.worst, math.Abs(e))
	s.width += (h.Leak.High - h.Leak.Low) / 2 / litre
	if h.Leak.Low <= truth && truth <= h.Leak.High {
		s.inside++
	}
}

func (s *score) rms() float64 { return math.Sqrt(s.sum2 / float64(s.n)) }

func (s *score) String() string {
	n := float64(s.n)
	return fmt.Sprintf("N %d, rms %.4f, bias %+.4f, worst %.4f, half width %.4f L/min, inside %.0f %%",
		s.n, s.rms(), s.bias/n, s.worst, s.width/n, 100*float64(s.inside)/n)
}

// nights plays n nights with each set of sensors.
func nights(t *testing.T, seed uint64, n int, sets []with) []score {
	t.Helper()
	dice := rand.New(rand.NewPCG(seed, 0))
	got := make([]score, len(sets))
	for i := range n {
		d := draw(dice)
		holds, truth := d.play(t, sets...)
		for k := range sets {
			if !holds[k].Known {
				t.Errorf("seed %d, night %d with %+v: not known: %s", seed, i, sets[k], holds[k].Why)
				continue
			}
			got[k].add(holds[k], truth)
		}
	}
	return got
}

// The judge is the rig's closed vessel, which shares no formula with this package. The bars are those of the task: 0.01
// L/min ANR over ten hours with a wall sensor, 0.1 with the air's temperature alone.
func TestNights(t *testing.T) {
	const seed, count = 20260427, 8
	sets := []with{{wall: true, ambient: true, glass: true}, {wall: true}, {ambient: true}}
	bars := []float64{0.01, 0.01, 0.1}
	for k, s := range nights(t, seed, count, sets) {
		t.Logf("seed %d, %+v: %s", seed, sets[k], &s)
		if s.rms() > bars[k] || float64(s.inside) < 0.8*float64(s.n) {
			t.Errorf("seed %d, %+v: %s; want rms %v and most nights inside", seed, sets[k], &s, bars[k])
		}
	}
}

// A tank left half a minute after its compressor stopped is still some ten kelvin warmer than its wall: that would be 0.02
// L/min if nobody told.
func TestLeftHot(t *testing.T) {
	const seed, count = 7, 6
	dice := rand.New(rand.NewPCG(seed, 0))
	var s score
	for range count {
		n := draw(dice)
		n.run = 30
		n.hold.Air = rig.HoldAir{Hot: 18 + 6*dice.Float64(), Tau: 30 + 20*dice.Float64(), Power: 0.25, Slow: 0.1}
		h, truth := n.play(t, with{wall: true, ambient: true, glass: true})
		s.add(h[0], truth)
	}
	if s.rms() > 0.01 || s.inside < count*8/10 {
		t.Errorf("seed %d: %s; want rms 0.01", seed, &s)
	}
	t.Logf("seed %d: %s", seed, &s)
}
