// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/findings"
)

// The kinds of notes.
const (
	withheld = "leak-watch"
)

const settleAfter = 4 * time.Minute // after a test

// notebook writes why nothing is concluded, once for each time.
type notebook struct {
	to                                         findings.Notes
	gapAt, frozenAt, stuckAt, backAt, chargeAt time.Duration
	blind                                      bool
}

const noteAgain = 10 * time.Minute

func (b *notebook) say(last *time.Duration, at time.Duration, text string) {
	fresh := *last == 0 || at-*last > noteAgain
	*last = max(at, 1)
	if fresh && b.to != nil {
		b.to.Note(at, withheld, text)
	}
}

func (b *notebook) frozen(at time.Duration) {
	b.say(&b.frozenAt, at, "The leak watch concludes nothing: the readings stand still to the last digit.")
}

func (b *notebook) gap(at time.Duration) {
	b.say(&b.gapAt, at, "The leak watch begins anew: there was a gap in the readings of the tank.")
}

func (b *notebook) stuck(at time.Duration) {
	b.say(&b.stuckAt, at, "The leak watch concludes nothing: the tank's sensor repeats one value.")
}

func (b *notebook) backwards(at time.Duration) {
	b.say(&b.backAt, at, "The leak watch left out readings of the tank that were older than the one before.")
}

func (b *notebook) charge(at time.Duration) {
	b.say(&b.chargeAt, at, "The leak watch waits: the tank was charged from low, and its air is hot.")
}

func (b *notebook) hold(at time.Duration) {
	if b.to != nil {
		b.to.Note(at, withheld, "The leak watch waits: a leak-down test runs.")
	}
}

// stuck sees a sensor that repeats one value: noise is larger than a converter's step.
type stuck struct {
	v    float64
	for_ float64 // s
}

const stuckFor = 6.0 // s

func (s *stuck) is(v, dt float64) bool {
	if math.IsNaN(v) || v != s.v {
		s.v, s.for_ = v, 0
		return false
	}
	s.for_ += dt
	return s.for_ > stuckFor && dt < 1
}
