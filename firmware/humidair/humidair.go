// SPDX-License-Identifier: Apache-2.0

// Package humidair holds the physics of water vapour in compressed air.
//
// Words: saturation is the most vapour air can hold at a temperature, over liquid water or over ice; the vapour pressure
// is what the vapour alone would have; the pressure dew point is the temperature at which the air of a tank, at the
// tank's pressure, begins to leave water or ice; the frost point of air let out is the same at the pressure around;
// intake air is what a compressor draws in, and condensate what of its water the tank cannot hold.
//
// The package knows no time, machine or sensor: every function is pure, takes and returns SI, and outside its range
// returns an error that wraps ErrOutsideModel, never NaN and never a clamped value. It treats vapour and air as ideal
// gases that do not feel each other. Real air at 800 kPa holds some 3 % more vapour than that (the enhancement factor,
// from memory), so condensate is stated a little high, on the side of draining too soon.
//
// Sources: IAPWS SR1-86 (water), IAPWS R14-08 (ice), Dalton's law and the gas law. NOTES.md has the derivations.
package humidair

import (
	"errors"
	"fmt"
	"math"

	"airhold/sensors/units"
)

// ErrOutsideModel is wrapped by every error of this package: an argument lies where the formula does not hold.
var ErrOutsideModel = errors.New("outside the formula's range")

// Constants of water and air.
const (
	// VapourConstant is the gas constant of water vapour, J/(kg K); IAPWS.
	VapourConstant = 461.523
	// AirConstant is that of dry air, J/(kg K).
	AirConstant = 287.055
	// MassRatio is the molar mass of water over that of dry air.
	MassRatio = 0.621945
	// Freezing divides water from ice where a function may choose: 0 degC.
	Freezing units.Kelvin = 273.15
)

// Range of the saturation formulas, K. That of water is given from the triple point up; below it we extrapolate, as
// meteorology does for supercooled drops, and lose accuracy slowly.
const (
	coldestWater = 223.15
	hottestWater = 647.096 // critical point
	coldestIce   = 123.15  // R14-08 itself goes down to 50 K
	hottestIce   = 273.16  // triple point
)

// SaturationWater returns the saturation pressure over liquid water at t, 223.15 to 647.096 K.
//
//	ln(p/pc) = Tc/T*(a1*v + a2*v^1.5 + a3*v^3 + a4*v^3.5 + a5*v^4 + a6*v^7.5), v = 1 - T/Tc
//
// Source: IAPWS SR1-86, eq. 1; good to a few hundredths of a per cent from 273.16 K up, an extrapolation below.
func SaturationWater(t units.Kelvin) (units.PressureAbs, error) {
	if err := within("temperature over water", float64(t), coldestWater, hottestWater); err != nil {
		return 0, err
	}
	return units.PressureAbs(math.Exp(lnWater(float64(t)))), nil
}

// SaturationIce returns the saturation pressure over ice at t, 123.15 to 273.16 K.
//
//	ln(p/pt) = (a1*x^b1 + a2*x^b2 + a3*x^b3)/x, x = T/Tt
//
// Source: IAPWS R14-08, eq. 6.
func SaturationIce(t units.Kelvin) (units.PressureAbs, error) {
	if err := within("temperature over ice", float64(t), coldestIce, hottestIce); err != nil {
		return 0, err
	}
	return units.PressureAbs(math.Exp(lnIce(float64(t)))), nil
}

// Saturation is SaturationWater from 0 degC up and SaturationIce below, which is what forms in a tank.
func Saturation(t units.Kelvin) (units.PressureAbs, error) {
	if t < Freezing {
		return SaturationIce(t)
	}
	return SaturationWater(t)
}

func lnWater(t float64) float64 {
	const critical = 22.064e6
	v := 1 - t/hottestWater
	root := math.Sqrt(v)
	v3 := v * v * v
	sum := -7.85951783*v + 1.84408259*v*root - 11.7866497*v3 + 22.6807411*v3*root - 15.9618719*v3*v + 1.80122502*v3*v3*v*root
	return math.Log(critical) + hottestWater/t*sum
}

func lnIce(t float64) float64 {
	const triple = 611.657
	x := t / hottestIce
	sum := -0.212144006e2*math.Pow(x, 0.333333333e-2) + 0.273203819e2*math.Pow(x, 0.120666667e1) - 0.610598130e1*math.Pow(x, 0.170333333e1)
	return math.Log(triple) + sum/x
}

// DewPoint returns the temperature at which p is the saturation pressure over liquid water: SaturationWater turned
// round, to 1e-9 K. A p outside that function's results wraps ErrOutsideModel.
func DewPoint(p units.PressureAbs) (units.Kelvin, error) {
	return invert(p, lnWater, coldestWater, hottestWater)
}

// FrostPoint returns the temperature at which p is the saturation pressure over ice: SaturationIce turned round.
func FrostPoint(p units.PressureAbs) (units.Kelvin, error) {
	return invert(p, lnIce, coldestIce, hottestIce)
}

// Deposit is where cooling air begins to leave water or ice.
type Deposit struct {
	Temperature units.Kelvin
	Ice         bool
}

// DepositPoint returns the dew point of the vapour pressure p where that is at or above 0 degC, else the frost point.
func DepositPoint(p units.PressureAbs) (Deposit, error) {
	if !(float64(p) > 0) {
		return Deposit{}, fmt.Errorf("%w: air without water vapour has no dew point", ErrOutsideModel)
	}
	if math.Log(float64(p)) >= lnWater(float64(Freezing)) {
		t, err := DewPoint(p)
		return Deposit{Temperature: t}, err
	}
	t, err := FrostPoint(p)
	return Deposit{Temperature: t, Ice: true}, err
}

// invert finds the temperature at which the rising function lnP is the logarithm of p, by halving.
func invert(p units.PressureAbs, lnP func(float64) float64, low, high float64) (units.Kelvin, error) {
	want := math.Log(float64(p))
	if !(want >= lnP(low)) || want > lnP(high) {
		return 0, fmt.Errorf("%w: vapour pressure %v Pa must be from %.3g to %.3g Pa", ErrOutsideModel, float64(p), math.Exp(lnP(low)), math.Exp(lnP(high)))
	}
	for range 80 {
		mid := (low + high) / 2
		if mid == low || mid == high {
			break
		}
		if lnP(mid) < want {
			low = mid
		} else {
			high = mid
		}
	}
	return units.Kelvin((low + high) / 2), nil
}

// within holds v to a range; NaN is outside every one.
func within(name string, v, low, high float64) error {
	if !(v >= low) || v > high {
		return fmt.Errorf("%w: %s %v must be from %v to %v", ErrOutsideModel, name, v, low, high)
	}
	return nil
}
