// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// The demo machine's numbers (demoBuild). All invented; sizes are of the order common in the trade (common practice, no
// source).
const (
	tick     = 0.01 // s, the model's step
	tickTime = 10 * time.Millisecond

	tankVolume  = 0.038   // m3
	frontVolume = 0.0185  // m3 at frontWork
	rearVolume  = 0.0170  // m3 at rearWork
	bagStretch  = 0.05e-5 // share of that volume to a Pa
	frontWork   = 310e3   // Pa gauge
	rearWork    = 260e3   // Pa gauge
	raisedGauge = 60e3    // Pa gauge asked for while the planter is up

	deliveryAt0  = 180 * litreMn // m3/s of intake air against no pressure
	deliveryFall = 0.0119e-5     // share lost to a Pa gauge: 165 L/min at 700 kPa
	cutIn        = 650e3         // Pa gauge
	cutOut       = 750e3         // Pa gauge
	reliefGauge  = 850e3         // Pa gauge
	reliefArea   = 12e-6         // m2 when wide open, 30 kPa higher
	drainKnown   = 2 * litreMn   // m3/s ANR at 700 kPa gauge, while the control is on

	fillArea     = 3.1e-6 // m2, effective, of a rank's fill valve
	exhaustArea  = 8e-6   // m2, effective, of a rank's exhaust valve
	bandOuter    = 5e3    // Pa off target at which a valve opens
	bandInner    = 1.5e3  // Pa off target at which it shuts
	bagFilm      = 9.0    // W/K between a rank's air and its bags, which stay at the air's temperature around
	terrainShare = 0.025  // sd of a rank's bag volume over the ground

	wallHeat    = 5800.0 // J/K, 12 kg of steel
	wallStill   = 6.0    // W/K from wall to the air around, standing
	wallDriving = 12.0   // W/K, driving
	wallSun     = 0.10   // m2 that sees the sun, times absorptance
)

// model is everything true about the machine. It is advanced in ticks by its one owner, the Rig, under the Rig's lock.
type model struct {
	with                                       Build
	dt                                         float64 // s, the step: tick, but for a Day
	ticks                                      int64
	key, engine, hydraulics, control           bool
	stickOn, stalled, silent, supplyOff, codes bool

	weather weather
	drive   drive
	ground  ground
	wires   [channels]wire
	drifts  [channels]ramp
	faults  []string // active sensor and bus faults, never changed in place

	tank  vessel
	wallK float64 // K
	seenK float64 // K, what the strapped-on sensor has followed so far
	water wetTank
	ranks [2]rank
	leaks [placeCount]ramp // effective area in m2

	drainArea float64 // m2, effective

	compressor compressor
	shift      float64 // Pa by which the pressure switch has drifted
	weaker     float64 // share of its delivery that the compressor has lost
	shop       float64 // kg/s that a shop's line lets into the tank
	flow, sum  Flows   // now in m3/s ANR, and in m3 ANR since the start

	dryIn, dryOut float64 // kg through the tank since the water was last stepped
	hours         float64 // engine hours
	cranking      float64 // s
}

// rank is one rank's bags and valves.
type rank struct {
	air             vessel
	rest            float64 // m3 at atmospheric pressure, hanging still
	work            float64 // Pa gauge asked for in work
	fill, vent      bool
	once            float64 // Pa gauge to go to once, NaN when there is nothing to do
	seen            float64 // N, mean of the sensors as the control averages them
	settled, adjust float64 // s in work; s until the target is next looked at
}

// compressor is the pump, its drive and its pressure switch.
type compressor struct {
	dice     *rand.Rand
	asked    bool // by the pressure switch
	on       bool
	pace     noise // of the hydraulic motor
	shift    noise // of the switch
	heat     float64
	onTime   float64 // s
	enabled  float64 // s with the hydraulics on
	starts   int64
	kgS, joS float64 // now: kg/s and the enthalpy in W
}

func (m *model) seconds() float64 { return float64(m.ticks) * m.dt }

// supply is the sensors' rail in volts.
func (m *model) supply() float64 {
	if m.supplyOff {
		return 0
	}
	return supplyVolts
}

// noteFault adds or takes away a line of the fault list.
func (m *model) noteFault(text string, on bool) {
	at := slices.Index(m.faults, text)
	switch {
	case on && at < 0:
		m.faults = append(slices.Clone(m.faults), text)
	case !on && at >= 0:
		m.faults = slices.Delete(slices.Clone(m.faults), at, at+1)
	}
}

// apply does what concerns the machine itself.
func (m *model) apply(e Event) {
	on := e.Amount != 0
	switch e.What {
	case Leak, Mend:
		p, _ := placeNamed(e.Where)
		up, down := p.usual()
		t := m.seconds()
		from := m.leaks[p].growing(t)
		m.leaks[p] = ramp{from: from, to: areaFor(e.Amount, up, down), begun: t, over: e.Over.Seconds()}
		if e.What == Mend {
			m.leaks[p] = ramp{}
		}
	case Stall:
		m.stalled = on
		m.noteFault("i2c bus stalled", on)
	case Silence:
		m.silent = on
		m.noteFault("can bus silent", on)
	case Supply:
		m.supplyOff = !on
		m.noteFault("sensor supply off", !on)
	case Codes:
		m.codes = on
	case Key:
		m.key = on
	case Engine:
		if on && !m.engine {
			m.cranking = 1.2
		}
		m.engine = on
	case Hydraulics:
		m.hydraulics = on
	case Control:
		m.control = on
	case Plant:
		m.drive.plant(on)
	case StickOn:
		m.stickOn = on
	case Charge:
		m.compressor.asked = true
	case Rank:
		k := 0
		if e.Where == "rear" {
			k = 1
		}
		m.ranks[k].once = e.Amount
	case Drain:
		m.water.drain()
	default: // wiring, done by the Rig
	}
}

// step advances the machine by one tick.
func (m *model) step() {
	if m.ticks%100 == 0 {
		m.each1s()
	}
	if m.ticks%10 == 0 {
		m.each100ms()
	}
	m.drive.step(tick, m.engine)
	m.stepMachine()
	baro := m.weather.baro
	m.ground.step(&m.drive, [2]float64{m.ranks[0].air.pa - baro, m.ranks[1].air.pa - baro})
	m.cranking = math.Max(0, m.cranking-tick)
	m.ticks++
}

// stepMachine advances valves, compressor and air by one step.
func (m *model) stepMachine() {
	baro := m.weather.baro
	for k := range m.ranks {
		r := &m.ranks[k]
		r.air.around = baro
		r.air.still = r.rest * (1 + m.ground.swell(k))
		r.control(m.asks(k), r.air.pa-baro, m.control)
	}
	m.stepCompressor()
	m.stepAir()
}

func (m *model) each1s() {
	t := m.seconds()
	m.weather.step(t, 1)
	for c := range m.drifts {
		m.wires[c].drift = m.drifts[c].straight(t)
	}
	c := &m.compressor
	c.pace.step(c.dice, 1, 20)
	c.shift.step(c.dice, 1, 900)
	if m.engine {
		m.hours += 1.0 / 3600
	}
}

func (m *model) each100ms() {
	const dt = 0.1
	m.water.step(dt, m.dryIn, m.weather.intake, m.dryOut, m.tank.kg, m.tank.pa, m.tank.kelvin, m.wallK)
	m.dryIn, m.dryOut = 0, 0
	m.seenK += (m.wallK - m.seenK) * dt / 15
	m.ground.slow(m.drive.working())
	for k := range m.ranks {
		m.steer(k, dt)
	}
}

// asks returns the gauge pressure the control wants in a rank.
func (m *model) asks(k int) float64 {
	if m.drive.inWork() {
		return m.ranks[k].work
	}
	return m.with.Raised
}

// steer looks at the average of a rank's load sensors about once a minute and moves the wanted pressure, by at most
// 30 kPa. The control averages what the sensors say, so one that drifts moves the whole rank; one that is dead
// electrically it leaves out.
func (m *model) steer(k int, dt float64) {
	r := &m.ranks[k]
	if !m.drive.working() || !m.control {
		r.settled = 0
		return
	}
	sum, n := 0.0, 0.0
	for i, c := range loadChannels() {
		row := &m.ground.rows[i]
		if w := &m.wires[c]; row.rank == k && w.state == wireGood {
			sum += row.filtered + loadFS*(w.offset+w.drift)
			n++
		}
	}
	if n == 0 {
		return
	}
	if r.settled < 1 {
		r.seen = sum / n
	}
	r.settled += dt
	r.seen += (sum/n - r.seen) * dt / 10
	r.adjust -= dt
	if r.adjust > 0 || r.settled < 15 {
		return
	}
	r.adjust = m.drive.between(45, 75)
	move := 0.6 * (wantedLoad - r.seen) / loadByBag
	if math.Abs(move) > 4e3 {
		r.work = math.Max(150e3, math.Min(420e3, r.work+math.Max(-30e3, math.Min(30e3, move))))
	}
}

// control opens and shuts a rank's two valves. With the control off both are shut, unless something asked for one
// filling or venting.
func (r *rank) control(target, gauge float64, on bool) {
	if !math.IsNaN(r.once) {
		target, on = r.once, true
		off := math.Abs(gauge - target)
		if off < bandInner || (off < bandOuter && !r.fill && !r.vent) {
			r.once, on = math.NaN(), false
		}
	}
	if !on {
		r.fill, r.vent = false, false
		return
	}
	low := target - gauge
	switch {
	case low > bandOuter:
		r.fill, r.vent = true, false
	case low < -bandOuter:
		r.fill, r.vent = false, true
	case low < bandInner && r.fill:
		r.fill = false
	case low > -bandInner && r.vent:
		r.vent = false
	}
}

func (m *model) stepCompressor() {
	c, dt := &m.compressor, m.dt
	gauge := m.tank.pa - m.weather.baro
	shift := m.shift + m.with.Jitter*math.Max(-2.5, math.Min(2.5, float64(c.shift)))
	switch {
	case gauge < m.with.CutIn+shift:
		c.asked = true
	case gauge > m.with.CutOut+shift && !m.stickOn:
		c.asked = false
	}
	was := c.on
	c.on = (c.asked || m.stickOn) && m.engine && m.hydraulics && m.drive.rpm > 500
	if m.engine && m.hydraulics {
		c.enabled += dt
	}
	c.kgS, c.joS = 0, 0
	if !c.on {
		c.heat -= c.heat * dt / 300
		return
	}
	if !was {
		c.starts++
	}
	c.onTime += dt
	c.heat += (1 - c.heat) * dt / 80
	pace := 1 + m.with.Wander/2*math.Max(-2, math.Min(2, float64(c.pace)))
	if m.drive.rpm < 1200 {
		pace -= 0.02
	}
	c.kgS = math.Max(0, m.with.Delivery*pace*(1-m.with.DeliveryFall*gauge)) * (1 - m.weaker) * m.weather.dry
	c.joS = c.kgS * heatCp * (m.weather.kelvin + m.with.Warm + m.with.Hot*c.heat)
}

// stepAir moves air between compressor, tank, ranks and the outside.
func (m *model) stepAir() {
	dt := m.dt
	baro, t := m.weather.baro, m.seconds()
	p, k := m.tank.pa, m.tank.kelvin
	var f Flows
	tankOut := 0.0 // kg/s
	if a := m.leaks[atTank].growing(t); a > 0 {
		q := jet(a, p, k, baro)
		tankOut += q
		f.Leaks[atTank] = vol(q)
	}
	if m.control {
		q := jet(m.drainArea, p, k, baro)
		tankOut += q
		f.Drain = vol(q)
	}
	if over := p - baro - m.with.Relief; over > 0 {
		q := jet(reliefArea*math.Min(1, over/30e3), p, k, baro)
		tankOut += q
		f.Relief = vol(q)
	}
	tankIn := m.compressor.kgS + m.shop
	tankInJ := m.compressor.joS + m.shop*heatCp*m.weather.kelvin
	f.Delivery = vol(tankIn)
	m.dryIn += tankIn * dt

	for i := range m.ranks {
		r := &m.ranks[i]
		rp, rk := r.air.pa, r.air.kelvin
		valve, seat := 0.0, m.leaks[int(atFrontFill)+i].growing(t)
		if r.fill {
			valve = m.with.FillArea
		}
		in, back := 0.0, 0.0 // kg/s from and to the tank
		if p >= rp {
			in = jet(valve+seat, p, k, rp)
			if in > 0 {
				f.Leaks[int(atFrontFill)+i] = vol(in * seat / (valve + seat))
				f.Fill[i] = vol(in * valve / (valve + seat))
			}
		} else {
			back = jet(valve+seat, rp, rk, p)
			if back > 0 {
				f.Leaks[int(atFrontFill)+i] = -vol(back * seat / (valve + seat))
				f.Fill[i] = -vol(back * valve / (valve + seat))
			}
		}
		out := back
		if r.vent {
			q := jet(m.with.ExhaustArea, rp, rk, baro)
			out += q
			f.Vent[i] = vol(q)
		}
		if a := m.leaks[int(atFront)+i].growing(t); a > 0 {
			q := jet(a, rp, rk, baro)
			out += q
			f.Leaks[int(atFront)+i] = vol(q)
		}
		tankOut += in
		tankIn += back
		tankInJ += back * heatCp * rk
		r.air.advance(dt, in*dt, in*dt*heatCp*k, out*dt, bagFilm, m.weather.kelvin)
	}
	heat := m.tank.advance(dt, tankIn*dt, tankInJ*dt, tankOut*dt, m.with.Film*filmConductance(p, k, m.wallK), m.wallK)
	away := m.with.WallStill
	if m.drive.speed > 0.5 {
		away = m.with.WallDriving
	}
	m.wallK += (-heat + dt*(away*(m.weather.kelvin-m.wallK)+m.with.WallSun*m.weather.sun)) / m.with.WallHeat
	m.dryOut += tankOut * dt
	m.flow = f
	m.sum = m.sum.plus(f, dt)
}
