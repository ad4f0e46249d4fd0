// SPDX-License-Identifier: Apache-2.0

// Package leakwatch finds leaks while the machine works: on the tank's side and in each rank, with nothing to start.
//
// Words: a place is "tank side", "front rank", "rear rank" (a rank's name with " rank"), or "not told apart"; a raised
// leak is one whose evidence crossed its threshold and has not been taken back; its onset is the estimated time at
// which it began; it is sized once the 95 % interval of its flow is narrow enough to be worth saying. Bleed is what the
// machine file declares as let out on purpose, and no leak.
//
// Three kinds of evidence run side by side, each with its own running sum: the quiet decay of the tank while nothing is
// delivered and no rank fills (tank.go), the balance of what is delivered where the compressor never rests
// (balance.go), and what each rank loses between the movements of its valves, at work (content.go) and standing still
// (still.go). What a sound machine loses is learned in the first 90 minutes; nothing is raised before.
//
// The package never asks for the time, rings nothing and drives nothing.
package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// KeyLeak is the row of the alarm catalogue that this package speaks of.
const KeyLeak findings.Key = "air-leak"

// The places that are no rank.
const (
	TankSide  = "tank side"
	NotPlaced = "not told apart"
)

// Compressor is what this package asks of the compressor's watcher. The methods are called on the owner's goroutine and
// change nothing.
type Compressor interface {
	// Settled returns up to when on and off are decided for good.
	Settled() time.Duration
	// OnShare returns the share of a span that it delivered; false where that is not known.
	OnShare(from, to time.Duration) (share float64, known bool)
}

// Rank is one rank of row units.
type Rank struct {
	Name     string // "front": the "front rank" in every answer
	Pressure readings.Channel
	Target   readings.Channel // the wanted pressure, Pa gauge
	Volume   float64          // m3 at the pressure it works with; 0: not known
	Stretch  float64          // share of the volume to a Pa
}

// Options says which channels and limits count. SI; zero values mean "not known", but a channel that is not there is
// readings.NoChannel.
type Options struct {
	Tank, Wall, Ambient, Barometer  readings.Channel
	Lowered, Speed, Drive, Ignition readings.Channel
	Ranks                           []Rank

	Volume            float64 // tank, m3
	VolumeUncertainty float64 // of it, half width as a share; 0: 5 %
	Delivery          float64 // rated, m3/s ANR
	Bleed             float64 // declared, m3/s ANR

	Compressor Compressor // nil: on and off are told from the tank's pressure alone
	Saved      []byte     // what Save gave before the start; nil: a machine without history
	Notes      findings.Notes
	Sized      func(at time.Duration, l Leak) // called when a leak is sized or sized anew, at most once a minute for a place
}

// Leak is one leak that is raised.
type Leak struct {
	Where  string
	Flow   findings.Measure // ANR, with its interval; means something only while Sized
	Sized  bool
	Since  time.Duration // estimated onset
	Raised time.Duration
	From   string // which evidence, in words
}

const (
	refPressure = 100e3  // ANR, ISO 8778, Pa
	reference   = 293.15 // K, ANR
	standard    = 101325 // Pa, where there is no barometer
	litreMn     = 1e-3 / 60
	learnTime   = 90 * time.Minute
	leastTank   = 50e3 // Pa gauge: below, nothing is said of the tank
	slowest     = 2.0  // s between readings, above which nothing can be told
)

// Watch watches for leaks. It is owned by one goroutine.
type Watch struct {
	o    Options
	sink findings.Sink
	flow units.Unit
	now  time.Duration

	wall, ambient, barometer, lowered, speed, drive, ignition feed

	in     gather // of the tank
	frames frames
	baro   float64 // Pa
	tank   line
	ranks  []rank

	on      bool    // the compressor delivers, by the last second of tank pressure
	onSlope float64 // Pa/s, of a run in which nothing is taken
	ranAt   float64 // s, when it last did
	stuck   stuck
	wallAt  time.Duration // when the wall was last seen

	heat    thermal
	piece   piece
	quiet   evidence
	thermo  chooser
	balance balance
	recent  recent
	usage   usage
	today   dayOffset
	idle    idleBleed

	begun               bool
	first               time.Duration
	history             bool // what a sound machine loses was learned before the start
	lastWork            time.Duration
	held                bool
	heldTill            time.Duration
	notes               notebook
	tankTold, lossSized time.Duration
	lossTold            bool
}

// New makes a watch. Channels outside t count as not declared.
func New(o Options, t *readings.Table, sink findings.Sink) *Watch {
	if o.VolumeUncertainty <= 0 {
		o.VolumeUncertainty = 0.05
	}
	w := &Watch{o: o, sink: sink, flow: units.Preferred(units.FlowRate), baro: standard}
	declared := func(c readings.Channel) readings.Channel {
		if c < 0 || int(c) >= t.Len() {
			return readings.NoChannel
		}
		return c
	}
	w.in.ch = declared(o.Tank)
	w.wall.ch, w.ambient.ch, w.barometer.ch = declared(o.Wall), declared(o.Ambient), declared(o.Barometer)
	w.lowered.ch, w.speed.ch = declared(o.Lowered), declared(o.Speed)
	w.drive.ch, w.ignition.ch = declared(o.Drive), declared(o.Ignition)
	w.ranks = make([]rank, len(o.Ranks))
	for i, r := range o.Ranks {
		r.Pressure, r.Target = declared(r.Pressure), declared(r.Target)
		w.ranks[i].init(r)
	}
	w.quiet.init(TankSide, fromQuiet, quietDesigns(), quietThreshold)
	w.quiet.size = sizer{alike: 3, share: o.VolumeUncertainty / math.Sqrt(3), model: 0.3 * litreMn}
	w.balance.init()
	w.thermo.init()
	w.idle.init()
	w.notes.to = o.Notes
	w.restore(o.Saved)
	return w
}

// Read takes one reading of any channel.
func (w *Watch) Read(r readings.Reading) {
	if r.Channel < 0 {
		return
	}
	if r.Channel == w.in.ch {
		w.readTank(r)
		return
	}
	for i := range w.ranks {
		k := &w.ranks[i]
		if k.p.ch == r.Channel {
			k.p.take(r)
			return
		}
		if k.target.ch == r.Channel {
			k.target.take(r)
			return
		}
	}
	switch r.Channel {
	case w.wall.ch:
		w.wall.take(r)
	case w.ambient.ch:
		w.ambient.take(r)
	case w.barometer.ch:
		w.barometer.take(r)
	case w.lowered.ch:
		w.lowered.take(r)
	case w.speed.ch:
		w.speed.take(r)
	case w.drive.ch:
		w.drive.take(r)
	case w.ignition.ch:
		w.ignition.take(r)
	default:
	}
}

func (w *Watch) readTank(r readings.Reading) {
	if r.Quality == readings.Frozen {
		w.notes.say(ofFrozen, r.At)
	}
	if w.in.seen && r.At < w.in.at-time.Second {
		w.notes.say(ofBackwards, w.in.at)
	}
	if !w.in.take(r) {
		return
	}
	if !w.begun {
		w.begun, w.first = true, r.At
	}
	if w.frames.n == 0 || r.At-w.frames.time(w.frames.n) >= leastFrame {
		w.frame(r.At)
	}
}

// frame closes one frame and looks at it.
func (w *Watch) frame(at time.Duration) {
	f := &w.frames
	joined := f.push(at)
	if !joined && f.n > 1 && at-f.time(f.n-1) > noteGap {
		w.notes.say(ofGap, at)
	}
	w.baro = w.barometer.or(at, w.baro)
	v := w.in.mean(at, 0)
	if w.stuck.is(v, f.dt) {
		w.notes.say(ofStuck, at)
		v = math.NaN()
	}
	w.tank.push(f.n, v)
	for i := range w.ranks {
		w.ranks[i].push(w, at)
	}
	if f.n < 2 {
		return
	}
	w.running()
	w.steps()
	if n := f.n - w.delay(); n > f.since {
		w.settled(n)
	}
}

// delay is the frames after which nothing is taken back.
func (w *Watch) delay() int {
	return max(2*(w.frames.h+sideExtra)+2, int(onSpan/w.frames.dt)+4)
}

// running tells from the last second of the tank whether the compressor delivers, and marks it.
func (w *Watch) running() {
	f := &w.frames
	m := max(3, int(onSpan/f.dt+0.5))
	w.on = false
	if !f.have(m) {
		return
	}
	s := f.slope(&w.tank, m)
	if s > w.onThreshold(m) {
		w.on = true
		w.learnSlope(s)
		w.tank.put(markOn, f.n-m, f.n)
	}
}

// learnSlope follows the rise that the compressor makes when nothing else happens.
func (w *Watch) learnSlope(s float64) {
	if w.onSlope == 0 {
		w.onSlope = s
		if d := w.gives(); d > 0 && w.o.Volume > 0 {
			w.onSlope = 1.3 * d * refPressure / w.o.Volume
		}
	}
	for i := w.frames.n - 12; i <= w.frames.n; i++ {
		if i < w.frames.since || w.tank.mark[i&ringMask]&markFill != 0 {
			return
		}
	}
	w.onSlope += 0.03 * (s - w.onSlope)
}

// onThreshold is the rise that only a compressor makes, Pa/s.
func (w *Watch) onThreshold(m int) float64 {
	least := 4 * w.tank.sd() * math.Sqrt(12/float64(m*m*m)) / w.frames.dt
	d := w.o.Delivery
	if w.balance.delivery > 0 {
		d = w.balance.delivery
	}
	if d > 0 && w.o.Volume > 0 {
		return max(least, 0.35*d*refPressure/w.o.Volume)
	}
	return max(least, 1500)
}

// settled takes frame n, of which nothing is taken back any more.
func (w *Watch) settled(n int) {
	if w.frames.dt > slowest {
		return
	}
	var d decay
	if w.o.Volume > 0 {
		if w.follow(n, &d) {
			w.judgePiece(&d)
		}
		w.balance.frame(w, n)
	}
	for i := range w.ranks {
		w.ranks[i].settled(w, n)
	}
}

// Tick lets a second pass and reports.
func (w *Watch) Tick(at time.Duration) {
	w.now = max(w.now, at)
	w.balance.evidence.tick(at)
	w.remark(at)
	for i := range w.ranks {
		w.ranks[i].tick(w, at)
	}
	w.quiet.tick(at)
	w.judge(at)
	w.usage.tick(w, at)
	w.report(at)
}

// Hold says that somebody tests for leaks: valves are worked by hand, and nothing is concluded.
func (w *Watch) Hold(on bool, at time.Duration) {
	if on && !w.held {
		w.notes.say(ofHold, at)
	}
	if w.held && !on {
		w.heldTill = at + settleAfter
	}
	w.held = on
}

// holding says that a test runs, or that its traces have not gone yet.
func (w *Watch) holding(at time.Duration) bool { return w.held || at < w.heldTill }

// LearningLeft returns how long the watch still learns and raises nothing; false once it has learned.
func (w *Watch) LearningLeft() (time.Duration, bool) {
	if w.history {
		return 0, false
	}
	if !w.begun {
		return learnTime, true
	}
	left := learnTime - (w.now - w.first)
	return max(0, left), left > 0
}

// working says whether the planter is lowered and moves; false where no signal tells.
func (w *Watch) working(at time.Duration) bool {
	if !w.lowered.alive(at) || w.lowered.v < 0.5 {
		return false
	}
	return !w.speed.alive(at) || w.speed.v > slowSpeed
}

// slowSpeed is the speed in m/s below which terrain does not move the bags.
const slowSpeed = 0.3
