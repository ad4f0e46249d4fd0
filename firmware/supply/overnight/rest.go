// SPDX-License-Identifier: Apache-2.0

package overnight

import (
	"math"
	"time"
)

// verdict is what a second's pressure says about a rest.
type verdict uint8

const (
	calm   verdict = iota
	broken         // something works on the place
	gone           // readings were missing: nobody knows
)

const (
	jump       = 800.0 // Pa from one pair of seconds to the next that no rest makes: a supply of 0.4 kPa/s, a valve
	cooling    = 1.3   // by how much a cooling tank's fall may grow from one pair to the next; in truth it only shrinks
	usualNoise = 160.0 // Pa of a second's mean: 0.05 % of 1 MPa at 10 readings a second
	blockCount = 32
)

// rest is one rest: its newest seconds, which may yet turn out to be its end, and before them its whole course in blocks
// that grow with it.
type rest struct {
	on   bool
	from time.Duration
	till time.Duration // newest second that counts
	seen time.Duration // newest second
	gap  float64       // usual time between seconds with a reading, s

	pend  [6]point // not yet counted
	pends int
	tail  [5]float64 // newest that count
	tails int

	block [blockCount]block
	n     int
	each  int // seconds a block
	noise float64
}

type point struct {
	at time.Duration
	p  float64
}

type block struct {
	t, p float64 // s since from, Pa
	n    int
}

// begin starts a rest with its first second.
func (r *rest) begin(at time.Duration, p float64) {
	noise, gap := r.noise, r.gap
	*r = rest{on: true, from: at, till: at, seen: at, each: 1, noise: noise, gap: gap}
	r.pend[0] = point{at, p}
	r.pends = 1
}

// forget ends a rest; the next second begins another one.
func (r *rest) forget() { r.on, r.pends, r.tails, r.n = false, 0, 0, 0 }

// ripe reports whether the rest has a reading that counts.
func (r *rest) ripe() bool { return r.on && r.tails > 0 && r.till-r.from >= stillFor }

// newest is the mean of the newest seconds that count.
func (r *rest) newest() float64 {
	n := min(r.tails, len(r.tail))
	if n == 0 {
		return 0
	}
	sum := 0.0
	for i := range n {
		sum += r.tail[i]
	}
	return sum / float64(n)
}

// first is the mean of the newest seconds before those in which a rest that is not ripe was broken, and when that was;
// false where there are none, or where they were not still themselves.
func (r *rest) first() (p float64, at time.Duration, ok bool) {
	if !r.on || r.pends < len(r.pend) {
		return 0, 0, false
	}
	a := (r.pend[0].p + r.pend[1].p) / 2
	b := (r.pend[2].p + r.pend[3].p) / 2
	if math.Abs(a-b) > math.Max(jump, 6*r.sigma())/2 {
		return 0, 0, false
	}
	return a, r.pend[1].at, true
}

// take adds a second.
func (r *rest) take(at time.Duration, p float64) verdict {
	if !r.on {
		r.begin(at, p)
		return calm
	}
	d := (at - r.seen).Seconds()
	if d <= 0 {
		return calm
	}
	if d > math.Max(10, 3*r.gap) && r.gap > 0 || d > 60 {
		return gone
	}
	if r.gap == 0 {
		r.gap = d
	}
	r.gap += (math.Min(d, 20) - r.gap) / 8
	r.seen = at
	if r.pends == len(r.pend) {
		r.count(r.pend[0])
		copy(r.pend[:], r.pend[1:])
		r.pends--
	}
	r.pend[r.pends] = point{at, p}
	r.pends++
	if r.pends >= 3 {
		r.listen(r.pend[r.pends-3].p - 2*r.pend[r.pends-2].p + p)
	}
	if r.pends < len(r.pend) {
		return calm
	}
	a := (r.pend[0].p + r.pend[1].p) / 2
	b := (r.pend[2].p + r.pend[3].p) / 2
	c := (r.pend[4].p + r.pend[5].p) / 2
	limit := math.Max(jump, 6*r.sigma())
	if c-b > limit || b-c > cooling*math.Max(0, a-b)+limit {
		return broken
	}
	return calm
}

// listen learns the noise of a second's mean from second differences, which a slow course does not touch.
func (r *rest) listen(d float64) {
	if r.noise == 0 {
		r.noise = usualNoise * usualNoise
	}
	r.noise += (math.Min(d*d/6, 1e6) - r.noise) / 64
}

func (r *rest) sigma() float64 {
	if r.noise == 0 {
		return usualNoise
	}
	return math.Sqrt(r.noise)
}

// count takes a second into the course.
func (r *rest) count(p point) {
	r.till = p.at
	r.tail[r.tails%len(r.tail)] = p.p
	r.tails++
	t := (p.at - r.from).Seconds()
	if r.n > 0 && r.block[r.n-1].n < r.each {
		b := &r.block[r.n-1]
		b.n++
		b.t += (t - b.t) / float64(b.n)
		b.p += (p.p - b.p) / float64(b.n)
		return
	}
	if r.n == blockCount {
		for i := range blockCount / 2 {
			a, b := r.block[2*i], r.block[2*i+1]
			w := float64(b.n) / float64(a.n+b.n)
			r.block[i] = block{t: a.t + (b.t-a.t)*w, p: a.p + (b.p-a.p)*w, n: a.n + b.n}
		}
		r.n /= 2
		r.each *= 2
	}
	r.block[r.n] = block{t: t, p: p.p, n: 1}
	r.n++
}
