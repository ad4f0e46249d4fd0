// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"time"

	"airhold/firmware/readings"
)

// The kinds of notes for the journal.
const (
	NoteStuck = "sensor-stuck"
	NoteShop  = "shop-line"
)

// note tells the journal.
func (c *Compressor) note(at time.Duration, kind, text string) {
	if c.o.Notes != nil {
		c.o.Notes.Note(at, kind, text)
	}
}

// stuck follows how often the tank's reading changes, to know one that stands still for no reason of the tank's.
type stuck struct {
	share float64 // of readings that differ from the one before
	same  int     // readings alike, in a row
	on    bool
}

const (
	stuckAfter = 50  // readings alike of a sensor whose noise is wider than its steps; common practice, no source
	stuckShare = 0.5 // of readings that change, from which a sensor is such a one
	stuckLearn = 200 // readings by which the share is learned
)

// sticks reports whether a reading is of a sensor that stands still. What it said since it last moved is taken back, as
// far as it is not settled.
func (c *Compressor) sticks(r readings.Reading) bool {
	s := &c.stuck
	if !c.tank.seen || !c.fast() {
		return false
	}
	if r.Value != c.tank.value {
		s.share += (1 - s.share) / stuckLearn
		s.same = 0
		if s.on {
			s.on = false
			c.tank.seen = false // the hole ends: begin anew
		}
		return false
	}
	s.same++
	if s.same < stuckAfter {
		s.share -= s.share / stuckLearn
	}
	if s.on || s.same < stuckAfter || s.share < stuckShare {
		return s.on
	}
	s.on = true
	c.covered -= min(r.At-c.tank.moved, c.covered)
	c.blocks.drop()
	c.drowse(c.tank.moved)
	if c.infer.state == On && !c.fine.active && !c.signalled() {
		c.closeRun(min(c.infer.evidence, c.tank.moved))
	}
	c.hand()
	c.infer.reset()
	c.recent.drop()
	c.note(r.At, NoteStuck, "The tank's sensor says the same to the last digit: whether the compressor runs is not known until it moves.")
	return true
}

// shop watches the tank while nothing drives the compressor.
type shop struct {
	on     bool
	told   bool
	since  time.Duration
	lowest float64
	top    float64 // before the lowest
}

// undriven says that a signal rules the compressor out.
func (c *Compressor) undriven(at time.Duration) bool {
	return c.drive.alive(at) && c.drive.value <= turning || c.ign.alive(at) && c.ign.value <= 0.5
}

// rest takes a block while nothing drives the compressor: whatever the pressure does, it is no run. Air that comes all
// the same is told once.
func (c *Compressor) rest(b point) {
	if c.infer.state == On && !c.fine.active && !c.signalled() {
		c.closeRun(max(c.infer.since, min(c.infer.evidence, b.at)))
		c.hand()
	}
	c.infer.reset()
	c.infer.state = Off
	if c.fine.active {
		c.sift(b)
	}
	s := &c.shop
	if !s.on {
		c.infer.since = b.at
		*s = shop{on: true, since: b.at, lowest: b.v, top: b.v}
	}
	if b.v < s.lowest {
		s.lowest = b.v
	}
	s.top = max(s.top, b.v)
	sun := (b.v + 101325) * sunRate * (b.at - s.since).Seconds()
	if rise := b.v - s.lowest; !s.told && rise > minGap+heatShare*(s.top-s.lowest)+sun {
		s.told = true
		c.note(b.at, NoteShop, "The tank filled while nothing drove the compressor, from a shop's line perhaps: not counted as a run.")
	}
}
