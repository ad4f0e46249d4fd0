// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"math"
	"slices"
	"time"

	"airhold/firmware/leakdown"
)

// What else moves a rank's pressure. All of it is uncertainty, none is corrected; from memory and common practice.
const (
	creepShare   = 0.07  // standard uncertainty: filled rubber creeps a few per cent of its deflection per decade of time
	leastStretch = 2e-7  // 1/Pa: no bag is stiffer than this, whatever is declared
	leastStep    = 200e3 // Pa: a rank was filled or vented by about this
	driftKelvin  = 2.0   // K in ten minutes: what air around and sun do to a rank, standard uncertainty
	fillKelvin   = 10.0  // K: what filling or venting leaves in a rank's air ...
	fillTime     = 40.0  // s: ... and how fast it goes
	jumpPressure = 4e3   // Pa: a step of this size in a few seconds is a valve or a person, not a leak
)

// course is a rank's pressure in blocks of one second.
type course struct {
	at    []float64 // s since the watch began
	gauge []float64 // Pa
	rest  float64   // s that the rank had rested at the watch's beginning
	moved bool      // it was filled or vented in the watch: rest counts from there
}

// series makes blocks of a second: the median keeps single spikes out.
func series(list []leakdown.Sample, begin, rested time.Duration, known bool) course {
	c := course{rest: restNeed.Seconds()}
	if known {
		c.rest = rested.Seconds()
	}
	block := []float64{}
	second := math.Inf(-1)
	flush := func() {
		if len(block) > 0 {
			c.at = append(c.at, second+0.5)
			c.gauge = append(c.gauge, median(block))
			block = block[:0]
		}
	}
	for _, s := range list {
		if at := math.Floor((s.At - begin).Seconds()); at != second {
			flush()
			second = at
		}
		block = append(block, s.Pressure)
	}
	flush()
	return c
}

func median(list []float64) float64 {
	s := slices.Sorted(slices.Values(list))
	return (s[len(s)/2] + s[(len(s)-1)/2]) / 2
}

func (c *course) length() float64 {
	if len(c.at) == 0 {
		return 0
	}
	return c.at[len(c.at)-1] - c.at[0]
}

func (c *course) short() bool { return c.length() < leastTime.Seconds()-2 || len(c.at) < 8 }

// cut drops what lies before the rank came to rest: up to its last step in the watch, and up to three minutes of rest
// where enough is left then.
func (c *course) cut(_ Rank) {
	const reach = 3 // blocks on either side
	n := len(c.at)
	if n > 4*reach {
		slopes := make([]float64, 0, n-1)
		for i := 1; i < n; i++ {
			slopes = append(slopes, (c.gauge[i]-c.gauge[i-1])/(c.at[i]-c.at[i-1]))
		}
		usual := median(slopes)
		for i := n - reach - 1; i >= reach; i-- {
			before, after := median(c.gauge[i-reach:i]), median(c.gauge[i+1:i+1+reach])
			apart := median(c.at[i+1:i+1+reach]) - median(c.at[i-reach:i])
			if apart < 4*reach && math.Abs(after-before-usual*apart) > jumpPressure {
				c.moved, c.rest = true, -c.at[i]
				c.drop(c.at[i] + 5)
				break
			}
		}
	}
	if settled := restNeed.Seconds() - c.rest; len(c.at) > 0 && settled > c.at[0] && c.at[len(c.at)-1]-settled >= leastTime.Seconds() {
		c.drop(settled)
		if len(c.at) > 0 && c.rest+c.at[0] >= restNeed.Seconds() {
			c.moved = false
		}
	}
}

// drop leaves out what is before a time.
func (c *course) drop(before float64) {
	i := 0
	for i < len(c.at) && c.at[i] < before {
		i++
	}
	c.at, c.gauge = c.at[i:], c.gauge[i:]
}

// flow is the slope of the rank's air content, p*V(p)/p0: this counts the stretch exactly, since its derivative is
// (V + p*dV/dp)*p'/p0. Creep is fitted beside it as the logarithm of the time since the last fill, held by a prior whose
// mean is zero; Huber's weights keep bumps out.
func (c *course) flow(r Rank, around float64) Flow {
	n := len(c.at)
	content := make([]float64, n)
	mean, gauge := 0.0, 0.0
	for i, g := range c.gauge {
		content[i] = r.content(g, around)
		mean += c.at[i] / float64(n)
		gauge += g / float64(n)
	}
	shape := make([]float64, n)
	for i := range shape {
		shape[i] = math.Log(math.Max(1, c.rest+c.at[i]) / math.Max(1, c.rest+mean))
	}
	step := math.Max(math.Abs(gauge), leastStep)
	creep := creepShare / math.Ln10 * (gauge + around) / anrPressure * r.Volume * math.Max(r.Stretch, leastStretch) * step

	weight := make([]float64, n)
	for i := range weight {
		weight[i] = 1
	}
	sigma := math.Max(noise(content), 2e-5*content[0])
	var x [3]float64
	var cov [3][3]float64
	rest := make([]float64, n)
	for range 6 {
		x, cov = regress(c.at, shape, content, weight, mean, sigma, creep)
		for i := range rest {
			rest[i] = content[i] - x[0] - x[1]*(c.at[i]-mean) - x[2]*shape[i]
			weight[i] = math.Min(1, 1.345*sigma/math.Max(math.Abs(rest[i]), 1e-300))
		}
	}
	u := math.Sqrt(cov[1][1]) * alike(rest, sigma)
	air := content[n/2]
	drift := air * driftKelvin / anrKelvin / 600 * math.Sqrt(600/math.Max(600, c.length()))
	warm := air * fillKelvin / anrKelvin / fillTime * math.Exp(-math.Max(0, c.rest+c.at[0])/fillTime)
	return Flow{
		Volume: r.Name, Net: -x[1], U: math.Sqrt(u*u + drift*drift + warm*warm),
		Start: c.gauge[0] + around, Mean: gauge + around,
	}
}

// content is the air in a rank in m3 ANR, at 20 degC.
func (r Rank) content(gauge, around float64) float64 {
	return (gauge + around) * r.Volume * (1 + r.Stretch*gauge) / anrPressure
}

// noise is the standard deviation of a series from its second differences, so that a slope does not count.
func noise(y []float64) float64 {
	d := make([]float64, 0, len(y))
	for i := 2; i < len(y); i++ {
		d = append(d, math.Abs(y[i]-2*y[i-1]+y[i-2]))
	}
	if len(d) == 0 {
		return 0
	}
	return median(d) / 0.6745 / math.Sqrt(6)
}

// alike is by how much neighbouring residuals lie alike: means of ten scatter more than a tenth part of noise would.
func alike(rest []float64, sigma float64) float64 {
	const span = 10
	sum, n := 0.0, 0
	for i := 0; i+span <= len(rest); i += span {
		m := 0.0
		for _, v := range rest[i : i+span] {
			m += math.Max(-4*sigma, math.Min(4*sigma, v)) / span
		}
		sum += m * m * span
		n++
	}
	if n == 0 {
		return 1
	}
	return math.Max(1, math.Sqrt(sum/float64(n))/sigma)
}

// regress fits content = x0 + x1*(t-mean) + x2*shape by weighted least squares with a prior of zero on x2.
func regress(at, shape, content, weight []float64, mean, sigma, creep float64) (x [3]float64, cov [3][3]float64) {
	half := math.Max(1, at[len(at)-1]-mean)
	unit := [3]float64{1, half, 1} // columns of about one keep the normal matrix healthy
	h := grid(3, 3)
	g := make([]float64, 3)
	for i := range at {
		col := [3]float64{1, (at[i] - mean) / half, shape[i]}
		w := weight[i] / (sigma * sigma)
		for a := range col {
			g[a] += w * col[a] * content[i]
			for b := range col {
				h[a][b] += w * col[a] * col[b]
			}
		}
	}
	h[2][2] += 1 / (creep * creep)
	low, _, ok := cholesky(h)
	if !ok {
		return x, cov
	}
	inverse := grid(3, 3)
	for a := range 3 {
		e := make([]float64, 3)
		e[a] = 1
		inverse[a] = backward(low, forward(low, e))
	}
	for a := range 3 {
		x[a] = dot(inverse[a], g) / unit[a]
		for b := range 3 {
			cov[a][b] = inverse[a][b] / unit[a] / unit[b]
		}
	}
	return x, cov
}

// backward solves transpose(low)*x = y.
func backward(low [][]float64, y []float64) []float64 {
	n := len(y)
	x := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		s := y[i]
		for j := i + 1; j < n; j++ {
			s -= low[j][i] * x[j]
		}
		x[i] = s / low[i][i]
	}
	return x
}
