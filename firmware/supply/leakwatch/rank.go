// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/readings"
)

// rank is one rank as the watch sees it.
type rank struct {
	Rank

	where  string
	needs  needs
	told   time.Duration
	p      gather
	target feed
	line   line

	// The control, as its valves show it.
	middle            float64       // Pa gauge, what the control wants as this sensor reads it
	bias              float64       // Pa, of the sensor and of where short fills stop
	begun             bool          // middle means something
	top, bottom, seen float64       // means of high and low, and the s they are of
	high, low         float64       // edges of the control's band about the middle, Pa
	moved             time.Duration // when a valve last moved
	long              int           // frame of the newest long movement
	jump              float64       // of a short fill, Pa
	drop              float64       // Pa by which a short fill lowers the tank
	filled            peak
	side              side    // about the frame that is looked at
	explains          float64 // Pa of the tank's fall there that a fill of this rank would explain
	vented            peak

	// At work.
	trail            trail
	second           tally    // the open second
	waiting          [4]tally // seconds that a lift may yet spoil
	ten              tally
	tenFrom          time.Duration
	four             [4]float64 // m3, the last tens
	tens             int
	idleAt           time.Duration // when it was last not working
	worked           float64       // s
	today            float64       // s of it since the start
	lowered          float64       // s that it was at work
	level            float64       // Pa gauge, at which its volume is stated: that of its work
	filledM, ventedN float64       // m3 and a number, of the learned balance of fills and vents
	scale2           float64       // m6, mean square of four tens
	scales           float64
	work             evidence
	calm             bool // nothing speaks for a leak

	// Standing still.
	restTen  tally
	restFrom time.Duration
	restAt   time.Duration // when it was last working, or a long movement ended
	rest     evidence
	win      window
	ripe     stillFlow
	creep    learner
	still    evidence
}

const (
	farBelow      = 15e3 // Pa
	flood         = 15 * litreMn
	untargeted    = 1.6              // times the spread, where no wanted pressure tells when a valve moves
	firstLevel    = 250e3            // Pa gauge
	levelMemory   = 1800.0           // s
	firstJump     = 3e3              // Pa
	rankShare     = 0.12             // standard uncertainty of a leak as a share: the rank's volume, and valves not seen
	deadTime      = 0.4              // s after a movement of a valve in which another is not told from it
	countGain     = 0.95             // share of a leak that counted fills and vents show: some are missed, some are terrain
	firstEdge     = 5e3              // Pa
	settleWork    = 25 * time.Second // after lowering
	tenLong       = 10.0             // s
	leastShare    = 0.4
	mostShare     = 2.2
	leastVents    = 60.0
	ventMemory    = 1000.0
	scaleMemory   = 300.0
	workLearned   = 600.0  // s of work before a rank's balance says anything
	freshWork     = 1.6    // by which the balance is doubted more when a day's work begins: bags and valves are cold
	freshWorkTime = 3600.0 // s of work, in which that goes
	workAgain     = 480.0  // s of work after a start: a cold sensor is off by other than yesterday's
	swell         = 0.03   // share of its content by which terrain moves a rank, before it was learned
)

func (r *rank) init(o Rank) {
	r.Rank, r.where = o, o.Name+" rank"
	r.p.ch, r.target.ch = o.Pressure, o.Target
	r.level = firstLevel
	r.jump, r.high, r.low = firstJump, firstEdge, -firstEdge
	r.top, r.bottom = r.high, r.low
	r.work.init(r.where, fromWork, workDesigns(), workThreshold)
	r.still.init(r.where, fromStill, stillDesigns(), stillThreshold)
	r.rest.init(r.where, fromRest, workDesigns(), restThreshold)
	r.work.size = sizer{alike: 1, bounded: true, share: rankShare, grows: 0.002 / litreMn, gain: countGain, model: 0.3 * litreMn}
	r.rest.size = sizer{alike: 1, bounded: true, share: rankShare, model: 0.3 * litreMn}
	r.still.size = sizer{alike: 2, share: rankShare, model: 0.3 * litreMn}
	r.names()
}

// push adds a frame.
func (r *rank) push(w *Watch, at time.Duration) {
	f := &w.frames
	v := r.p.mean(at, time.Duration(max(0.5, 3*f.dt)*float64(time.Second)))
	r.line.push(f.n, v)
	if math.IsNaN(v) {
		return
	}
	switch {
	case r.target.alive(at):
		r.middle, r.begun = r.target.v+r.bias, true
	case r.begun:
		r.middle = max(v-playBand, min(v+playBand, r.middle))
	default:
		r.middle, r.begun = v, true
	}
}

// settled takes a frame of which nothing is taken back any more.
func (r *rank) settled(w *Watch, n int) {
	if r.Volume <= 0 || w.o.Volume <= 0 {
		return
	}
	at := w.frames.time(n)
	if math.IsNaN(w.tank.at(n)) {
		r.trail, r.second, r.win.n = trail{}, tally{}, 0 // without the tank no fill is told from terrain
		return
	}
	if r.begun && w.frames.dt <= workFrame {
		r.second.add(r.block(w, n))
	}
	if w.lowered.ch != readings.NoChannel || w.speed.ch != readings.NoChannel {
		r.stillFrame(w, n, !w.working(at))
	}
}

// workFrame is the longest time between readings in s at which movements of a valve can be told from terrain.
const workFrame = 0.25

// tick lets a second pass.
func (r *rank) tick(w *Watch, at time.Duration) {
	r.still.tick(at)
	r.work.tick(at)
	r.rest.tick(at)
	done := r.waiting[0]
	copy(r.waiting[:], r.waiting[1:])
	newest := r.second
	r.calm = !w.raised() && max(r.work.up(), r.rest.up(), r.still.up()) < calm
	r.waiting[len(r.waiting)-1] = newest
	r.second = tally{}
	if !w.working(at) {
		r.idleAt = at
		r.waiting = [4]tally{}
		r.stand(w, at, newest)
		return
	}
	r.restAt, r.restTen = at, tally{}
	w.lastWork = at
	if r.lowered == 0 {
		r.level = r.middle
	}
	r.lowered++
	r.level += (r.middle - r.level) / min(r.lowered, levelMemory)
	if at-r.idleAt < settleWork || done.dt == 0 || w.holding(at) {
		return
	}
	if r.ten.dt == 0 {
		r.tenFrom = at
	}
	r.ten.add(done)
	if r.ten.dt >= tenLong {
		r.closeTen(w, at)
		r.ten = tally{}
	}
}

// stand weighs ten seconds in which the planter stands: there is no terrain, so each fill speaks for itself.
func (r *rank) stand(w *Watch, at time.Duration, y tally) {
	if w.frames.n-r.long < int(5/w.frames.dt) {
		r.restAt = at
	}
	if at-r.restAt < settleWork || w.holding(at) {
		r.restTen = tally{}
		return
	}
	if y.dt == 0 {
		return
	}
	t := &r.restTen
	if t.dt == 0 {
		r.restFrom = at
	}
	t.add(y)
	if t.dt < tenLong {
		return
	}
	p := r.line.mean(w.frames.n, w.frames.h) + w.baro
	if r.short(w) || w.floodedBy(r) || p-w.baro+backFlow > w.tank.mean(w.frames.n, w.frames.h) {
		*t = tally{}
		return
	}
	if !w.learning() && !math.IsNaN(p) && t.runTime > tenLong/4 {
		scale := restScale * 1.4 * swell * r.Volume * p / refPressure
		r.rest.amount(r.restFrom, at, t.run, t.runTime, scale, driven(p, w.baro))
	}
	*t = tally{}
}

// restScale is the share of the terrain's spread that is left when the planter stands.
const restScale = 0.3

// short says that the rank does not get what it wants: its valve stays open, and nothing can be counted.
func (r *rank) short(w *Watch) bool {
	return r.line.mean(w.frames.n, w.frames.h) < r.middle-farBelow
}

// anyShort says whether a rank does not get what it is known to want.
func (w *Watch) anyShort(at time.Duration) bool {
	for i := range w.ranks {
		if r := &w.ranks[i]; r.target.alive(at) && r.short(w) {
			return true
		}
	}
	return false
}

// floodedBy says whether a leak of another rank is so large that its fills follow each other without a break.
func (w *Watch) floodedBy(r *rank) bool {
	for i := range w.ranks {
		o := &w.ranks[i]
		if o != r && o.leaksMuch(w) {
			return true
		}
	}
	return false
}

func (r *rank) leaksMuch(w *Watch) bool {
	return (r.work.raised && r.work.size.at(driven(r.level+w.baro, w.baro)) > flood) ||
		(r.rest.raised && r.rest.size.at(driven(r.level+w.baro, w.baro)) > flood)
}

// one is the free air of a short fill, m3 ANR, by what the tank lost: too quick for heat.
func (r *rank) one(w *Watch) float64 {
	d := r.drop
	if d == 0 {
		d = r.jump * r.ratio(w)
	}
	return w.o.Volume * d / (1.4 * refPressure)
}

// share is what a short vent lets out, as a share of what a short fill takes in. On a sound machine the two balance.
func (r *rank) share() float64 {
	if r.ventedN < leastVents {
		return 1
	}
	return max(leastShare, min(mostShare, r.filledM/r.ventedN))
}

// closeTen weighs ten seconds of work.
func (r *rank) closeTen(w *Watch, at time.Duration) {
	if r.short(w) || w.floodedBy(r) {
		return
	}
	y, one := r.ten, r.one(w)
	r.worked += y.dt
	r.today += y.dt
	in := y.lost + missed(y.fills, y.dt)*one
	vents := missed(y.vents, y.dt)
	out := vents * one
	lost := in - out*r.share()
	p := r.middle + w.baro
	learning := w.learning() || r.worked < workLearned || r.today < workAgain
	if learning || r.calm {
		r.filledM += in / one
		r.ventedN += vents
		if r.ventedN > ventMemory {
			r.filledM *= ventMemory / r.ventedN
			r.ventedN = ventMemory
		}
		r.four[r.tens%4] = lost
		r.tens++
		if r.tens%4 == 0 {
			s := r.four[0] + r.four[1] + r.four[2] + r.four[3]
			r.scales = min(scaleMemory, r.scales+1)
			most := 9 * r.spread(p) * r.spread(p)
			r.scale2 += (min(s*s, most) - r.scale2) / r.scales
		}
	}
	if !learning {
		// Where many fills are seen for a vent, some are terrain.
		r.work.size.gain = countGain * math.Sqrt(r.share())
		scale := r.spread(p) * (1 + freshWork*math.Exp(-r.today/freshWorkTime))
		if !r.target.alive(at) {
			scale *= untargeted
		}
		r.work.amount(r.tenFrom, at, lost, y.dt, scale, driven(p, w.baro))
	}
}

// missed is how many there were when n were counted in some seconds: two that follow each other at once count as one.
func missed(n int, seconds float64) float64 {
	rate := float64(n) / seconds
	return float64(n) / (1 - min(0.6, rate*deadTime))
}

// spread is by how much terrain moves the content to and fro, m3 ANR.
func (r *rank) spread(p float64) float64 {
	first := 1.4 * swell * r.Volume * p / refPressure
	if r.scales < 10 {
		return first
	}
	return max(first/3, min(3*first, math.Sqrt(r.scale2)))
}
