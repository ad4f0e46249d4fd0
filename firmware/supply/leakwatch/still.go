// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// A rank that stands still, its valves shut, is a closed volume: its fall is its leak. Windows begin 10 s after its
// last movement, because the air warms or cools for that long and the rubber gives way.
const (
	afterMove    = 10 * time.Second
	stillLong    = 5.0 // s of a window
	stillLeast   = 3.0 // s
	stillSpread  = 0.5 * litreMn
	stillBase    = 0.6 * litreMn // most of what counts as a sound rank's creep
	roughTimes   = 2.0           // scatter about the line over the sensor's noise, above which something moves
	stillMemory  = 120.0
	thermalShare = 0.6 // of the correction for warming air, that it may have wrong
	stillWait    = 3.0 // s
	stillCount   = 30  // windows before the creep is known
	backFlow     = 5e3 // Pa that the tank must be above the rank, so that no valve lets the rank's air back into it
)

// window gathers a still stretch of a rank.
type window struct {
	n                int
	t0, last         float64
	t, tt, y, ty, yy float64
	v, c, theta      float64 // Pa gauge, m3 ANR and K at its begin
}

// stillFrame takes a settled frame of a rank that stands still.
func (r *rank) stillFrame(w *Watch, n int, still bool) {
	q := &r.win
	at := w.frames.time(n)
	now := at.Seconds()
	v := r.line.at(n)
	if !r.target.alive(at) && at-r.restAt < settleWork {
		still = false // small movements of the valves are not seen as well without a wanted pressure
	}
	if still && w.tank.at(n) < v+backFlow {
		still = false
		w.notes.say(ofBack, at)
	}
	ok := still && !math.IsNaN(v) && r.line.mark[n&ringMask] == 0 && at-r.moved > afterMove && v > 5e3
	if r.ripe.sd > 0 {
		switch {
		case !still || at-r.moved < afterMove:
			r.ripe.sd = 0 // it was about to move
		case now-r.ripe.to > stillWait:
			r.stillAdd(w)
			r.ripe.sd = 0
		}
	}
	if q.n > 0 && (!ok || now-q.t0 >= stillLong) {
		if q.last-q.t0 >= stillLeast {
			r.stillClose(w)
		}
		q.n = 0
	}
	if !ok {
		return
	}
	c := r.content(w, v) * reference / (reference + r.trail.theta)
	if q.n == 0 {
		*q = window{t0: now, v: v, c: c, theta: r.trail.theta}
	}
	t, y := now-q.t0, c-q.c
	q.n++
	q.last = now
	q.t += t
	q.tt += t * t
	q.y += y
	q.ty += t * y
	q.yy += y * y
}

func (r *rank) stillClose(w *Watch) {
	q := &r.win
	n := float64(q.n)
	den := n*q.tt - q.t*q.t
	if q.n < 4 || den <= 0 {
		return
	}
	slope := (n*q.ty - q.t*q.y) / den
	rest := (q.yy - q.y*q.y/n - slope*slope*den/n) / (n - 2)
	p := q.v + w.baro
	k := r.capacity(p, w.baro) * reference / w.ambient.or(w.frames.time(w.frames.n), reference)
	sd := r.line.sd() * k
	if rest > roughTimes*roughTimes*sd*sd {
		return
	}
	x := -slope
	spread := math.Hypot(sd*math.Sqrt(n/den), stillSpread)
	spread = math.Hypot(spread, thermalShare*q.c/reference*(r.trail.theta-q.theta)/(q.last-q.t0))
	r.ripe = stillFlow{from: q.t0, to: q.last, x: x, sd: spread, pressure: driven(p, w.baro)}
}

// stillFlow is what a closed window found. A planter that is about to move has begun to: it waits for stillWait.
type stillFlow struct{ from, to, x, sd, pressure float64 }

// stillAdd weighs a window after which nothing moved.
func (r *rank) stillAdd(w *Watch) {
	q := &r.ripe
	base := max(-stillBase, min(stillBase, r.creep.mean))
	from, to := seconds(q.from), seconds(q.to)
	if w.holding(to) {
		return
	}
	learning := w.learning() || r.creep.count < stillCount
	if learning || r.calm {
		r.creep.add(q.x, q.sd, stillSpread, stillMemory)
	}
	if !w.learning() {
		r.still.add(from, to, q.x-base, q.sd, q.pressure)
	}
}

// capacity is the free air that a Pa more puts into the rank, m3/Pa: bags stretch.
func (r *rank) capacity(p, baro float64) float64 {
	return r.Volume * (1 + r.Stretch*(p-baro-r.level) + p*r.Stretch) / refPressure
}
