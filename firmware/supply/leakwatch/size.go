// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// sizer is the flow of a leak as a conductance, flow over absolute pressure, since its onset: a choked leak is
// proportional to the pressure that drives it, so observations at different pressures add up. Observations that came
// before the leak was raised are kept in short spans, because the onset is known only then.
type sizer struct {
	spans [60]span
	n     int
	sum   span // of what came since the onset
	sized bool

	alike   float64 // observations in a row that count as one
	bounded bool    // observations scatter about a sum that stays where it is, as terrain does
	model   float64 // m3/s that the model may have wrong
	share   float64 // standard uncertainty of the flow as a share: volume, and what was counted
	grows   float64 // by which that share grows with the flow, s/m3
	gain    float64 // share of a flow that is seen; 0: all
}

// span is a weighted sum of observations.
type span struct {
	at      time.Duration
	w, g, q float64 // weight, weight times conductance, weight times its square
	n       float64
}

const (
	spanLength = 20 * time.Second
	leakRatio  = 0.4 // critical ratio of a leak: 0.2 to 0.53 (common practice, no source)
	goodSize   = 1.5 * litreMn
	goodShare  = 0.5 // of the flow: an interval this wide is worth saying
)

func (s *sizer) forget() {
	*s = sizer{alike: s.alike, bounded: s.bounded, model: s.model, share: s.share, grows: s.grows, gain: s.gain}
}

// driven is the pressure that drives a flow out to the barometer as if it were choked, Pa.
func driven(pressure, baro float64) float64 {
	if pressure <= baro {
		return 0
	}
	return pressure * pneumatics.Share(baro/pressure, leakRatio)
}

// add takes a flow and its standard deviation at a driving pressure.
func (s *sizer) add(at time.Duration, flow, sd, pressure float64) {
	if pressure <= 0 || sd <= 0 {
		return
	}
	g := flow / pressure
	wt := pressure * pressure / (sd * sd)
	e := &s.spans[s.n%len(s.spans)]
	if s.n == 0 || at-e.at > spanLength {
		s.n++
		e = &s.spans[s.n%len(s.spans)]
		*e = span{at: at}
	}
	e.add(wt, g)
	s.sum.add(wt, g)
}

func (e *span) add(wt, g float64) {
	e.w += wt
	e.g += wt * g
	e.q += wt * g * g
	e.n++
}

// restart counts from the onset on.
func (s *sizer) restart(onset time.Duration) {
	s.sum = span{}
	for i := range s.spans {
		e := &s.spans[i]
		if e.w > 0 && e.at >= onset {
			s.sum.w += e.w
			s.sum.g += e.g
			s.sum.q += e.q
			s.sum.n += e.n
		}
	}
}

// conductance returns the mean and its standard deviation, m3/(s Pa).
func (s *sizer) conductance() (g, sd float64) {
	e := &s.sum
	if e.w <= 0 {
		return 0, math.Inf(1)
	}
	g = e.g / e.w
	if s.bounded {
		return g, math.Sqrt(e.n/e.w) * math.Sqrt(2+e.n/10) / e.n
	}
	scatter := max(0, e.q/e.w-g*g)
	return g, math.Sqrt(max(scatter, e.n/e.w) * s.alike / e.n)
}

// at is the flow at a driving pressure.
func (s *sizer) at(pressure float64) float64 {
	g, _ := s.conductance()
	return g * pressure
}

// flow returns the flow at a driving pressure and its standard deviation; an infinite one where nothing is known.
func (s *sizer) flow(pressure float64) (q, sd float64) {
	g, sg := s.conductance()
	gain := s.gain
	if gain == 0 {
		gain = 1
	}
	q = g * pressure / gain
	share := min(mostShareOff, s.share+s.grows*max(0, q))
	return q, math.Sqrt(sg*sg*pressure*pressure/(gain*gain) + s.model*s.model + share*share*q*q)
}

const mostShareOff = 0.4

// joined is the weighted mean of what several sizers say.
type joined struct{ w, q float64 }

func (j *joined) add(s *sizer, pressure float64) {
	q, sd := s.flow(pressure)
	if s.sum.n < 2 || math.IsInf(sd, 0) || sd <= 0 {
		return
	}
	j.w += 1 / (sd * sd)
	j.q += q / (sd * sd)
}

// measure returns the flow with its 95 % interval, and whether that is worth saying.
func (j *joined) measure(unit units.Unit) (m findings.Measure, good bool) {
	if j.w <= 0 || j.q <= 0 {
		return m, false
	}
	q, u := j.q/j.w, pneumatics.CoverageFactor/math.Sqrt(j.w)
	return findings.Measure{SI: q, Unit: unit, Reference: units.ANR, Low: max(0, q-u), High: q + u}, u < max(goodSize, goodShare*q)
}
