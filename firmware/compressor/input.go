// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"time"

	"airhold/firmware/readings"
)

// input is the newest good reading of a channel and how often it comes.
type input struct {
	ch       readings.Channel
	seen     bool
	value    float64
	at       time.Duration
	moved    time.Duration // when the value last changed
	interval time.Duration // between the last readings
}

const (
	silent      = 5 * time.Second  // a channel without a good reading for so long is not alive
	maxInterval = 20 * time.Second // slower than that is no recording but a series of holes
)

func (in *input) take(r readings.Reading) {
	if r.Quality != readings.Good {
		return
	}
	if !in.seen {
		in.moved = r.At
	} else if d := r.At - in.at; d > 0 {
		// The first gap is taken as it is; later ones move the estimate by an eighth, so one lost sample does not
		// make a fast channel look slow.
		d = min(d, maxInterval)
		if in.interval == 0 {
			in.interval = d
		} else {
			in.interval += (d - in.interval) / 8
		}
		if r.Value != in.value {
			in.moved = r.At
		}
	}
	in.seen, in.value, in.at = true, r.Value, r.At
}

// stale is how old the newest reading may be: five seconds, or three intervals of a slow recording. Before two
// readings nobody knows how slow it is.
func (in *input) stale() time.Duration {
	if in.interval == 0 {
		return 2 * maxInterval
	}
	return max(silent, 3*in.interval)
}

func (in *input) alive(at time.Duration) bool {
	return in.ch != readings.NoChannel && in.seen && at-in.at <= in.stale()
}

// point is a mean pressure and its mean time.
type point struct {
	at time.Duration
	v  float64
}

const blockLength = 500 * time.Millisecond

// blocks gathers readings into means of half a second; a slower recording gives one block a reading.
type blocks struct {
	open       bool
	start      time.Duration
	sumT, sumV float64
	n          int
}

// add takes one reading and returns the block it completed, if any.
func (b *blocks) add(at time.Duration, v float64) (point, bool) {
	done, ok := point{}, false
	if b.open && at-b.start >= blockLength {
		done, ok = b.flush()
	}
	if !b.open {
		b.open, b.start, b.sumT, b.sumV, b.n = true, at, 0, 0, 0
	}
	b.sumT += (at - b.start).Seconds()
	b.sumV += v
	b.n++
	return done, ok
}

// due closes a block that is old enough, so that a slow recording is not answered one sample late.
func (b *blocks) due(at time.Duration) (point, bool) {
	if !b.open || at-b.start < blockLength {
		return point{}, false
	}
	return b.flush()
}

func (b *blocks) flush() (point, bool) {
	if !b.open {
		return point{}, false
	}
	b.open = false
	n := float64(b.n)
	return point{at: b.start + time.Duration(b.sumT/n*float64(time.Second)), v: b.sumV / n}, true
}

func (b *blocks) drop() { b.open = false }
