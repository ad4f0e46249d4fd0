// SPDX-License-Identifier: Apache-2.0

package water

import (
	"time"

	"airhold/firmware/readings"
)

// input is the newest good reading of a channel and how often it comes.
type input struct {
	ch        readings.Channel
	low, high float64 // outside these a value is none
	seen      bool
	value     float64
	at        time.Duration
	interval  time.Duration
}

const (
	silent      = 30 * time.Second // a channel without a good reading for so long is not alive
	maxInterval = 5 * time.Minute  // slower than that is no recording but a series of holes
	coldestAir  = 223.15           // K, below which the saturation formula ends
	hottestAir  = 343.15           // K
)

func (in *input) declared() bool { return in.ch != readings.NoChannel }

// take keeps a reading that means something and reports whether it was one. A time before the last one means nothing.
func (in *input) take(r readings.Reading) bool {
	if r.Quality != readings.Good || !(r.Value >= in.low && r.Value <= in.high) {
		if r.Quality == readings.Frozen {
			in.seen = false // what stood still was no measurement either
		}
		return false
	}
	if in.seen {
		if r.At < in.at {
			return false
		}
		in.interval = min(r.At-in.at, maxInterval)
	}
	in.seen, in.value, in.at = true, r.Value, r.At
	return true
}

// alive says whether the newest reading is young enough: half a minute, or three intervals of a slow recording.
func (in *input) alive(at time.Duration) bool {
	return in.declared() && in.seen && at-in.at <= max(silent, 3*in.interval)
}
