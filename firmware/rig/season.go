// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
	"time"

	"airhold/sensors/units"
)

// This file is the planting day for statistics: the rig's own machine, drawn from the ranges of season_ranges.go, without
// chips, frames and single rows, so that thousands of hours can be had. What it takes over from the rig is the physics
// (stepMachine), the field (drive) and the control (steer); it steps them more coarsely, which season_internal_test.go
// holds against the rig's own step.

// DayOptions say which day.
type DayOptions struct {
	Seed   uint64        // of everything random; equal options give equal days
	Build  *Build        // nil: Before's, and without one drawn from Seed
	Hours  float64       // from the first sample to the last; 0: 10. Less than 0.5 is a day without planting
	Clock  float64       // time of day of the first sample, in h; 0: a morning's that is drawn. Before's night decides where there is one
	Before *Day          // the day before of the same machine, run to its end: its air, walls and water go on from there
	Night  NightOptions  // between Before and this day
	Leak   DayLeak       // zero: none beside the seeps of a sound machine
	Weaker float64       // share of its delivery, 0 to 1, that the compressor loses
	WeakAt time.Duration // at once, at this moment
	Extra  DayExtra
}

// DayLeak is a leak that begins during the day and lasts to its end.
type DayLeak struct {
	Where string     // as in Places; "" is none
	Flow  units.Flow // m3/s ANR at 20 degC: tank side and fill valves at 7 bar g, ranks at 2 bar g, 1 bar outside
	At    time.Duration
	Over  time.Duration // grown to it, each minute by the same factor, from a twentieth; 0 is at once
}

// Span is a part of a day; a zero For is none.
type Span struct{ At, For time.Duration }

func (s Span) has(at time.Duration) bool { return s.For > 0 && at >= s.At && at < s.At+s.For }

// DayExtra are the faults and the odd days.
type DayExtra struct {
	Frozen   Span    // acquisition stands still: every sensor says what it said last
	Gap      Span    // no sensor says anything
	Stuck    Span    // the tank's sensor keeps its value
	Drift    float64 // Pa that the tank's sensor drifts from the first sample to the last
	NoBaro   bool    // no barometer
	NoWall   bool    // no sensor on the wall
	NoTarget bool    // no rank targets
	Idle     bool    // the engine idles all day, nobody plants
	Parked   bool    // key on, engine off all day
	Shop     Span    // somebody lets air of a shop's line into the tank, 150 L/min ANR up to cut-out
}

// DaySample is one moment, of what sensors say and of what is true. SI; pressures in Pa gauge, the barometer absolute,
// temperatures in K, humidity from 0 to 1, speeds in m/s and 1/s; states are 1 or 0; a sensor that says nothing at this
// moment is NaN.
type DaySample struct {
	At time.Duration

	Tank                          float64
	Ranks, Targets                [2]float64 // front, rear
	Wall, Ambient, Humidity       float64
	Barometer                     float64
	Lowered, Speed, Drive, Ignite float64

	On                          bool  // the compressor delivers
	Flow                        Flows // now
	Leak                        units.Flow
	TankTrue, TankAir, TankWall float64    // Pa gauge, K, K
	RanksTrue                   [2]float64 // Pa gauge
	Water                       float64    // kg, liquid
	Moving                      bool       // faster than 0.5 m/s
	Parked                      bool       // raised, and stands for long: a stop, lunch, before and after work
	Engine                      bool
	FillOpen, VentOpen          [2]bool
}

const (
	daySample = 100 * time.Millisecond
	daySteps  = 5 // of the model in a sample
)

// Day is one simulated day. One goroutine owns it.
type Day struct {
	o        DayOptions
	m        model
	program  []Event // of the machine, sorted
	steps    int     // of the model in a sample
	samples  int64   // so far
	last     int64   // of the last sample
	starts   float64 // o'clock, s
	sky      daySky
	sensors  *rand.Rand
	body     float64 // K, of the pressure sensors
	said     DaySample
	stood    DaySample // what every sensor said last, NaN before the first time
	night    Night
	hadNight bool
}

// NewDay makes a day.
func NewDay(o DayOptions) *Day {
	if o.Hours == 0 {
		o.Hours = 10
	}
	d := &Day{o: o, last: int64(o.Hours * 36000), sensors: dice(o.Seed, 0x5ea502)}
	l := newLot(o.Seed, 0x5ea503)
	if b := o.Before; b != nil {
		d.m = b.m
		d.starts = b.starts + b.o.Hours*3600 + o.Night.hours(l, b)
		d.starts = math.Mod(d.starts, 24*3600)
	} else {
		d.starts = l.of(ofStart)
		if o.Clock > 0 {
			d.starts = o.Clock * 3600
		}
		d.m.with = DrawBuild(o.Seed)
	}
	if o.Build != nil {
		d.m.with = *o.Build
	}
	d.sky = drawSky(l)
	m := &d.m
	d.steps, m.dt = daySteps, 0.1/daySteps
	if o.Before != nil {
		d.pass(o.Before)
	}
	skies := d.sky.skies(d.starts, o.Hours)
	m.weather.dice, m.weather.skies = dice(o.Seed, 1), skies
	m.weather.mean, m.weather.sway = m.with.Barometer, m.with.Sway
	field, pump := dice(o.Seed, 2), dice(o.Seed, 4)
	m.ticks = 0
	m.leaks = [placeCount]ramp{}
	if o.Before == nil {
		m.weather.step(0, 1)
		m.drive = newDrive(field)
		m.ground = newGround(dice(o.Seed, 3), &m.with)
		m.ground.slow(false)
		d.first(l)
	} else {
		x, y := m.drive.x, m.drive.y
		m.drive = newDrive(field)
		m.drive.x, m.drive.y = x, y
		m.ground.dice = dice(o.Seed, 3)
	}
	m.compressor = compressor{dice: pump, pace: m.compressor.pace, shift: m.compressor.shift}
	m.flow, m.sum = Flows{}, Flows{}
	for p := range m.leaks {
		up, down := place(p).usual()
		m.leaks[p].to = areaFor(m.with.Seep[p], up, down)
	}
	m.key, m.engine, m.hydraulics, m.control = false, false, false, false
	d.body = m.weather.kelvin
	d.plan(l)
	return d
}

// first fills a machine that has no day before.
func (d *Day) first(l *lot) {
	m := &d.m
	tank := m.with.CutIn + l.dice.Float64()*(m.with.CutOut-m.with.CutIn)
	ranks := [2]float64{m.with.Raised, m.with.Raised}
	switch r := l.dice.Float64(); {
	case r < l.of(ofEmpty):
		tank, ranks = 0, [2]float64{}
	case r < l.of(ofEmpty)+l.of(ofHalf):
		tank *= 0.5
	}
	m.furnish(m.weather.kelvin, m.weather.kelvin, tank, ranks)
}

// plan writes what happens to the machine over the day.
func (d *Day) plan(l *lot) {
	whole := d.o.Hours * 3600
	add := func(at float64, e ...Event) {
		for _, e := range e {
			e.At = duration(at)
			d.program = append(d.program, e)
		}
	}
	start := 5.0
	engine := start + l.of(ofKeyToEngine)
	air := engine + l.of(ofEngineToAir)
	field := air + l.of(ofToField)
	home := whole - l.of(ofHome)
	lunch := whole * l.of(ofLunchAt)
	after := lunch + l.of(ofLunch)
	off := home + (whole-home)*(0.3+0.4*l.dice.Float64())
	add(start, on(0, Key, Control)...)
	switch {
	case d.o.Extra.Parked:
	case d.o.Extra.Idle || d.o.Hours < 0.5:
		add(engine, on(0, Engine)...)
		add(air, on(0, Hydraulics)...)
	default:
		add(engine, on(0, Engine)...)
		add(air, on(0, Hydraulics)...)
		if field < home-300 {
			add(field, on(0, Plant)...)
		}
		if d.o.Hours >= 4 {
			idle, keyOff := l.hits(ofLunchIdle), l.hits(ofLunchKeyOff)
			add(lunch, off0(Plant)...)
			switch {
			case idle:
			case keyOff:
				add(lunch+40, off0(Engine)...)
				add(lunch+55, off0(Key, Control)...)
				add(after-50, on(0, Key, Control)...)
			default:
				add(lunch+40, off0(Engine)...)
			}
			add(after-20, on(0, Engine)...)
			add(after, on(0, Plant)...)
		}
		add(home, off0(Plant)...)
	}
	add(off, off0(Engine, Hydraulics)...)
	add(math.Min(off+20+40*l.dice.Float64(), whole-6), off0(Key, Control)...)
	byTime(d.program)
}

// off0 switches off, at a time that is set later.
func off0(what ...Action) []Event { return off(0, what...) }

// Build returns the machine.
func (d *Day) Build() Build { return d.m.with }

// Clock returns the time of day at the first sample.
func (d *Day) Clock() time.Duration { return duration(d.starts) }

// DrainWater lets the water out of the tank, with hardly any air.
func (d *Day) DrainWater() { d.m.water.drain() }

// Next advances the day by 0.1 s, or to its first sample, and writes it to s. It returns false when the day is over; s is
// then as it was.
func (d *Day) Next(s *DaySample) bool {
	if d.samples > d.last {
		return false
	}
	at := time.Duration(d.samples) * daySample
	d.begin(at)
	if d.samples > 0 {
		for range d.steps {
			d.m.drive.step(d.m.dt, d.m.engine)
			d.m.ground.shape(d.m.dt, &d.m.drive)
			d.m.stepMachine()
			d.m.ticks++
		}
	}
	d.say(at)
	d.samples++
	*s = d.said
	return true
}

// begin does what happens once in a sample, and once a second.
func (d *Day) begin(at time.Duration) {
	m := &d.m
	for len(d.program) > 0 && d.program[0].At <= at {
		e := d.program[0]
		d.program = d.program[1:]
		m.apply(e)
	}
	if d.o.Leak.Where != "" && at >= d.o.Leak.At && at < d.o.Leak.At+daySample {
		d.open()
	}
	if d.samples%10 == 0 {
		d.second(at)
	}
	m.ground.slow(m.drive.working())
	down := math.Max(0, 1-m.drive.raised/0.3)
	for i := range m.ground.rows {
		r := &m.ground.rows[i]
		r.filtered = math.Max(0, down*(loadByBag*(m.ranks[r.rank].air.pa-m.weather.baro)-r.soilN))
	}
	for k := range m.ranks {
		m.steer(k, 0.1)
	}
	m.weaker = 0
	if d.o.Weaker > 0 && at >= d.o.WeakAt {
		m.weaker = d.o.Weaker
	}
	m.shop = 0
	if d.o.Extra.Shop.has(at) && m.tank.pa-m.weather.baro < m.with.CutOut {
		m.shop = 150 * litreMn * anrRho
	}
}

// second does what changes slowly.
func (d *Day) second(at time.Duration) {
	m := &d.m
	t := at.Seconds()
	m.weather.step(t, 1)
	c := &m.compressor
	c.pace.step(c.dice, 1, 20)
	c.shift.step(c.dice, 1, 900)
	m.shift = m.with.Drift * t / 36000
	m.water.step(1, m.dryIn, m.weather.intake, m.dryOut, m.tank.kg, m.tank.pa, m.tank.kelvin, m.wallK)
	m.dryIn, m.dryOut = 0, 0
	m.seenK += (m.wallK - m.seenK) / 15
	d.body += (m.weather.kelvin - d.body) / 600
}

// open begins the day's leak, beside the seep of its place.
func (d *Day) open() {
	p, ok := placeNamed(d.o.Leak.Where)
	if !ok {
		return
	}
	full := dayArea(p, float64(d.o.Leak.Flow)) + d.m.leaks[p].to
	d.m.leaks[p] = ramp{from: d.m.leaks[p].to + 0.05*(full-d.m.leaks[p].to), to: full, begun: d.m.seconds(), over: d.o.Leak.Over.Seconds()}
}

// dayArea is the effective area of a day's leak: a rank's flow is stated at 2 bar g.
func dayArea(p place, flow float64) float64 {
	up, down := p.usual()
	if p == atFront || p == atRear {
		up, down = 300e3, 100e3
	}
	return areaFor(flow, up, down)
}
