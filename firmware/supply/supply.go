// SPDX-License-Identifier: Apache-2.0

// Package supply says whether the tank can go on holding the ranks: low, short, high, for how long, and where the air
// goes as far as it is known.
//
// Words: a need is the pressure a rank asks for; the highest need plus the loss in the lines is what the tank must
// keep; the reserve is the time until it no longer would if the compressor stopped now; gives is what the compressor
// can deliver, use what all takers and losses together take: bags, drains that are meant, and leaks; spare is what is
// left of gives, short what is missing; overhang is by how much use exceeds what comes, while the compressor runs. Need
// and gives say of themselves when they are assumed or rated and not measured.
//
// The package never asks for the time, rings nothing (delays and deadbands are the alarm engine's), never drives a
// valve, and never learns a safety limit: relief setting and safe working pressure come from the machine file. It finds
// no leaks: how use is split comes from who watches for them, and where nobody knows, bags and leaks are one figure.
//
// Sources: q = V/p0 dp/dt is the pressure-change method (EN 1779 technique D, from memory) with the ANR reference of
// ISO 8778, p0 = 100 kPa; limits are the alarm catalogue's, our own starting values.
package supply

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Compressor is what this package asks of the compressor's watcher. The methods are called at each tick on the
// owner's goroutine and change nothing.
type Compressor interface {
	// Switch returns cut-in and cut-out, Pa gauge, and whether each is known.
	Switch() (in, out float64, inKnown, outKnown bool)
	// Works returns whether the state is known, whether it delivers, and the share of the duty window it did.
	Works() (known, on bool, duty float64)
	// Rates returns the mean fall while resting and the mean rise while running, Pa/s, both positive; zero where not known.
	Rates() (fall, rise float64)
}

// Split is what this package asks of who watches for leaks. The method is called on the owner's goroutine and changes
// nothing.
type Split interface {
	// Flows returns the mean of the last minutes: what the bags took, what is bled as declared, and what neither explains,
	// m3/s ANR, with intervals where they are estimates; false where that is not known.
	Flows() (bags, bleed, leak findings.Measure, known bool)
}

// Delivery is what somebody has measured of the compressor's delivery.
type Delivery interface {
	// PumpUp returns the delivery of a pump-up that was let settle, m3/s ANR with its interval; false: none was done.
	PumpUp() (m findings.Measure, known bool)
	// Trend returns the delivery while working as a ratio to the machine's own when it was new to the box; false: not learned.
	Trend() (ratio, low, high float64, known bool)
}

// Rank is one rank of row units.
type Rank struct {
	Name     string // "front": the "front rank" in every answer
	Pressure readings.Channel
	Target   readings.Channel // the wanted pressure, Pa gauge
}

// Options says which channels and limits count. SI; zero values are the documented defaults, but a channel that is not
// there is readings.NoChannel.
type Options struct {
	Tank    readings.Channel
	Lowered readings.Channel // 0 or 1
	Ranks   []Rank

	Barometer readings.Channel // Pa absolute
	Ambient   readings.Channel // of the air taken in, K

	Volume      float64 // tank, m3; 0: not known
	Uncertainty float64 // of Volume, plus or minus, as a ratio; 0: 0.03
	Delivery    float64 // rated, m3/s of intake air, which is ANR where that is at 100 kPa and 20 degC; 0: not known
	Around      float64 // Pa absolute, where no barometer says; 0: as rated
	Bleed       float64 // drains that are meant, m3/s ANR; 0: none
	SafeWorking float64 // Pa gauge; 0: not known
	Relief      float64 // Pa gauge; 0: not known
	LineDrop    float64 // between tank and rank, Pa; 0: 20 kPa
	DutyWindow  time.Duration

	Compressor Compressor // nil: none is watched
	Split      Split      // nil: bags and leaks are one figure
	Measured   Delivery   // nil: nobody measures
}

const (
	defaultLineDrop = 20e3
	refPressure     = 100e3 // ANR, ISO 8778, Pa
	fallSpan        = time.Minute
	needSpan        = 10 * time.Minute
	needQuantile    = 0.95
	targetSettle    = 15 * time.Second
	offTarget       = 0.10
)

// Word is the state of the whole supply.
type Word string

// The words.
const (
	Holds    Word = "holds"
	Low      Word = "low"
	Short    Word = "short"
	NotKnown Word = "not_known"
)

type rank struct {
	Rank

	where   string
	p       feed
	target  feed
	recent  recent // of the pressure
	trace   trace
	asked   float64       // the target as last changed
	askedAt time.Duration // when it changed
	need    float64
	known   bool
	assumed bool
	tickOf  int
	words   rankWords
}

// stepped tells whether another pressure is wanted than before: a step is, the noise of an analog target is not.
func (k *rank) stepped() bool {
	return k.askedAt == 0 || math.Abs(k.target.newest-k.asked) > max(2e3, 0.01*k.asked)
}

// settled tells whether the valve has had its time to answer what is asked.
func (k *rank) settled(at time.Duration) bool { return k.asked > 0 && at-k.askedAt >= targetSettle }

// Supply watches tank and ranks. It is owned by one goroutine.
type Supply struct {
	o       Options
	sink    findings.Sink
	kpa     units.Unit // of findings, looked up once
	flow    units.Unit
	pct     units.Unit
	tank    feed
	recent  recent // of the tank
	lowered feed
	ranks   []rank
	trace   trace
	now     time.Duration
	fall    float64
	fallOK  bool
	ticks   int

	in, out     float64
	inOK, outOK bool
	need        float64
	needOK      bool
	assumed     bool
	lowLimit    float64
	lowOK       bool

	glass, air feed
	runs       runs
}

// New makes a watcher. Channels outside t count as not declared, and so do a barometer that is not absolute and an
// intake that is no temperature.
func New(o Options, t *readings.Table, sink findings.Sink) *Supply {
	if o.LineDrop <= 0 {
		o.LineDrop = defaultLineDrop
	}
	if o.DutyWindow <= 0 {
		o.DutyWindow = 10 * time.Minute
	}
	s := &Supply{o: o, sink: sink, kpa: units.Preferred(units.Pressure), pct: units.Preferred(units.Ratio), flow: units.Preferred(units.FlowRate)}
	declared := func(c readings.Channel) readings.Channel {
		if c < 0 || int(c) >= t.Len() {
			return readings.NoChannel
		}
		return c
	}
	s.tank.ch, s.lowered.ch = declared(o.Tank), declared(o.Lowered)
	s.glass.ch, s.air.ch = declared(o.Barometer), declared(o.Ambient)
	if i := t.Info(s.glass.ch); i.Quantity != units.QPressure || i.Reference != units.Absolute {
		s.glass.ch = readings.NoChannel
	}
	if t.Info(s.air.ch).Quantity != units.QTemperature {
		s.air.ch = readings.NoChannel
	}
	s.ranks = make([]rank, len(o.Ranks))
	for i, r := range o.Ranks {
		k := &s.ranks[i]
		k.Rank = r
		k.where = r.Name + " rank"
		k.p.ch, k.target.ch = declared(r.Pressure), declared(r.Target)
		k.words = wordsFor(k.where)
	}
	return s
}

// Read takes one reading of any channel.
func (s *Supply) Read(r readings.Reading) {
	if r.Channel < 0 {
		return
	}
	if r.Channel == s.tank.ch {
		if s.tank.take(r) {
			s.hurry(r.At, s.recent.mean(r.At, r.Value))
		}
	}
	for _, f := range [...]*feed{&s.lowered, &s.glass, &s.air} {
		if r.Channel == f.ch {
			f.take(r)
		}
	}
	for i := range s.ranks {
		k := &s.ranks[i]
		if r.Channel == k.p.ch {
			if k.p.take(r) {
				s.hurryRank(k, r.At, k.recent.mean(r.At, r.Value))
			}
		}
		if r.Channel == k.target.ch {
			k.target.take(r)
		}
	}
}

// Tick lets a second pass and reports.
func (s *Supply) Tick(at time.Duration) {
	s.now = at
	s.ticks++
	s.tank.second()
	s.lowered.second()
	s.glass.second()
	s.air.second()
	if s.tank.alive(at) {
		s.trace.add(s.tank.at, s.tank.mean)
		rate, ok := s.trace.slope(at, fallSpan)
		s.fall, s.fallOK = -rate, ok
	} else {
		s.trace.forget()
		s.fallOK = false
	}
	s.needOK, s.assumed = false, false
	for i := range s.ranks {
		s.tickRank(&s.ranks[i], at)
	}
	s.inOK, s.outOK = false, false
	if s.o.Compressor != nil {
		s.in, s.out, s.inOK, s.outOK = s.o.Compressor.Switch()
	}
	s.runs.tick(s)
	s.limits()
	s.report(at)
}

func (s *Supply) tickRank(k *rank, at time.Duration) {
	k.p.second()
	k.target.second()
	if k.target.alive(at) {
		if k.stepped() {
			k.asked, k.askedAt = k.target.newest, max(k.target.at, 1)
		}
	}
	if k.p.alive(at) && s.lowered.alive(at) && s.lowered.newest > 0.5 {
		k.trace.add(k.p.at, k.p.mean)
	}
	switch {
	case k.target.alive(at):
		k.need, k.known, k.assumed = k.asked, true, false
	case s.ticks%10 == 1 || k.tickOf == 0:
		// Sorting ten minutes is not needed each second.
		k.need, k.known = k.trace.quantile(k.trace.last, needSpan, needQuantile) // of work: a stop ends no need
		k.assumed = k.known
		k.tickOf++
	case !k.assumed:
		k.known = false
	}
	if k.known && k.need+s.o.LineDrop > s.need || k.known && !s.needOK {
		s.need, s.needOK, s.assumed = k.need+s.o.LineDrop, true, k.assumed
	}
}

// limits works out below which pressure the reserve is low: under cut-in by 70 kPa or over the need by 50 kPa, but
// always 30 kPa under cut-in, so that a healthy cycle never rings.
func (s *Supply) limits() {
	switch {
	case s.inOK && s.needOK:
		s.lowLimit, s.lowOK = min(max(s.in-70e3, s.need+50e3), s.in-30e3), true
	case s.inOK:
		s.lowLimit, s.lowOK = s.in-70e3, true
	case s.needOK:
		s.lowLimit, s.lowOK = s.need+50e3, true
	default:
		s.lowOK = false
	}
}
