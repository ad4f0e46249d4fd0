// SPDX-License-Identifier: Apache-2.0

package overnight

import (
	"math"
	"time"

	"airhold/firmware/readings"
)

// input is one channel: the mean of the last second in which it was read.
type input struct {
	ch   readings.Channel
	at   time.Duration // newest good reading
	gap  time.Duration // usual time between seconds with a reading
	mean float64
	sum  float64
	n    int
	seen bool
	had  time.Duration // when the second before was closed
}

func (i *input) take(r readings.Reading) {
	if r.Channel != i.ch || r.Quality != readings.Good || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || (i.seen && r.At <= i.at) {
		return
	}
	i.seen, i.at = true, r.At
	i.sum += r.Value
	i.n++
}

// second closes the second.
func (i *input) second() {
	if i.n == 0 {
		return
	}
	i.mean = i.sum / float64(i.n)
	i.sum, i.n = 0, 0
	if i.had > 0 {
		d := min(i.at-i.had, 20*time.Second)
		if i.gap == 0 {
			i.gap = d
		}
		i.gap += (d - i.gap) / 8
	}
	i.had = i.at
}

func (i *input) alive(at time.Duration) bool {
	return i.seen && at-i.at <= max(10*time.Second, 3*i.gap)
}

// slow is a channel that changes in minutes: its mean over the last half minute or so.
type slow struct {
	input

	smooth float64
	count  float64
}

func (s *slow) second() {
	had := s.n > 0
	before := s.had
	s.input.second()
	if !had {
		return
	}
	if s.count > 0 && s.at-before > time.Minute {
		s.count = 0
	}
	s.count = math.Min(s.count+1, 30)
	s.smooth += (s.mean - s.smooth) / s.count
}

// value is the mean, or zero where the channel was not read in the time age before at.
func (s *slow) value(at, age time.Duration) float64 {
	if !s.seen || s.count == 0 || at-s.at > max(age, 3*s.gap) {
		return 0
	}
	return s.smooth
}
