// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"time"
)

// fine is the answer of a fast channel. It begins once a run has shown where the switch stops and how fast the
// compressor fills; until then, and for slow recordings, the inference by evidence stands.
type fine struct {
	seg    segmenter
	trail  trail
	path   path
	in     gauge   // cut-in, Pa
	out    gauge   // cut-out, Pa
	lift   middle  // Pa/s
	miss   float64 // by which two lines miss a clean edge, Pa
	active bool
	begun  bool          // a step is settled since the last hole
	on     bool          // of the settled steps
	edge   time.Duration // of the present state
	from   float64       // Pa at the start of the run
	tells  float64       // the cut-in by the present run's start, Pa; NaN where it tells none
	within float64       // its sd
	peak   float64
	doubts int  // in a row
	up     mean // slopes of the run's quiet steps in the upper part of the gap, the gas's cooling taken out, Pa/s
	filled bool // the step before was one of a fill
	down   mean // the same of the rest before
}

const (
	fastest    = 600 * time.Millisecond  // the longest interval of a channel that is fast enough for edges to be seen
	afterStop  = 2 * time.Second         // in which a fall after a stop is not yet one of rest
	fallMemory = 120.0                   // s over which the fall at rest is averaged
	restLeast  = 250 * time.Millisecond  // a rest as short as that is none
	crossReach = 1250 * time.Millisecond // from the coarse edge to where the pressure falls through the cut-in
)

// fast says whether readings come often enough for edges to be seen.
func (c *Compressor) fast() bool { return c.tank.interval > 0 && c.tank.interval <= fastest }

// wake begins the fine answer when what it needs is known and nothing is under way.
func (c *Compressor) wake(b point) {
	f := &c.fine
	if f.active || !c.switches() || !c.fast() || f.out.n == 0 || f.lift.n == 0 {
		return
	}
	if c.infer.state == On || c.ledger.isOpen && !c.signalled() {
		return
	}
	c.hand()
	f.active, f.on, f.begun, f.edge = true, false, false, b.at
	f.seg.start()
	f.seg.fall = max(0, c.idleFall)
	c.tune()
	f.seg.add(b)
}

// tune gives the segmenter what is known now.
func (c *Compressor) tune() {
	f := &c.fine
	s := &f.seg
	s.lift = f.lift.mid
	now := f.seg.prev.at
	s.out, s.utSd = f.out.mean, max(f.out.sd(now, switchWalk()), leastSwitch)
	s.in, s.inSd = f.in.mean, max(f.in.sd(now, switchWalk()), leastSwitch)
	if f.in.n == 0 {
		s.in, s.inSd = s.out-guessedGap, guessedSd
	}
}

// sift takes a block while the fine answer stands.
func (c *Compressor) sift(b point) {
	f := &c.fine
	f.seg.off, f.seg.noise = c.undriven(b.at), c.infer.noise.sd()
	f.seg.add(b)
	c.plain(f.seg.settle(&f.path))
	if f.on && !c.signalled() {
		c.ledger.extend(c.line.upTo)
	}
	c.doubt(b.at)
}

const (
	proven     = 30 * time.Second // of supply evidence since the compressor seemed to rest
	doubtsMost = 3                // in a row without a stop that fits what was learned
	absent     = 10 * time.Minute // without any since it seemed to run
)

// doubt hands back to the inference by evidence where that proves the fine answer wrong: a compressor that never gets to
// its cut-out, because a leak takes what it gives, looks like one that nothing drives.
func (c *Compressor) doubt(at time.Duration) {
	f := &c.fine
	if !f.begun || c.signalled() {
		return
	}
	switch {
	case !f.on && c.infer.state == On && c.infer.evidence-max(f.edge, c.infer.since) > proven:
		start := max(f.edge, c.infer.since, c.line.upTo)
		f.active = false
		if f.doubts++; f.doubts >= doubtsMost {
			f.lift, f.miss, f.doubts = middle{}, 0, 0 // learned from something that was no stop
		}
		c.line.hold(start, Off)
		c.ledger.open(start, c.infer.evidence, c.infer.from, false)
	case f.on && c.infer.state == Off && at-c.infer.since > absent && at-f.edge > absent:
		f.active = false
		c.line.hold(max(c.infer.since, f.edge), On)
		c.closeRun(max(c.infer.since, f.edge))
		c.hand()
	}
}

// plain takes the steps up to index to as they are.
func (c *Compressor) plain(to int) {
	f := &c.fine
	for k := f.seg.done; k < to; k++ {
		st := &f.seg.ring[k%steps]
		on := f.path.on[k%steps]
		calm := !f.path.fill[k%steps] && f.path.level[k%steps] == 0
		alone := !f.path.fill[k%steps] && !f.path.fill[(k+1)%steps] && !f.filled
		f.filled = f.path.fill[k%steps]
		slope := (st.to.v - st.from.v) / (st.to.at - st.from.at).Seconds()
		switch {
		case !f.begun:
			f.begun, f.on, f.edge = true, on, st.from.at
			c.line.hold(st.from.at, Unknown)
			if on {
				c.fineStart(st.from.at, st.from.v, true)
			}
		case on && !f.on:
			at, v := c.startEdge(st.from)
			c.fineStart(at, v, false)
		case !on && f.on:
			c.fineStop(st.from)
		}
		f.on = on
		if on {
			f.peak = max(f.peak, st.to.v)
			if alone && st.from.v > f.seg.in+upperPart*(f.seg.out-f.seg.in) {
				f.up.add(slope + st.cool)
			}
		} else if alone && st.from.at-f.edge > afterStop {
			f.down.add(slope + st.cool)
		}
		if calm && !on && st.from.at-f.edge > afterStop {
			w := (st.to.at - st.from.at).Seconds() / fallMemory
			f.seg.fall = max(0, f.seg.fall+w*(-slope-st.cool-f.seg.fall))
		}
		f.seg.done = k + 1
		if !c.signalled() {
			s := Off
			if on {
				s = On
			}
			c.line.hold(st.from.at-edgeReach-grain, s)
		}
	}
}

// startEdge returns when and at which pressure the run that begins near p started. Most runs start while a bag takes
// air and go on falling at first: then the pressure fell through the cut-in when the run started.
func (c *Compressor) startEdge(p point) (time.Duration, float64) {
	f := &c.fine
	f.started(p.at)
	h, ok := f.trail.hinge(p.at)
	at, slope, fell := f.trail.falls(p.at-crossReach, p.at+crossReach, f.seg.in)
	switch {
	case fell && f.in.n > 0 && slope < -0.25*f.seg.lift && (!ok || !c.rested(at, h)):
		return at, f.seg.in
	case ok:
		return h.at, h.level
	default:
		return p.at, p.v
	}
}

// rested reports whether the pressure stood still between at, where it fell through the supposed cut-in, and the rise
// that begins at h: then the switch stands lower than supposed, and the run begins with the rise.
func (c *Compressor) rested(at time.Duration, h bend) bool {
	f := &c.fine
	span := h.at - at - 2*grain
	if span < restLeast {
		return false
	}
	v, seen := f.trail.level(at + 2*grain)
	return seen && math.Abs(h.level-v) < 0.35*f.seg.lift*span.Seconds()
}

func (c *Compressor) fineStart(at time.Duration, v float64, began bool) {
	f := &c.fine
	at = max(at, f.edge)
	if !c.signalled() {
		if !began {
			c.line.hold(at, Off)
		}
		c.ledger.open(at, at, v, began)
	}
	f.edge, f.from, f.peak, f.up = at, v, v, mean{}
}

func (c *Compressor) fineStop(p point) {
	f := &c.fine
	at, level := p.at, f.peak
	h, ok := f.trail.hinge(p.at)
	if ok {
		at = h.at
	}
	at = max(at, f.edge)
	if ok && c.learnStop(f.from, h) {
		level = h.level
	}
	if f.up.n >= fewestUp && f.down.n >= fewestDown {
		c.weigh(at, level, f.up.v-f.down.v)
	}
	f.down.n = min(f.down.n, restSteps)
	c.learnFill(max(1, (f.peak-f.from)/max(0.5, (at-f.edge).Seconds())))
	c.tune()
	if !c.signalled() {
		c.line.hold(at, On)
		c.ledger.to = level
		c.closeRun(at)
		c.hand()
	}
	f.edge = at
}

// conclude takes the steps that are not settled as they look, up to a time.
func (c *Compressor) conclude(until time.Duration) {
	f := &c.fine
	if !f.active {
		return
	}
	f.seg.settle(&f.path)
	to := f.seg.n
	for to > f.seg.done && f.seg.ring[(to-1)%steps].to.at > until {
		to--
	}
	c.plain(to)
	if f.on && !c.signalled() {
		c.line.hold(f.seg.upTo(), On)
		c.ledger.extend(f.seg.upTo())
	}
}

// drowse ends the fine answer's present stretch at a hole that begins at a time: what was open is decided as it looks.
func (c *Compressor) drowse(hole time.Duration) {
	f := &c.fine
	if !f.active {
		return
	}
	c.conclude(hole)
	if f.on && !c.signalled() {
		c.closeRun(max(f.edge, f.seg.upTo()))
		c.hand()
	}
	f.on, f.begun = false, false
	f.seg.start()
	f.trail.drop()
}

// now returns the likelier state, and since when.
func (f *fine) now() (State, time.Duration) {
	if !f.seg.have {
		return Unknown, f.edge
	}
	on := f.seg.now()
	since := f.edge
	if on != f.on {
		since = f.seg.upTo()
	}
	if on {
		return On, since
	}
	return Off, since
}
