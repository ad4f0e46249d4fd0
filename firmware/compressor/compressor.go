// SPDX-License-Identifier: Apache-2.0

// Package compressor watches one compressor: is it on, how long, how often, and does it build pressure.
//
// Words: a run is one stretch of delivering air, from start to stop; cut-in and cut-out are the tank pressures at
// which the pressure switch starts and stops it; duty is the share of a window spent delivering; supply evidence is
// a movement of the tank's pressure that no tank without a supply could make. A compressor with an unloader counts
// as on while loaded.
//
// On or off comes from a channel that says so (Options.Running) as long as it is alive, else from tank pressure
// alone, in one of two ways.
//
// By evidence, for slow recordings and until a fast one has shown a run to its end: without a supply a closed vessel's
// pressure can only fall, but for two effects, both bounded: gas cooled by a quick draw-off warms again (at most
// (k-1)/k = 0.286 of the fall comes back, adiabatic limit), and the sun warms the tank (5 K in 10 minutes, that is
// p/293 K * 5 K / 600 s). What rises beyond both was pumped in. Only evidence counts as on-time: the tail between the
// last evidence and a recognised stop is never counted.
//
// By explanation, for a channel read at least twice a second (segmenter): which sequence of hidden states explains the
// slopes and the pressures best, given where the switch was seen to stand. It settles a few seconds behind the present,
// and evidence overrules it.
//
// A signal that nothing drives the compressor (drive, ignition) rules a run out, whatever the pressure does.
//
// The package never asks for the time, rings nothing (delays and deadbands are the alarm engine's), learns no
// safety limit, and says nothing of the starts and the duty of a compressor that has none.
//
// Sources: duty as cyclic duration factor over a 10 min cycle after IEC 60034-1 S3 (from memory); the smallest switch
// gap of 0.3 bar is common practice, no source; the thermal bound is the ideal gas law. NOTES.md says what was tried.
package compressor

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Control is how a compressor keeps its pressure.
type Control uint8

// The kinds of control.
const (
	Switch       Control = iota // starts and stops at two pressures
	Unloader                    // turns all the time, loads and unloads at two pressures
	Proportional                // follows the pressure; no runs
	ReliefHeld                  // delivers all the time into a relief valve; no runs
)

// State is what is known of the compressor.
type State uint8

// The states.
const (
	Unknown State = iota
	Off
	On
)

// String returns the word used on screens.
func (s State) String() string {
	switch s {
	case On:
		return "on"
	case Off:
		return "off"
	case Unknown:
		return "not known"
	default:
		return "not known"
	}
}

// Run is one stretch of delivering air.
type Run struct {
	Start, Stop  time.Duration // boot clock
	From, To     float64       // tank pressure at start and stop, Pa gauge; NaN where the tank was not seen
	Uncertainty  time.Duration // of each edge, plus or minus
	Measured     bool          // from a running channel, not inferred from pressure
	StartUnknown bool          // it ran already when watching began
	Open         bool          // still running: Stop is the last evidence
}

// Runs takes finished runs, in order, on the goroutine that called Read, Tick or Close.
type Runs interface{ Run(r Run) }

// Options says which channels and limits count. SI; the zero value of a field is its documented default, but a channel
// that is not there is readings.NoChannel.
type Options struct {
	Name    string // Where of the findings; empty where there is only one compressor
	Control Control

	Tank     readings.Channel // tank pressure, Pa gauge
	Running  readings.Channel // 0 or 1: delivering
	Drive    readings.Channel // drive speed, 1/s: turning above 0.5 /s
	Ignition readings.Channel // 0 or 1: engine may turn

	CutIn, CutOut float64 // Pa gauge; 0: not known, learned
	Volume        float64 // tank, m3; 0: not known
	Delivery      float64 // rated free air delivery, m3/s ANR; 0: not known

	DutyLimit  float64       // 0: 0.6
	DutyWindow time.Duration // 0: 10 min
	EmptyBelow float64       // a charge that starts below is one from an empty tank, Pa gauge; 0: 100 kPa

	// Barometer is the absolute pressure around, Pa: it brings the delivery of two altitudes together. A channel that is
	// no absolute pressure counts as not there.
	Barometer readings.Channel

	Runs  Runs                              // nil: nobody listens
	Use   func() (flow float64, known bool) // what goes out of the tank now, m3/s ANR; nil: nobody knows more than the rests show
	Notes findings.Notes                    // is told what was withheld and why; nil: nobody
	Saved []byte                            // what Save returned before the power was cut; nil or bad: nothing is known
}

const (
	defaultDutyLimit  = 0.6
	defaultDutyWindow = 10 * time.Minute
	defaultEmpty      = 100e3
	refPressure       = 100e3 // ANR, ISO 8778, Pa
	turning           = 0.5   // 1/s: a shaft below 30 /min drives nothing

	// switchOnPatience is how long an engine may run before its compressor is meant to build; common practice, no source.
	switchOnPatience = 5 * time.Minute
)

// writes are the units of findings, looked up once.
type writes struct{ share, pressure, flow units.Unit }

// Compressor watches one compressor. It is owned by one goroutine.
type Compressor struct {
	o    Options
	sink findings.Sink
	unit writes

	tank    input
	running input
	drive   input
	ign     input
	baro    input

	blocks  blocks
	infer   inference
	ledger  ledger
	learnt  learnt
	pending Run // closed, but its stop may yet be taken back
	waiting bool

	started  bool
	first    time.Duration
	now      time.Duration
	ticked   time.Duration
	covered  time.Duration
	idleFall float64 // mean fall while off, Pa/s, positive; 0: not known
	fill     float64 // mean rise of whole runs, Pa/s; 0: not known
	recent   recent
	sigOn    bool
	sigAt    time.Duration
	sigStart time.Duration // of the state that the channel says
	turned   time.Duration // how long the drive of a compressor without runs turned

	drives      bool // the drive turns
	drivenSince time.Duration
	delivered   bool // it was seen delivering since

	fine    fine
	stuck   stuck
	shop    shop
	line    timeline
	earlier earlier
	trend   trend
	cycle   cycle
}

// New makes a watcher. Channels outside t count as not declared.
func New(o Options, t *readings.Table, sink findings.Sink) *Compressor {
	if o.DutyLimit <= 0 {
		o.DutyLimit = defaultDutyLimit
	}
	if o.DutyWindow <= 0 {
		o.DutyWindow = defaultDutyWindow
	}
	if o.EmptyBelow <= 0 {
		o.EmptyBelow = defaultEmpty
	}
	c := &Compressor{o: o, sink: sink, unit: writes{
		share: units.Preferred(units.Ratio), pressure: units.Preferred(units.Pressure), flow: units.Preferred(units.FlowRate),
	}}
	for _, p := range []struct {
		in *input
		ch readings.Channel
	}{{&c.tank, o.Tank}, {&c.running, o.Running}, {&c.drive, o.Drive}, {&c.ign, o.Ignition}, {&c.baro, o.Barometer}} {
		p.in.ch = readings.NoChannel
		if p.ch >= 0 && int(p.ch) < t.Len() {
			p.in.ch = p.ch
		}
	}
	if in := t.Info(c.baro.ch); in.Quantity != units.QPressure || in.Reference != units.Absolute {
		c.baro.ch = readings.NoChannel
	}
	c.learnt.in.prior, c.learnt.out.prior = o.CutIn, o.CutOut
	c.infer.reset()
	c.restore(o.Saved)
	return c
}

// Read takes one reading of any channel.
func (c *Compressor) Read(r readings.Reading) {
	switch ch := r.Channel; {
	case ch < 0:
	case ch == c.tank.ch:
		c.readTank(r)
	case ch == c.running.ch:
		c.readRunning(r)
	case ch == c.drive.ch:
		c.drive.take(r)
	case ch == c.ign.ch:
		c.ign.take(r)
	case ch == c.baro.ch:
		c.baro.take(r)
	}
}

func (c *Compressor) begin(at time.Duration) {
	if !c.started {
		c.started, c.first = true, at
		c.line.begin(at)
	}
	if at > c.now {
		c.now = at
	}
}

func (c *Compressor) readTank(r readings.Reading) {
	c.begin(r.At)
	if r.Quality == readings.Frozen {
		c.unsee(r.At)
		return
	}
	if r.Quality != readings.Good || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		return
	}
	if c.tank.seen && r.At <= c.tank.at {
		return // time running backwards: the newer reading stands
	}
	if c.sticks(r) {
		return
	}
	gap := r.At - c.tank.at
	fresh := c.tank.seen && gap <= c.tank.stale()
	c.tank.take(r)
	if fresh {
		c.covered += gap
	} else {
		c.flush()
		c.lost()
	}
	c.recent.add(r.At, r.Value)
	c.fine.trail.add(r.At, r.Value)
	if b, ok := c.blocks.add(r.At, r.Value); ok {
		c.block(b)
	}
}

// unsee takes back what was concluded from a reading that stood still before the acquisition was known to be frozen.
func (c *Compressor) unsee(at time.Duration) {
	if !c.tank.seen {
		return
	}
	if still := c.tank.at - c.tank.moved; still > 0 {
		c.covered -= min(still, c.covered)
	}
	c.blocks.drop()
	c.drowse(c.tank.moved)
	c.closeRun(c.tank.moved)
	c.hand()
	c.infer.reset()
	c.recent.drop()
	c.tank.seen = false
	c.begin(at)
}

// lost forgets the present state after a hole in the pressure: what happened in it is not known.
func (c *Compressor) lost() {
	c.drowse(c.now)
	if !c.fine.active && c.infer.state == On && !c.signalled() {
		c.closeRun(c.infer.evidence)
	}
	c.hand()
	c.infer.reset()
	c.recent.drop()
}

func (c *Compressor) flush() {
	if b, ok := c.blocks.flush(); ok {
		c.block(b)
	}
}

func (c *Compressor) block(b point) {
	if c.undriven(b.at) {
		c.rest(b)
		return
	}
	c.shop.on = false
	was := c.infer.state
	wasFrom := c.infer.since
	before := c.infer.prev
	in, out := c.learnt.switchPoints()
	ev := c.infer.add(b, in, out, c.learnt.in.high())
	if was == Off && ev == none && c.infer.state == Off {
		c.learnIdle(before, b)
	}
	if c.o.Control == Proportional || c.o.Control == ReliefHeld {
		return
	}
	if c.fine.active {
		c.sift(b)
		return
	}
	defer c.wake(b)
	switch ev {
	case turnedOn:
		if c.fast() && !c.infer.began {
			c.coarseStart()
		}
		if !c.signalled() {
			c.hand()
			c.ledger.open(c.infer.since, c.infer.evidence, c.infer.from, c.infer.began)
		}
	case turnedOff:
		stop := c.infer.since
		// Only a rise of a whole switch gap tells where the switch stands; a dip inside a long run does not.
		if whole := c.infer.peak-c.infer.from >= minGap; whole && was == On && stop > wasFrom {
			if !c.infer.began && !c.fast() {
				c.learnt.in.learn(c.infer.from)
			}
			if c.infer.clean {
				if !c.fast() {
					c.learnt.out.learn(c.infer.peak)
				} else {
					c.coarseStop(stop)
				}
				c.learnFill((c.infer.peak - c.infer.from) / (stop - wasFrom).Seconds())
			}
		}
		if !c.signalled() {
			c.ledger.to = c.infer.peak
			c.closeRun(stop)
		}
	case resumed:
		if !c.signalled() && c.waiting {
			c.waiting = false
			c.ledger.reopen(c.infer.evidence)
		}
	case none:
		if c.waiting && b.at-c.pending.Stop > quiet {
			c.hand()
		}
		if c.infer.state == On && !c.signalled() {
			c.ledger.extend(c.infer.evidence)
		}
	}
}

func (c *Compressor) learnIdle(p, b point) {
	dt := (b.at - p.at).Seconds()
	if dt <= 0 || p.at < c.infer.since {
		return
	}
	const memory = 600.0 // s: about one duty window of idle time
	w := dt / (memory + dt)
	if c.idleFall == 0 {
		w = 1
	}
	c.idleFall += w * ((p.v-b.v)/dt - c.idleFall)
}

func (c *Compressor) learnFill(rate float64) {
	if c.fill == 0 {
		c.fill = rate
	}
	c.fill += (rate - c.fill) / 8 // about the last eight runs
}

func (c *Compressor) closeRun(stop time.Duration) {
	r, ok := c.ledger.close(stop)
	if !ok {
		return
	}
	c.hand()
	r.Uncertainty = c.edge()
	c.pending, c.waiting = r, true
	if c.signalled() || r.Open {
		c.hand()
	}
}

// hand passes on a run whose stop is certain. An inferred stop may be taken back for a while.
func (c *Compressor) hand() {
	if c.waiting && c.o.Runs != nil {
		c.o.Runs.Run(c.pending)
	}
	c.waiting = false
}

func (c *Compressor) edge() time.Duration {
	if c.signalled() {
		return c.running.interval / 2
	}
	return max(c.tank.interval, blockLength) / 2
}

// signalled reports whether the running channel is alive, so that pressure need not be asked.
func (c *Compressor) signalled() bool { return c.running.alive(c.now) }

func (c *Compressor) readRunning(r readings.Reading) {
	c.begin(r.At)
	if r.Quality != readings.Good || math.IsNaN(r.Value) || (c.running.seen && r.At <= c.running.at) {
		return
	}
	was := c.running.seen && r.At-c.running.at <= c.running.stale()
	edge := r.At
	if was {
		edge = c.running.at + (r.At-c.running.at)/2 // an edge lies anywhere between two samples
		if c.tank.ch == readings.NoChannel {
			c.covered += r.At - c.running.at
		}
	} else {
		c.closeRun(max(c.sigAt, c.ledger.upTo))
		c.sigOn = false
	}
	c.running.take(r)
	on := r.Value > 0.5
	p := math.NaN()
	if c.tank.alive(r.At) {
		p = c.tank.value
	}
	switch {
	case on && !c.sigOn:
		c.sigStart = edge
		c.ledger.open(edge, r.At, p, !was)
	case on:
		c.ledger.extend(r.At)
	case c.sigOn:
		c.sigStart = edge
		c.ledger.to = p
		c.closeRun(edge)
	}
	c.line.signal(edge, r.At, was, c.sigOn, on)
	c.ledger.measured = on
	c.sigOn, c.sigAt = on, r.At
}

// Tick lets a second pass: silence is noticed and the findings are reported.
func (c *Compressor) Tick(at time.Duration) {
	c.begin(at)
	if b, ok := c.blocks.due(at); ok {
		c.block(b)
	}
	if c.tank.seen && !c.tank.alive(at) && (c.infer.state != Unknown || c.fine.seg.have) && !c.signalled() {
		c.flush()
		c.lost()
	}
	if c.running.seen && !c.running.alive(at) && c.sigOn {
		c.closeRun(c.sigAt)
		c.sigOn = false
	}
	if !c.switches() && !c.signalled() && c.drive.alive(at) && c.drive.value > turning && c.ticked > 0 {
		c.turned += min(at-c.ticked, silent)
	}
	c.ticked = at
	c.settle(at)
	c.report(at)
}

// Close ends the watch: a run still open is handed on as open.
func (c *Compressor) Close() {
	c.flush()
	c.conclude(c.now)
	if c.ledger.isOpen {
		c.ledger.stillOpen = true
		c.closeRun(c.ledger.upTo)
	}
	c.hand()
}
