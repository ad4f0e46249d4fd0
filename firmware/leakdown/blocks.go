// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"math"
	"slices"
	"time"
)

// block is the mean of the samples of a stretch of time: fine at first, coarser as the air calms.
type block struct {
	t, span  float64 // s, of the middle; s
	pressure float64 // Pa gauge
	y        float64 // ln of (absolute pressure times relative volume)
	variance float64 // of y, from the noise
	off      bool    // left out: it does not fit what stands around it
}

// width is how long a block is that begins at time t, in s. The times of estimates are multiples of it.
func width(t float64) float64 {
	switch {
	case t < 60:
		return 1
	case t < 120:
		return 2
	case t < 300:
		return 5
	default:
		return 10
	}
}

// heat is one reading of the wall or of the air around.
type heat struct{ t, kelvin float64 }

// gatherer turns samples into blocks.
type gatherer struct {
	s      *Setup
	blocks []block
	wall   []heat
	air    []heat

	begun    bool
	zero     time.Duration
	last     float64 // s, of the newest good sample
	lastAny  float64
	from, to float64 // of the block under way
	at, p    []float64
	bad      int
	good     int
	spikes   int
	badSince float64 // s; negative: none
	gap      float64 // the longest so far
	first    float64 // Pa gauge of the first good sample

	rough []float64 // second differences of the newest samples
	tail  [2]float64
	tails int
	step  float64 // smallest change between two samples: the converter's step
}

const roughMost = 400

// add takes one sample and reports whether a block ended before it.
func (g *gatherer) add(s Sample) {
	if !g.begun {
		g.begun, g.zero = true, s.At
		g.badSince, g.step = -1, math.Inf(1)
		g.to = width(0)
	}
	t := (s.At - g.zero).Seconds()
	if t < g.lastAny {
		return
	}
	g.lastAny = t
	if s.Wall > 0 {
		g.wall = append(g.wall, heat{t, s.Wall})
	}
	if s.Ambient > 0 {
		g.air = append(g.air, heat{t, s.Ambient})
	}
	g.flush(t)
	if s.Bad || math.IsNaN(s.Pressure) || math.IsInf(s.Pressure, 0) {
		g.bad++
		if g.badSince < 0 {
			g.badSince = t
		}
		return
	}
	if g.good == 0 {
		g.first = s.Pressure
		if g.s.VolumeAtStart {
			g.s.Volume /= math.Max(1+g.s.Stretch*s.Pressure, 0.1)
		}
	}
	g.badSince = -1
	if g.good > 0 {
		g.gap = math.Max(g.gap, t-g.last)
	}
	g.good++
	g.last = t
	g.roughness(s.Pressure)
	g.at, g.p = append(g.at, t), append(g.p, s.Pressure)
}

func (g *gatherer) roughness(p float64) {
	if g.tails > 0 {
		if d := math.Abs(p - g.tail[1]); d > 0 && d < g.step {
			g.step = d
		}
	}
	if g.tails > 1 {
		d := math.Abs(g.tail[0] - 2*g.tail[1] + p)
		if len(g.rough) < roughMost {
			g.rough = append(g.rough, d)
		} else {
			g.rough[g.good%roughMost] = d
		}
	}
	g.tail[0], g.tail[1] = g.tail[1], p
	g.tails++
}

// flush ends all blocks that end at or before t.
func (g *gatherer) flush(t float64) {
	for t >= g.to-1e-6 {
		g.end()
		if t-g.to > 1000 { // a leap of time needs no blocks
			g.to = math.Floor(t/10) * 10
		}
		g.from = g.to
		g.to += width(g.from + 1e-6)
	}
}

// end makes a block of the samples gathered. A sample far from the line through its block is a spike: it is left out and
// counted.
func (g *gatherer) end() {
	if len(g.p) == 0 {
		return
	}
	sigma := g.sigma()
	keep := g.spikeless(sigma)
	n := float64(len(keep))
	if n == 0 {
		g.at, g.p = g.at[:0], g.p[:0]
		return
	}
	var t, p float64
	for _, i := range keep {
		t += g.at[i] / n
		p += g.p[i] / n
	}
	g.at, g.p = g.at[:0], g.p[:0]
	variance := sigma * sigma / n
	if sigma < g.step/2 && !math.IsInf(g.step, 0) { // noise too small to even out the converter's steps
		variance = math.Max(variance, g.step*g.step/12)
	}
	slope := g.s.slope(p)
	g.blocks = append(g.blocks, block{t: t, span: g.to - g.from, pressure: p, y: g.s.level(p), variance: variance * slope * slope})
}

func (g *gatherer) spikeless(sigma float64) []int {
	keep := make([]int, 0, len(g.p))
	if len(g.p) < 4 {
		for i := range g.p {
			keep = append(keep, i)
		}
		return keep
	}
	mid := slices.Clone(g.p)
	slices.Sort(mid)
	median := mid[len(mid)/2]
	// The block itself may fall: half of what it falls from end to end is no spike.
	half := math.Abs(mid[len(mid)*3/4]-mid[len(mid)/4]) * 1.5
	most := math.Max(6*sigma, 2*g.lsb()) + half
	for i, p := range g.p {
		if math.Abs(p-median) > most {
			g.spikes++
			continue
		}
		keep = append(keep, i)
	}
	return keep
}

func (g *gatherer) lsb() float64 {
	if math.IsInf(g.step, 0) {
		return 0
	}
	return g.step
}

// sigma estimates the noise of one sample from second differences, which a smooth fall leaves small.
func (g *gatherer) sigma() float64 {
	if len(g.rough) < 6 {
		return 0.0005 * g.s.FullScale
	}
	sorted := slices.Clone(g.rough)
	slices.Sort(sorted)
	// 0.6745 is the median of a normal distribution's absolute value, sqrt(6) the noise's share in a second difference.
	s := sorted[len(sorted)/2] / 0.6745 / math.Sqrt(6)
	return math.Max(math.Max(s, g.lsb()/math.Sqrt(12)), 1e-6*g.s.FullScale)
}

// level is ln of absolute pressure times the volume relative to that without pressure.
func (s *Setup) level(gauge float64) float64 {
	return math.Log(math.Max(gauge+s.Barometer, 1)) + math.Log1p(s.Stretch*gauge)
}

// slope is how much level changes with pressure, 1/Pa.
func (s *Setup) slope(gauge float64) float64 {
	return 1/math.Max(gauge+s.Barometer, 1) + s.Stretch/(1+s.Stretch*gauge)
}

// pressure is the gauge pressure of a level: the inverse of level.
func (s *Setup) pressure(level float64) float64 {
	whole := math.Exp(level)
	if s.Stretch <= 0 {
		return whole - s.Barometer
	}
	// (p + B)(1 + S p) = whole
	half := (1 + s.Stretch*s.Barometer) / 2
	return (math.Sqrt(half*half+s.Stretch*(whole-s.Barometer)) - half) / s.Stretch
}

// size is the volume at a gauge pressure, m3.
func (s *Setup) size(gauge float64) float64 { return s.Volume * (1 + s.Stretch*gauge) }

// trend is the slope of a temperature's readings from time from on, K/s, and the time they cover; false where they cover
// less than half a minute.
func trend(h []heat, from float64) (slope, over float64, ok bool) {
	var n, st, sk float64
	for _, p := range h {
		if p.t >= from {
			n, st, sk = n+1, st+p.t, sk+p.kelvin
			over = p.t - from
		}
	}
	if n < 3 || over < 30 {
		return 0, 0, false
	}
	var stt, stk float64
	for _, p := range h {
		if p.t >= from {
			d := p.t - st/n
			stt += d * d
			stk += d * (p.kelvin - sk/n)
		}
	}
	return stk / stt, over, stt > 0
}
