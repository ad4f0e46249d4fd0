// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"math"
	"time"

	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// Result returns the outcome so far.
func (t *Test) Result() Result {
	r := Result{
		Where: t.s.Where, Verdict: t.verdict, Reasons: append([]string(nil), t.reasons...), DecidedAt: t.decided,
		Duration: t.elapsed(), Limit: t.s.Limit, Discharge: t.s.Discharge, Updates: append([]Estimate(nil), t.updates...),
		NaiveDrop: t.naive(), StartPressure: t.g.first,
	}
	if len(t.updates) == 0 {
		return r
	}
	r.Estimate = t.updates[len(t.updates)-1]
	if t.atPass != nil && !t.s.Full {
		r.Estimate = *t.atPass
	}
	_, start := t.conversion()
	r.StartPressure = start
	abs := start + t.s.Barometer
	r.Hole = Interval{t.hole(r.Estimate.Leak.Value, abs), t.hole(r.Estimate.Leak.Low, abs), t.hole(r.Estimate.Leak.High, abs)}
	if len(r.Estimate.Budget) > 0 {
		r.Dominant = r.Estimate.Budget[0]
	}
	r.Hold = t.hold(r.Estimate.Leak, abs)
	r.Signature = t.learn()
	return r
}

// naive is what the plain reading of a gauge over the first minute gives, Pa/s; NaN where there is no such minute.
func (t *Test) naive() float64 {
	b := t.g.blocks
	if len(b) == 0 {
		return math.NaN()
	}
	for i := range b {
		if b[i].t >= 59 {
			if b[i].t > 75 {
				break
			}
			return (t.charged() - b[i].pressure) / b[i].t
		}
	}
	return math.NaN()
}

func (t *Test) hole(q, abs float64) float64 {
	if q <= 0 {
		return 0
	}
	h, err := pneumatics.HoleOfLeak(units.Flow(q), units.PressureAbs(abs), units.PressureAbs(t.s.Barometer), units.Kelvin(t.kelvin()), t.s.Discharge)
	if err != nil {
		return math.NaN()
	}
	return float64(h.Diameter)
}

// hold tells how long the volume stays above the needed pressure, from the start pressure on, with the leak found.
func (t *Test) hold(leak Interval, abs float64) HoldTime {
	need := t.s.Needed + t.s.Barometer
	h := HoldTime{Pressure: t.s.Needed}
	if t.s.Needed <= 0 || abs <= need || leak.High <= 0 {
		return h
	}
	gauge := abs - t.s.Barometer
	stretch := t.s.Stretch * abs / (1 + t.s.Stretch*gauge)
	until := func(q float64) (time.Duration, bool) {
		if q <= 0 {
			return 0, false
		}
		c := pneumatics.Closed{
			Volume: units.Volume(t.s.size(gauge) * (1 + stretch)), Temperature: units.Kelvin(t.kelvin()), Leak: units.Flow(q),
			Pressure: units.PressureAbs(abs), Barometer: units.PressureAbs(t.s.Barometer), Critical: leakCritical,
		}
		d, err := c.HoldTime(units.PressureAbs(abs), units.PressureAbs(need))
		return d, err == nil
	}
	h.Low, h.Known = until(leak.High)
	value, ok := until(leak.Value)
	high, closed := until(leak.Low)
	h.Value, h.High, h.AtLeast = value, high, !closed || !ok
	return h
}

// learn gives the signature of a test that is clean enough to learn from: it was judged, the air was warm enough to show
// how it cools, and the curve fitted.
func (t *Test) learn() *Signature {
	if t.verdict != Pass && t.verdict != Undecided && t.verdict != Fail || t.ratio > 1.5 || t.share == nil || t.s.Rank {
		return nil
	}
	var mean, square vector
	for i := range t.tiles {
		w := t.share[i]
		for j := range mean {
			a := t.tiles[i].a[j]
			mean[j] += w * a
			square[j] += w * (a*a + t.tiles[i].cov[j][j])
		}
	}
	sd := func(j int) float64 { return math.Sqrt(math.Max(square[j]-mean[j]*mean[j], 0)) }
	if mean[iHot] < 4*sd(iHot) || mean[iHot]*t.kelvin() < 2 {
		return nil
	}
	s := &Signature{
		LogTau: mean[iTau], LogTauSD: math.Max(sd(iTau), leastTauSD),
		N: mean[iPower], NSD: math.Max(sd(iPower), leastPowerSD),
		Slow: mean[iSlow], SlowSD: math.Max(sd(iSlow), leastSlowSD), Tests: 1,
	}
	if t.s.Signature != nil {
		s.Tests = t.s.Signature.Tests + 1
	}
	return s
}

// Curve returns what is drawn, with at most n points a line; ahead is how far the fit is carried on.
func (t *Test) Curve(n int, ahead time.Duration) Curve {
	b := t.g.blocks
	var c Curve
	if len(b) == 0 || n < 2 {
		return c
	}
	every := max(1, (len(b)+n-1)/n)
	for i := 0; i < len(b); i += every {
		c.Measured = append(c.Measured, Point{at(b[i].t), b[i].pressure})
	}
	if t.share == nil {
		return c
	}
	g := t.gas()
	tl := &t.tiles[t.best]
	from := t.origin()
	end := b[len(b)-1].t - from
	with := func(leak float64) flight {
		a := tl.a
		a[iLeak] = leak
		return newFlight(&g, &a, false)
	}
	per, _ := t.conversion()
	fit := newFlight(&g, &tl.a, true)
	dry, edge := with(math.Min(0, tl.a[iLeak])), with(t.s.Limit/per)
	for i := range 2*n + 1 {
		x := end * float64(i) / float64(n)
		if i > n {
			if ahead <= 0 {
				break
			}
			x = end + ahead.Seconds()*float64(i-n)/float64(n)
		}
		fit.to(x)
		dry.to(x)
		edge.to(x)
		band := t.band(&fit, tl, x, from)
		if i <= n {
			c.Fit = append(c.Fit, band)
		}
		if i >= n {
			c.Ahead = append(c.Ahead, band)
		}
		c.Cooling = append(c.Cooling, Point{at(x + from), t.s.pressure(dry.at())})
		c.Limit = append(c.Limit, Point{at(x + from), t.s.pressure(edge.at())})
	}
	return c
}

func at(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// band is the fit at time x with 1.96 times its standard deviation to either side.
func (t *Test) band(f *flight, tl *tile, x, from float64) Band {
	var g vector
	f.gradient(&g)
	v := 0.0
	for i := range g {
		for j := range g {
			v += g[i] * tl.cov[i][j] * g[j]
		}
	}
	y := f.at()
	sd := 1.96 * math.Sqrt(math.Max(v, 0)) * math.Max(1, t.ratio)
	return Band{at(x + from), t.s.pressure(y), t.s.pressure(y - sd), t.s.pressure(y + sd)}
}
