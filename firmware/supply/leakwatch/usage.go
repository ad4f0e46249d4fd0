// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// usage is what goes out of the tank, minute by minute, by the compressor's settled on-time: what came less what the tank
// stored. What a sound machine's bags and drains take is learned; a leak that has grown beyond what its own evidence can
// count shows as what goes out beyond that.
type usage struct {
	ring [256]held
	n    int
	upTo time.Duration // up to here the minutes are worked out

	minutes [10]outMinute
	k       int

	usual  float64 // m3/s ANR, mean of some minutes, while nothing is up
	spread float64 // of such a mean
	count  int
}

// held is the free air in the tank at a time, m3 ANR.
type held struct {
	at   time.Duration
	mass float64
}

// outMinute is a minute that ended at a time.
type outMinute struct {
	at   time.Duration
	flow float64 // m3/s ANR
	on   float64 // share that the compressor delivered
}

const (
	minuteLong    = time.Minute
	usualMemory   = 120.0 // minutes
	usualEnough   = 30
	nearWork      = 5 * time.Minute
	grownLeast    = 15 * litreMn // of an excess that says anything
	grownOver     = 5            // minutes
	grownSure     = 2.5          // standard deviations that the excess has to be over nothing
	restlessShare = 0.98         // of the time that a compressor delivers which cannot keep up
	givesDoubt    = 0.07         // of the delivery as learned, standard uncertainty as a ratio
)

// tick takes the tank of this second and works out the minutes that are settled by now.
func (u *usage) tick(w *Watch, at time.Duration) {
	c := w.o.Compressor
	if c == nil || w.o.Volume <= 0 || !w.heat.begun {
		return
	}
	v := w.tank.mean(w.frames.n, max(1, w.frames.h))
	if math.IsNaN(v) || at-w.in.at > w.silence() {
		u.n, u.upTo = 0, 0
		return
	}
	if u.n > 0 && at-u.last().at > silent {
		u.n, u.upTo = 0, 0
	}
	u.ring[u.n%len(u.ring)] = held{at, w.mass(v + w.baro)}
	u.n++
	if u.upTo == 0 {
		u.upTo = at
	}
	settled := c.Settled()
	for settled >= u.upTo+minuteLong && at >= u.upTo+minuteLong {
		from, to := u.upTo, u.upTo+minuteLong
		u.upTo = to
		before, ok1 := u.find(from)
		after, ok2 := u.find(to)
		share, known := c.OnShare(from, to)
		if !ok1 || !ok2 || !known || w.gives() == 0 {
			continue
		}
		out := w.gives()*share - (after-before)/minuteLong.Seconds()
		u.minutes[u.k%len(u.minutes)] = outMinute{to, out, share}
		u.k++
		u.learn(w, to)
	}
}

func (u *usage) last() *held { return &u.ring[(u.n-1)%len(u.ring)] }

// find returns the air in the tank at a time; false where the ring does not hold it.
func (u *usage) find(at time.Duration) (float64, bool) {
	for i := u.n - 1; i >= max(0, u.n-len(u.ring)); i-- {
		h := &u.ring[i%len(u.ring)]
		if d := at - h.at; d >= 0 {
			return h.mass, d <= 3*time.Second
		}
	}
	return 0, false
}

// learn follows what a sound machine uses while it works. Minutes alone would not do: what a lift lets out the next minute
// fills again.
func (u *usage) learn(w *Watch, at time.Duration) {
	if w.lastWork == 0 || at-w.lastWork > nearWork || w.raised() || w.quiet.up() >= calm || w.holding(at) {
		return
	}
	out, _, n := u.mean(at-2*grownOver*minuteLong, grownOver)
	if n < grownOver {
		return
	}
	u.count++
	share := 1 / math.Min(float64(u.count), usualMemory)
	e := out - u.usual
	u.usual += share * e
	u.spread = math.Sqrt(math.Max(0, (1-share)*(u.spread*u.spread+share*e*e)))
}

// mean is the mean of the newest minutes that began after a time, at most so many, and how much of them the compressor
// delivered.
func (u *usage) mean(since time.Duration, most int) (flow, on float64, n int) {
	for i := u.k - 1; i >= max(0, u.k-min(most, len(u.minutes))); i-- {
		if m := &u.minutes[i%len(u.minutes)]; m.at-minuteLong >= since {
			flow += m.flow
			on += m.on
			n++
		}
	}
	if n == 0 {
		return 0, 0, 0
	}
	return flow / float64(n), on / float64(n), n
}

// grown puts what goes out beyond the usual in the place of a leak's size where that is plainly larger: counting stops to
// see a leak that keeps a fill valve open. It holds only where one place is raised.
func (w *Watch) grown(l Leak) Leak {
	u := &w.usage
	if u.count < usualEnough || w.places() != 1 {
		return l
	}
	out, on, n := u.mean(l.Since, grownOver)
	if n < 3 {
		return l
	}
	usual, plainly := u.usual, 2.0
	sd := math.Hypot(u.spread*math.Sqrt(grownOver/float64(n)), givesDoubt*out)
	if on > restlessShare { // the bags get what is left, which is anything from nothing to the usual
		usual /= 2
		sd = math.Hypot(sd, usual/math.Sqrt(3))
		plainly = 0 // here counting sees too little for certain
	}
	excess := out - usual
	if excess < grownLeast || (l.Sized && excess-plainly*sd < max(l.Flow.SI, plainly/2*l.Flow.High)) || excess < grownSure*sd {
		return l
	}
	half := pneumatics.CoverageFactor * sd
	l.Flow = findings.Measure{SI: excess, Unit: w.flow, Reference: units.ANR, Low: math.Max(0, excess-half), High: excess + half}
	l.Sized = true
	return l
}

// places is how many places are raised.
func (w *Watch) places() int {
	n := 0
	if w.quiet.raised {
		n++
	}
	if w.balance.evidence.raised {
		n++
	}
	for i := range w.ranks {
		if w.ranks[i].raisedOnce() > 0 {
			n++
		}
	}
	return n
}
