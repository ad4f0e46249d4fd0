// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/findings"
)

// withheld is the kind of the notes.
const withheld = "leak-watch"

const (
	settleAfter  = 4 * time.Minute // after a test
	noteGap      = 30 * time.Second
	noteAgain    = 10 * time.Minute // without the matter, before it is worth a new note
	withoutGlass = 10 * time.Minute // without a barometer
	noteDaily    = 12 * time.Hour   // the same of what comes every day
	hotGas       = 20.0             // K over the wall: more than a normal run leaves behind
	warming      = -0.8 * litreMn   // that a standing tank seems to lose
)

// matter is one reason to conclude nothing.
type matter uint8

// The matters.
const (
	ofFrozen matter = iota
	ofGap
	ofStuck
	ofBackwards
	ofHold
	ofHot
	ofSun
	ofShop
	ofBarometer
	ofBack
	matters
)

// sentence is what the journal says of a matter.
func (m matter) sentence() string {
	return [matters]string{
		ofFrozen:    "The leak watch concludes nothing: the readings stand still to the last digit.",
		ofGap:       "The leak watch begins anew: there is a gap in the readings of the tank.",
		ofStuck:     "The leak watch concludes nothing: the tank's sensor repeats one value.",
		ofBackwards: "The leak watch left out readings of the tank that were older than the one before.",
		ofHold:      "The leak watch waits: a leak-down test runs.",
		ofHot:       "The leak watch is careful: the tank was charged for long, and its air is hot.",
		ofSun:       "The leak watch cannot tell small leaks: the standing tank warms, in the sun perhaps.",
		ofShop:      "The leak watch learns nothing of the compressor: the tank rises though the engine stands.",
		ofBack:      "The leak watch says nothing of a standing rank: the tank holds no more than the rank, whose air may flow back.",
		ofBarometer: "The leak watch takes the standard atmosphere: there is no barometer.",
	}[m]
}

// notebook writes why nothing is concluded, once for each time that it lasts.
type notebook struct {
	to   findings.Notes
	last [matters]time.Duration
}

func (b *notebook) say(m matter, at time.Duration) {
	again := noteAgain
	if m == ofHot || m == ofSun || m == ofBarometer || m == ofBack || m == ofShop {
		again = noteDaily
	}
	fresh := b.last[m] == 0 || at-b.last[m] > again
	if fresh || again == noteAgain {
		b.last[m] = max(at, 1)
	}
	if fresh && b.to != nil {
		b.to.Note(at, withheld, m.sentence())
	}
}

// remark looks once a second for what makes the watch careful.
func (w *Watch) remark(at time.Duration) {
	if !w.begun || w.frames.n == 0 {
		return
	}
	if at-w.frames.time(w.frames.n) > max(noteGap, w.silence()) {
		w.notes.say(ofGap, at)
	}
	if w.heat.theta[w.thermo.best] > hotGas {
		w.notes.say(ofHot, at)
	}
	if q := &w.recent; q.n > 20 && at-q.at < time.Minute && at-w.lastWork > time.Minute && q.x/q.w < warming {
		w.notes.say(ofSun, at)
	}
	if w.on && w.stands(at) {
		w.notes.say(ofShop, at)
	}
	if at-max(w.barometer.at, w.first) > withoutGlass {
		w.notes.say(ofBarometer, at)
	}
}

// stands says that the engine is known to stand, so that no compressor of it delivers.
func (w *Watch) stands(at time.Duration) bool {
	return (w.drive.alive(at) && w.drive.v < 0.5) || (w.ignition.alive(at) && w.ignition.v < 0.5)
}

// stuck sees a sensor that repeats one value: noise is larger than a converter's step.
type stuck struct {
	v     float64
	since float64 // s
}

const stuckFor = 6.0 // s

func (s *stuck) is(v, dt float64) bool {
	if math.IsNaN(v) || v != s.v {
		s.v, s.since = v, 0
		return false
	}
	s.since += dt
	return s.since > stuckFor && dt < 1
}
