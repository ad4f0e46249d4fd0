// SPDX-License-Identifier: Apache-2.0

package water

import (
	"time"

	"airhold/firmware/humidair"
	"airhold/sensors/units"
)

// Uncertainties of what is put in. All are common practice, no source.
const (
	humidityOff  = 0.05 // points of relative humidity of a sensor in dust and sun
	ambientOff   = 1.0  // K
	wallColder   = 2.0  // K by which the tank's coldest spot is below its sensor
	wallWarmer   = 5.0  // K by which the air is above it when it leaves
	rested       = 5.0  // K of a working tank above the air around, without a wall sensor
	restedWarmer = 15.0
	restedColder = 1.0
	heldFor      = 15 * time.Minute // weather may be missing for so long before it is unknown
	heldOff      = 0.10             // share of its water that it may change meanwhile

	// A rated delivery is given against no pressure or against the working pressure; clearance makes a piston compressor
	// deliver some 15 % less at 8 bar than freely, wear takes more.
	leastDelivery, likelyDelivery, mostDelivery = 0.80, 0.93, 1.05
)

// origin says where the water of the intake air is known from.
type origin uint8

const (
	unknown origin = iota
	measured
	held // measured a short while ago
	assumed
	dried
)

// source is the intake air as it is known now.
type source struct {
	from               origin
	least, likely, top float64 // kg of vapour for a kg of dry air
	density            float64 // kg of dry air in a cubic metre
	at                 time.Duration
	dewPoint           float64 // K, of the air around; 0: not known
}

// air brings the intake air up to date.
func (w *Water) air(at time.Duration) {
	if w.o.Dryer {
		w.source = source{from: dried}
		return
	}
	p := w.around(at)
	if w.humidity.alive(at) && w.ambient.alive(at) {
		if w.source.from == measured && at-w.source.at < slotLength {
			return
		}
		rh := min(w.humidity.value, 1)
		if s, ok := mixed(rh, w.ambient.value, p, humidityOff, ambientOff); ok {
			s.from, s.at = measured, at
			w.source = s
			return
		}
	}
	if (w.source.from == measured || w.source.from == held) && at-w.source.at <= heldFor {
		if w.source.from == measured {
			w.source.from = held
			w.source.least *= 1 - heldOff
			w.source.top *= 1 + heldOff
		}
		return
	}
	if w.measured != "" && at-w.begun < slotLength {
		return // just started: the channels have not spoken yet
	}
	if c := w.o.Climate; c != nil {
		if w.source.from != assumed {
			s, ok := mixed(c.Humidity, c.Temperature, p, 0, 0)
			if !ok {
				w.source = source{}
				return
			}
			s.least, s.top = s.likely*max(0, 1-c.Uncertainty), s.likely*(1+c.Uncertainty)
			s.from, s.at, s.dewPoint = assumed, at, 0
			w.source = s
			w.note(at, "water-climate", "The air's humidity is not measured now; the water in the tank is reckoned from the machine file's climate.")
		}
		return
	}
	if w.source.from != unknown && w.needs == "" {
		w.note(at, "water-withheld", "The air's humidity or temperature is no longer known; the water of the air taken in is withheld.")
	}
	w.source = source{}
}

// mixed returns the water of air at a relative humidity and temperature, with its interval.
func mixed(rh, kelvin, p, rhOff, tOff float64) (source, bool) {
	var s source
	for _, v := range []struct {
		to     *float64
		rh, at float64
	}{{&s.least, max(0, rh-rhOff), kelvin - tOff}, {&s.likely, rh, kelvin}, {&s.top, min(1, rh+rhOff), kelvin + tOff}} {
		ratio, ok := ratioOf(v.rh, v.at, p)
		if !ok {
			return source{}, false
		}
		*v.to = ratio
	}
	pv := p * s.likely / (humidair.MassRatio + s.likely)
	s.density = (p - pv) / (humidair.AirConstant * kelvin)
	s.dewPoint, _ = dewPointOf(s.likely, p)
	return s, true
}

// ratioOf returns kg of vapour for a kg of dry air.
func ratioOf(rh, kelvin, p float64) (float64, bool) {
	ps, err := humidair.SaturationWater(units.Kelvin(max(kelvin, coldestAir)))
	if err != nil {
		return 0, false
	}
	ratio, err := humidair.HumidityRatio(ps*units.PressureAbs(rh), units.PressureAbs(p))
	return ratio, err == nil
}

// holds returns the most vapour that a kg of dry air can hold in a tank of absolute pressure p at a temperature.
func holds(kelvin, p float64) float64 {
	ps, err := humidair.Saturation(units.Kelvin(max(kelvin, coldestAir)))
	if err != nil || float64(ps) > 0.5*p {
		return humidair.MassRatio // so hot and empty a tank leaves nothing liquid
	}
	ratio, err := humidair.HumidityRatio(ps, units.PressureAbs(p))
	if err != nil {
		return humidair.MassRatio
	}
	return ratio
}

// walls returns the temperature of the tank's wall: its coldest spot, as likely, and the warmest its air leaves with.
func (w *Water) walls(at time.Duration) (cold, likely, warm float64, ok bool) {
	switch {
	case w.wall.alive(at):
		return w.wall.value - wallColder, w.wall.value, w.wall.value + wallWarmer, true
	case w.ambient.alive(at):
		return w.ambient.value - restedColder, w.ambient.value + rested, w.ambient.value + restedWarmer, true
	case w.o.Climate != nil && !w.o.Dryer:
		t := w.o.Climate.Temperature
		return t - 2*rested, t + rested, t + restedWarmer, true
	default:
		return 0, 0, 0, false
	}
}
