// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// A frame is the tank and all ranks at one moment, about 0.1 s after the last. What happened between two frames is
// decided once the frames after it are seen: a step is sought between two means of a third of a second.
const (
	leastFrame = 90 * time.Millisecond // faster readings are averaged
	stepSpan   = 0.3                   // s, the span of each of the two means
	ringSize   = 64                    // frames kept; a power of two
	ringMask   = ringSize - 1
	onSpan     = 0.8 // s, over which a running compressor is recognised
	delayTank  = 1.2 // s, after which nothing is taken back
)

// What happened between the frame before and this one.
const (
	markFill   uint8 = 1 << iota // air went from the tank to a rank, or elsewhere in a rush
	markVent                     // a rank let air out
	markOn                       // the compressor delivers, or may
	markHole                     // a reading is missing
	markFillAt                   // a short fill, at its steepest
	markVentAt                   // a short vent, at its steepest
)

// line is the frames of one pressure.
type line struct {
	grain

	v    [ringSize]float64 // Pa gauge, NaN where there was no reading
	mark [ringSize]uint8
}

func (l *line) at(n int) float64 { return l.v[n&ringMask] }

// mean is that of the h frames that end at n.
func (l *line) mean(n, h int) float64 {
	s := 0.0
	for i := n - h + 1; i <= n; i++ {
		s += l.v[i&ringMask]
	}
	return s / float64(h)
}

func (l *line) put(m uint8, from, to int) {
	for i := from; i <= to; i++ {
		l.mark[i&ringMask] |= m
	}
}

func (l *line) push(n int, v float64) {
	l.v[n&ringMask] = v
	l.mark[n&ringMask] = 0
	if math.IsNaN(v) {
		l.mark[n&ringMask] = markHole
		l.n = 0
		return
	}
	l.add(v)
}

// frames is the common clock of all lines.
type frames struct {
	at    [ringSize]time.Duration
	n     int     // the newest frame
	dt    float64 // s between frames, running mean
	h     int     // frames in stepSpan
	since int     // first frame after the last hole
}

func (f *frames) time(n int) time.Duration { return f.at[n&ringMask] }

// push adds a frame and reports whether it follows the last one without a hole.
func (f *frames) push(at time.Duration) bool {
	d := (at - f.at[f.n&ringMask]).Seconds()
	f.n++
	f.at[f.n&ringMask] = at
	if f.n == 1 {
		f.since = 1
		return true
	}
	if f.dt == 0 {
		f.dt = min(d, maxInterval.Seconds())
	}
	joined := d <= max(1, 3*f.dt)
	if joined {
		f.dt += (d - f.dt) / 32
	} else {
		f.since = f.n
		f.dt = min(max(f.dt, d/8), maxInterval.Seconds()) // a recording may just be slower than its start
	}
	f.h = max(1, min(6, int(stepSpan/f.dt+0.5)))
	return joined
}

// have reports whether the last n frames follow each other.
func (f *frames) have(n int) bool { return f.n-f.since+1 >= n }

// slope is the least-squares slope of a line over the last k frames, Pa/s.
func (f *frames) slope(l *line, k int) float64 {
	var st, sv, stt, stv float64
	t0 := f.time(f.n)
	for i := f.n - k + 1; i <= f.n; i++ {
		t := (f.time(i) - t0).Seconds()
		v := l.at(i)
		st += t
		sv += v
		stt += t * t
		stv += t * v
	}
	n := float64(k)
	return (n*stv - st*sv) / (n*stt - st*st)
}
