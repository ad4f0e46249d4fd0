// SPDX-License-Identifier: Apache-2.0

package compressor

import "time"

// State returns whether the compressor delivers, and since when.
func (c *Compressor) State() (State, time.Duration) {
	switch {
	case !c.signalled() && c.fine.active:
		return c.fine.now()
	case !c.signalled():
		return c.infer.state, c.infer.since
	case c.sigOn:
		return On, c.sigStart
	default:
		return Off, c.sigStart
	}
}

// CutIn returns the pressure at which the compressor starts, Pa gauge: learned, else as configured.
func (c *Compressor) CutIn() (float64, bool) { return c.learnt.in.value() }

// CutOut returns the pressure at which the compressor stops, Pa gauge: learned, else as configured.
func (c *Compressor) CutOut() (float64, bool) { return c.learnt.out.value() }

// IdleFall returns the mean fall of the tank while the compressor is off, Pa/s, positive; false before any idle time.
func (c *Compressor) IdleFall() (float64, bool) { return c.idleFall, c.idleFall != 0 }

// Duty returns the share of the duty window that ended now spent delivering. It is a lower bound: time not seen
// counts as rest.
func (c *Compressor) Duty() float64 { return c.ledger.duty(c.now, c.o.DutyWindow, false) }

// DutyMax returns the largest duty over the window so far, at ticks.
func (c *Compressor) DutyMax() float64 { return c.ledger.dutyMax }

// DutyWhole returns the share of the covered time spent delivering; false before anything was covered, and where duty
// means nothing.
func (c *Compressor) DutyWhole() (float64, bool) {
	if c.covered <= 0 || !c.switches() {
		return 0, false
	}
	return min(1, c.ledger.total().Seconds()/c.covered.Seconds()), true
}

// OnTime returns how long the compressor has delivered in all.
func (c *Compressor) OnTime() time.Duration { return c.ledger.total() }

// Covered returns how long usable data stood behind the answers.
func (c *Compressor) Covered() time.Duration { return c.covered }

// RunCount returns how many runs there were, one still open included.
func (c *Compressor) RunCount() int { return c.ledger.runs }

// Longest returns the longest run, one still open included.
func (c *Compressor) Longest() time.Duration {
	return max(c.ledger.longest, c.ledger.openLength())
}

// StartsPerHour returns the starts that were seen, per hour of covered time; false before a minute was covered, and where
// starts mean nothing.
func (c *Compressor) StartsPerHour() (float64, bool) {
	if c.covered < time.Minute || !c.switches() {
		return 0, false
	}
	return float64(c.ledger.starts) / c.covered.Hours(), true
}

// Switch returns cut-in and cut-out, Pa gauge, and whether each is known; neither is of a compressor that has none.
func (c *Compressor) Switch() (in, out float64, inKnown, outKnown bool) {
	if !c.switches() {
		return 0, 0, false, false
	}
	in, inKnown = c.CutIn()
	out, outKnown = c.CutOut()
	return in, out, inKnown, outKnown
}

// Works returns whether the state is known, whether the compressor delivers, and its duty over the window.
func (c *Compressor) Works() (known, on bool, duty float64) {
	s, _ := c.State()
	return s != Unknown, s == On, c.Duty()
}

// Rates returns the mean fall while resting and the mean rise of whole runs, Pa/s, both positive; zero where not
// known. The rise is that of hot gas: it overstates delivery.
func (c *Compressor) Rates() (fall, rise float64) { return max(0, c.idleFall), c.fill }
