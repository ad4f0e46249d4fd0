// SPDX-License-Identifier: Apache-2.0

// Package overnight tells in the morning what the night has let out: no test is needed for it.
//
// Words: a place is still while nothing works on it: no compressor, no valve, no driving; its rest is how long that has
// been so. The evening is the newest still reading before the power went, kept over the night by Save; the morning is the
// mean of the first still minute of the next boot. A place held when its leak is small, and it lost when a good part of
// its air is gone. Warmth is the temperature of the air inside, taken from the wall of the tank where that is measured,
// else from the air around.
//
//	q = T0/p0*(n1 - n2)/dt    n = p*V/T    p absolute without its vapour, V m3, T K, dt s
//
// is the mean leak of the night, m3/s ANR. A tank may be read while it still cools from its last run: the curve of its
// rest tells how far the air was above the wall. The interval holds the warmth at both ends, drift of the sensor, weather
// where no barometer is, vapour, and volume. A partial drain looks exactly like a leak, and a small charge hides one.
//
// The package never asks for the time, rings nothing and drives nothing. Save is to be called at least once a minute:
// what happened between the last Save and the loss of power is not seen. A box that keeps its power sees the night too,
// where an ignition channel tells it when the key went off and on.
//
// Sources: pressure-change method with temperature (EN 1779 technique D, from memory), ANR after ISO 8778, uncertainty
// after JCGM 100 (from memory). Widths without a source beside them are common practice, no source.
package overnight

import (
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Volume is one closed volume: the tank, or a rank that holds its air when the power goes.
type Volume struct {
	Name        string // as a reason names it
	Where       string // "tank", "front rank"
	Pressure    readings.Channel
	Volume      float64 // m3 at the pressure of the air around; 0: not known
	Uncertainty float64 // of Volume, plus or minus, as a ratio; 0: 0.03 for a tank, 0.2 for a rank
	Stretch     float64 // 1/Pa: relative growth of the volume with gauge pressure; taken as known to 20 %
	Holds       bool    // it keeps its air when the power goes; the first volume, the tank, always does
	Sensor      string  // names sensor and calibration: another one in the morning makes the night not known; may be empty
	FullScale   float64 // Pa, of the sensor; 0: 1 MPa
}

// Options says what holds, what tells how warm it is, and how the day of the calendar is told. SI; a channel that is not
// there is readings.NoChannel.
type Options struct {
	Volumes   []Volume // first the tank
	Wall      readings.Channel
	Ambient   readings.Channel
	Barometer readings.Channel
	Ignition  readings.Channel // 0 or 1
	Drive     readings.Channel // drive of the compressor, 1/s
	Speed     readings.Channel // m/s

	Around float64 // Pa absolute, taken where no barometer is; 0: 101325

	UTC   func(at time.Duration) (t time.Time, trusted bool) // of a moment of this boot, also an earlier one; nil: no clock
	Saved []byte                                             // what Save gave in the boot before; nil: nothing
	Notes findings.Notes                                     // nil: nobody listens
}

// Hold is what the night did to one place.
type Hold struct {
	Where   string
	From    findings.Measure // Pa in the evening, as the channel reads
	To      findings.Measure // and in the morning
	Cooling findings.Measure // Pa of the fall that temperature and weather explain, with its interval
	Lost    findings.Measure // Pa of the fall that they do not
	Leak    findings.Measure // m3/s ANR, mean over the night, with its interval; noise may take it below zero
	Hours   float64          // between the two
	Known   bool
	Why     string // not known: why

	FromAt, ToAt     time.Time        // UTC; zero where no clock says
	WarmFrom, WarmTo findings.Measure // K taken for the air inside
	Warm             string           // what measured it: "tank wall" or "air"
	Rested           time.Duration    // since the last run or fill before From
}

// Word is a night in one word.
type Word string

// The words.
const (
	Held     Word = "held"
	Lost     Word = "lost"
	NotKnown Word = "not_known"
)

const (
	stillFor     = 10 * time.Second // of calm before a reading counts
	morningSpan  = time.Minute      // of the morning
	shortest     = 3 * time.Hour
	giveUp       = 10 * time.Minute // after which the night is not known, if a reading or the clock has not come
	othersWait   = 90 * time.Second // for the ranks, once the tank is known
	askClock     = 10 * time.Second
	showAgain    = time.Hour       // a morning's answer is shown again for so long after the power blinked
	warmAge      = 3 * time.Minute // of a temperature that still counts
	glassAge     = 2 * time.Hour   // of a barometer: many hang on the bus, which sleeps before the key is off
	noteKind     = "overnight-hold"
	learnedName  = "overnight"
	moving       = 0.3 // m/s
	turning      = 0.5 // 1/s: a shaft below 30 /min drives nothing
	emptyGauge   = 20e3
	refPressure  = 100e3  // ANR, ISO 8778, Pa
	refKelvin    = 293.15 // ANR, ISO 8778
	seaLevel     = 101325 // Pa, ISO 2533
	defaultScale = 1e6
)

// place is one volume and what is known of it.
type place struct {
	Volume

	absolute bool // the channel reads absolute pressure
	sensor   string
	sense    input
	rest     rest
	morn     morning

	old     left // of the boot before
	fresh   left // of this boot
	course  rest // that of fresh, until its excess is worked out
	worked  bool // in this boot
	working bool // since the newest still reading
	settled bool // the morning is read or given up
	short   bool // the night was too short to tell
	why     string
	early   left // in the evening of a box that keeps its power
	stirred bool // since then
}

// Overnight watches for the night. It is owned by one goroutine.
type Overnight struct {
	o      Options
	places []place
	wall   slow
	air    slow
	glass  slow
	key    input
	drive  input
	speed  input

	now       time.Duration
	started   bool
	start     time.Duration
	tankAt    time.Duration // when the tank's morning was settled
	held      []Hold
	last      []Hold // of the boot before: this morning's, if the power only blinked
	unread    bool   // Saved could not be read
	waits     bool   // for the clock
	asked     time.Duration
	noted     bool
	keyOn     bool
	keySeen   bool
	keyOff    time.Duration
	hasKeyOff bool
	early     bool // the evening of a box that keeps its power is put by
	words     string
}

// New makes a watch. Channels outside t count as not declared. Saved that cannot be read counts as none, and the reason
// says so.
func New(o Options, t *readings.Table) *Overnight {
	declared := func(c readings.Channel) readings.Channel {
		if c < 0 || int(c) >= t.Len() {
			return readings.NoChannel
		}
		return c
	}
	if !(o.Around > 0) {
		o.Around = seaLevel
	}
	w := &Overnight{o: o}
	w.wall.ch, w.air.ch, w.glass.ch = declared(o.Wall), declared(o.Ambient), declared(o.Barometer)
	w.key.ch, w.drive.ch, w.speed.ch = declared(o.Ignition), declared(o.Drive), declared(o.Speed)
	for i, v := range o.Volumes {
		if i > 0 && !v.Holds {
			continue
		}
		p := place{Volume: v, sensor: v.Sensor}
		p.sense.ch = declared(v.Pressure)
		p.absolute = t.Info(p.sense.ch).Reference == units.Absolute
		if !(p.FullScale > 0) {
			p.FullScale = defaultScale
		}
		if !(p.Uncertainty > 0) {
			p.Uncertainty = 0.2
			if i == 0 {
				p.Uncertainty = 0.03
			}
		}
		w.places = append(w.places, p)
	}
	w.load(o.Saved)
	return w
}

// Read takes one reading of any channel.
func (o *Overnight) Read(r readings.Reading) {
	if r.Channel < 0 {
		return
	}
	for i := range o.places {
		o.places[i].sense.take(r)
	}
	o.wall.take(r)
	o.air.take(r)
	o.glass.take(r)
	o.key.take(r)
	o.drive.take(r)
	o.speed.take(r)
}

// Tick lets a second pass.
func (o *Overnight) Tick(at time.Duration) {
	if o.started && at <= o.now {
		return
	}
	o.now = at
	if !o.started {
		o.started, o.start = true, at
	}
	o.wall.second()
	o.air.second()
	o.glass.second()
	o.key.second()
	o.drive.second()
	o.speed.second()
	o.turnKey()
	drives := o.speed.alive(at) && o.speed.mean > moving
	if o.drive.alive(at) && o.drive.mean > turning {
		for i := range o.places {
			o.places[i].worked, o.places[i].stirred = true, true // the machine has worked, even if this place is still
		}
	}
	for i := range o.places {
		o.tickPlace(&o.places[i], drives)
	}
	o.judge()
}

func (o *Overnight) tickPlace(p *place, drives bool) {
	had := p.sense.n > 0
	p.sense.second()
	switch {
	case drives:
		o.stir(p)
	case had:
		switch p.rest.take(p.sense.at, p.sense.mean) {
		case broken:
			o.stir(p)
			p.rest.begin(p.sense.at, p.sense.mean)
		case gone:
			o.keep(p)
			o.endMorning(p, false)
			p.rest.begin(p.sense.at, p.sense.mean)
		case calm:
			if p.rest.ripe() {
				p.working = false
			}
		}
		o.readMorning(p)
	}
}

// stir ends a rest because something works on the place.
func (o *Overnight) stir(p *place) {
	o.keep(p)
	o.endMorning(p, true)
	p.worked, p.working, p.stirred = true, true, true
	p.rest.forget()
}

// keep makes the rest that ends now the evening, if it was long enough. How warm its air was is worked out when somebody
// asks: a working day has hundreds of rests.
func (o *Overnight) keep(p *place) {
	if p.rest.ripe() {
		p.fresh, p.course = o.leave(p), p.rest
	}
}

// leave is the evening as it would be if the power went now, but for the excess.
func (o *Overnight) leave(p *place) left {
	at := p.rest.till
	return left{
		has: true, at: at, here: true, pressure: p.rest.newest(), rested: at - p.rest.from, sensor: p.sensor,
		wall: o.wall.value(at, warmAge), air: o.air.value(at, warmAge), glass: o.glass.value(at, glassAge),
	}
}

// warmUp works out the excess of an evening from the course of its rest.
func (o *Overnight) warmUp(p *place, l *left, course *rest) {
	around := o.o.Around
	if l.glass > 0 {
		around = l.glass
	}
	if p.absolute {
		around = 0
	}
	kelvin := l.wall
	if kelvin <= 0 {
		kelvin = l.air
	}
	if kelvin <= 0 {
		kelvin = refKelvin
	}
	l.excess, l.doubt = course.excess(around, kelvin)
	l.cooled = true
}

func (o *Overnight) warmFresh(p *place) {
	if p.fresh.has && !p.fresh.cooled {
		o.warmUp(p, &p.fresh, &p.course)
	}
}

// turnKey follows the key of a box that keeps its power: ten minutes after the key went off the evening is put by, and
// when it comes on again after a night, the morning begins.
func (o *Overnight) turnKey() {
	if !o.key.alive(o.now) {
		return
	}
	on := o.key.mean > 0.5
	was := o.keyOn
	o.keyOn = on
	if !o.keySeen {
		o.keySeen = true
		return
	}
	switch {
	case was && !on:
		o.keyOff, o.hasKeyOff, o.early = o.now, true, false
	case !on && o.hasKeyOff && !o.early && o.now-o.keyOff >= giveUp:
		o.early = true
		for i := range o.places {
			p := &o.places[i]
			o.keep(p)
			o.warmFresh(p)
			p.early, p.stirred = p.fresh, p.working
		}
	case !was && on && o.hasKeyOff && o.early && o.now-o.keyOff >= shortest:
		o.hasKeyOff, o.early = false, false
		o.wake()
	case on:
		o.hasKeyOff, o.early = false, false
	}
}

// wake begins a morning without a boot.
func (o *Overnight) wake() {
	o.held, o.last, o.words = nil, nil, ""
	o.waits, o.noted, o.unread, o.start = false, false, false, o.now
	for i := range o.places {
		p := &o.places[i]
		p.old = p.early
		p.old.ran = p.stirred
		p.settled, p.short, p.why, p.morn = false, false, "", morning{}
		p.rest.forget()
	}
}

// Held returns what the night did, the tank first; empty until the first still minute of a boot is over. The caller does
// not change it.
func (o *Overnight) Held() []Hold { return o.held }
