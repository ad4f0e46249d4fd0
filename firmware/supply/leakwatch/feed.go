// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/readings"
)

const (
	silent      = 5 * time.Second  // a channel without a good reading for so long is not alive
	maxInterval = 20 * time.Second // slower than that is no recording but a series of holes
)

// feed is one slow input: its newest good reading.
type feed struct {
	ch       readings.Channel
	seen     bool
	at       time.Duration
	interval time.Duration
	v        float64
}

func (f *feed) take(r readings.Reading) {
	if r.Quality != readings.Good || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || (f.seen && r.At <= f.at) {
		return
	}
	if f.seen {
		f.interval = min(r.At-f.at, maxInterval)
	}
	f.seen, f.at, f.v = true, r.At, r.Value
}

func (f *feed) alive(at time.Duration) bool {
	if f.ch == readings.NoChannel || !f.seen {
		return false
	}
	limit := 2 * maxInterval
	if f.interval > 0 {
		limit = max(silent, 3*f.interval)
	}
	return at-f.at <= limit
}

// or returns the newest value while it is alive, else what stands for it.
func (f *feed) or(at time.Duration, otherwise float64) float64 {
	if f.alive(at) {
		return f.v
	}
	return otherwise
}

// gather averages the readings of a pressure until the next frame is made.
type gather struct {
	ch   readings.Channel
	sum  float64
	n    int
	at   time.Duration // newest good reading
	seen bool
	last float64
}

func (g *gather) take(r readings.Reading) bool {
	if r.Quality != readings.Good || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || (g.seen && r.At <= g.at) {
		return false
	}
	g.seen, g.at = true, r.At
	g.sum += r.Value
	g.n++
	return true
}

// mean closes the mean since the last frame; NaN where the channel is older than old.
func (g *gather) mean(at, old time.Duration) float64 {
	if g.n > 0 {
		g.last = g.sum / float64(g.n)
		g.sum, g.n = 0, 0
		return g.last
	}
	if !g.seen || at-g.at > old {
		return math.NaN()
	}
	return g.last
}

// grain estimates a sensor's noise from second differences: their mean, clipped, because turning points spoil some. A
// quartile would not do: with 12 bit the differences take a few values only.
type grain struct {
	a, b float64
	n    int
	mean float64
}

const (
	clipMean   = 2.2
	meanOfUnit = 0.76 * 2.4495 // of the clipped second differences of white noise with standard deviation one
	leastGrain = 20.0          // Pa: no sensor is better
	mostGrain  = 2e3           // Pa: 0.2 % of a 10 bar range, four times a common sensor's
	firstGrain = 500.0         // Pa
)

func (g *grain) add(v float64) {
	if g.mean == 0 {
		g.mean = firstGrain * meanOfUnit
	}
	if g.n >= 2 {
		d := min(math.Abs(v-2*g.b+g.a), clipMean*g.mean)
		g.mean += (d - g.mean) * 0.003
	}
	g.a, g.b = g.b, v
	g.n++
}

// sd returns the noise, Pa.
func (g *grain) sd() float64 { return min(mostGrain, max(leastGrain, g.mean/meanOfUnit)) }
