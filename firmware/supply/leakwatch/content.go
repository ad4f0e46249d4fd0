// SPDX-License-Identifier: Apache-2.0

package leakwatch

import "math"

// trail follows a rank between the movements of its valves: what its content lost.
type trail struct {
	run          int     // frames of the present run
	anchor       float64 // m3 ANR at anchorAt
	anchorAt     float64 // s
	have         bool
	fills, vents int     // short ones since the last run
	before       float64 // slope before the gap, m3/s
	beforeOK     bool
	gap          float64
	pending      bool

	ring  [8]float64 // content of the newest frames of the run
	t     [8]float64
	theta float64 // K by which the air is warmer than around
	prev  float64 // ln p of the frame before
	begun bool
}

const (
	rankFilm    = 7.0   // s, in which a rank's air takes its bags' temperature (common practice, no source),
	filmAt      = 400e3 // at this absolute pressure: less air takes it sooner
	bridgeable  = 1.3   // s: over a longer movement of a valve nobody knows what the terrain did
	slopeRun    = 5     // frames, from which the slope beside a gap is taken
	keepSlope   = 1.3
	terrainStep = 6e3 // Pa that terrain may do meanwhile
)

// mean is that of the newest h frames of the run, and its time.
func (k *trail) mean(h int) (c, t float64) {
	for i := k.run - h; i < k.run; i++ {
		c += k.ring[i&7]
		t += k.t[i&7]
	}
	return c / float64(h), t / float64(h)
}

// slope is that of the newest frames of the run, 1/s.
func (k *trail) slope() float64 {
	var st, sv, stt, stv float64
	t0 := k.t[(k.run-1)&7]
	for i := k.run - slopeRun; i < k.run; i++ {
		t := k.t[i&7] - t0
		v := k.ring[i&7]
		st += t
		sv += v
		stt += t * t
		stv += t * v
	}
	return (slopeRun*stv - st*sv) / (slopeRun*stt - st*st)
}

// tally is what a rank lost, m3 ANR, in a time, and how many short movements of its valves were counted.
type tally struct {
	lost, dt     float64
	fills, vents int
	run, runTime float64 // of lost, between movements of valves, and its time
}

func (y *tally) add(o tally) {
	y.lost += o.lost
	y.dt += o.dt
	y.fills += o.fills
	y.vents += o.vents
	y.run += o.run
	y.runTime += o.runTime
}

// block takes frame n, of which nothing is taken back any more.
func (r *rank) block(w *Watch, n int) (y tally) {
	k := &r.trail
	v := r.line.at(n)
	if math.IsNaN(v) {
		*k = trail{}
		return y
	}
	const around = 293.0
	h := w.frames.h
	p := v + w.baro
	lp := math.Log(p)
	if k.begun {
		k.theta += 0.286 * around * (lp - k.prev)
		film := 1.4 * rankFilm * p / filmAt
		k.theta -= k.theta * w.frames.dt / (film + w.frames.dt)
	}
	k.prev, k.begun = lp, true
	if m := r.line.mark[n&ringMask]; m != 0 {
		if m&markFillAt != 0 {
			k.fills++
		}
		if m&markVentAt != 0 {
			k.vents++
		}
		if k.run >= h {
			c, t := k.mean(h)
			y.lost, y.dt = k.anchor-c, t-k.anchorAt
			y.run, y.runTime = y.lost, y.dt
			k.anchor, k.anchorAt = c, t
			if k.pending {
				k.pending = false
				if k.beforeOK {
					y.lost -= keepSlope * k.before * k.gap
					y.dt += k.gap
				}
			}
			k.beforeOK = k.run >= slopeRun
			if k.beforeOK {
				k.before = k.slope()
			}
		}
		k.run = 0
		return y
	}
	k.ring[k.run&7] = r.content(w, v) * around / (around + k.theta)
	k.t[k.run&7] = w.frames.time(n).Seconds()
	k.run++
	if k.run == h {
		c, t := k.mean(h)
		gap := t - k.anchorAt
		if k.have && gap < bridgeable {
			short := float64(k.fills-k.vents) * r.jump / 1.4
			if math.Abs(c-k.anchor-short*r.capacity(p, w.baro)) < terrainStep*r.capacity(p, w.baro) {
				y = tally{lost: k.anchor - c, dt: gap, fills: k.fills, vents: k.vents}
			} else {
				k.pending, k.gap = true, gap
			}
		}
		k.fills, k.vents = 0, 0
		k.anchor, k.anchorAt, k.have = c, t, true
		return y
	}
	if k.run == slopeRun && k.pending {
		k.pending = false
		s := k.slope()
		if k.beforeOK {
			s = (s + k.before) / 2
		}
		return tally{lost: -keepSlope * s * k.gap, dt: k.gap}
	}
	if k.run > slopeRun && k.run%h == 0 {
		c, t := k.mean(h)
		y.lost, y.dt = k.anchor-c, t-k.anchorAt
		y.run, y.runTime = y.lost, y.dt
		k.anchor, k.anchorAt = c, t
	}
	return y
}

// content is the free air in the rank at gauge pressure v, m3 ANR, as if at 20 degC.
func (r *rank) content(w *Watch, v float64) float64 {
	return (v + w.baro) / refPressure * r.Volume * (1 + r.Stretch*(v-r.level))
}
