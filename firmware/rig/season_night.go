// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"time"

	"airhold/sensors/units"
)

// NightOptions say how the machine stands between two days.
type NightOptions struct {
	Hours float64       // 0: from the evening's time of day to a morning's that is drawn
	Leaks [3]units.Flow // m3/s ANR of tank side, front and rear beside the seeps, stated as DayLeak states them
}

// hours is how long the night is, in s.
func (n NightOptions) hours(l *lot, before *Day) float64 {
	if n.Hours > 0 {
		return n.Hours * 3600
	}
	evening := math.Mod(before.starts+before.o.Hours*3600, 24*3600)
	h := l.of(ofStart) - evening
	if h < 3*3600 {
		h += 24 * 3600
	}
	return h
}

// Still is a machine that stands, as it is; gauge pressures in Pa, K.
type Still struct {
	Tank, Air, Wall, Ambient, Barometer float64
	Ranks                               [2]float64
}

// Night is what happened between two days.
type Night struct {
	Lasts     time.Duration
	Lost      [3]units.Flow // m3/s ANR that tank, front and rear lost on average; to each other too
	Began, At Still         // at the evening's last sample and at the morning's first
}

// Night returns the night before this day, and false when there was no day before.
func (d *Day) Night() (Night, bool) { return d.night, d.hadNight }

// pass lets the night between before and d pass.
func (d *Day) pass(before *Day) {
	const dt = 2.0
	m := &d.m
	evening := before.starts + before.o.Hours*3600
	lasts := math.Mod(d.starts-evening+96*3600, 24*3600)
	if h := d.o.Night.Hours * 3600; h > 0 {
		lasts = h
	}
	m.weather.skies = nightSkies(before.sky, d.sky, evening, lasts)
	m.weather.dice = dice(d.o.Seed, 7)
	m.key, m.engine, m.hydraulics, m.control = false, false, false, false
	m.shop, m.weaker = 0, 0
	m.drive.mode, m.drive.speed = parked, 0
	for p := range m.leaks {
		up, down := place(p).usual()
		a := areaFor(m.with.Seep[p], up, down)
		if p < len(d.o.Night.Leaks) {
			a += dayArea(place(p), float64(d.o.Night.Leaks[p]))
		}
		m.leaks[p] = ramp{to: a}
	}
	held := func() [3]float64 { return [3]float64{m.tank.kg, m.ranks[0].air.kg, m.ranks[1].air.kg} }
	kg := held()
	d.night.Began = m.still()
	m.dt, m.ticks = dt, 0
	n := int64(lasts / dt)
	for i := range n {
		m.weather.step(float64(i)*dt, dt)
		m.stepMachine()
		m.ticks++
		if i%5 == 0 {
			m.water.step(5*dt, m.dryIn, m.weather.intake, m.dryOut, m.tank.kg, m.tank.pa, m.tank.kelvin, m.wallK)
			m.dryIn, m.dryOut = 0, 0
		}
	}
	m.dt, m.seenK = 0.1/daySteps, m.wallK
	d.night.Lasts, d.night.At = duration(float64(n)*dt), m.still()
	for i, now := range held() {
		d.night.Lost[i] = vol((kg[i] - now) / (float64(n) * dt))
	}
	d.hadNight = true
}

func (m *model) still() Still {
	baro := m.weather.baro
	return Still{
		Tank: m.tank.pa - baro, Air: m.tank.kelvin, Wall: m.wallK, Ambient: m.weather.kelvin, Barometer: baro,
		Ranks: [2]float64{m.ranks[0].air.pa - baro, m.ranks[1].air.pa - baro},
	}
}

// daySky is the weather of one day: warmest at three in the afternoon, coldest at half past five.
type daySky struct{ mean, swing, dew, sun float64 } // K, K, K of the dew point, W/m2 at noon

func drawSky(l *lot) daySky {
	s := daySky{mean: l.of(ofMeanAir), swing: l.of(ofSwing), sun: l.of(ofSun)}
	s.dew = s.mean - s.swing/2 - l.of(ofDew)
	return s
}

// at returns the sky at a time of day, in s.
func (s daySky) at(clock float64) sky {
	const coldest, warmest, rise, set = 5.5, 15.0, 5.6, 20.2
	h := math.Mod(clock/3600, 24)
	var up float64 // 0 at the coldest, 1 at the warmest
	switch {
	case h >= coldest && h < warmest:
		up = (1 - math.Cos(math.Pi*(h-coldest)/(warmest-coldest))) / 2
	default:
		if h < coldest {
			h += 24
		}
		up = (1 + math.Cos(math.Pi*(h-warmest)/(24+coldest-warmest))) / 2
		h = math.Mod(h, 24)
	}
	c := s.mean + s.swing*(up-0.5)
	rh := math.Min(0.99, saturation(273.15+s.dew)/saturation(273.15+c))
	sun := 0.0
	if h > rise && h < set {
		sun = s.sun * math.Sin(math.Pi*(h-rise)/(set-rise))
	}
	return sky{celsius: c, humidity: rh, sun: sun}
}

// skies returns the weather of a day from a time of day on, every half hour.
func (s daySky) skies(starts, hours float64) []sky {
	return nightSkies(s, s, starts, hours*3600+1800)
}

// nightSkies goes from one day's weather over to the next one's.
func nightSkies(from, to daySky, starts, lasts float64) (out []sky) {
	n := int(math.Ceil(lasts / 1800))
	for i := range n + 1 {
		t := math.Min(float64(i)*1800, lasts)
		a, b := from.at(starts+t), to.at(starts+t)
		share := t / lasts
		out = append(out, sky{
			at: duration(t), celsius: a.celsius + share*(b.celsius-a.celsius), humidity: a.humidity + share*(b.humidity-a.humidity),
			sun: a.sun + share*(b.sun-a.sun),
		})
	}
	return out
}
