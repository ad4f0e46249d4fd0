// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"time"
)

// hover finds the pump that runs without getting anywhere: a leak takes what it delivers, so there is no rise to
// see, only small movements about one level. A tank without a supply can do nothing but fall. So the best falling
// curve is laid through the last minutes (antitonic least squares, pool-adjacent-violators; Barlow, Bartholomew,
// Bremner, Brunk 1972, from memory), after taking out of every rise what heat and sun can explain, and what it
// misses is compared with the noise. Being still is no evidence: a tight parked tank is still, too.
type hover struct {
	open   bool
	start  time.Duration
	sum    float64
	sumT   float64
	n      int
	prev   point
	have   bool
	credit float64 // what heat may still give back, Pa
	y      float64 // pressure without explained rises

	ring  [slowBlocks]point // y
	raw   [slowBlocks]float64
	k     int
	since time.Duration // blocks before do not count
	hits  int
	from  point // start of the first rise that no falling curve explains, raw pressure
	noise noise
}

const (
	slowBlock  = 9 * time.Second // block of the slow part: noise of a fast channel averages out, 10 s rows stay rows
	slowBlocks = 36              // six minutes of them
	slowFew    = 12              // two minutes: fewer tell nothing
	slowMiss   = 200.0           // Pa: a signal that toggles between two 12-bit codes of 10 bar misses by 152 at most
	slowRatio  = 0.5             // miss over noise, in variance; the noise estimate contains some of the movement
	slowStart  = 2.5             // lag-one correlation of the miss times the root of the count; white noise has 0 +- 1
	slowKeep   = 1.5             // the same for a pump known to run
)

func (h *hover) reset() {
	h.open, h.have, h.k, h.hits, h.credit, h.since = false, false, 0, 0, 0, 0
	h.noise.restart()
}

func (h *hover) clear(at time.Duration) { h.since, h.hits = at, 0 }

// add takes a fine block and reports whether the blocks since barrier show a supply.
func (h *hover) add(b point, barrier time.Duration, ties float64) bool {
	h.since = max(h.since, barrier)
	full := false
	if h.open && b.at-h.start >= slowBlock {
		h.close()
		full = true
	}
	if !h.open {
		h.open, h.start, h.sum, h.sumT, h.n = true, b.at, 0, 0, 0
	}
	h.sum += b.v
	h.sumT += (b.at - h.start).Seconds()
	h.n++
	if !full {
		return false
	}
	if !h.shows(ties) {
		h.hits = 0
		return false
	}
	h.hits++
	return h.hits >= 2
}

func (h *hover) close() {
	h.open = false
	n := float64(h.n)
	p := point{at: h.start + time.Duration(h.sumT/n*float64(time.Second)), v: h.sum / n}
	h.noise.add(p.v)
	if !h.have {
		h.have, h.prev, h.y = true, p, p.v
	} else {
		dt := (p.at - h.prev.at).Seconds()
		d := p.v - h.prev.v - max(0, p.v+101325)*sunRate*dt
		h.credit *= math.Exp(-dt / heatTime)
		if d < 0 {
			h.credit -= heatShare * d
		} else {
			warm := min(d, h.credit)
			h.credit -= warm
			d -= warm
		}
		h.y += d
		h.prev = p
	}
	h.ring[h.k%slowBlocks] = point{at: p.at, v: h.y}
	h.raw[h.k%slowBlocks] = p.v
	h.k++
}

// shows lays the falling curve and judges the miss.
func (h *hover) shows(want float64) bool {
	var x, fit [slowBlocks]float64
	n := 0
	firstAt := 0
	for i := max(0, h.k-slowBlocks); i < h.k; i++ {
		if p := h.ring[i%slowBlocks]; p.at >= h.since {
			if n == 0 {
				firstAt = i
			}
			x[n] = p.v
			n++
		}
	}
	if n < slowFew {
		return false
	}
	first := falling(x[:n], fit[:n])
	var third [3]float64
	var count [3]int
	miss, ties, before := 0.0, 0.0, 0.0
	for i := range n {
		r := x[i] - fit[i]
		miss += r * r
		third[i*3/n] += r * r
		count[i*3/n]++
		ties += r * before
		before = r
	}
	if miss == 0 || first < 0 {
		return false
	}
	sd2 := h.noise.sd() * h.noise.sd()
	mean := miss / float64(n)
	if mean < slowMiss*slowMiss || mean < slowRatio*sd2 || ties/miss*math.Sqrt(float64(n)) < want {
		return false
	}
	spread := 0 // one bump is no pump: two of three parts must show it
	for j := range third {
		if m := third[j] / float64(count[j]); m >= slowMiss*slowMiss && m >= slowRatio*sd2 {
			spread++
		}
	}
	if spread < 2 {
		return false
	}
	j := (firstAt + first) % slowBlocks
	h.from = point{at: h.ring[j].at, v: h.raw[j]}
	return true
}

// falling writes the least-squares falling curve of x into fit and returns the index at which its first level part
// starts that pools several points, -1 where x falls all the way.
func falling(x, fit []float64) int {
	var sum [slowBlocks]float64
	var size [slowBlocks]int
	m := 0
	for _, v := range x {
		sum[m], size[m] = v, 1
		m++
		for m > 1 && sum[m-1]*float64(size[m-2]) > sum[m-2]*float64(size[m-1]) {
			sum[m-2] += sum[m-1]
			size[m-2] += size[m-1]
			m--
		}
	}
	first, i := -1, 0
	for k := range m {
		if size[k] > 1 && first < 0 {
			first = i
		}
		for range size[k] {
			fit[i] = sum[k] / float64(size[k])
			i++
		}
	}
	return first
}
