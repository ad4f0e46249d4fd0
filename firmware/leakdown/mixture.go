// SPDX-License-Identifier: Apache-2.0

package leakdown

import "math"

// part is one normal distribution of a mixture, of a flow in m3/s.
type part struct{ weight, mean, sd float64 }

type mixture []part

// above is the chance that the flow lies above x.
func (m mixture) above(x float64) float64 {
	c := 0.0
	for _, p := range m {
		c += p.weight * math.Erfc((x-p.mean)/(p.sd*math.Sqrt2)) / 2
	}
	return c
}

// moments returns mean and standard deviation.
func (m mixture) moments() (mean, sd float64) {
	for _, p := range m {
		mean += p.weight * p.mean
	}
	v := 0.0
	for _, p := range m {
		d := p.mean - mean
		v += p.weight * (p.sd*p.sd + d*d)
	}
	return mean, math.Sqrt(v)
}

// quantile is the flow below which lies the share q.
func (m mixture) quantile(q float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range m {
		lo, hi = math.Min(lo, p.mean-8*p.sd), math.Max(hi, p.mean+8*p.sd)
	}
	for range 60 {
		mid := (lo + hi) / 2
		if m.above(mid) > 1-q {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// interval is the 95 % interval. A leak is never below nothing: where the mixture reaches below zero, the interval begins
// there and holds 95 % of what lies above.
func (m mixture) interval() (lo, hi float64) {
	below := 1 - m.above(0)
	if below < 0.025 {
		return m.quantile(0.025), m.quantile(0.975)
	}
	if below > 1-1e-9 {
		_, sd := m.moments()
		return 0, sd / 2
	}
	return 0, math.Max(m.quantile(below+0.95*(1-below)), 0)
}

// weights turns the tiles' log weights into shares that add up to one; false where no tile has any.
func weights(ts []tile) ([]float64, bool) {
	top := math.Inf(-1)
	for i := range ts {
		if ts[i].log > top {
			top = ts[i].log
		}
	}
	if math.IsInf(top, -1) || math.IsNaN(top) {
		return nil, false
	}
	out := make([]float64, len(ts))
	sum := 0.0
	for i := range ts {
		out[i] = math.Exp(ts[i].log - top)
		sum += out[i]
	}
	for i := range out {
		out[i] /= sum
	}
	return out, true
}
