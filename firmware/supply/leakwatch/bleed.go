// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// A pressure control bleeds its declared flow while it is fed. Whether it does with the key off is a matter of how it was
// piped, and no machine file says so: at a stop for lunch the difference is as large as a small leak. So the share of the
// declared bleed that still flows then is learned, and doubted until it is.
type idleBleed struct{ share, variance float64 }

const (
	firstIdle = 0.5    // nothing is known: all of it or none
	idleDoubt = 0.25   // variance of that share
	idleLeast = 0.0013 // variance under which it does not fall: a lunch of half an hour is followed by half
	idleKnown = 0.15   // standard deviation under which what a standing tank loses may be learned
)

func (b *idleBleed) init() { b.share, b.variance = firstIdle, idleDoubt }

// add takes what a quiet piece let out beyond the baseline, as a share of the declared bleed, with its standard deviation.
func (b *idleBleed) add(x, sd float64) {
	gain := b.variance / (b.variance + sd*sd)
	clip := 3 * math.Sqrt(b.variance+sd*sd)
	b.share += gain * max(-clip, min(clip, x-b.share))
	b.share = max(0, min(1, b.share))
	b.variance = max(idleLeast, b.variance*(1-gain))
}

// bleeds is what of the declared bleed goes out at p Pa absolute, m3/s ANR, with its standard deviation.
func (w *Watch) bleeds(at time.Duration, p float64) (flow, sd float64) {
	flow = w.o.Bleed * p / bleedAt
	if !w.keyOff(at) {
		return flow, 0
	}
	return flow * w.idle.share, flow * math.Sqrt(w.idle.variance)
}

// keyOff says whether the machine is switched off: by its own signal, or, without one, because what its computers say
// all went silent.
func (w *Watch) keyOff(at time.Duration) bool {
	if w.ignition.alive(at) {
		return w.ignition.v < 0.5
	}
	return w.drive.seen && w.lowered.seen && !w.drive.alive(at) && !w.lowered.alive(at)
}
