// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"time"
)

const (
	grain      = 100 * time.Millisecond // of the pressure kept for edges
	grains     = 1024
	edgeReach  = 1250 * time.Millisecond // how far a refined edge may lie from the coarse one
	sidePoints = 4                       // of pressure on each side of a hinge at least
	edgeSide   = 1250 * time.Millisecond // of pressure looked at beyond that
)

// trail is the last minute or two of pressure, one mean each grain or each reading of a slower channel.
type trail struct {
	ring [grains]point
	n    int
	open point
	sumT float64
	k    int
}

func (q *trail) drop() { q.n, q.k = 0, 0 }

func (q *trail) add(at time.Duration, v float64) {
	if q.k > 0 && at-q.open.at >= grain-grain/8 {
		q.close()
	}
	if q.k == 0 {
		q.open, q.sumT = point{at: at}, 0
	}
	q.open.v += v
	q.sumT += (at - q.open.at).Seconds()
	q.k++
}

func (q *trail) close() {
	k := float64(q.k)
	q.ring[q.n%grains] = point{at: q.open.at + time.Duration(q.sumT/k*float64(time.Second)), v: q.open.v / k}
	q.n++
	q.k = 0
}

// window copies what lies in from..to, in seconds from zero and Pa above the first, and returns how many points.
func (q *trail) window(from, to, zero time.Duration, t, v []float64) (n int, base float64) {
	first := q.n
	for first > max(0, q.n-grains+1) && q.ring[(first-1)%grains].at >= from {
		first--
	}
	for i := first; i < q.n && n < len(t); i++ {
		p := q.ring[i%grains]
		if p.at > to {
			break
		}
		if n == 0 {
			base = p.v
		}
		t[n], v[n] = (p.at - zero).Seconds(), p.v-base
		n++
	}
	return n, base
}

// bend is where one straight line turns into another.
type bend struct {
	at            time.Duration
	level         float64 // pressure there, Pa
	before, after float64 // slopes, Pa/s
	miss          float64 // root of the mean square by which the lines miss the pressure, Pa
}

// hinge lays two straight lines that meet through the pressure around at (least squares) and returns where they meet;
// false where too little was seen.
func (q *trail) hinge(at time.Duration) (bend, bool) {
	var t, v [96]float64
	n, base := q.window(at-edgeReach-edgeSide, at+edgeReach+edgeSide, at, t[:], v[:])
	best := bend{}
	least := math.Inf(1)
	try := func(tau float64) {
		level, before, after, rest, ok := twoLines(t[:n], v[:n], tau)
		if ok && rest < least {
			least = rest
			best = bend{at + time.Duration(tau*float64(time.Second)), base + level, before, after, math.Sqrt(max(0, rest) / float64(n))}
		}
	}
	const step = 0.05
	reach := edgeReach.Seconds()
	for i := range int(2*reach/step) + 1 {
		// A line through three points of noise may have any slope.
		if tau := -reach + step*float64(i); n > 2*sidePoints && t[sidePoints-1] < tau && t[n-sidePoints] > tau {
			try(tau)
		}
	}
	return best, !math.IsInf(least, 1)
}

// twoLines fits level + before*min(t-tau, 0) + after*max(t-tau, 0).
func twoLines(t, v []float64, tau float64) (level, before, after, rest float64, ok bool) {
	var n, s1, s2, q1, q2, y0, y1, y2, yy float64
	for i := range t {
		x := t[i] - tau
		y := v[i]
		n++
		y0 += y
		yy += y * y
		if x < 0 {
			s1 += x
			q1 += x * x
			y1 += x * y
		} else {
			s2 += x
			q2 += x * x
			y2 += x * y
		}
	}
	if q1 <= 0 || q2 <= 0 {
		return 0, 0, 0, 0, false
	}
	// The normal equations: before and after are known once the level is.
	den := n - s1*s1/q1 - s2*s2/q2
	if den < 1e-9 {
		return 0, 0, 0, 0, false
	}
	level = (y0 - s1*y1/q1 - s2*y2/q2) / den
	before = (y1 - s1*level) / q1
	after = (y2 - s2*level) / q2
	rest = yy - level*y0 - before*y1 - after*y2
	return level, before, after, rest, true
}

// falls returns when the pressure last fell through level within from..to, and how fast; false where it did not.
func (q *trail) falls(from, to time.Duration, level float64) (at time.Duration, slope float64, ok bool) {
	var t, v [96]float64
	n, base := q.window(from, to, from, t[:], v[:])
	level -= base
	const half = 2 // points on each side that make the slope
	for i := n - 1 - half; i > half; i-- {
		a := (v[i-2] + v[i-1] + v[i]) / 3
		b := (v[i-1] + v[i] + v[i+1]) / 3
		if a > level && b <= level {
			d := t[i+half] - t[i-1-half]
			slope = (v[i+half] - v[i-1-half]) / d
			s := t[i-1] + (t[i]-t[i-1])*(a-level)/(a-b)
			return from + time.Duration(s*float64(time.Second)), slope, true
		}
	}
	return 0, 0, false
}

// high returns the highest pressure in from..to, of what is kept.
func (q *trail) high(from, to time.Duration) float64 {
	top := math.Inf(-1)
	for i := q.n - 1; i >= max(0, q.n-grains) && q.ring[i%grains].at >= from; i-- {
		if p := q.ring[i%grains]; p.at <= to {
			top = max(top, p.v)
		}
	}
	return top
}

// low returns the lowest pressure in from..to, a mean of three points, and when it was.
func (q *trail) low(from, to time.Duration) (v float64, at time.Duration) {
	var t, p [96]float64
	n, base := q.window(from, to, from, t[:], p[:])
	v, at = math.Inf(1), from
	for i := 1; i < n-1; i++ {
		if m := (p[i-1] + p[i] + p[i+1]) / 3; m < v {
			v, at = m, from+time.Duration(t[i]*float64(time.Second))
		}
	}
	return base + v, at
}

// leaves returns when the pressure was last at or under level in from..to; false where it never was.
func (q *trail) leaves(from, to time.Duration, level float64) (time.Duration, bool) {
	for i := q.n - 1; i >= max(0, q.n-grains) && q.ring[i%grains].at >= from; i-- {
		if p := q.ring[i%grains]; p.at <= to && p.v <= level {
			return p.at, true
		}
	}
	return 0, false
}

// level returns the pressure at a time, a mean of three points.
func (q *trail) level(at time.Duration) (float64, bool) {
	for i := q.n - 2; i > max(0, q.n-grains+1); i-- {
		if q.ring[i%grains].at <= at {
			return (q.ring[(i-1)%grains].v + q.ring[i%grains].v + q.ring[(i+1)%grains].v) / 3, true
		}
	}
	return 0, false
}
