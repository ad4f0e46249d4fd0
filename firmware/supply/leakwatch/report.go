// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/pneumatics"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// What the watch needs to see a place, in the installer's words.
const (
	needsTank    = "a tank pressure channel"
	needsTankNow = "a good reading of the tank pressure channel"
	needsVolume  = "the tank's volume in the machine file"
	needsOften   = "tank readings at least every two seconds"
	isLearning   = "still learning what a sound machine loses"
)

const mediumShare = 0.1 // of the delivery, above which a leak is more than a nuisance

// needs are the sentences of one rank, made once.
type needs struct{ pressure, pressureNow, volume, lowered, often string }

func (r *rank) names() {
	r.needs = needs{
		pressure:    "a pressure channel of the " + r.where,
		pressureNow: "a good reading of the pressure channel of the " + r.where,
		volume:      "the volume of the " + r.where + " in the machine file",
		lowered:     "a lowered or a speed signal, to tell the " + r.where + " at work from one at rest",
		often:       "readings of the " + r.where + " at least every two seconds",
	}
}

func (w *Watch) report(at time.Duration) {
	lack := ""
	switch {
	case w.in.ch == readings.NoChannel:
		lack = needsTank
	case w.o.Volume <= 0:
		lack = needsVolume
	case !w.in.seen || at-w.in.at > w.silence():
		lack = needsTankNow
	case w.frames.dt > slowest:
		lack = needsOften
	}
	l, up := w.tankLeak()
	w.find(at, TankSide, lack, l, up)
	if l, up := w.lossLeak(); up || w.lossTold {
		w.lossTold = true
		w.find(at, NotPlaced, lack, l, up)
	}
	for i := range w.ranks {
		r := &w.ranks[i]
		lack := r.lacks(w, at)
		l, up := w.rankLeak(r)
		w.find(at, r.where, lack, l, up)
	}
	w.tell(at)
}

// silence is how long the tank may say nothing.
func (w *Watch) silence() time.Duration {
	return max(silent, time.Duration(3*w.frames.dt*float64(time.Second)))
}

func (r *rank) lacks(w *Watch, at time.Duration) string {
	switch {
	case w.in.ch == readings.NoChannel:
		return needsTank
	case w.o.Volume <= 0:
		return needsVolume
	case r.p.ch == readings.NoChannel:
		return r.needs.pressure
	case r.Volume <= 0:
		return r.needs.volume
	case w.lowered.ch == readings.NoChannel && w.speed.ch == readings.NoChannel:
		return r.needs.lowered
	case !r.p.seen || at-r.p.at > w.silence():
		return r.needs.pressureNow
	case w.frames.dt > slowest:
		return r.needs.often
	}
	return ""
}

func (w *Watch) find(at time.Duration, where, lack string, l Leak, up bool) {
	f := findings.Finding{Key: KeyLeak, Where: where, At: at, Sense: findings.Flag, Active: up}
	if w.o.Delivery > 0 {
		f.Limit = findings.Measure{SI: mediumShare * w.o.Delivery, Unit: w.flow, Reference: units.ANR}
	}
	switch {
	case lack != "":
		f.Sight, f.Needs, f.Active = findings.Unseen, lack, false
	case up:
		f.Detail = l.From
		if l.Sized {
			f.Value = l.Flow
		}
	case w.learning():
		f.Detail = isLearning
	}
	w.sink.Find(f)
}

// leak makes the answer of one evidence at a driving pressure.
func (w *Watch) leak(e *evidence, pressure float64) Leak {
	var j joined
	j.add(&e.size, pressure)
	return w.answer(e, &j)
}

// answer says a size once it was worth saying.
func (w *Watch) answer(e *evidence, j *joined) Leak {
	l := Leak{Where: e.where, Since: e.onset, Raised: e.raisedAt, From: e.from}
	if m, good := j.measure(w.flow); good || (e.size.sized && m.SI > 0) {
		e.size.sized = true
		l.Flow, l.Sized = m, true
	}
	return l
}

func (w *Watch) tankPressure() float64 {
	v := w.tank.mean(w.frames.n, max(1, w.frames.h))
	if math.IsNaN(v) {
		return driven(bleedAt, w.baro)
	}
	return driven(v+w.baro, w.baro)
}

func (w *Watch) tankLeak() (Leak, bool) {
	if !w.quiet.raised {
		return Leak{}, false
	}
	return w.grown(w.leak(&w.quiet, w.tankPressure())), true
}

func (w *Watch) lossLeak() (Leak, bool) {
	e := &w.balance.evidence
	if !e.raised {
		return Leak{}, false
	}
	return w.grown(w.leak(e, w.tankPressure())), true
}

// rankLeak answers by the evidence that was first, with the size that all of it says at the pressure the rank works with.
func (w *Watch) rankLeak(r *rank) (Leak, bool) {
	var first *evidence
	for _, e := range [...]*evidence{&r.work, &r.rest, &r.still} {
		if e.raised && (first == nil || e.raisedAt < first.raisedAt) {
			first = e
		}
	}
	if first == nil {
		return Leak{}, false
	}
	v := r.level
	if v <= 0 {
		v = r.line.mean(w.frames.n, max(1, w.frames.h))
	}
	p := driven(v+w.baro, w.baro)
	var j joined
	for _, s := range [...]*sizer{&r.work.size, &r.rest.size, &r.still.size} {
		j.add(s, p)
	}
	return w.grown(w.answer(first, &j)), true
}

// resize counts the size from the onset on.
func (r *rank) resize(onset time.Duration) {
	for _, s := range [...]*sizer{&r.work.size, &r.rest.size, &r.still.size} {
		s.restart(onset)
	}
}

// tell passes sizes on, once a minute.
func (w *Watch) tell(at time.Duration) {
	if w.o.Sized == nil {
		return
	}
	if l, up := w.tankLeak(); up && l.Sized {
		w.told(at, &w.tankTold, l)
	}
	if l, up := w.lossLeak(); up && l.Sized {
		w.told(at, &w.lossSized, l)
	}
	for i := range w.ranks {
		if l, up := w.rankLeak(&w.ranks[i]); up && l.Sized {
			w.told(at, &w.ranks[i].told, l)
		}
	}
}

func (w *Watch) told(at time.Duration, last *time.Duration, l Leak) {
	if *last == 0 || at-*last >= time.Minute || *last < l.Raised {
		*last = at
		w.o.Sized(at, l)
	}
}

// Leaks appends the leaks that are raised now.
func (w *Watch) Leaks(dst []Leak) []Leak {
	if l, up := w.tankLeak(); up {
		dst = append(dst, l)
	}
	if l, up := w.lossLeak(); up {
		dst = append(dst, l)
	}
	for i := range w.ranks {
		if l, up := w.rankLeak(&w.ranks[i]); up {
			dst = append(dst, l)
		}
	}
	return dst
}

// recent is what quiet pieces of the last minutes found beyond bleed and baseline.
type recent struct {
	at   time.Duration
	w, x float64
	n    int
}

const (
	budgetSpan  = 10 * time.Minute
	budgetLeast = 5             // minutes of balance, and pieces of quiet decay
	blindTank   = 1.5 * litreMn // of what the tank's side loses, where no quiet stretch tells
)

func (q *recent) add(at time.Duration, x, sd float64) {
	keep := math.Exp(-(at - q.at).Seconds() / budgetSpan.Seconds() * 2)
	if q.at == 0 || at < q.at {
		keep = 0
	}
	wt := litreMn * litreMn / (sd * sd)
	q.w, q.x = q.w*keep+wt, q.x*keep+wt*x
	q.at = at
	q.n++
}

// Flows returns the mean of the last ten minutes: what the bags took, what is bled as declared, and what neither
// explains, with its interval; false where that is not known.
func (w *Watch) Flows() (bags, bleed, leak findings.Measure, known bool) {
	out, _, minutes := w.usage.mean(w.now-2*budgetSpan, len(w.usage.minutes))
	if minutes < budgetLeast || w.gives() == 0 || w.learning() {
		return bags, bleed, leak, false
	}
	anr := func(v float64) findings.Measure {
		return findings.Measure{SI: max(0, v), Unit: w.flow, Reference: units.ANR}
	}
	let, _ := w.bleeds(w.now, w.tankPressure()*bleedAt/driven(bleedAt, w.baro))
	lost, sd := 0.0, blindTank
	if q := &w.recent; q.n >= budgetLeast && w.now-q.at <= budgetSpan {
		lost, sd = q.x/q.w, math.Hypot(litreMn/math.Sqrt(q.w), leastSpread)
	}
	if l, up := w.tankLeak(); up && l.Sized { // it may have outgrown the quiet stretches
		lost, sd = l.Flow.SI, (l.Flow.High-l.Flow.Low)/4
	}
	vr := sd * sd
	for i := range w.ranks {
		if l, up := w.rankLeak(&w.ranks[i]); up && l.Sized {
			lost += l.Flow.SI
			s := (l.Flow.High - l.Flow.Low) / 4
			vr += s * s
		}
	}
	lost = min(lost, max(0, out-let))
	leak = anr(lost)
	u := pneumatics.CoverageFactor * math.Sqrt(vr)
	leak.Low, leak.High = max(0, lost-u), max(0, lost+u)
	return anr(out - lost - let), anr(let), leak, true
}
