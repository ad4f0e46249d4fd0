// SPDX-License-Identifier: Apache-2.0

package pneumatics

import (
	"fmt"
	"math"
	"time"

	"airhold/sensors/units"
)

// PressureChange returns the leakage rate, Pa.m3/s, that a fall from one pressure to another in the time d means for
// the volume v at an even temperature; a rise gives a negative one, so that noise keeps its mean.
//
//	v*(from - to)/d
//
// Source: the pressure-change technique of EN 1779. 1 Pa.m3/s is 0.6 L/min ANR at 20 degC. Cooling looks like a leak:
// 1 K at 800 kPa and 20 degC is 2.7 kPa. A v, pressure or d not above zero wraps ErrOutsideModel.
func PressureChange(v units.Volume, from, to units.PressureAbs, d time.Duration) (float64, error) {
	err := positive(arg{"volume", float64(v)}, arg{"first pressure", float64(from)}, arg{"second pressure", float64(to)}, arg{"time", d.Seconds()})
	if err != nil {
		return 0, err
	}
	return float64(v) * float64(from-to) / d.Seconds(), nil
}

// State is the air of a closed volume at one moment.
type State struct {
	Pressure    units.PressureAbs
	Temperature units.Kelvin
}

func (s State) check(which string) error {
	return positive(arg{which + " pressure", float64(s.Pressure)}, arg{which + " temperature", float64(s.Temperature)})
}

// PressureChangeFlow is PressureChange with the temperature at both ends, as an ANR flow, positive when air is lost.
//
//	v/p0*T0*(p1/t1 - p2/t2)/d
//
// Source: EN 1779 with the gas law. The temperatures are those of the air, which a wall sensor follows only slowly.
func PressureChangeFlow(v units.Volume, from, to State, d time.Duration) (units.Flow, error) {
	if err := from.check("first"); err != nil {
		return 0, err
	}
	if err := to.check("second"); err != nil {
		return 0, err
	}
	if err := positive(arg{"volume", float64(v)}, arg{"time", d.Seconds()}); err != nil {
		return 0, err
	}
	lost := float64(from.Pressure)/float64(from.Temperature) - float64(to.Pressure)/float64(to.Temperature)
	return units.Flow(float64(v) / float64(ReferencePressure) * float64(ReferenceTemperature) * lost / d.Seconds()), nil
}

// BleedDown returns the leak of a whole plant by the rule of thumb for a receiver that falls from one gauge pressure to
// another, usually half of it, with the compressor off.
//
//	1.25*v*(from - to)/(14.7 psi*d)    cubic feet of free air, which are carried to ANR as those of 14.696 psi and 68 degF
//
// Source: the US Department of Energy's compressed-air sourcebook; from memory. The 1.25 is meant to carry the mean leak
// to that at the start. For a choked leak bled to half its gauge pressure the factor would be 1.31 to 1.33, so the rule
// reads 4 to 6 % low: see BleedDownExact. A v or d not above zero, or a to above from, wraps ErrOutsideModel.
func BleedDown(v units.Volume, from, to units.PressureGauge, d time.Duration) (units.Flow, error) {
	if err := positive(arg{"volume", float64(v)}, arg{"time", d.Seconds()}, arg{"first pressure", float64(from)}); err != nil {
		return 0, err
	}
	if !(to >= 0) || to > from {
		return 0, fmt.Errorf("%w: second pressure %v Pa must be from 0 to the first one, %v Pa", ErrOutsideModel, float64(to), float64(from))
	}
	const psi = 6894.757293168361
	free := 1.25 * float64(v) * float64(from-to) / (14.7 * psi * d.Seconds()) // m3/s
	return anr(free, Atmosphere, 293.15), nil
}

// BleedDownExact returns the leak at the first pressure of a volume whose absolute pressure fell from one value to
// another in the time d, if its one leak was choked all the time and the temperature t did not change: LeakOfRate with
// k = ln(from/to)/d.
func BleedDownExact(v units.Volume, from, to units.PressureAbs, t units.Kelvin, d time.Duration) (units.Flow, error) {
	if err := positive(arg{"first pressure", float64(from)}, arg{"second pressure", float64(to)}, arg{"time", d.Seconds()}); err != nil {
		return 0, err
	}
	if to > from {
		return 0, fmt.Errorf("%w: second pressure %v Pa is above the first one, %v Pa", ErrOutsideModel, float64(to), float64(from))
	}
	return LeakOfRate(math.Log(float64(from/to))/d.Seconds(), from, v, t)
}

// StartStop returns the leak as a share of the compressor's delivery, 0 to 1, from how long it runs and rests while
// nothing uses air: on/(on+off). Source: plant practice. Both times zero or one below zero wraps ErrOutsideModel.
func StartStop(on, off time.Duration) (float64, error) {
	if err := notNegative(arg{"time on", on.Seconds()}, arg{"time off", off.Seconds()}); err != nil {
		return 0, err
	}
	sum := on.Seconds() + off.Seconds()
	if sum == 0 {
		return 0, fmt.Errorf("%w: neither on nor off for any time", ErrOutsideModel)
	}
	return on.Seconds() / sum, nil
}

// PumpUp is a receiver that a compressor fills for a while, with nothing using air.
type PumpUp struct {
	Volume   units.Volume
	From, To State // of the air in the receiver; To after it has settled, or it is read 10 to 50 % too high
	Time     time.Duration
	Intake   State // of the air taken in
}

// Delivery returns the free air delivery at intake conditions, m3/s, and the same amount of air as an ANR flow.
//
//	v*(p2/t2 - p1/t1)*t_in/(p_in*d)
//
// Source: the receiver method of ISO 1217; from memory. A field not above zero, or less air at the end than before,
// wraps ErrOutsideModel.
func (u PumpUp) Delivery() (atIntake float64, q units.Flow, err error) {
	if err := u.Intake.check("intake"); err != nil {
		return 0, 0, err
	}
	lost, err := PressureChangeFlow(u.Volume, u.From, u.To, u.Time)
	if err != nil {
		return 0, 0, err
	}
	if lost > 0 {
		return 0, 0, fmt.Errorf("%w: the receiver holds less air at the end than at the start", ErrOutsideModel)
	}
	q = -lost
	return float64(q) * float64(ReferencePressure/u.Intake.Pressure) * float64(u.Intake.Temperature/ReferenceTemperature), q, nil
}

// BagForce returns the force a bag at gauge pressure p puts on the ground: p times its effective area times the ratio of
// the linkage. The area depends on the bag's height. An area or ratio below zero wraps ErrOutsideModel.
func BagForce(p units.PressureGauge, area units.SquareMetres, ratio float64) (units.Newtons, error) {
	if err := notNegative(arg{"bag pressure", float64(p)}, arg{"area", float64(area)}, arg{"linkage ratio", ratio}); err != nil {
		return 0, err
	}
	return units.Newtons(float64(p) * float64(area) * ratio), nil
}
