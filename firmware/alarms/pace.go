// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"math"
	"time"
)

// pace knows how often an item is spoken of, so that a hole in the findings is told from a slow rhythm.
type pace struct {
	usual  time.Duration // the longest gap that is always expected
	period time.Duration // never below usual: who spoke more often for a while may go back to it
	prev   time.Duration // the gap before
}

// fits takes the next gap and reports whether it is no hole: at most two sample periods. Two gaps in a row that agree
// within a factor of two are the new period.
func (p *pace) fits(gap time.Duration) bool {
	if gap <= 0 {
		return true
	}
	if p.prev > 0 && gap <= 2*p.prev && p.prev <= 2*gap {
		p.period = max(p.usual, (gap+p.prev)/2)
	}
	p.prev = gap
	return gap <= 2*p.period
}

// noise learns how much a signal jitters from sample to sample, from its second differences, which a steady rise or
// fall leaves at zero.
type noise struct {
	x1, x2 float64 // the two values before
	n      int
	last   time.Duration
	mean   float64 // mean absolute second difference
}

// noiseSamples is how many values the estimate needs before it is used.
const noiseSamples = 60

// add takes a value. A second difference counts at most as four times the mean, so that a step or a spike hardly
// moves the estimate.
func (n *noise) add(x float64, at, span time.Duration) {
	if n.n >= 2 {
		d := math.Abs(x - 2*n.x1 + n.x2)
		if k := n.n - 2; k < noiseSamples {
			n.mean += (d - n.mean) / float64(k+1)
		} else {
			w := min(float64(at-n.last)/float64(span), 0.1)
			n.mean += w * (min(d, 4*n.mean) - n.mean)
		}
	}
	n.x1, n.x2, n.last = x, n.x1, at
	n.n = min(n.n+1, noiseSamples+2)
}

// floor returns three standard deviations: for white Gaussian noise the second difference has a standard deviation
// of sqrt(6) times the signal's, and its mean absolute value is sqrt(2/pi) of that.
func (n *noise) floor() float64 {
	if n.n < noiseSamples+2 {
		return 0
	}
	return 3 * n.mean / (math.Sqrt(6) * math.Sqrt(2/math.Pi))
}
