// SPDX-License-Identifier: Apache-2.0

package pneumatics

import (
	"fmt"
	"math"
	"time"

	"airhold/sensors/units"
)

// DecayRate returns k, 1/s, of a choked leak q at absolute pressure p out of volume v at temperature t: the relative
// fall of the pressure with time.
//
//	k = q*p0/(v*p)*t/T0
//
// Source: ideal gas law, isothermal. A q below zero or another argument not above zero wraps ErrOutsideModel.
func DecayRate(q units.Flow, p units.PressureAbs, v units.Volume, t units.Kelvin) (float64, error) {
	if err := notNegative(arg{"leak", float64(q)}); err != nil {
		return 0, err
	}
	if err := positive(arg{"pressure", float64(p)}, arg{"volume", float64(v)}, arg{"temperature", float64(t)}); err != nil {
		return 0, err
	}
	return float64(q) * float64(ReferencePressure/p) / float64(v) * float64(t/ReferenceTemperature), nil
}

// LeakOfRate returns the ANR flow of a choked leak that makes the pressure p of volume v fall at the relative rate k,
// 1/s: DecayRate turned round.
func LeakOfRate(k float64, p units.PressureAbs, v units.Volume, t units.Kelvin) (units.Flow, error) {
	if err := notNegative(arg{"rate", k}); err != nil {
		return 0, err
	}
	if err := positive(arg{"pressure", float64(p)}, arg{"volume", float64(v)}, arg{"temperature", float64(t)}); err != nil {
		return 0, err
	}
	return units.Flow(k * float64(v) * float64(p/ReferencePressure) * float64(ReferenceTemperature/t)), nil
}

// ChokedPressure returns the pressure that p has become after the time d of a choked isothermal decay at rate k, 1/s:
// p*exp(-k*d). A k or d below zero or p not above zero wraps ErrOutsideModel.
func ChokedPressure(p units.PressureAbs, k float64, d time.Duration) (units.PressureAbs, error) {
	if err := positive(arg{"pressure", float64(p)}); err != nil {
		return 0, err
	}
	if err := notNegative(arg{"rate", k}, arg{"time", d.Seconds()}); err != nil {
		return 0, err
	}
	return p * units.PressureAbs(math.Exp(-k*d.Seconds())), nil
}

// ChokedHoldTime returns how long a choked isothermal decay at rate k, 1/s, takes from one pressure down to another:
// ln(from/to)/k. It holds while to is above barometer/b; HoldTime has the general case. From below to is a time of zero,
// and a k of zero or a time above 200 years wraps ErrOutsideModel.
func ChokedHoldTime(from, to units.PressureAbs, k float64) (time.Duration, error) {
	if err := positive(arg{"pressure", float64(from)}, arg{"needed pressure", float64(to)}, arg{"rate", k}); err != nil {
		return 0, err
	}
	if from <= to {
		return 0, nil
	}
	return duration(math.Log(float64(from/to)) / k)
}

// Closed is a closed volume with one leak, at an even temperature.
type Closed struct {
	Volume      units.Volume
	Temperature units.Kelvin
	Leak        units.Flow        // at Pressure
	Pressure    units.PressureAbs // where Leak was measured or is supposed, above Barometer
	Barometer   units.PressureAbs // of the air around
	Critical    float64           // b of the leak, 0 to 0.9; 0.5283 is the ideal nozzle's
}

// Rate returns k, 1/s: the relative fall of the pressure while the leak is choked. Where Pressure is too low for that,
// the leak is first scaled to what it would be if it were.
func (c Closed) Rate() (float64, error) {
	if err := pressures(c.Pressure, c.Barometer); err != nil {
		return 0, err
	}
	if err := criticalInRange(c.Critical); err != nil {
		return 0, err
	}
	share := Share(float64(c.Barometer/c.Pressure), c.Critical)
	if share == 0 {
		return 0, fmt.Errorf("%w: nothing leaks at %v Pa, the pressure of the air around", ErrOutsideModel, float64(c.Pressure))
	}
	k, err := DecayRate(c.Leak, c.Pressure, c.Volume, c.Temperature)
	return k / share, err
}

// HoldTime returns how long c takes from one absolute pressure down to another.
//
//	dp/dt = -k*p*Share(barometer/p, b)
//
// Source: mass balance of an isothermal ideal gas with ISO 6358's flow. The choked part is ln(p1/p2)/k, the rest is
// integrated numerically, to better than 1e-9 of the time. From not above to is a time of zero. A needed pressure not
// above the barometer is never passed, a leak of zero never ends, and a time above 200 years cannot be held: these wrap
// ErrOutsideModel.
func (c Closed) HoldTime(from, to units.PressureAbs) (time.Duration, error) {
	s, err := c.seconds(from, to)
	if err != nil {
		return 0, err
	}
	return duration(s)
}

func (c Closed) seconds(from, to units.PressureAbs) (float64, error) {
	k, err := c.Rate()
	if err != nil {
		return 0, err
	}
	if err := positive(arg{"pressure", float64(from)}, arg{"needed pressure", float64(to)}); err != nil {
		return 0, err
	}
	switch {
	case to <= c.Barometer:
		return 0, fmt.Errorf("%w: a leak never takes the pressure below that of the air around, %v Pa", ErrOutsideModel, float64(c.Barometer))
	case from <= to:
		return 0, nil
	case k == 0:
		return 0, fmt.Errorf("%w: without a leak the pressure never falls", ErrOutsideModel)
	}
	return (c.unit(to) - c.unit(from)) / k, nil
}

// unit is k times the time that c needs down to p, counted from where its leak stops being choked; negative above.
// With r = barometer/p it is the integral of dr/(r*Share(r)), in three parts: choked, curved and the straight line.
func (c Closed) unit(p units.PressureAbs) float64 {
	r, b := float64(c.Barometer/p), c.Critical
	if c.Barometer == 0 {
		return -math.Log(float64(p)) // always choked; counted from 1 Pa
	}
	// A path with b = 0 is choked against a vacuum only. The curve then starts at a ratio that no real pressure has.
	start := math.Max(b, 1e-6)
	if r <= start {
		return math.Log(r / start)
	}
	sum := curved(b, start, math.Min(r, laminarRatio))
	if r > laminarRatio {
		slope := Share(laminarRatio, b) / (1 - laminarRatio)
		odds := func(r float64) float64 { return math.Log(r / (1 - r)) }
		sum += (odds(r) - odds(laminarRatio)) / slope
	}
	return sum
}

// curved integrates dr/(r*Share(r, b)) from one ratio to another, both between b and laminarRatio. With
// r = b+(1-b)*sin(a) it becomes (1-b)*da/r, which is smooth.
func curved(b, from, to float64) float64 {
	angle := func(r float64) float64 { return math.Asin(math.Min(1, (r-b)/(1-b))) }
	// Cut where r doubles, so that the integrand never varies by more than a factor of two within a piece.
	sum := 0.0
	for lo := from; lo < to; {
		hi := math.Min(2*lo, to)
		sum += simpson(func(a float64) float64 { return (1 - b) / (b + (1-b)*math.Sin(a)) }, angle(lo), angle(hi))
		lo = hi
	}
	return sum
}

// simpson integrates f by Simpson's rule over 64 intervals.
func simpson(f func(float64) float64, from, to float64) float64 {
	const n = 64
	h := (to - from) / n
	sum := f(from) + f(to)
	for i := 1; i < n; i++ {
		w := 4.0
		if i%2 == 0 {
			w = 2
		}
		sum += w * f(from+float64(i)*h)
	}
	return sum * h / 3
}

// After returns the absolute pressure of c a time d after it was from: HoldTime turned round, to 1e-12 of the pressure.
// A d below zero, a from not above the barometer, or fields out of range wrap ErrOutsideModel.
func (c Closed) After(from units.PressureAbs, d time.Duration) (units.PressureAbs, error) {
	k, err := c.Rate()
	if err != nil {
		return 0, err
	}
	if err := notNegative(arg{"time", d.Seconds()}); err != nil {
		return 0, err
	}
	if err := pressures(from, c.Barometer); err != nil {
		return 0, err
	}
	if from == c.Barometer || k == 0 || d == 0 {
		return from, nil
	}
	want := c.unit(from) + k*d.Seconds()
	// Time grows as the excess over the barometer falls, so bisect its logarithm.
	hi := math.Log(float64(from - c.Barometer))
	lo := hi - 200
	for range 200 {
		mid := (lo + hi) / 2
		if mid == lo || mid == hi {
			break
		}
		if p := c.Barometer + units.PressureAbs(math.Exp(mid)); p > c.Barometer && c.unit(p) < want {
			hi = mid
		} else {
			lo = mid
		}
	}
	return c.Barometer + units.PressureAbs(math.Exp(hi)), nil
}

// duration turns seconds into a Duration.
func duration(s float64) (time.Duration, error) {
	const longest = 200 * 365.25 * 86400
	if !(s >= 0) || s > longest {
		return 0, fmt.Errorf("%w: a time of %.3g s", ErrOutsideModel, s)
	}
	return time.Duration(s * float64(time.Second)), nil
}
