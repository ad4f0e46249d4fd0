// SPDX-License-Identifier: Apache-2.0

package overnight

import "math"

// What is believed of a rest before its curve is seen. The shapes and the usual time are those of firmware/leakdown: free
// convection makes a power law, and air that lies in layers has a share that cools three times slower.
const (
	usualTau   = 33.0 // s, at 10 K of excess
	tauSpread  = 0.65 // standard deviation of its logarithm
	slower     = 3.0
	excessSd   = 0.06  // of the temperature when the rest began, above the wall, as a ratio
	slowSd     = 1e-4  // 1/s: a bleed, a leak, a wall that cools
	bendSd     = 1e-4  // 1/s: a bleed that ends when the controls are switched off
	misfit     = 150.0 // Pa that no shape explains, and more while the inlet's jet still stirs
	jetMisfit  = 6.0   // times more when the rest begins
	jetLasts   = 10.0  // s
	patchShare = 0.08  // of the first excess: inside, the wall is warmer than where its sensor sits
	patchLasts = 100.0 // s
	tailShare  = 0.3   // of the excess that is left, for what the shapes do not hold
	leastDoubt = 0.2   // K
)

// shape is one way to cool.
type shape struct{ tau, power, layer float64 }

// left is the share of the excess first that is left after t seconds.
func (s shape) left(t, first float64) float64 {
	return (1-s.layer)*s.of(t/s.tau, first) + s.layer*s.of(t/s.tau/slower, first)
}

func (s shape) of(x, first float64) float64 {
	if s.power == 0 {
		return math.Exp(-x)
	}
	return math.Pow(1+s.power*math.Pow(first/10, s.power)*x, -1/s.power)
}

// excess returns by how much the air is warmer than its wall at the newest reading that counts, K, and the standard
// uncertainty of that.
//
//	ln p = a + e*left(t) + s*t + b1*max(0, t-t1) + b2*max(0, t-t2) + ...
//
// for shapes on a grid, a free, e, s and the bends with priors; the answer is the mean over the grid, weighted by how well each shape
// fits. A rest too short to show its curve gives what its slope and the usual shapes say, with a wide doubt.
func (r *rest) excess(around, kelvin float64) (k, doubt float64) {
	if r.n == 0 {
		return 0, excessSd * kelvin
	}
	taus := [...]float64{12, 18, 27, 41, 61, 92}
	powers := [...]float64{0, 0.3}
	layers := [...]float64{0.05, 0.3}
	const n = len(taus) * len(powers) * len(layers)
	var mean, vari, logW, hot [n]float64
	most := math.Inf(-1)
	i := 0
	for _, tau := range taus {
		z := math.Log(tau/usualTau) / tauSpread
		for _, layer := range layers {
			first := 10.0
			for _, power := range powers {
				f := r.fit(shape{tau, power, layer}, around, first)
				first = math.Min(math.Max(math.Abs(f.first)*kelvin, 1), 40)
				mean[i], vari[i], logW[i] = f.mean, f.variance, f.evidence-z*z/2
				hot[i] = f.first
				most = math.Max(most, logW[i])
				i++
			}
		}
	}
	var w, m1, m2, begun float64
	for i := range n {
		x := math.Exp(logW[i] - most)
		w += x
		m1 += x * mean[i]
		begun += x * hot[i]
		m2 += x * (vari[i] + mean[i]*mean[i])
	}
	m1 /= w
	v := math.Max(0, m2/w-m1*m1)
	k = m1 * kelvin
	patch := patchShare * begun / w * kelvin * math.Exp(-(r.till-r.from).Seconds()/patchLasts)
	doubt = math.Sqrt(v*kelvin*kelvin + tailShare*tailShare*k*k + patch*patch + leastDoubt*leastDoubt)
	return k, doubt
}

// fitted is e when the rest began and e*left at the newest reading with its variance, as ratios of the temperature, and the
// logarithm of the evidence for the shape.
type fitted struct{ first, mean, variance, evidence float64 }

// terms is how many numbers a fit finds: a, e, s and a bend so many seconds before the newest reading.
const terms = 7

func bends() [terms - 3]float64 { return [...]float64{20, 60, 150, 400} }

func (r *rest) fit(sh shape, around, first float64) fitted {
	end := (r.till - r.from).Seconds()
	abs := math.Max(r.newest()+around, 1e3)
	sd := r.sigma()
	y0 := math.Log(abs)
	var h [terms][terms]float64
	var g [terms]float64
	cost := 0.0
	h[0][0] = 1e-6
	h[1][1] = 1 / (excessSd * excessSd)
	h[2][2] = 1 / (slowSd * slowSd)
	for j := 3; j < terms; j++ {
		h[j][j] = 1 / (bendSd * bendSd)
	}
	before := bends()
	for i := range r.n {
		b := &r.block[i]
		off := misfit * (1 + jetMisfit*math.Exp(-b.t/jetLasts))
		w := abs * abs / (sd*sd/float64(b.n) + off*off)
		y := math.Log(math.Max(b.p+around, 1e3)) - y0
		x := [terms]float64{1, sh.left(b.t, first), b.t - end} // counted from the end
		for j, s := range before {
			if s < end {
				x[3+j] = math.Max(0, b.t-end+s)
			}
		}
		for j, xj := range x {
			for k, xk := range x[:j+1] {
				h[j][k] += w * xj * xk
			}
			g[j] += w * xj * y
		}
		cost += w * y * y
	}
	u, logDet, inv := solve(&h, &g)
	for j := range u {
		cost -= u[j] * g[j]
	}
	f := sh.left(end, first)
	return fitted{first: u[1], mean: u[1] * f, variance: inv * f * f, evidence: -cost/2 - logDet/2}
}

// solve solves h*u = g for a symmetric positive h, of which it takes the lower half, and returns with it the logarithm of
// the determinant and the second element of the inverse's diagonal.
func solve(h *[terms][terms]float64, g *[terms]float64) (u [terms]float64, logDet, second float64) {
	var l [terms][terms]float64
	logDet = factor(h, &l)
	unit := [terms]float64{1: 1}
	u = *g
	back(&l, &u)
	back(&l, &unit)
	return u, logDet, unit[1]
}

// factor is Cholesky's: h = l times its transpose. It returns the logarithm of h's determinant.
func factor(h, l *[terms][terms]float64) (logDet float64) {
	for i := range terms {
		for j := range i + 1 {
			s := h[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(math.Max(s, 1e-12))
				logDet += 2 * math.Log(l[i][i])
				continue
			}
			l[i][j] = s / l[j][j]
		}
	}
	return logDet
}

// back puts in place of g what l times its transpose makes g of.
func back(l *[terms][terms]float64, g *[terms]float64) {
	for i := range terms {
		for k := range i {
			g[i] -= l[i][k] * g[k]
		}
		g[i] /= l[i][i]
	}
	for i := terms - 1; i >= 0; i-- {
		for k := i + 1; k < terms; k++ {
			g[i] -= l[k][i] * g[k]
		}
		g[i] /= l[i][i]
	}
}
