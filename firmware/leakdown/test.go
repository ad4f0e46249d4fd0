// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"errors"
	"fmt"
	"math"
	"time"
)

const (
	anrPressure    = 100e3  // Pa, ISO 8778
	anrTemperature = 293.15 // K, ISO 8778

	litreMinute = 1e-3 / 60 // m3/s

	risk = 0.01 // of a wrong verdict that is accepted when one is given early

	deadTime = 2.0 // s after the air was shut in that are not used: the pressure still settles in the lines
	longGap  = 60.0
	longBad  = 30.0
	lastTime = 600.0

	leastTank = 200e3 // Pa gauge
	leastRank = 30e3
	restRank  = 180.0 // s a rank rests before it is judged: fresh bags creep

	emptied = 0.6 // of the start pressure: below it a leak need not go on as it began

	leakCritical = 0.35 // b of a leak: 0.2 to 0.53 (common practice, no source)

	wallTau = 1200.0 // s in which a wall comes to the air's temperature

	leastTauSD, leastPowerSD, leastSlowSD = 0.15, 0.05, 0.05
)

// Test is one leak-down test under way. One goroutine owns it.
type Test struct {
	s       Setup
	g       gatherer
	tiles   []tile
	share   []float64
	best    int
	times   []float64
	next    int // index into times
	updates []Estimate
	verdict Verdict
	reasons []string
	decided time.Duration
	closed  bool
	rising  bool
	doubted bool
	shut    int       // index of the first block after the air was shut in
	skip    int       // blocks left out as too far from the fit
	ratio   float64   // size of the residuals over what they should have
	atPass  *Estimate // the estimate at the decision
}

// decisionTimes are the seconds at which an estimate is made.
func decisionTimes() []float64 {
	var out []float64
	for t := 15.0; t < 60; t += 5 {
		out = append(out, t)
	}
	for t := 60.0; t < 120; t += 10 {
		out = append(out, t)
	}
	for t := 120.0; t <= lastTime; t += 20 {
		out = append(out, t)
	}
	return out
}

// ErrSetup says that a test cannot be made as it was asked for.
var ErrSetup = errors.New("the test cannot be made")

// New begins a test. Its error is an ErrSetup: a volume, a limit or an uncertainty that cannot be.
func New(s Setup) (*Test, error) {
	standard(&s)
	bad := func(what string, v, lo, hi float64, unit string) error {
		return fmt.Errorf("%w: %s of %.4g %s is not between %.4g and %.4g %s", ErrSetup, what, v, unit, lo, hi, unit)
	}
	within := func(v, lo, hi float64) bool { return v >= lo && v <= hi }
	switch {
	case !within(s.Volume, 0.2e-3, 2):
		return nil, bad("a volume", s.Volume*1e3, 0.2, 2000, "L")
	case !within(s.VolumeUncertainty, 0, 0.9):
		return nil, bad("a volume uncertainty", s.VolumeUncertainty*100, 0, 90, "%")
	case !within(s.Limit, 1e-3*litreMinute, 2000*litreMinute):
		return nil, bad("a limit", s.Limit/litreMinute, 0.001, 2000, "L/min")
	case !within(s.Barometer, 50e3, 115e3):
		return nil, bad("a barometer", s.Barometer/1e3, 50, 115, "kPa")
	case !within(s.Stretch, 0, 1e-5):
		return nil, bad("a stretch", s.Stretch*1e7, 0, 100, "%/bar")
	case s.Ambient != 0 && !within(s.Ambient, 223, 343):
		return nil, bad("a temperature", s.Ambient-273.15, -50, 70, "degC")
	}
	t := &Test{s: s, verdict: Measuring, ratio: 1, times: decisionTimes()}
	t.g.s = &t.s
	t.tiles = tiles(wholePrior(&t.s))
	return t, nil
}

func standard(s *Setup) {
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	if s.Rank {
		def(&s.VolumeUncertainty, 0.10)
	}
	def(&s.VolumeUncertainty, 0.03)
	def(&s.StretchUncertainty, 0.2)
	def(&s.Barometer, 101325)
	def(&s.BarometerSD, 1500)
	def(&s.Limit, 3*litreMinute)
	def(&s.WallSD, 10)
	def(&s.FullScale, 1e6)
	def(&s.Discharge, 0.61)
}

// Add takes the next sample and reports whether a new estimate was made. Samples after the end of a test are ignored.
func (t *Test) Add(s Sample) bool {
	if t.Done() {
		return false
	}
	before := len(t.g.blocks)
	t.g.add(s)
	if t.g.gap > longGap {
		t.void(fmt.Sprintf("There is a gap of %s in the readings: what the air did in it is not known.", seconds(t.g.gap)))
		return false
	}
	if t.g.badSince >= 0 && t.g.lastAny-t.g.badSince > longBad {
		t.Disturb(SensorLost)
		return false
	}
	if len(t.g.blocks) != before {
		t.shutIn()
		if reason := t.jump(before); reason != "" {
			t.void(reason)
			return false
		}
	}
	made := false
	for ; t.next < len(t.times) && t.g.lastAny >= t.times[t.next]-1e-6 && !t.Done(); t.next++ {
		made = t.estimate(t.times[t.next]) || made
	}
	return made
}

func seconds(s float64) string {
	if s < lastTime {
		return fmt.Sprintf("%.0f s", s)
	}
	return fmt.Sprintf("%.0f min", s/60)
}

// Disturb ends the test as invalid; a verdict that stands already is kept.
func (t *Test) Disturb(d Disturbance) {
	t.void("The test is void: " + string(d) + ".")
}

func (t *Test) void(reason string) {
	if t.verdict != Measuring {
		t.closed = true
		return
	}
	t.verdict, t.reasons, t.closed = Invalid, []string{reason}, true
	t.decided = t.elapsed()
}

func (t *Test) elapsed() time.Duration {
	return time.Duration(t.g.lastAny * float64(time.Second)).Round(time.Millisecond)
}

// Close says that no more samples come. A test without a verdict becomes undecided, or invalid where it was too short.
func (t *Test) Close() {
	if t.closed {
		return
	}
	if t.next < len(t.times) && t.times[t.next]-t.g.lastAny < 0.5 && !t.Done() { // the last sample stands just before it
		t.g.flush(t.times[t.next])
		t.estimate(t.times[t.next])
		t.next++
	}
	t.closed = true
	if t.verdict != Measuring {
		return
	}
	if len(t.updates) == 0 {
		t.verdict = Invalid
		t.reasons = []string{fmt.Sprintf("Only %s were watched: 15 s at least are needed, and a minute or two to be sure.", seconds(t.g.lastAny))}
		if t.g.good == 0 {
			t.reasons = []string{"The pressure sensor gave no usable reading."}
		}
		t.decided = t.elapsed()
		return
	}
	t.undecided(fmt.Sprintf("The watch ended after %s, before the verdict was sure.", seconds(t.g.lastAny)))
}

func (t *Test) undecided(why string) {
	t.verdict = Undecided
	e := &t.updates[len(t.updates)-1]
	e.Verdict = Undecided
	t.atPass = e
	t.decided = t.elapsed()
	t.reasons = append(t.reasons, why)
	if len(e.Budget) > 0 {
		t.reasons = append(t.reasons, fmt.Sprintf("What keeps it open most: %s. %s", e.Budget[0].Words, e.Budget[0].Help))
	}
}

// Done reports whether the test needs no more samples.
func (t *Test) Done() bool {
	return t.closed || (t.verdict != Measuring && !t.s.Full)
}

// Estimate returns the newest estimate; false while there is none.
func (t *Test) Estimate() (Estimate, bool) {
	if len(t.updates) == 0 {
		return Estimate{}, false
	}
	return t.updates[len(t.updates)-1], true
}

// shutIn looks for a start that was still held by the supply: a pressure that stands and then begins to fall. Cooling and
// leak together fall fastest at their start, so a fall that sets in later says that the air was shut in only then.
func (t *Test) shutIn() {
	b := t.g.blocks
	const after = 3
	if len(b) < t.shut+3+after || b[len(b)-1].t > 60 || t.verdict != Measuring {
		return
	}
	j := len(b) - 1 - after
	first, now, last := &b[t.shut], &b[j], &b[len(b)-1]
	noise := math.Sqrt(first.variance + now.variance + last.variance)
	stood := math.Abs(first.y - now.y)
	fell := (now.y - last.y) / (last.t - now.t)
	if stood < math.Max(6*noise, 1.5e-3) && now.y-last.y > math.Max(10*noise, 5e-3) && fell > 5*(stood+noise)/(now.t-first.t) && b[j+1].y > b[j+2].y && b[j+2].y > b[j+3].y {
		t.shut = j
		t.tiles = tiles(wholePrior(&t.s))
		t.share = nil
	}
}

// jump looks for what no leak and no cooling does: pressure that rises or falls in one step and stays there.
func (t *Test) jump(from int) string {
	b := t.g.blocks
	for i := max(from, t.shut+6); i < len(b); i++ {
		// The step lies between i-3 and i-2; two blocks before and two after it show the slope beside it.
		before := (b[i-4].y - b[i-6].y) / (b[i-4].t - b[i-6].t)
		after := (b[i].y - b[i-2].y) / (b[i].t - b[i-2].t)
		dt := b[i-2].t - b[i-4].t
		step := b[i-2].y - b[i-4].y
		noise := math.Sqrt(b[i-2].variance + b[i-4].variance)
		slope := math.Max(math.Abs(before), math.Abs(after)) * dt
		odd := math.Max(8*noise, 2e-3) + 2*slope
		stays := step > 0 && b[i].y > b[i-4].y || step < 0 && b[i].y < b[i-4].y
		switch {
		case step > odd && stays:
			return fmt.Sprintf("After %s the pressure rose by %.1f kPa in one step: the compressor started, a valve moved or the sensor was knocked.",
				seconds(b[i-2].t), (b[i-2].pressure-b[i-4].pressure)/1e3)
		case step < -odd && stays:
			return fmt.Sprintf("After %s the pressure fell by %.1f kPa in one step: a valve moved, something was opened or the sensor was knocked.",
				seconds(b[i-2].t), (b[i-4].pressure-b[i-2].pressure)/1e3)
		}
		// Air that comes in for several blocks.
		rise := b[i].y - b[i-3].y
		if rise > math.Max(8*math.Sqrt(b[i].variance+b[i-3].variance), 3e-3) && b[i].y > b[i-1].y && b[i-1].y > b[i-2].y && b[i-2].y > b[i-3].y {
			return fmt.Sprintf("The pressure is rising after %s: air comes in. The compressor runs, a valve lets air in, or the sun warms the tank quickly.",
				seconds(b[i-3].t))
		}
	}
	return ""
}

// suits checks once, at the first estimate, that the start pressure can be judged at all.
func (t *Test) suits() string {
	p := t.charged()
	s := &t.s
	least := leastTank
	if s.Rank {
		least = leastRank
	}
	top := math.Max(s.FullScale, s.SafeWorking) * 1.3
	switch {
	case p < least:
		for _, u := range []struct {
			name  string
			times float64
		}{{"bar", 100}, {"psi", 6.895}, {"MPa", 1000}} {
			if v := p * u.times; p > 0 && p < 0.3*least && v > least*1.5 && v < top {
				return fmt.Sprintf("The test starts at %.4g kPa, which is too low to judge; as %s the numbers would mean %.0f kPa. Check the unit of the column.",
					p/1e3, u.name, v/1e3)
			}
		}
		hint := ""
		if v := p * 6.895; v > 3*least && v < top {
			hint = fmt.Sprintf(" If the numbers are psi, they mean %.0f kPa: check the unit of the column.", v/1e3)
		}
		return fmt.Sprintf("The test starts at %.0f kPa, below the %.0f kPa that it needs: charge it first.%s", p/1e3, least/1e3, hint)
	case p > top:
		for _, u := range []struct {
			name  string
			times float64
		}{{"kPa in a column of psi", 1 / 6.895}, {"psi in a column of bar", 1 / 14.5}, {"kPa in a column of bar", 0.01}, {"Pa in a column of kPa", 1e-3}} {
			if v := p * u.times; v > least && v < math.Max(s.FullScale, s.SafeWorking) {
				return fmt.Sprintf("The test starts at %.0f kPa, far above the %.0f kPa that this machine can have. Perhaps the numbers are %s: check the unit.",
					p/1e3, top/1.3/1e3, u.name)
			}
		}
		return fmt.Sprintf("The test starts at %.0f kPa, far above the %.0f kPa that this machine can have: check sensor and unit.", p/1e3, top/1.3/1e3)
	}
	return ""
}
