// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// A running sum (CUSUM: E. S. Page, 1954) adds for each observation the logarithm of the odds that it speaks for a leak
// of its design size, and never falls below zero. Several design sizes run side by side, because a sum for a small leak
// is slow to see a large one. Observations are clipped at four standard deviations, so that one that is spoiled does
// not raise anything alone.
const (
	mostDesigns = 4
	clipAt      = 3.0
	sharpest    = 3.0  // standard deviations: a design is never taken as easier to see
	calm        = 0.35 // share of the threshold under which the baseline may adapt
	mendAt      = 12.0 // odds, as a logarithm, at which a raised leak is taken back
	mendLeast   = 2 * time.Minute
)

// evidence is one detector at one place.
type evidence struct {
	where, from string
	designs     []float64 // m3/s
	threshold   float64
	sums        [mostDesigns]float64
	since       [mostDesigns]time.Duration // when the sum left zero
	seen        time.Duration              // newest observation
	raised      bool
	raisedAt    time.Duration
	onset       time.Duration
	mend        float64
	size        sizer
}

func (e *evidence) init(where, from string, designs []float64, threshold float64) {
	e.where, e.from, e.designs, e.threshold = where, from, designs, threshold
}

// add takes one observation: the flow that neither bags nor baseline explain, its standard deviation, the pressure that
// drives it, and the span in which it was seen.
func (e *evidence) add(from, to time.Duration, x, sd, pressure float64) {
	e.seen = to
	for i, d := range e.designs {
		e.step(i, from, odds(x, d, sd))
	}
	if e.raised {
		// Sound, or as large as it was found.
		e.unstep(-odds(x, max(e.designs[0], e.size.at(pressure)), sd))
	}
	e.size.add(to, x, sd, pressure)
}

// odds is the logarithm by which an observation speaks for a leak of size d and against none.
func odds(x, d, sd float64) float64 {
	s := max(sd, d/sharpest)
	g := d / s
	return g * (max(-clipAt, min(clipAt, x/s)) - g/2)
}

// amount takes what was lost beyond bags and baseline over some seconds, m3 ANR. Terrain moves a rank's content to and
// fro by about scale and not further, so a sum of amounts need not grow as a sum of errors would: the threshold is one
// part for that and one that grows for the smaller leaks, which take longer.
func (e *evidence) amount(from, to time.Duration, lost, seconds, scale, pressure float64) {
	e.seen = to
	e.size.add(to, lost/seconds, scale/seconds, pressure)
	lost = max(-clipAt*scale, min(clipAt*scale, lost))
	for i, d := range e.designs {
		e.step(i, from, (lost-d/2*seconds)/(scale*(1+slowShare*e.designs[0]/d)))
	}
	if e.raised {
		d := max(e.designs[0], e.size.at(pressure))
		e.unstep((d/2*seconds - lost) / (scale * (1 + slowShare*e.designs[0]/d)) * mendAt / e.threshold)
	}
}

// slowShare is how much higher the threshold of the smallest design is.
const slowShare = 1.0

func (e *evidence) step(i int, from time.Duration, g float64) {
	if e.sums[i] == 0 {
		e.since[i] = from
	}
	e.sums[i] = max(0, min(e.sums[i]+g, 3*e.threshold))
}

func (e *evidence) unstep(g float64) { e.mend = max(0, min(e.mend+g, 2*mendAt)) }

// up returns the largest sum as a share of the threshold.
func (e *evidence) up() float64 {
	m := 0.0
	for i := range e.designs {
		m = max(m, e.sums[i])
	}
	return m / e.threshold
}

// begin returns the onset by the sum that crossed.
func (e *evidence) begin() time.Duration {
	best, at := 0.0, time.Duration(0)
	for i := range e.designs {
		if e.sums[i] > best {
			best, at = e.sums[i], e.since[i]
		}
	}
	return at
}

// clear forgets everything that speaks for a leak.
func (e *evidence) clear() {
	e.sums, e.since = [mostDesigns]float64{}, [mostDesigns]time.Duration{}
	e.raised, e.mend = false, 0
	e.size.forget()
}

// tick ages what was seen: evidence that nobody has added to for long is no evidence of now.
func (e *evidence) tick(at time.Duration) {
	if !e.raised && e.seen > 0 && at-e.seen > staleEvidence {
		e.clear()
		e.seen = at
	}
}

const staleEvidence = 2 * time.Hour

// learner is a running weighted mean with a spread: what a sound machine shows.
type learner struct {
	mean, spread float64 // of the observations, and of what their own noise does not explain
	weight       float64
	count        int
}

// add takes an observation with its own standard deviation; memory is in weights of about one.
func (l *learner) add(x, sd, extra, memory float64) {
	v := sd*sd + extra*extra
	wt := extra * extra / max(v, 1e-30)
	l.count++
	l.weight = min(memory, l.weight+wt)
	share := wt / max(l.weight, 1e-9)
	e := x - l.mean
	if l.count > 20 {
		c := 3 * math.Sqrt(sd*sd+max(l.spread, extra)*max(l.spread, extra))
		e = max(-c, min(c, e))
	}
	l.mean += share * e
	rest := e*e - sd*sd
	l.spread = math.Sqrt(max(0, l.spread*l.spread+share*(rest-l.spread*l.spread)))
}
