// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// balance is the mass balance of the tank, minute by minute: what the compressor delivered, less what the tank stored,
// less what went to the ranks, is lost. Delivery wanders by some per cent, so while the compressor rests now and then
// the quiet decay sees more; the balance's own sum counts only where there was no quiet stretch for minutes.
type balance struct {
	evidence evidence

	delivery  float64 // learned, m3/s ANR; 0: not yet
	known     learner
	run       onRun
	lastPiece time.Duration

	have           bool
	mass, previous float64 // m3 ANR in the tank now, and Pa gauge at the minute's start
	from           time.Duration
	open           minute
}

// minute is what the tank's balance was over a minute, m3 ANR.
type minute struct {
	quiet float64 // s without a fill
	lost  float64 // m3 ANR that went in them
}

// onRun is a stretch in which the compressor delivers and nothing is taken.
type onRun struct {
	n              int
	at, last       float64 // s
	mass, lastMass float64
}

const (
	restless      = 4 * time.Minute // without a quiet stretch the compressor does not rest
	balanceSpread = 0.10            // sd of a minute's balance as a share of the delivery
	leastRun      = 2.0             // s of a run from which delivery is learned
	enoughRuns    = 10
)

func (b *balance) init() {
	b.evidence.init(NotPlaced, fromBalance, balanceDesigns(), balanceThreshold)
	b.evidence.size = sizer{alike: 1, share: 0.15}
}

// mass is the free air in the tank at an absolute pressure, m3 ANR.
func (w *Watch) mass(p float64) float64 {
	return w.o.Volume * p / refPressure * reference / (w.heat.wall + w.heat.theta[w.thermo.best])
}

// gives is what the compressor delivers: learned, else rated; 0 where neither is known.
func (w *Watch) gives() float64 {
	if w.balance.delivery > 0 {
		return w.balance.delivery
	}
	return w.o.Delivery
}

// frame takes a settled frame.
func (b *balance) frame(w *Watch, n int) {
	v := w.tank.at(n)
	if math.IsNaN(v) || !w.heat.begun {
		b.have = false
		return
	}
	at, dt := w.frames.time(n), w.frames.dt
	m := w.tank.mark[n&ringMask]
	mass := w.mass(w.tank.mean(n, min(3, w.frames.h)) + w.baro)
	b.learn(w, at.Seconds(), mass, m)
	if !b.have {
		b.have, b.from, b.mass, b.previous = true, at, mass, v
		b.open = minute{}
		return
	}
	gain := mass - b.mass
	b.mass = mass
	o := &b.open
	in := 0.0
	if m&markOn != 0 {
		in = w.gives() * dt
	}
	if m&markFill == 0 {
		o.quiet += dt
		o.lost += in - gain
	}
	if at-b.from >= time.Minute {
		b.close(w, at, v)
	}
}

// learn measures what the tank gains while the compressor runs and nothing is taken.
func (b *balance) learn(w *Watch, now, mass float64, m uint8) {
	q := &b.run
	if m == markOn && !w.stands(seconds(now)) {
		q.n++
		if q.n == 8 { // the first frames were marked before it was certain
			q.at, q.mass = now, mass
		}
		q.last, q.lastMass = now, mass
		return
	}
	if q.n > 8 && q.last-q.at > leastRun {
		gain := (q.lastMass-q.mass)/(q.last-q.at) + w.o.Bleed
		if d := w.o.Delivery; d == 0 || (gain > 0.5*d && gain < 1.5*d) {
			b.known.add(gain, 0.1*gain, 0.05*gain, 60)
			if b.known.count >= enoughRuns {
				b.delivery = b.known.mean
			}
		}
	}
	q.n = 0
}

// close works out the minute that ends now.
func (b *balance) close(w *Watch, at time.Duration, v float64) {
	o, d := b.open, w.gives()
	from, before := b.from, b.previous
	b.from, b.previous, b.open = at, v, minute{}
	charging := v-before > 0.25*d*60*refPressure/w.o.Volume
	if d == 0 || o.quiet < 20 || charging || at-b.lastPiece < restless || at-w.first < restless || w.holding(at) {
		return
	}
	b.evidence.add(from, at, o.lost/o.quiet-w.o.Bleed, balanceSpread*d, driven(v+w.baro, w.baro))
}
