// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"math"
	"slices"
	"time"

	"airhold/firmware/leakdown"
)

// What else moves a rank's pressure. But for creep, whose sign is known, all of it is uncertainty and none is corrected;
// from memory and common practice.
const (
	creepShare   = 0.04                  // filled rubber creeps by this share of its deflection per decade of time ...
	creepU       = 0.04                  // ... standard uncertainty of that
	ventedBelow  = 100e3                 // Pa gauge: a rank this low was let down, and its rubber goes back
	leastStretch = 2e-7                  // 1/Pa: no bag is stiffer than this, whatever is declared
	leastStep    = 200e3                 // Pa: a rank was filled or vented by about this
	driftKelvin  = 2.0                   // K in ten minutes: what air around and sun do to a rank, standard uncertainty
	fillKelvin   = 10.0                  // K: what filling or venting leaves in a rank's air ...
	fillTime     = 40.0                  // s: ... and how fast it goes
	changeShare  = 0.15                  // a flow changes on the way by this share, standard uncertainty at either end of the watch ...
	changeFlow   = 0.05 * litrePerMinute // ... and by this, since two flows may balance
	jumpPressure = 4e3                   // Pa: a step of this size in a few seconds is a valve or a person, not a leak
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
func (c *course) cut() {
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
// (V + p*dV/dp)*p'/p0. Two things are fitted beside it, each held by a prior: creep, as the logarithm of the time since
// the last fill or vent, and a flow that changes on the way; the change that the rank's own pressure brings is put into
// the slope's time. Huber's weights keep bumps out. The tank's pressure may be unknown (NaN).
func (c *course) flow(r Rank, around, tank float64) Flow {
	n := len(c.at)
	content := make([]float64, n)
	mean, gauge := 0.0, 0.0
	for i, g := range c.gauge {
		content[i] = r.content(g, around)
		mean += c.at[i] / float64(n)
		gauge += g / float64(n)
	}
	half := math.Max(1, c.length()/2)
	pressure := gauge + around
	step := math.Max(math.Abs(gauge), leastStep)
	creep := 1 / math.Ln10 * pressure / anrPressure * r.slack() * math.Max(r.Stretch, leastStretch) * step

	grows := 1.0
	if gauge < ventedBelow {
		grows = -1
	}
	shape, bend := make([]float64, n), make([]float64, n)
	for i := range n {
		shape[i] = math.Log(math.Max(1, c.rest+c.at[i]) / math.Max(1, c.rest+mean))
		u := (c.at[i] - mean) / half
		bend[i] = (u*u - 1.0/3) * half / 2
		content[i] += grows * creepShare * creep * shape[i]
	}
	f := line{y: content, columns: [][]float64{c.time(func(float64) float64 { return 1 }, pressure), shape, bend}}
	net, u := 0.0, 0.0
	for range 3 {
		f.prior = []float64{0, creepU * creep, changeShare*math.Abs(net) + changeFlow}
		x, cov := f.solve()
		net, u = -x[0], math.Sqrt(cov)*f.alike
		rises := net < 0
		f.columns[0] = c.time(func(p float64) float64 {
			if rises && finite(tank) {
				return through(tank, p+around, ratio)
			}
			if rises {
				return 1
			}
			return through(p+around, around, ratio)
		}, gauge)
	}
	air := content[n/2]
	drift := air * driftKelvin / anrKelvin / 600
	warm := air * fillKelvin / anrKelvin / fillTime * math.Exp(-math.Max(0, c.rest+c.at[0])/fillTime)
	return Flow{
		Volume: r.Name, Net: net, U: math.Sqrt(u*u + drift*drift + warm*warm),
		Start: c.gauge[0] + around, Mean: pressure,
	}
}

// time returns the time of each block from the mean one, run at the pace of a flow that depends on the pressure: what
// passes at the mean pressure passes at pace one.
func (c *course) time(pace func(gauge float64) float64, mean float64) []float64 {
	t := make([]float64, len(c.at))
	unit := pace(mean)
	sum := 0.0
	for i := range t {
		if i > 0 {
			step := c.at[i] - c.at[i-1]
			if rate := pace((c.gauge[i] + c.gauge[i-1]) / 2); math.Abs(unit) > 0 {
				step *= math.Max(0.2, math.Min(5, rate/unit))
			}
			t[i] = t[i-1] + step
		}
		sum += t[i] / float64(len(t))
	}
	for i := range t {
		t[i] -= sum
	}
	return t
}

// slack is the volume at atmospheric pressure, m3.
func (r Rank) slack() float64 { return r.Volume / math.Max(1+r.Stretch*r.VolumeAt, 0.1) }

// content is the air in a rank in m3 ANR, at 20 degC.
func (r Rank) content(gauge, around float64) float64 {
	return (gauge + around) * r.slack() * (1 + r.Stretch*gauge) / anrPressure
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

// line is a robust fit of y = constant + sum of x[j]*columns[j], with a prior of zero and the given standard deviation on
// each x[j]; a deviation of zero means no prior.
type line struct {
	y       []float64
	columns [][]float64
	prior   []float64
	sigma   float64 // noise, found by solve
	alike   float64 // by how much neighbouring residuals lie alike, at least 1, found by solve
}

// solve returns the coefficients and the variance of the first one.
func (f *line) solve() (x []float64, variance float64) {
	n, k := len(f.y), len(f.columns)+1
	f.sigma = math.Max(noise(f.y), 2e-5*math.Abs(f.y[0]))
	weight := make([]float64, n)
	for i := range weight {
		weight[i] = 1
	}
	unit := make([]float64, k) // columns of about one keep the normal matrix healthy
	unit[0] = 1
	for j, c := range f.columns {
		for _, v := range c {
			unit[j+1] = math.Max(unit[j+1], math.Abs(v))
		}
		unit[j+1] = math.Max(unit[j+1], 1e-12)
	}
	rest := make([]float64, n)
	at := func(i, j int) float64 {
		if j == 0 {
			return 1
		}
		return f.columns[j-1][i] / unit[j]
	}
	for range 5 {
		h, g := grid(k, k), make([]float64, k)
		for i := range n {
			w := weight[i] / (f.sigma * f.sigma)
			for a := range k {
				g[a] += w * at(i, a) * (f.y[i] - f.y[0])
				for b := range k {
					h[a][b] += w * at(i, a) * at(i, b)
				}
			}
		}
		for j, sd := range f.prior {
			if sd > 0 {
				h[j+1][j+1] += 1 / (sd * sd * unit[j+1] * unit[j+1])
			}
		}
		low, _, ok := cholesky(h)
		if !ok {
			return make([]float64, k-1), math.Inf(1)
		}
		z := backward(low, forward(low, g))
		e := make([]float64, k)
		e[1] = 1
		variance = backward(low, forward(low, e))[1] / (unit[1] * unit[1])
		x = make([]float64, k-1)
		for j := range x {
			x[j] = z[j+1] / unit[j+1]
		}
		for i := range n {
			fitted := f.y[0]
			for j := range k {
				fitted += z[j] * at(i, j)
			}
			rest[i] = f.y[i] - fitted
			weight[i] = math.Min(1, 1.345*f.sigma/math.Max(math.Abs(rest[i]), 1e-300))
		}
	}
	f.alike = alike(rest, f.sigma)
	return x, variance
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
