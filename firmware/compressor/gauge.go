// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"time"
)

// gauge follows a quantity that wanders: a switch point, the lift. It is a scalar Kalman filter of a random walk (from
// memory); values far off are not believed until several in a row on that side agree with each other.
type gauge struct {
	mean  float64
	vari  float64 // of mean
	at    time.Duration
	n     int
	above doubt
	below doubt
}

// doubt is the values that were not believed.
type doubt struct {
	mean float64
	n    int
}

// walk is how a gauge's quantity behaves.
type walk struct {
	least float64 // sd of the best value
	hour  float64 // sd by which it wanders in an hour
	up    int     // so many odd values in a row are believed when they lie above
	down  int
}

const gaugeFar = 4.0 // sd from which a value is odd

// sd is how well the quantity is known at a time, one sigma.
func (g *gauge) sd(at time.Duration, w walk) float64 {
	d := max(0, (at - g.at).Hours())
	return math.Sqrt(g.vari + w.hour*w.hour*d + w.least*w.least/4)
}

// see takes a value that is known to within sd.
func (g *gauge) see(at time.Duration, v, sd float64, w walk) {
	sd = max(sd, w.least)
	if g.n == 0 {
		*g = gauge{mean: v, vari: 4 * sd * sd, at: at, n: 1}
		return
	}
	p := g.sd(at, w)
	d := v - g.mean
	if math.Abs(d) > gaugeFar*math.Hypot(p, sd) {
		o, row := &g.below, w.down
		if d > 0 {
			o, row = &g.above, w.up
		}
		if math.Abs(v-o.mean) > gaugeFar*sd {
			*o = doubt{mean: v}
		}
		o.n++
		o.mean += (v - o.mean) / float64(o.n)
		if o.n >= row {
			*g = gauge{mean: o.mean, vari: 4 * sd * sd, at: at, n: 1}
		}
		return
	}
	g.below.n, g.above.n = 0, 0
	g.n++
	gain := p * p / (p*p + sd*sd)
	g.mean += gain * d
	g.vari, g.at = (1-gain)*p*p, at
}
