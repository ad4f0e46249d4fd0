// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// The sizes of a step that show an open valve, Pa. Control bands are of the order of some kilopascals (common practice,
// no source); terrain moves a bag by about as much, but slower, and never takes air from the tank.
const (
	leastJump  = 0.8e3 // of a rank
	leastVent  = 1.7e3
	sureMove   = 6e3   // of a rank: the valve stays open
	longDrop   = 1e3   // of the tank meanwhile
	ownDrop    = 2.2e3 // of the tank with no rank rising: air taken elsewhere
	edgeSlack  = 1.1e3 // within which of its edge a movement begins
	fillScore  = 4.0   // logarithm of the odds for a fill
	offEdge    = 8.0   // taken off them away from the edge
	clearJump  = 0.7   // of a short fill: a rise that is one by itself
	tankBefore = 2     // frames about a fill in which the tank's fall is not a leak's
	tankAfter  = 2
	apart      = 6 // frames between movements of two ranks that do not disturb each other
	jumpClip   = 500.0
	jumpPace   = 0.03
	sideExtra  = 2      // frames more than stepSpan on either side
	stepNoise  = 8.6    // of a step with a common slope, times the variance of one frame over the frames of a side
	edgeFirst  = 400.0  // s until the edges are known roughly
	edgeMemory = 1800.0 // s in which valves move
	playBand   = 7e3    // half the band, at most, where no wanted pressure is known
)

// peak follows a statistic from frame to frame and tells its local maximum, so that a short movement of a valve is
// marked where it was and not for as long as it can be seen.
type peak struct {
	best       float64
	drop, step float64 // of the tank and of the rank at the best
	at         int
	up         bool
}

// add takes the statistic of frame n and returns the frame of a maximum that is passed.
func (p *peak) add(n int, v float64, over bool) (at int, ok bool) {
	if over && (!p.up || v > p.best) {
		p.best, p.at, p.up = v, n, true
	}
	if p.up && (!over || n-p.at >= 3) {
		p.up = false
		return p.at, true
	}
	return 0, false
}

// steps finds what the newest frames say about valves and marks it.
func (w *Watch) steps() {
	f := &w.frames
	lean := 0.0 // slope of the tank that the compressor alone would make, Pa/s
	if w.on {
		lean = w.onSlope
	}
	g := f.h + sideExtra
	if !f.have(2*g+1) || w.o.Volume <= 0 {
		return
	}
	n, h := f.n, f.h
	c := n - g // the frame in the middle, which may lie within the movement
	sd := w.tank.sd() * math.Sqrt(2/float64(h))
	drop := w.tank.mean(c-1, h) - w.tank.mean(c+h, h) + lean*f.dt*float64(h+1)
	sudden := w.tank.mean(n-h, h) - w.tank.mean(n, h) + lean*f.dt*float64(h)
	filled, explained := false, 0.0
	for k := range w.ranks {
		r := &w.ranks[k]
		r.side = r.line.around(c, g)
		r.explains = 0
		if r.begun && r.side.jump > clearJump*r.jump && r.side.level-r.middle < r.bottom+edgeSlack {
			r.explains = r.jump * r.ratio(w)
		}
		explained += r.explains
	}
	for k := range w.ranks {
		r := &w.ranks[k]
		s := r.side
		if math.IsNaN(s.jump) || !r.begun {
			continue
		}
		own := r.line.sd() * math.Sqrt(stepNoise/float64(g))
		// What another rank's fill explains of the tank's fall is no evidence for this one.
		filled = r.fillAt(w, s, c, g, drop-(explained-r.explains), sd, own, lean) || filled
		r.ventAt(w, s, c, g, own)
		if f.time(c)-r.moved < 20*time.Second {
			r.edges(s, f.dt)
		}
	}
	if sudden > max(ownDrop, 4.5*sd) && !filled {
		w.tank.put(markFill, n-2*h+1, n)
	}
}

// side is what lies on both sides of a frame: the level before, and the step that is left when one straight line is
// taken off both.
type side struct{ before, after, level, jump float64 }

// around looks at g frames on either side of frame c.
func (l *line) around(c, g int) side {
	var s side
	var tilt, tilts float64
	mid := float64(g+1) / 2
	for i := 1; i <= g; i++ {
		b, a := l.at(c-i), l.at(c+i)
		s.before += b
		s.after += a
		x := float64(i) - mid
		tilt += x * (a - b)
		tilts += 2 * x * x
	}
	s.before /= float64(g)
	s.after /= float64(g)
	slope := 0.9 * tilt / tilts
	s.jump = s.after - s.before - slope*float64(g+1)
	s.level = s.before + slope*float64(g-1)/2
	return s
}

// fillAt looks for a fill about frame c: the rank jumps from the lower edge of its band, and the tank falls.
func (r *rank) fillAt(w *Watch, s side, c, g int, drop, sd, own, lean float64) bool {
	h := w.frames.h
	long := s.after-s.before > sureMove && drop > max(longDrop, 2.5*sd)
	if long {
		r.line.put(markFill, c-h, c+h)
		w.tank.put(markFill, c-h, c+h)
		r.long, r.moved = c, w.frames.time(c)
	}
	ratio := r.ratio(w)
	expect := r.jump * ratio
	score := -1.0
	if s.jump > leastJump && drop > 0.3*expect {
		score = expect/(sd*sd)*(drop-expect/2) + r.jump/(own*own)*(min(s.jump, 1.5*r.jump)-r.jump/2)
		if s.level-r.middle > r.bottom+edgeSlack {
			score -= offEdge
		}
	}
	over := score > fillScore
	if over && (!r.filled.up || score > r.filled.best) {
		r.filled.drop, r.filled.step = drop, s.jump
	}
	if at, ok := r.filled.add(c, score, over); ok {
		r.line.put(markFill, at-1, at+1)
		w.tank.put(markFill, at-tankBefore, at+tankAfter)
		r.moved = w.frames.time(c)
		if c-r.long > 2*g {
			r.line.put(markFillAt, at, at)
			r.centre(w, r.line.mean(at+3, 2))
		}
		if c-r.long > 2*g && r.calm {
			if lean == 0 && !w.elsewhere(r, at) {
				r.learnDrop(w, w.tank.mean(at-2, h)-w.tank.mean(at+h+1, h))
			}
			r.jump += max(-jumpClip, min(jumpClip, r.filled.step-r.jump)) * jumpPace
		}
	}
	return long || over
}

// elsewhere says whether another rank moved a valve about frame n.
func (w *Watch) elsewhere(r *rank, n int) bool {
	for k := range w.ranks {
		o := &w.ranks[k]
		if o == r {
			continue
		}
		for i := n - apart; i <= min(n+apart, w.frames.n); i++ {
			if o.line.mark[i&ringMask]&markFill != 0 {
				return true
			}
		}
	}
	return false
}

// learnDrop follows the median fall of the tank at a short fill.
func (r *rank) learnDrop(w *Watch, d float64) {
	if r.drop == 0 {
		r.drop = r.jump * r.ratio(w)
	}
	step := 0.02 * r.jump * r.ratio(w)
	if d > r.drop {
		r.drop += step
	} else {
		r.drop -= step
	}
}

// ratio is by how much the tank falls when a rank rises by a short fill: both are too quick for heat.
func (r *rank) ratio(w *Watch) float64 {
	p := r.middle + w.baro
	return r.Volume * (1 + 1.4*p*r.Stretch) / w.o.Volume
}

// ventAt looks for a vent about frame c: the rank falls from the upper edge of its band.
func (r *rank) ventAt(w *Watch, s side, c, g int, own float64) {
	h := w.frames.h
	long := s.before-s.after > sureMove
	if long {
		r.line.put(markVent, c-h, c+h)
		r.long, r.moved = c, w.frames.time(c)
	}
	over := -s.jump > max(leastVent, 2.5*own) && (long || s.level-r.middle > r.top-edgeSlack)
	if at, ok := r.vented.add(c, -s.jump, over); ok {
		r.line.put(markVent, at-1, at+1)
		if c-r.long > 2*g {
			r.line.put(markVentAt, at, at)
		}
		r.moved = w.frames.time(c)
	}
}

// edges follows between which pressures the control leaves its valves shut.
func (r *rank) edges(s side, dt float64) {
	const tail = 0.03
	pace := 60.0 // Pa/s
	if r.seen < edgeFirst {
		pace = 200
	}
	dev := s.level - r.middle
	if math.Abs(dev) > 15e3 {
		return
	}
	up, down := pace*dt*(1-tail), pace*dt*tail
	if dev > r.high {
		r.high += up
	} else {
		r.high -= down
	}
	if dev < r.low {
		r.low -= up
	} else {
		r.low += down
	}
	// The tails wander; their means over long do not, and a valve's edge stays where it is.
	r.seen = min(r.seen+dt, edgeMemory)
	if r.seen < edgeFirst {
		r.top, r.bottom = r.high, r.low
		return
	}
	r.top += (r.high - r.top) * dt / (r.seen - edgeFirst/2)
	r.bottom += (r.low - r.bottom) * dt / (r.seen - edgeFirst/2)
}

// centre moves the middle towards where a valve shut: a control stops on either side of what it wants. Where the
// wanted pressure is known, only how far the sensor is off is learned.
func (r *rank) centre(w *Watch, v float64) {
	if r.target.alive(w.frames.time(w.frames.n)) {
		if d := v - r.target.v - r.bias; math.Abs(d) < 4e3 {
			pace := 0.02
			if r.today < workAgain {
				pace = 0.08
			}
			r.bias += d * pace
		}
		return
	}
	r.middle += (v - r.middle) * 0.4
}
