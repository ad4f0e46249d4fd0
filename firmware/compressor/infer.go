// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"slices"
	"time"
)

// The thresholds of the inference. Each has a physical reason; none was fitted to a recording.
const (
	// minGap is the smallest switch gap believed. Common practice, no source: pressure switches of small
	// compressors have gaps of 1-2 bar, adjustable down to about half a bar.
	minGap = 30e3 // Pa
	// startRise is the rise beyond heat and sun that shows a pump: half of minGap, far above sensor noise (0.05 % of
	// 10 bar is 0.5 kPa).
	startRise = 15e3 // Pa
	// evidenceRise is the rise that shows a pump which is known to run to be running still: three times that noise.
	evidenceRise = 1.5e3 // Pa
	// stopFall is the fall that shows a stop at a known cut-out: six times that noise.
	stopFall = 3e3 // Pa
	// heatShare is (k-1)/k of air: the most that warming gives back of a quick fall.
	heatShare = 2.0 / 7
	// heatTime is the slowest time constant at which a tank's air warms again, s (12-90 s).
	heatTime = 90.0
	// sunRate over absolute pressure is the fastest rise from sun: 5 K in 10 min at 293 K, 1/s.
	sunRate = 5.0 / 293 / 600
	// quiet is how long a pump that still runs may give no sign: it must exceed the two minutes that the slow
	// evidence needs.
	quiet = 5 * time.Minute
	// settle is how long a fall must last before it is a stop at an unknown cut-out, and not one big draw-off.
	settle = 10 * time.Second
)

type event uint8

const (
	none event = iota
	turnedOn
	turnedOff
	resumed // the stop last told was none: the run goes on
)

// inference tells on from off by tank pressure: a fast part that follows turning points, and the slow part of hover.
type inference struct {
	state    State
	since    time.Duration // when the state began
	evidence time.Duration // last supply evidence
	from     float64       // pressure at the start of the run, Pa
	peak     float64       // highest pressure of the run, Pa
	began    bool          // the run began before watching did
	clean    bool          // it stopped at its peak
	steep    float64       // largest rise of the run from one block to the next, Pa
	start    time.Duration // of the last run
	steady   bool          // a rise showed the run, not movements about a level

	have  bool
	first time.Duration
	prev  point
	warm  float64 // highest pressure of the last heatTime or so, decaying
	lo    point
	loY   float64 // lo less what the sun may have added since first
	loWas float64 // warm at lo
	top   point   // highest since lo
	y     float64
	sun   float64
	hi    point
	low   point // lowest since hi

	ring  [512]point // for the hinge at a turning point; 4 min at two a second
	n     int
	noise noise
	slow  hover
}

func (f *inference) reset() {
	f.state, f.have, f.began, f.n, f.sun = Unknown, false, false, 0, 0
	f.slow.reset()
	f.noise.restart()
}

// add takes the next block and says what changed. in and out are the switch points, edge the pressure at which runs
// start at the earliest; NaN where not known.
func (f *inference) add(b point, in, out, edge float64) event {
	if !f.have {
		f.have, f.first, f.since, f.evidence = true, b.at, b.at, b.at
		f.prev, f.warm, f.lo, f.hi, f.low, f.top = b, b.v, b, b, b, b
		f.loY, f.loWas, f.y = b.v, b.v, b.v
		f.push(b)
		f.slow.add(b, b.at, slowKeep)
		f.noise.add(b.v)
		return none
	}
	dt := (b.at - f.prev.at).Seconds()
	f.sun += max(0, b.v+101325) * sunRate * dt
	f.warm = max(b.v, f.warm-(f.warm-b.v)*min(1, dt/heatTime))
	yPrev := f.y
	f.y = b.v - f.sun
	f.push(b)
	f.noise.add(b.v)
	var ev event
	if f.state == On {
		ev = f.whileOn(b, in, out)
	} else {
		ev = f.whileOff(b, yPrev, in, out, edge)
	}
	f.prev = b
	return ev
}

func (f *inference) whileOff(b point, yPrev, in, out, edge float64) event {
	if f.y <= f.loY {
		f.lo, f.loY, f.loWas, f.top = b, f.y, f.warm, b
	}
	if b.v >= f.top.v {
		f.top = b
	}
	barrier := f.since
	need := max(startRise, 8*f.noise.sd()) + heatShare*(f.loWas-f.lo.v)
	rise, before := f.y-f.loY, yPrev-f.loY
	if rise >= need && before >= need/5 { // two blocks: one spike starts no run
		if f.state == Off && f.start < f.since && f.lo.at-f.since < quiet && f.lo.v > in+f.margin(in, out) {
			// No switch starts so far above its cut-in: the stop was a draw-off while the pump ran.
			f.state, f.since = On, f.start
			f.peak = max(f.peak, f.top.v)
			f.show(b)
			return resumed
		}
		began := f.state == Unknown && f.lo.at-f.first < 3*max(blockLength, b.at-f.prev.at)
		top := f.top
		f.steady = true
		f.turnOn(b, f.crossing(f.lo, edge, in, out), f.lo.v, began)
		if top.at < b.at { // a run as short as the sampling period: it has turned already
			f.hi, f.peak, f.evidence = top, top.v, top.at
			f.steep = top.v - f.lo.v
		}
		return turnedOn
	}
	if f.slow.add(b, barrier, slowStart) {
		from := f.slow.from
		f.steady = false
		f.turnOn(b, from.at, from.v, f.state == Unknown)
		return turnedOn
	}
	if f.state == Unknown && b.at-f.first >= quiet {
		f.state, f.since = Off, f.first
	}
	return none
}

func (f *inference) turnOn(b point, start time.Duration, from float64, began bool) {
	f.state, f.since, f.evidence = On, start, b.at
	f.from, f.peak, f.began, f.clean = from, b.v, began, false
	f.hi, f.low = b, b
	f.start, f.steep = start, max(0, b.v-f.prev.v)
	f.slow.clear(b.at)
}

func (f *inference) whileOn(b point, in, out float64) event {
	f.peak = max(f.peak, b.v)
	f.steep = max(f.steep, b.v-f.prev.v)
	if b.v > f.hi.v {
		f.show(b)
		f.slow.add(b, b.at, slowKeep)
		return none
	}
	if b.v < f.low.v {
		f.low = b
	}
	sd := f.noise.sd()
	sun := (b.v + 101325) * sunRate * (b.at - f.low.at).Seconds()
	if b.v-f.low.v >= max(evidenceRise, 6*sd)+heatShare*(f.hi.v-f.low.v)+sun {
		f.show(b)
		f.slow.add(b, b.at, slowKeep)
		return none
	}
	if f.slow.add(b, f.hi.at, slowKeep) {
		f.show(b)
		return none
	}
	fall, fallBefore := f.hi.v-b.v, f.hi.v-f.prev.v
	known := !math.IsNaN(out)
	atTop := known && f.hi.v <= out+f.margin(in, out) && f.hi.v+f.steep >= out-f.margin(in, out)
	switch {
	case atTop && fall >= max(stopFall, 6*sd) && fallBefore >= max(stopFall, 6*sd)/2:
	case (!known || f.hi.v > out) && fall >= max(minGap, 8*sd) && b.at-f.hi.at >= settle && f.after(f.hi.at) >= 3:
	case b.at-f.evidence >= quiet:
		f.turnOff(f.evidence, false)
		return turnedOff
	default:
		return none
	}
	f.turnOff(f.crest(f.hi), f.hi.v >= f.peak)
	return turnedOff
}

// show notes supply evidence at b: whatever the pressure did before, the pump ran until here.
func (f *inference) show(b point) {
	f.hi, f.low, f.evidence = b, b, b.at
	f.slow.clear(b.at)
}

func (f *inference) turnOff(stop time.Duration, clean bool) {
	f.state, f.since, f.clean = Off, max(stop, f.since), clean
	f.lo, f.loY, f.loWas, f.top = f.low, f.y, f.warm, f.low
	f.slow.clear(f.since)
}

// margin is how far from the switch points a turn may lie: 0.3 bar, or less where the gap is small. (The peak of a
// slow recording lies up to one more step lower: steep.)
func (f *inference) margin(in, out float64) float64 {
	if math.IsNaN(in) || out <= in {
		return minGap
	}
	return min(minGap, 0.3*(out-in))
}

func (f *inference) push(b point) {
	f.ring[f.n%len(f.ring)] = b
	f.n++
}

// after counts the blocks later than at.
func (f *inference) after(at time.Duration) int {
	k := 0
	for i := f.n - 1; i >= 0 && i > f.n-len(f.ring); i-- {
		if f.ring[i%len(f.ring)].at <= at {
			break
		}
		k++
	}
	return k
}

// find returns the index of the block at time at, and false where the ring no longer holds it or a neighbour.
func (f *inference) find(at time.Duration, around int) (int, bool) {
	for i := f.n - 1; i >= 0 && i > f.n-len(f.ring); i-- {
		if f.ring[i%len(f.ring)].at == at {
			return i, i+around < f.n && i-around >= 0 && i-around > f.n-len(f.ring)
		}
	}
	return 0, false
}

// hinge returns where the rise after the turning point lo began: where the line of the rise meets the level of lo. A
// rise is steeper than a fall, so the lowest sample lies before the start; a rise as short as a sampling period
// shows no line, and its start is put into the middle of the period.
func (f *inference) hinge(lo point) time.Duration {
	i, ok := f.find(lo.at, 1)
	if !ok {
		return lo.at
	}
	a := f.at(i + 1)
	middle := lo.at + (a.at-lo.at)/2
	if i+2 >= f.n {
		return middle
	}
	b := f.at(i + 2)
	first := (a.v - lo.v) / (a.at - lo.at).Seconds()
	second := (b.v - a.v) / (b.at - a.at).Seconds()
	if second <= first/2 {
		return middle
	}
	t := a.at - time.Duration((a.v-lo.v)/max(first, second)*float64(time.Second))
	return min(max(t, lo.at), a.at)
}

// crossing returns when the run that rises from lo started: where the pressure fell through the cut-in, if that was
// moments before lo. Most runs start while a bag takes air, and go on falling at first.
func (f *inference) crossing(lo point, edge, in, out float64) time.Duration {
	t := f.hinge(lo)
	i, ok := f.find(lo.at, 1)
	if !ok || math.IsNaN(edge) || lo.v > edge || lo.v < edge-f.margin(in, out) {
		return t
	}
	step := f.at(i+1).at - lo.at
	for ; i > max(0, f.n-len(f.ring)+1); i-- {
		a, b := f.at(i-1), f.at(i)
		if a.at <= f.since || lo.at-b.at > max(settle, step) {
			return t
		}
		if a.v > edge {
			return b.at - time.Duration((edge-b.v)/(a.v-b.v)*float64(b.at-a.at))
		}
	}
	return t
}

// crest returns where the rise before the turning point hi ended: where the lines before and after it meet.
func (f *inference) crest(hi point) time.Duration {
	i, ok := f.find(hi.at, 1)
	if !ok {
		return hi.at
	}
	b := f.at(i - 1)
	middle := hi.at - (hi.at-b.at)/2
	if _, ok = f.find(hi.at, 2); !ok || f.at(i-2).at < f.start {
		return max(middle, f.since)
	}
	a, c, d := f.at(i-2), f.at(i+1), f.at(i+2)
	up := (b.v - a.v) / (b.at - a.at).Seconds()
	down := (d.v - c.v) / (d.at - c.at).Seconds()
	if up <= 0 || down > 0 {
		return hi.at
	}
	// Times from hi keep the intercepts small: far into a day they would eat the digits.
	t := ((c.v - down*(c.at-hi.at).Seconds()) - (b.v - up*(b.at-hi.at).Seconds())) / (up - down)
	return min(max(hi.at+time.Duration(t*float64(time.Second)), b.at), c.at)
}

func (f *inference) at(i int) point { return f.ring[i%len(f.ring)] }

// noise estimates a series' standard deviation from its second differences. Their lower quartile is used, because
// turning points spoil up to half of them in a slow recording of a fast cycle.
type noise struct {
	a, b float64
	n    int
	ring [64]float64
	k    int
	est  float64
}

// quartile of |x| of a standard normal x, times the root of 6 by which a second difference of white noise is wider.
const quartile = 0.3186 * 2.4495

// noiseMost bounds the estimate: 0.1 % of a 10 bar range, twice a common sensor's. A slow recording of a fast cycle
// looks noisier than any sensor is.
const noiseMost = 1e3 // Pa

func (q *noise) restart() { q.n = 0 }

func (q *noise) add(v float64) {
	if q.n >= 2 {
		q.ring[q.k%len(q.ring)] = math.Abs(v - 2*q.b + q.a)
		q.k++
		if q.k%8 == 0 || q.est == 0 {
			s := q.ring
			m := min(q.k, len(s))
			slices.Sort(s[:m])
			q.est = s[m/4] / quartile
		}
	}
	q.a, q.b = q.b, v
	q.n++
}

// sd returns the estimate, Pa; zero before there is one.
func (q *noise) sd() float64 {
	if q.k < 8 {
		return 0
	}
	return min(q.est, noiseMost)
}
