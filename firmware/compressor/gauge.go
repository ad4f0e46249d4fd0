// SPDX-License-Identifier: Apache-2.0

package compressor

import "math"

// gauge follows a quantity that drifts: a switch point, the lift. Values far off are not believed until several in a
// row on that side agree with each other.
type gauge struct {
	mean  float64
	sd    float64 // of a value
	n     int
	above doubt
	below doubt
}

// doubt is the values that were not believed.
type doubt struct {
	mean float64
	n    int
}

const (
	gaugeGain = 0.25 // weight of a new value, once there are some
	gaugeFar  = 4.0  // sd from which a value is odd
	gaugeRow  = 4
)

// see takes a value; least is the sd below which nothing of this kind is known. So many odd values in a row are believed
// when they lie above; below it takes gaugeRow.
func (g *gauge) see(v, least float64, up int) {
	if g.n == 0 {
		*g = gauge{mean: v, sd: 3 * least, n: 1}
		return
	}
	d := v - g.mean
	if math.Abs(d) > gaugeFar*max(g.sd, least) {
		o, row := &g.below, gaugeRow
		if d > 0 {
			o, row = &g.above, up
		}
		if math.Abs(v-o.mean) > gaugeFar*least {
			*o = doubt{mean: v}
		}
		o.n++
		o.mean += (v - o.mean) / float64(o.n)
		if o.n >= row {
			*g = gauge{mean: o.mean, sd: 3 * least, n: 1}
		}
		return
	}
	g.below.n, g.above.n = 0, 0
	g.n++
	w := max(gaugeGain, 1/float64(g.n))
	g.mean += w * d
	g.sd = max(least, math.Sqrt(g.sd*g.sd+w*(d*d-g.sd*g.sd)))
}
