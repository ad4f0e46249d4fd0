// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// The design sizes of the running sums and their thresholds. NOTES.md says on how many simulated hours they rest.
const (
	quietThreshold   = 12.0
	balanceThreshold = 14.0
	stillThreshold   = 11.5
	workThreshold    = 6.5
	restThreshold    = 2.0
)

// What evidence says of itself.
const (
	fromQuiet   = "the tank falls while nothing is delivered and nothing is taken"
	fromBalance = "more is delivered than tank and ranks take, and the compressor never rests"
	fromStill   = "the rank falls while its valves are shut and the planter stands"
	fromRest    = "the rank is filled again and again while the planter stands"
	fromWork    = "the rank is filled more often than it lets air out"
)

func quietDesigns() []float64 {
	return []float64{2 * litreMn, 4.5 * litreMn, 12 * litreMn, 30 * litreMn}
}
func balanceDesigns() []float64 { return []float64{30 * litreMn, 80 * litreMn} }
func stillDesigns() []float64   { return []float64{2 * litreMn, 6 * litreMn, 15 * litreMn} }
func workDesigns() []float64    { return []float64{6 * litreMn, 12 * litreMn, 25 * litreMn, 50 * litreMn} }

// The parts of a piece's uncertainty that are not the sensor's noise.
const (
	leastSpread = 0.35 * litreMn // of the thermal model
	mostSpread  = 2.5 * litreMn
	firstSpread = 0.8 * litreMn    // before it was learned
	hotFree     = 5 * litreMn      // cooling that the observer takes out well
	hotShare    = 0.3              // of cooling beyond, which it may have wrong
	blindGas    = 240.0            // s after the observers began, as behind a gap, in which they do not know the gas
	freshDay    = 1.6 * litreMn    // another day than the one that was learned
	dayLearns   = 90 * time.Minute // in which a day's own offset is learned
	dayCalm     = 0.7              // share of the threshold under which it is
	dayMost     = 1.5 * litreMn    // of that offset
	dayPrior    = 10.0             // pieces that speak for no offset
	dayPieces   = 30.0             // pieces that it follows at first
	dayMemory   = 400.0            // and at the end
	freshTime   = 2400.0           // s
	usualBusy   = 0.4              // share of the last minutes that a compressor delivers at work
	longRun     = 8 * litreMn      // after it ran all the time, as for the first charge
	blindFills  = 1.3              // times the uncertainty, where fills are told without a wanted pressure
	blindWall   = 0.8 * litreMn    // no sensor on the wall
	resting     = 0.6 * litreMn    // machine standing: sun and cloud
	baseLow     = -0.15 * litreMn
	baseHigh    = 1.2 * litreMn
	baseMemory  = 1200.0 // pieces, some hours of work
	learnMemory = 1000.0
	workContext = 20 * time.Minute
	bleedAt     = 8 * refPressure // Pa absolute, at which the declared bleed is stated
)

// judgePiece weighs a piece of quiet decay.
func (w *Watch) judgePiece(d *decay) {
	from, to := seconds(d.from), seconds(d.to)
	if c := w.o.Compressor; c != nil {
		if share, known := c.OnShare(from, to); known && share > 0.02 {
			return
		}
	}
	w.balance.lastPiece = to
	if w.holding(to) || d.age < blindGas {
		return
	}
	best := w.thermo.best
	bleed, doubt := w.bleeds(to, d.p)
	l := &w.thermo.of[best]
	spread := firstSpread
	if l.count >= enoughPieces {
		spread = max(leastSpread, min(mostSpread, l.spread()))
	}
	sd := math.Hypot(d.sd, spread)
	if h := math.Abs(d.heat[best]) - hotFree; h > 0 {
		sd = math.Hypot(sd, hotShare*h)
	}
	sd = math.Hypot(sd, freshDay*math.Exp(-(to-w.first).Seconds()/freshTime))
	if d.busy > usualBusy {
		sd = math.Hypot(sd, longRun*(d.busy-usualBusy))
	}
	sd = math.Hypot(sd, doubt)
	if !w.wall.alive(to) {
		sd = math.Hypot(sd, blindWall)
	}
	if w.blindRank(to) {
		sd *= blindFills
	}
	context := to-w.lastWork < workContext && w.lastWork > 0
	if !context {
		sd = math.Hypot(sd, resting)
	}
	x := d.flow[best] - bleed - w.base(d.heat[best], d.busy) - w.today.off
	learning := w.learning()
	if w.history && context && !w.raised() && w.quiet.up() < dayCalm && to-w.first < dayLearns {
		w.today.add(x, sd, (to-w.first).Seconds()/dayLearns.Seconds())
	}
	if w.o.Bleed > 0 && w.keyOff(to) && !w.raised() && w.quiet.up() < calm {
		full := w.o.Bleed * d.p / bleedAt
		w.idle.add((x+bleed)/full, math.Sqrt(max(0, sd*sd-doubt*doubt))/full)
	}
	if context && doubt <= idleKnown*w.o.Bleed {
		switch {
		case learning:
			w.thermo.take(d, bleed, learnMemory)
		case !w.raised() && w.quiet.up() < calm:
			w.thermo.take(d, bleed, baseMemory)
		}
	}
	if learning {
		return
	}
	if w.floodedBy(nil) || w.anyShort(to) {
		return // between fills without a break, or with a valve that stays open, the tank is never quiet
	}
	w.recent.add(to, x, sd)
	w.quiet.add(from, to, x, sd, driven(d.p, w.baro))
}

// dayOffset is what this day's tank seems to lose more or less than the tank that was learned: another sun, a sensor that is
// off by other than yesterday. It is learned while the day begins and then stays, so that no later leak is taken for it.
type dayOffset struct{ off, weight float64 }

// add takes what is left of a piece, with its uncertainty, when a share of the learning time is over.
func (o *dayOffset) add(rest, sd, over float64) {
	wt := firstSpread * firstSpread / (sd * sd)
	o.weight = max(o.weight, dayPrior)
	o.weight = min(dayPieces+(dayMemory-dayPieces)*over, o.weight+wt)
	clip := 3 * sd
	o.off += wt / max(o.weight, wt) * max(-clip, min(clip, rest))
	o.off = max(-dayMost, min(dayMost, o.off))
}

// blindRank says whether a rank works to a pressure that is not known.
func (w *Watch) blindRank(at time.Duration) bool {
	if !w.working(at) {
		return false
	}
	for i := range w.ranks {
		if r := &w.ranks[i]; r.p.seen && !r.target.alive(at) {
			return true
		}
	}
	return false
}

// base is what a sound tank seems to lose beside its declared bleed, m3/s. Its constant part is bounded, so that a leak that was there from the beginning is not taken for health.
func (w *Watch) base(heat, busy float64) float64 {
	return w.thermo.of[w.thermo.best].at(heat, busy)
}

func (w *Watch) learning() bool {
	_, on := w.LearningLeft()
	return on
}

// raised says whether any leak is.
func (w *Watch) raised() bool { return w.balance.evidence.raised || w.placed() }

// judge raises and takes back.
func (w *Watch) judge(at time.Duration) {
	if w.learning() || w.holding(at) {
		return
	}
	w.quiet.judge(at)
	w.balance.evidence.judge(at)
	for i := range w.ranks {
		r := &w.ranks[i]
		for _, e := range [...]*evidence{&r.work, &r.rest, &r.still} {
			was := e.raised
			e.judge(at)
			if e.raised && !was && r.raisedOnce() == 1 {
				r.resize(e.onset)
			}
		}
	}
	if w.placed() {
		w.balance.evidence.clear() // it would be the same loss
	}
}

// placed says whether a leak is raised whose place is known.
func (w *Watch) placed() bool {
	if w.quiet.raised {
		return true
	}
	for i := range w.ranks {
		if w.ranks[i].raisedOnce() > 0 {
			return true
		}
	}
	return false
}

// raisedOnce returns how many kinds of evidence are raised.
func (r *rank) raisedOnce() int {
	n := 0
	for _, e := range [...]*evidence{&r.work, &r.rest, &r.still} {
		if e.raised {
			n++
		}
	}
	return n
}

// judge raises a leak whose sum crossed, and takes one back that is mended.
func (e *evidence) judge(at time.Duration) {
	if !e.raised && e.up() >= 1 {
		e.raised, e.raisedAt, e.onset, e.mend = true, at, e.begin(), 0
		e.size.sized = false
		e.size.restart(e.onset)
		return
	}
	if e.raised && e.mend >= mendAt && at-e.raisedAt > mendLeast {
		e.clear()
	}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
