// SPDX-License-Identifier: Apache-2.0

package leakdown

import "math"

// What is believed before a test, from the physics of vessels of this size (physics of natural convection: exponent 0 for
// stirred air, 1/4 laminar, 1/3 turbulent; the widths are judgement, common practice, no source).
const (
	priorHotSD   = 0.08
	priorTau     = 3.4965 // ln 33 s
	priorTauSD   = 0.65
	priorPower   = 0.2
	priorPowerSD = 0.15
	priorSlow    = 0.14
	priorSlowSD  = 0.11
	priorJet     = 0.3
	priorJetSD   = 0.3
)

// The prior of time constant and exponent is cut into tiles, each with a narrower prior of its own; together they add up
// to the whole. One fit over the whole would believe its one optimum too much.
const (
	tilesTau, tilesPower   = 7, 3
	tileTauSD, tilePowerSD = 0.6, 0.7 // of the whole prior's
)

// prior is a normal distribution of each parameter; a width of zero is none.
type prior struct{ mean, sd vector }

// shiftTau moves the time constant for volumes outside 20 to 60 L: cooling takes as long as the way to the wall is, which
// goes with the cube root of the volume. The air of a rank is spread over several bags.
func shiftTau(s *Setup) float64 {
	v := s.Volume
	if s.Rank {
		v /= 4
	}
	const low, high = 20e-3, 60e-3
	return math.Log(v/math.Max(low, math.Min(high, v))) / 3
}

func wholePrior(setup *Setup) prior {
	s := setup.Signature
	p := prior{
		mean: vector{iHot: 0, iTau: priorTau + shiftTau(setup), iPower: priorPower, iSlow: priorSlow, iJet: priorJet},
		sd:   vector{iHot: priorHotSD, iTau: priorTauSD, iPower: priorPowerSD, iSlow: priorSlowSD, iJet: priorJetSD},
	}
	if s != nil && s.Tests > 0 {
		p.mean[iTau], p.sd[iTau] = s.LogTau, math.Max(s.LogTauSD, leastTauSD)
		p.mean[iPower], p.sd[iPower] = s.N, math.Max(s.NSD, leastPowerSD)
		p.mean[iSlow], p.sd[iSlow] = s.Slow, math.Max(s.SlowSD, leastSlowSD)
	}
	return p
}

// tile is one part of the prior with its fit, kept from one decision to the next as a start.
type tile struct {
	prior  prior
	weight float64 // ln of its share of the whole prior
	a      vector
	cov    [params][params]float64
	log    float64 // ln of weight times evidence
	cost   float64
	fitted bool
}

// tiles cuts a prior up.
func tiles(p prior) []tile {
	out := make([]tile, 0, tilesTau*tilesPower)
	spreadTau := math.Sqrt(1-tileTauSD*tileTauSD) * p.sd[iTau]
	spreadPower := math.Sqrt(1-tilePowerSD*tilePowerSD) * p.sd[iPower]
	for i := range tilesTau {
		zi := 0.9 * float64(i-tilesTau/2)
		for j := range tilesPower {
			zj := 1.25 * float64(j-tilesPower/2)
			q := p
			q.mean[iTau] += zi * spreadTau
			q.sd[iTau] *= tileTauSD
			q.mean[iPower] += zj * spreadPower
			q.sd[iPower] *= tilePowerSD
			out = append(out, tile{prior: q, weight: -(zi*zi + zj*zj) / 2})
		}
	}
	return out
}

// datum is one block of samples: time, ln of pressure times volume, and one over its variance.
type datum struct{ t, y, w float64 }

// fitTile finds the tile's most likely parameters (Levenberg and Marquardt's damping) and the evidence around them.
func fitTile(g *gas, d []datum, tl *tile) {
	if !tl.fitted {
		tl.a = tl.prior.mean
		tl.a[iLevel] = d[0].y
		tl.a[iHot], tl.a[iLeak] = firstGuess(g, d, &tl.a)
	}
	most := 6
	if !tl.fitted {
		most = 25
	}
	lambda := 1e-3
	h, b, cost := normal(g, d, tl, &tl.a)
	for range most {
		step, ok := solve(&h, &b, lambda)
		if !ok {
			lambda *= 10
			continue
		}
		next := tl.a
		for j := range next {
			next[j] += step[j]
		}
		bound(&next)
		nextH, nextB, c := normal(g, d, tl, &next)
		if c > cost || math.IsNaN(c) {
			lambda *= 10
			if lambda > 1e8 {
				break
			}
			continue
		}
		won := cost - c
		tl.a = next
		h, b, cost = nextH, nextB, c
		lambda = math.Max(lambda/10, 1e-9)
		if won < 1e-3 {
			break
		}
	}
	tl.fitted = true
	tl.cost = cost
	logDet, ok := invert(&h, &tl.cov)
	if !ok {
		tl.log = math.Inf(-1)
		return
	}
	tl.log = tl.weight - cost/2 - logDet/2
}

// firstGuess takes the leak as nothing and the heat from the first fall, so that the search starts on the right side.
func firstGuess(g *gas, d []datum, a *vector) (hot, leak float64) {
	f := newFlight(g, &vector{iHot: 0.03, iTau: a[iTau], iPower: a[iPower], iSlow: a[iSlow], iJet: a[iJet]}, false)
	last := d[len(d)-1]
	f.to(last.t)
	per := -f.at() / 0.03
	fall := d[0].y - last.y
	if per <= 0 {
		return 0.03, 0
	}
	hot = math.Max(-0.05, math.Min(0.12, 0.8*fall/per))
	return hot, math.Max(0, (fall-hot*per)/last.t/leakUnit)
}

// bound keeps the search where the model means something.
func bound(a *vector) {
	clamp := func(i int, lo, hi float64) { a[i] = math.Max(lo, math.Min(hi, a[i])) }
	clamp(iLeak, -300, 1e5)
	clamp(iHot, -0.3, 0.5)
	clamp(iTau, 0, 7.5)
	clamp(iPower, -0.4, 0.9)
	clamp(iSlow, -0.3, 0.8)
	clamp(iJet, -0.6, 3)
}

func priorCost(p *prior, a *vector) float64 {
	c := 0.0
	for j := range a {
		if p.sd[j] > 0 {
			z := (a[j] - p.mean[j]) / p.sd[j]
			c += z * z
		}
	}
	return c
}

// normal builds the normal equations at a: half the second derivatives (Gauss and Newton's), half the downhill gradient, and the cost.
func normal(g *gas, d []datum, tl *tile, a *vector) (h [params][params]float64, b vector, cost float64) {
	f := newFlight(g, a, true)
	var grad vector
	for i := range d {
		f.to(d[i].t)
		r := d[i].y - f.at()
		f.gradient(&grad)
		w := d[i].w
		cost += w * r * r
		for j := range grad {
			wg := w * grad[j]
			b[j] += wg * r
			for m := j; m < params; m++ {
				h[j][m] += wg * grad[m]
			}
		}
	}
	for j := range params {
		for m := range j {
			h[j][m] = h[m][j]
		}
		if sd := tl.prior.sd[j]; sd > 0 {
			h[j][j] += 1 / (sd * sd)
			b[j] -= (a[j] - tl.prior.mean[j]) / (sd * sd)
		}
	}
	cost += priorCost(&tl.prior, a)
	return h, b, cost
}

// factor is Cholesky's: h = l times its transpose. The matrix is 7 by 7; a library would allocate for each of the
// hundred thousand solutions of one test.
func factor(h *[params][params]float64, l *[params][params]float64) bool {
	for i := range params {
		for j := 0; j <= i; j++ {
			s := h[i][j]
			for m := range j {
				s -= l[i][m] * l[j][m]
			}
			if i == j {
				if !(s > 0) {
					return false
				}
				l[i][i] = math.Sqrt(s)
				continue
			}
			l[i][j] = s / l[j][j]
		}
	}
	return true
}

func solve(h *[params][params]float64, b *vector, lambda float64) (vector, bool) {
	damped := *h
	for i := range params {
		damped[i][i] *= 1 + lambda
	}
	var l [params][params]float64
	if !factor(&damped, &l) {
		return vector{}, false
	}
	return back(&l, b), true
}

func back(l *[params][params]float64, b *vector) vector {
	var x vector
	for i := range params {
		s := b[i]
		for m := range i {
			s -= l[i][m] * x[m]
		}
		x[i] = s / l[i][i]
	}
	for i := params - 1; i >= 0; i-- {
		s := x[i]
		for m := i + 1; m < params; m++ {
			s -= l[m][i] * x[m]
		}
		x[i] = s / l[i][i]
	}
	return x
}

// invert gives the covariance and ln of h's determinant.
func invert(h, cov *[params][params]float64) (logDet float64, ok bool) {
	var l [params][params]float64
	if !factor(h, &l) {
		return 0, false
	}
	for i := range params {
		logDet += 2 * math.Log(l[i][i])
		var unit vector
		unit[i] = 1
		column := back(&l, &unit)
		for j := range params {
			cov[j][i] = column[j]
		}
	}
	return logDet, true
}
