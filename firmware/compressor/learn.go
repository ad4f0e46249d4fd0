// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"slices"
	"time"
)

// What is learned from the edges of runs. Figures without another word are common practice, no source.
const (
	leastSwitch   = 1.5e3            // Pa, sd: no switch is known better
	calmBefore    = 5 * time.Second  // in which no bag took much air before a start that tells the cut-in
	calmWithin    = 15e3             // Pa
	fillBefore    = 20 * time.Second // in which no big fill made the compressor start: its tail can look like rest
	fillWithin    = 45e3             // Pa
	bracketBefore = time.Second      // in which a fill that makes the compressor start falls through the cut-in
	bracketMost   = 10e3             // Pa
	widestGap     = 250e3            // Pa between the switch points; a start farther down is an engine's
	guessedGap    = 100e3            // Pa between the switch points until a start was seen
	guessedSd     = 25e3             // Pa
	cleanMiss     = 1.4              // by which the lines may miss the pressure at a clean edge, of what they miss at the best
	missUp        = 0.02             // most edges are not clean:
	missDown      = 0.3              // the lower end is followed
	liftFew       = 3                // values of the lift, before one may be called odd
	upperPart     = 0.4              // of the gap, above which delivery is measured
	fewestUp      = 6                // quiet steps of a run that tell its delivery
	fewestDown    = 8                // and of the rest before it
	restSteps     = 60               // that the mean of rest remembers
)

// switchWalk is how a pressure switch wanders; common practice, no source.
func switchWalk() walk { return walk{least: 1e3, hour: 4e3, up: 2, down: 4} }

// started notes between which pressures the run that begins near at started: the switch stands between the lowest
// pressure and the highest shortly before. A start in quiet is told to within noise, one in a small fill to within that.
func (f *fine) started(at time.Duration) {
	low, when := f.trail.low(at-edgeReach, at+edgeReach)
	high := f.trail.high(when-bracketBefore, when)
	f.tells, f.within = (low+high)/2, (high-low)/math.Sqrt(12)
	if !(high-low <= bracketMost) || f.trail.high(when-calmBefore, when) > low+calmWithin || f.trail.high(when-fillBefore, when) > low+fillWithin {
		f.tells = math.NaN()
	}
}

// stop is what a run's stop showed.
type stop struct {
	real    bool // the slope dropped by about the lift
	whole   bool // the run rose far enough to tell where the switch stands: cut-out learned
	started bool // and its start told the cut-in: learned
}

// stopped learns the switch points and the lift from a run that stopped at h. The lift is by how much the slope changes
// there, whatever else the tank loses.
func (f *fine) stopped(from float64, h bend) (s stop) {
	gap := minGap
	if f.in.n > 0 {
		gap = max(gap, min(f.out.mean-f.in.mean, widestGap)/2)
	}
	drop := h.before - h.after
	if h.before < 0.1*drop || drop <= 0 {
		return s
	}
	s.whole = h.level-from >= gap
	if s.whole {
		if f.miss == 0 {
			f.miss = h.miss
		}
		clean := h.miss < cleanMiss*f.miss
		f.miss += missUp * max(0, h.miss-f.miss)
		f.miss -= missDown * max(0, f.miss-h.miss)
		if clean || f.lift.n < liftFew {
			f.lift.see(drop)
		}
	}
	if f.lift.n == 0 || f.lift.n >= liftFew && math.Abs(drop-f.lift.mid) > 0.5*f.lift.mid {
		return stop{} // a bag began or ceased to take air just then
	}
	s.real, f.doubts = true, 0
	if !s.whole {
		return s
	}
	f.out.see(h.at, h.level, 0, switchWalk())
	if d := h.level - f.tells; d >= gap && d <= widestGap {
		f.in.see(h.at, f.tells, f.within, switchWalk())
		s.started = true
	}
	return s
}

// mean gathers values.
type mean struct {
	v float64
	n int
}

func (m *mean) add(v float64) {
	m.n++
	m.v += (v - m.v) / float64(m.n)
}

// middle is the median of the last values.
type middle struct {
	ring [9]float64
	n    int
	mid  float64
}

func (m *middle) see(v float64) {
	m.ring[m.n%len(m.ring)] = v
	m.n++
	sorted := m.ring
	k := min(m.n, len(sorted))
	slices.Sort(sorted[:k])
	m.mid = (sorted[(k-1)/2] + sorted[k/2]) / 2
}

// coarseStart and coarseStop learn from the inference by evidence, until the fine answer stands.
func (c *Compressor) coarseStart() {
	f := &c.infer
	if !f.steady {
		c.fine.tells = math.NaN()
		return
	}
	if at, ok := c.fine.trail.leaves(f.since, f.evidence, f.from+4*f.noise.sd()); ok {
		f.since = max(f.since, at) // a tank that stands still is lowest anywhere
	}
	c.fine.started(f.since)
}

func (c *Compressor) coarseStop(at time.Duration) {
	if h, ok := c.fine.trail.hinge(at); ok {
		c.learnStop(c.infer.from, h)
	}
}

// learnStop learns from a stop, and reports whether it told the cut-out.
func (c *Compressor) learnStop(from float64, h bend) bool {
	s := c.fine.stopped(from, h)
	if s.real {
		c.cycle.see(h.level - from)
	}
	if s.started {
		c.learnt.in.learn(c.fine.tells)
	}
	if s.whole {
		c.learnt.out.learn(h.level)
	}
	return s.whole
}
