// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"time"
)

// say makes the sample of a moment. Pressures come ten times a second; speeds, states and targets five times, as a bus
// brings them; temperatures, humidity, barometer and ignition once.
func (d *Day) say(at time.Duration) {
	m, x := &d.m, &d.o.Extra
	s := &d.said
	s.truth(m, at, d.leak())
	nothing := math.NaN()
	s.Tank, s.Ranks, s.Targets = nothing, [2]float64{nothing, nothing}, [2]float64{nothing, nothing}
	s.Lowered, s.Speed, s.Drive = nothing, nothing, nothing
	s.Wall, s.Ambient, s.Humidity, s.Barometer, s.Ignite = nothing, nothing, nothing, nothing, nothing
	if x.Gap.has(at) {
		return
	}
	if !x.Frozen.has(at) {
		d.sense(at)
	}
	h := &d.stood
	s.Tank, s.Ranks = h.Tank, h.Ranks
	if d.samples%2 == 0 {
		s.Targets, s.Lowered, s.Speed, s.Drive = h.Targets, h.Lowered, h.Speed, h.Drive
	}
	if d.samples%10 == 0 {
		s.Wall, s.Ambient, s.Humidity, s.Barometer, s.Ignite = h.Wall, h.Ambient, h.Humidity, h.Barometer, h.Ignite
	}
}

// sense reads every sensor. The bus is silent while the key is off.
func (d *Day) sense(at time.Duration) {
	m, x, b, s := &d.m, &d.o.Extra, &d.m.with.Sensors, &d.stood
	baro, nothing := m.weather.baro, math.NaN()
	if !x.Stuck.has(at) {
		s.Tank = d.pressure(0, m.tank.pa-baro) + x.Drift*float64(d.samples)/float64(d.last)
	}
	for k := range m.ranks {
		s.Ranks[k] = d.pressure(k+1, m.ranks[k].air.pa-baro)
	}
	s.Targets = [2]float64{nothing, nothing}
	s.Lowered, s.Speed, s.Drive, s.Barometer, s.Wall = nothing, nothing, nothing, nothing, nothing
	if m.key {
		for k := range m.ranks {
			if !x.NoTarget {
				s.Targets[k] = m.asks(k)
			}
		}
		s.Lowered = state(m.drive.inWork())
		s.Speed = math.Round(m.drive.speed*1000) / 1000
		s.Drive = math.Round(m.drive.rpm*8) / 8 / 60
		if !x.NoBaro {
			s.Barometer = math.Round(baro/500) * 500
		}
	}
	if d.samples%10 != 0 {
		return
	}
	if !x.NoWall {
		s.Wall = m.seenK + b.Wall + 0.02*d.sensors.NormFloat64()
	}
	s.Ambient = m.weather.kelvin + b.Air + b.Sun*m.weather.sun/1000 + 0.02*d.sensors.NormFloat64()
	s.Humidity = math.Max(0, math.Min(1, m.weather.rh+b.Humid+0.001*d.sensors.NormFloat64()))
	s.Ignite = state(m.key)
}

// pressure is what sensor i (tank, front, rear) says of a gauge pressure: an ADS1115 on its range of 6.144 V, or a
// converter of 12 bit over the supply of 5 V.
func (d *Day) pressure(i int, gauge float64) float64 {
	b := &d.m.with.Sensors
	share := gauge/pressureFS + b.Offset[i] + b.Tempco[i]*(d.body-anrK) + b.Noise[i]*d.sensors.NormFloat64()
	volts := 0.1 + 0.8*math.Max(-0.1, math.Min(1.1, share))
	switch b.Bits {
	case 16:
		const step = 6.144 / 32768 / 5
		volts = math.Round(volts/step) * step
	case 12:
		const step = 1.0 / 4096
		volts = math.Round(volts/step) * step
	}
	return pressureFS * (volts - 0.1) / 0.8
}

// leak is what flows out of the day's leak now, with the seep of its place.
func (d *Day) leak() float64 {
	p, ok := placeNamed(d.o.Leak.Where)
	if !ok {
		return 0
	}
	return float64(d.m.flow.Leaks[p])
}

// truth writes what is true.
func (s *DaySample) truth(m *model, at time.Duration, leak float64) {
	baro := m.weather.baro
	s.At, s.On, s.Flow, s.Leak = at, m.compressor.on, m.flow, vol(leak*anrRho)
	s.TankTrue, s.TankAir, s.TankWall, s.Water = m.tank.pa-baro, m.tank.kelvin, m.wallK, m.water.liquid
	s.Moving, s.Parked, s.Engine = m.drive.speed > 0.5, m.drive.mode == parked || m.drive.mode == stop, m.engine
	for k := range m.ranks {
		r := &m.ranks[k]
		s.RanksTrue[k], s.FillOpen[k], s.VentOpen[k] = r.air.pa-baro, r.fill, r.vent
	}
}

func state(on bool) float64 {
	if on {
		return 1
	}
	return 0
}
