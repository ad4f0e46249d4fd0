// SPDX-License-Identifier: Apache-2.0

package water

import (
	"math"
	"time"

	"airhold/firmware/humidair"
)

// slot is ten seconds of conditions, kept until it is settled whether air was delivered in them.
type slot struct {
	from, to          time.Duration
	pressure          float64 // in the tank, Pa absolute; 0: not seen
	cold, wall, warm  float64 // K; 0: not known
	air               source
	still             bool // nothing drives the compressor
	ambient, surround float64
}

// slots is a ring of them: some 40 minutes.
type slots struct {
	ring      [256]slot
	first, n  int
	drainedAt time.Duration
}

func (s *slots) full() bool     { return s.n == len(s.ring) }
func (s *slots) oldest() *slot  { return &s.ring[s.first] }
func (s *slots) push() *slot    { s.n++; return &s.ring[(s.first+s.n-1)%len(s.ring)] }
func (s *slots) drop()          { s.first, s.n = (s.first+1)%len(s.ring), s.n-1 }
func (s slot) seconds() float64 { return (s.to - s.from).Seconds() }

// closeSlot keeps the conditions of the last ten seconds.
func (w *Water) closeSlot(at time.Duration) {
	if w.needs != "" || w.o.Dryer {
		w.slotAt, w.gauge = at, mean{}
		w.night.add(at, w)
		return
	}
	if w.slots.full() {
		w.step(w.slots.oldest(), 0, false)
		w.slots.drop()
	}
	s := w.slots.push()
	*s = slot{from: w.slotAt, to: at, air: w.source, still: w.still(at), surround: w.around(at)}
	if gauge, ok := w.gauge.value(); ok {
		s.pressure = max(0, gauge) + s.surround
	}
	if w.ambient.alive(at) {
		s.ambient = w.ambient.value
	}
	if cold, likely, warm, ok := w.walls(at); ok {
		s.cold, s.wall, s.warm = cold, likely, warm
	}
	w.slotAt, w.gauge = at, mean{}
	w.night.add(at, w)
}

// still says whether a signal shows that nothing drives the compressor.
func (w *Water) still(at time.Duration) bool {
	return w.drive.alive(at) && math.Abs(w.drive.value) <= turning || w.ign.alive(at) && w.ign.value <= 0.5
}

// settle reckons every slot of which it is settled whether air was delivered.
func (w *Water) settle() {
	if w.slots.n == 0 {
		return
	}
	settled := w.o.Compressor.Settled()
	for w.slots.n > 0 && w.slots.oldest().to <= settled {
		s := w.slots.oldest()
		share, known := w.o.Compressor.OnShare(s.from, s.to)
		w.step(s, share, known)
		w.slots.drop()
	}
}

// vessel is the water of the tank, kg.
type vessel struct {
	vapour, liquid, passed float64
	carry                  float64 // kg of air that left less than nothing so far: it stays as a debt
}

// rule says how one of the four balances is reckoned.
type rule uint8

const (
	likely rule = iota
	least       // least water in the tank
	top         // most water in the tank
	gone        // most vapour past the tank
	rules
)

// balance is the reckoning since the last drain.
type balance struct {
	v        [rules]vessel
	air      float64 // kg of air in the tank at the last slot; 0: not known
	pressure float64 // and its pressure, Pa absolute
	filled   bool    // vapour means something
	resumed  bool    // air and vapour are from before a power cut

	known, blind float64 // m3 of air taken in
	unwatched    float64 // s
	share        float64 // mean of the share that was delivering, where known
	shared       float64 // s that it rests on
	rate         float64 // kg/s of water that stays, over the last hour
	drained      int64   // Unix time; 0: not known
	emptied      bool    // a drain was recorded
}

func (b *balance) reset() { *b = balance{} }

func (b *balance) missed(d time.Duration) { b.unwatched += d.Seconds() }

func (b *balance) drain(utc int64) {
	for i := range b.v {
		b.v[i].liquid, b.v[i].passed = 0, 0
	}
	b.known, b.blind, b.unwatched = 0, 0, 0
	b.drained, b.emptied = utc, true
}

// Blind air that the balance bears: less than that changes its figures by a few grams or a tenth.
const (
	bearsBlind      = 0.5 // m3
	bearsBlindShare = 0.1
)

func (b *balance) sound() bool {
	return b.blind <= math.Max(bearsBlind, bearsBlindShare*(b.known+b.blind))
}

const (
	driesIn   = 1800.0 // s: how slowly a puddle dries into air that is not full; common practice, no source
	shareOver = 3600.0 // s, over which the mean share is taken
	debtLimit = 0.10   // of the tank's air: heat of compression makes a tank look fuller by less
)

// step reckons one slot. Where it is not known whether air was delivered, least takes none, top takes all the time, and
// likely the mean share so far.
func (w *Water) step(s *slot, share float64, known bool) {
	b := &w.balance
	dt := s.seconds()
	if !known && s.still {
		share, known = 0, true
	}
	if known = known && !math.IsNaN(share); known {
		share = math.Min(1, math.Max(0, share))
		b.shared = math.Min(b.shared+dt, shareOver)
		b.share += (share - b.share) * dt / b.shared
	}
	shares := [rules]float64{share, share, share, share}
	if !known {
		shares = [rules]float64{b.share, 0, 1, 1}
	}
	if !(s.wall > 0) || dt <= 0 || !(s.pressure > 0) && !(b.pressure > 0) {
		b.blind += w.o.Delivery * dt * shares[top]
		return
	}
	fresh := s.pressure > 0
	if fresh {
		b.pressure = s.pressure
	}
	before := b.air
	air := b.pressure * w.o.Volume / (humidair.AirConstant * s.wall)
	b.fill(s, air, before)
	change := 0.0
	if before > 0 && !b.resumed {
		change = air - before
	}
	b.air, b.resumed = air, false

	ratios := [rules]float64{s.air.likely, s.air.least, s.air.top, s.air.top}
	density := s.air.density
	if s.air.from == unknown {
		ratios, density = b.blindAir(s)
	}
	if taken := w.o.Delivery * dt * shares[likely]; !known || s.air.from == unknown {
		b.blind += w.o.Delivery * dt * shares[top]
	} else {
		b.known += taken * likelyDelivery
	}
	deliveries := [rules]float64{likelyDelivery, leastDelivery, mostDelivery, mostDelivery}
	walls := [rules]float64{s.wall, s.warm, s.cold, s.warm}
	drying := [rules]float64{1 - math.Exp(-dt/driesIn), 1, 0, 1}
	was := b.v[likely].liquid
	for i := range b.v {
		in := w.o.Delivery * deliveries[i] * shares[i] * dt * density
		b.v[i].step(in, ratios[i], change, air, holds(walls[i], b.pressure), drying[i])
		b.v[i].liquid = math.Min(b.v[i].liquid, w.o.Volume*waterDensity)
	}
	b.rate += ((b.v[likely].liquid-was)/dt - b.rate) * math.Min(1, dt/inertiaOfRate)
	if s.to <= w.slots.drainedAt {
		for i := range b.v {
			b.v[i].liquid, b.v[i].passed = 0, 0
		}
	}
}

// fill sets the vapour of the tank where it is not known, and after a power cut takes away that of the air which left
// meanwhile. A tank that has worked is full of vapour; at least it may hold none.
func (b *balance) fill(s *slot, air, before float64) {
	switch {
	case !b.filled:
		b.filled = true
		b.v[likely].vapour = air * holds(s.wall, b.pressure)
		b.v[top].vapour = air * holds(s.wall, b.pressure)
		b.v[gone].vapour = air * holds(s.warm, b.pressure)
	case b.resumed && before > 0 && air < before:
		for i := range b.v {
			b.v[i].vapour *= air / before
		}
	}
}

// blindAir is what stands in for intake air whose water is not known: none at least, saturated at most.
func (b *balance) blindAir(s *slot) (ratios [rules]float64, density float64) {
	kelvin := s.ambient
	if !(kelvin > 0) {
		kelvin = s.wall // a tank is hardly colder than the air around it while it fills
	}
	full, ok := ratioOf(1, kelvin, s.surround)
	if !ok {
		return ratios, 0
	}
	ratios[top], ratios[gone] = full, full
	ratios[likely] = s.air.likely
	return ratios, s.surround / (humidair.AirConstant * kelvin)
}

// step advances one balance: in kg of dry air come with ratio kg of vapour each, what each kg cannot hold falls out, of what
// the air lacks the share drying dries off, and the air that leaves takes its vapour along. The tank's air has changed by
// change and is then air, so what left is what came less what stayed.
func (v *vessel) step(in, ratio, change, air, holds, drying float64) {
	out := in - change + v.carry
	v.carry = 0
	if out < 0 {
		v.carry, out = out, 0
		if limit := debtLimit * air; v.carry < -limit {
			in -= v.carry + limit // somebody else filled the tank: that air brings water too
			v.carry = -limit
		}
	}
	v.vapour += in * ratio
	whole := air + out
	if excess := v.vapour - holds*whole; excess > 0 {
		v.vapour -= excess
		v.liquid += excess
	} else {
		dried := math.Min(v.liquid, -excess*drying)
		v.vapour += dried
		v.liquid -= dried
	}
	went := v.vapour * out / whole
	v.vapour -= went
	v.passed += went
}
