// SPDX-License-Identifier: Apache-2.0

// Package rig is the simulated machine: a planter with its air supply, the converters and the bus a box would be
// connected to, and the truth about all of it.
//
// It exists so that the demo and the tests run the code the box runs. Therefore it is a stranger to the rest: it has its
// own air physics (real gas balance of tank and bags, two-node heat, nozzle flow), its own chips behind periph's bus
// interface and its own frames, and it shares no formula with what judges its readings. All it simulates is invented and
// none of it is measured on a machine: the field, the day, the NAMEs, the sizes. It can transmit to nobody.
//
// Words: rig time runs from zero when the rig was made; a tick is the model's step of 10 ms; a story is a list of Events
// with its weather and its state at the start; a place is where air can leak (Places); a channel is an analog input
// (Channels, with the wiring in wiring.go); the Truth is what no sensor sees; a Day is a planting day for statistics, of a
// machine that is drawn, without chips and frames (season.go). ANR volumes are counted by the gas law.
//
// Simplified in the running machine, and so not shown by any test that rests on it (Hold and Plumbing, the truth of one
// volume or of a parked machine that was shut in, have the jet, layers, two-node walls and creep): one gas temperature in the tank (no jet, no layers),
// dry air's constant heats, no rubber creep, no oil, valves without delay, and a compressor whose delivery depends on
// pressure, drive and intake air only.
//
// Sources: isentropic nozzle flow and ideal gas (textbook), saturation pressure after Hyland and Wexler, converter
// behaviour after TI SBAS444, frame layouts after SAE J1939-71, ISO 11783-7 and NMEA 2000 as public decoders agree;
// everything about the machine is common practice without a source.
package rig

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"airhold/bus"
)

// Options says which machine and day to simulate.
type Options struct {
	Seed  uint64        // of everything random; equal seeds and calls give equal days
	Story string        // name of a story; empty is planting-day
	Start time.Time     // the invented day's clock at the story's start; zero is the story's own
	Skip  time.Duration // how far into the story rig time zero is; New runs the model up to there
	Quiet bool          // sensors without noise

	Faults []Event // on top of the story

	// StallTimesOut makes a transfer on a stalled I2C bus fail at once instead of blocking, for a caller that polls
	// and advances the rig on one goroutine.
	StallTimesOut bool
}

// Rig is a running simulation. Its methods may be called from any goroutine; rig time only goes forward, an earlier time
// changes nothing.
type Rig struct {
	o     Options
	story StoryInfo
	start time.Time

	mu       sync.Mutex
	released *sync.Cond // the I2C bus was freed
	closed   bool
	now      time.Duration // latest rig time asked for

	m       model
	events  []Event
	chips   [chipCount]*chip
	adcDice *rand.Rand

	talks  []talk
	frames []bus.Frame
	inTick int64
	awake  int64 // ticks the bus still talks
	lost   int64

	past []Truth
	kept int
}

// New makes the machine of a story. An unknown story is an error that lists the stories, an impossible fault one that
// lists what is possible.
func New(o Options) (*Rig, error) {
	if o.Story == "" {
		o.Story = DefaultStory
	}
	s, ok := storyNamed(o.Story)
	if !ok {
		names := make([]string, 0, len(stories()))
		for _, s := range stories() {
			names = append(names, s.Name)
		}
		return nil, fmt.Errorf("no story %q; stories: %s", o.Story, strings.Join(names, ", "))
	}
	if o.Skip < 0 {
		return nil, fmt.Errorf("skip %s: a story cannot begin before its start", o.Skip)
	}
	for i, e := range o.Faults {
		if err := e.check(); err != nil {
			return nil, fmt.Errorf("fault %d: %w", i+1, err)
		}
	}
	r := &Rig{o: o, story: s.StoryInfo, start: s.Starts, talks: talks(), past: make([]Truth, truthKept)}
	if !o.Start.IsZero() {
		r.start = o.Start
	}
	r.released = sync.NewCond(&r.mu)
	r.events = append(s.events(), o.Faults...)
	byTime(r.events)
	r.build(s)
	r.fire()
	r.keep()
	r.speak()
	r.advance(0)
	return r, nil
}

// dice returns a source of its own for each part, so that one more throw in one changes nothing in another.
func dice(seed, part uint64) *rand.Rand {
	return rand.New(rand.NewPCG(seed, part)) //nolint:gosec // a simulation needs repeatable dice, not secrets
}

// build sets the machine up as the story finds it.
func (r *Rig) build(s story) {
	m := &r.m
	seed := r.o.Seed
	m.with, m.dt = demoBuild(), tick
	m.weather = weather{dice: dice(seed, 1), skies: s.skies, mean: m.with.Barometer, sway: m.with.Sway}
	m.drive = newDrive(dice(seed, 2))
	m.ground = newGround(dice(seed, 3), &m.with)
	m.compressor.dice = dice(seed, 4)
	r.adcDice = dice(seed, 5)
	built := dice(seed, 6)
	for c := range m.wires {
		m.wires[c].quiet = r.o.Quiet
		if k := channel(c).kind(); k == ratiometric || k == linear {
			m.wires[c].offset = 0.0015 * (2*built.Float64() - 1)
		}
	}
	for i := range r.chips {
		r.chips[i] = newChip(built, func(pin int) float64 {
			c, ok := input(i, pin)
			if !ok {
				return 0
			}
			return m.wires[c].volts(c, m.share(c), m.supply(), r.adcDice)
		})
	}
	m.weather.step(0, 1)
	baro := m.weather.baro
	m.hours = 1234
	m.furnish(273.15+s.wallC, 273.15+s.gasC, s.tank, s.ranks)
	m.water.liquid = s.water
	if s.lowered {
		m.drive.raised, m.drive.speed, m.drive.rpm = 0, workSpeed, 1800
		m.ground.hang = 0
		for k := range m.ranks {
			a := &m.ranks[k].air
			a.still = m.ranks[k].rest * (1 + m.ground.swell(k))
			a.charge(baro+s.ranks[k], m.weather.kelvin, baro)
		}
	}
	m.ground.slow(false)
	for p, flow := range s.seep {
		up, down := place(p).usual()
		m.leaks[p].to = areaFor(flow*litreMn, up, down)
	}
}

// furnish gives the model its tank and its ranks as its Build says and the temperatures (K) and pressures (Pa gauge) they
// begin with. The weather must have been stepped.
func (m *model) furnish(wallK, gasK, tank float64, ranks [2]float64) {
	w, baro := &m.with, m.weather.baro
	m.drainArea = areaFor(w.Drain, 800e3, 100e3)
	m.wallK, m.seenK = wallK, wallK
	m.tank.still = w.Tank
	m.tank.charge(baro+tank, gasK, baro)
	m.water.vapour = moistRatio(saturation(m.wallK), m.tank.pa) * m.tank.kg
	for k := range m.ranks {
		r, b := &m.ranks[k], &w.Ranks[k]
		r.rest = b.Volume * (1 - b.Stretch*b.Work)
		r.work, r.once = b.Work, math.NaN()
		r.adjust = m.drive.between(20, 60)
		r.air.still = r.rest * (1 + m.ground.swell(k))
		r.air.stretch = b.Volume * b.Stretch
		r.air.charge(baro+ranks[k], m.weather.kelvin, baro)
	}
}

// modelTime is the time since the story's start at rig time at.
func (r *Rig) modelTime(at time.Duration) time.Duration { return at + r.o.Skip }

// clock is the invented day's time of the present tick.
func (r *Rig) clock() time.Time { return r.start.Add(time.Duration(r.m.ticks) * tickTime) }

// Clock returns the invented day's clock at rig time at, in its own zone.
func (r *Rig) Clock(at time.Duration) time.Time { return r.start.Add(r.modelTime(at)) }

// Story returns what is being played.
func (r *Rig) Story() StoryInfo { return r.story }

// Advance runs the model up to rig time to. The other methods do so themselves for the time they are given.
func (r *Rig) Advance(to time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance(to)
}

func (r *Rig) advance(to time.Duration) {
	r.now = max(r.now, to)
	want := int64(r.modelTime(to) / tickTime)
	for r.m.ticks < want {
		r.m.step()
		r.fire()
		r.speak()
		if r.m.ticks%truthEvery == 0 {
			r.keep()
		}
	}
}

// fire lets happen what is due.
func (r *Rig) fire() {
	at := time.Duration(r.m.ticks) * tickTime
	for len(r.events) > 0 && r.events[0].At <= at {
		e := r.events[0]
		r.events = r.events[1:]
		r.apply(e)
	}
}

// Close lets go whoever waits for a stalled bus; transfers then return ErrClosed.
func (r *Rig) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closed = true
	r.released.Broadcast()
	return nil
}
