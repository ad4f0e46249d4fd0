// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"time"

	"airhold/sensors/units"
)

// Flows is where air goes: volume flows of free air, m3/s ANR by the gas law, or sums of such in m3.
type Flows struct {
	Delivery units.Flow    // compressor, or a shop's line, into the tank
	Fill     [2]units.Flow // tank into the front and the rear rank through the open fill valve; back is negative
	Vent     [2]units.Flow // rank to the outside through the exhaust valve: over minutes, what the bags use
	Drain    units.Flow    // the known drain
	Relief   units.Flow
	Leaks    [5]units.Flow // in the order of Places; a fill valve passing back is negative
}

// Leak returns the leak at a place, zero for a place that is not in Places.
func (f Flows) Leak(where string) units.Flow {
	p, ok := placeNamed(where)
	if !ok {
		return 0
	}
	return f.Leaks[p]
}

// plus returns f with g summed over dt seconds.
func (f Flows) plus(g Flows, dt float64) Flows {
	d := units.Flow(dt)
	f.Delivery += g.Delivery * d
	f.Drain += g.Drain * d
	f.Relief += g.Relief * d
	for k := range f.Fill {
		f.Fill[k] += g.Fill[k] * d
		f.Vent[k] += g.Vent[k] * d
	}
	for p := range f.Leaks {
		f.Leaks[p] += g.Leaks[p] * d
	}
	return f
}

func vol(kgS float64) units.Flow { return units.Flow(anr(kgS)) }

// TrueRank is one rank as it is.
type TrueRank struct {
	Pressure       units.PressureGauge
	Target         units.PressureGauge // what the control asks for; meaningless while ControlOn is false
	Air            units.Kelvin
	Volume         units.Volume
	Filling, Vents bool // valve open
}

// TrueRow is one row with a load sensor.
type TrueRow struct {
	Rank    int // 0 front, 1 rear
	Load    units.Newtons
	Contact bool          // the wheel presses on the ground
	Work    time.Duration // lowered and moving, since the start
	Off     time.Duration // of these, without contact
}

// Truth is everything true about the machine at one moment. Differences of two Truths give means over a window.
type Truth struct {
	At    time.Duration // rig time this is true for
	Local time.Time     // the invented day's clock

	Barometer units.PressureAbs
	Ambient   units.Kelvin
	Humidity  float64 // 0 to 1
	Sun       float64 // W/m2

	Tank      units.PressureGauge
	TankAir   units.Kelvin
	TankWall  units.Kelvin
	Ranks     [2]TrueRank // front, rear
	ControlOn bool

	CompressorOn  bool
	HydraulicsOn  bool
	OnTime        time.Duration // compressor, since the start
	EnabledTime   time.Duration // hydraulics on, since the start
	Starts        int64
	Duty          float64       // OnTime / EnabledTime, 0 before the first
	Flow, Sum     Flows         // now (m3/s ANR) and since the start (m3 ANR)
	LeakSizes     [5]units.Flow // each hole's flow at its usual pressures and 20 degC, as SetLeak states it
	TankWater     float64       // kg liquid
	WaterCaught   float64       // kg turned to liquid in the tank since the start
	WaterPassedOn float64       // kg that left the tank as vapour since the start

	Rows             [loadCount]TrueRow
	Lowered          bool // what the hitch reports
	Speed            units.MetresPerSecond
	Travelled        float64 // m
	Latitude         float64 // deg
	Longitude        float64 // deg
	Heading          float64 // rad clockwise from north
	Moisture         float64 // soil, 0 to 1
	Key, Engine      bool
	EngineRPM        float64
	MachineVolts     units.Volts
	SensorSupply     units.Volts
	Planting, AtStop bool
	Faults           []string // active faults of sensors and buses, in words; do not change it
}

const (
	truthEvery = 10  // ticks
	truthKept  = 600 // a minute of them
)

// Truth returns what is true at rig time at, advancing the model where it has not got there yet. The last minute is
// kept in steps of 0.1 s: an earlier moment gets the last one kept at or before it, or the oldest there is. Truth.At
// says which.
func (r *Rig) Truth(at time.Duration) Truth {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance(at)
	if r.kept == 0 {
		return r.m.truth(r)
	}
	want := r.modelTime(at)
	for back := range min(r.kept, truthKept) {
		t := &r.past[(r.kept-1-back)%truthKept]
		if r.modelTime(t.At) <= want {
			return *t
		}
	}
	return r.past[max(0, r.kept-truthKept)%truthKept]
}

// keep stores the present in the ring.
func (r *Rig) keep() {
	r.past[r.kept%truthKept] = r.m.truth(r)
	r.kept++
}

func duration(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func (m *model) truth(r *Rig) Truth {
	baro := units.PressureAbs(m.weather.baro)
	lat, lon := m.place()
	c := &m.compressor
	t := Truth{
		At:        time.Duration(m.ticks)*tickTime - r.o.Skip,
		Local:     r.start.Add(time.Duration(m.ticks) * tickTime),
		Barometer: baro, Ambient: units.Kelvin(m.weather.kelvin), Humidity: m.weather.rh, Sun: m.weather.sun,
		Tank: units.PressureAbs(m.tank.pa).Gauge(baro), TankAir: units.Kelvin(m.tank.kelvin), TankWall: units.Kelvin(m.wallK),
		ControlOn: m.control, CompressorOn: c.on, HydraulicsOn: m.hydraulics,
		OnTime: duration(c.onTime), EnabledTime: duration(c.enabled), Starts: c.starts,
		Flow: m.flow, Sum: m.sum,
		TankWater: m.water.liquid, WaterCaught: m.water.condensed, WaterPassedOn: m.water.carried,
		Lowered: m.drive.inWork(), Speed: units.MetresPerSecond(m.drive.speed), Travelled: m.drive.travelled,
		Latitude: lat, Longitude: lon, Heading: m.drive.heading, Moisture: m.moisture(),
		Key: m.key, Engine: m.engine, EngineRPM: m.drive.rpm,
		MachineVolts: units.Volts(m.machineVolts()), SensorSupply: units.Volts(m.supply()),
		Planting: m.drive.mode == pass || m.drive.mode == turn, AtStop: m.drive.mode == stop,
		Faults: m.faults,
	}
	if c.enabled > 0 {
		t.Duty = c.onTime / c.enabled
	}
	for p := range t.LeakSizes {
		up, down := place(p).usual()
		t.LeakSizes[p] = vol(jet(m.leaks[p].growing(m.seconds()), up, anrK, down))
	}
	for k := range t.Ranks {
		a := &m.ranks[k].air
		t.Ranks[k] = TrueRank{
			Pressure: units.PressureAbs(a.pa).Gauge(baro), Target: units.PressureGauge(m.asks(k)),
			Air: units.Kelvin(a.kelvin), Volume: units.Volume(a.volume), Filling: m.ranks[k].fill, Vents: m.ranks[k].vent,
		}
	}
	for i := range t.Rows {
		w := &m.ground.rows[i]
		t.Rows[i] = TrueRow{Rank: w.rank, Load: units.Newtons(w.load), Contact: w.load > 0, Work: duration(w.work), Off: duration(w.off)}
	}
	return t
}
