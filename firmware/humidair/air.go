// SPDX-License-Identifier: Apache-2.0

package humidair

import (
	"fmt"
	"math"

	"airhold/sensors/units"
)

// VapourDensity returns the mass of vapour in a volume of air whose vapour pressure is pv at t: pv/(Rw*t). Source: gas
// law; real saturated vapour is 0.1 % denser at 35 degC. A pv below zero or a t not above 0 K wraps ErrOutsideModel.
func VapourDensity(pv units.PressureAbs, t units.Kelvin) (units.KilogramsPerCubicMetre, error) {
	if !(pv >= 0) || !(t > 0) || math.IsInf(float64(pv), 0) {
		return 0, fmt.Errorf("%w: vapour pressure %v Pa at %v K", ErrOutsideModel, float64(pv), float64(t))
	}
	return units.KilogramsPerCubicMetre(float64(pv) / (VapourConstant * float64(t))), nil
}

// HumidityRatio returns the mass of vapour for a mass of dry air in air of pressure p whose vapour pressure is pv:
// 0.621945*pv/(p - pv). Source: Dalton's law. A pv below zero or not below p wraps ErrOutsideModel.
func HumidityRatio(pv, p units.PressureAbs) (float64, error) {
	if !(pv >= 0) || !(p > pv) || math.IsInf(float64(p), 0) {
		return 0, fmt.Errorf("%w: vapour pressure %v Pa in air of %v Pa", ErrOutsideModel, float64(pv), float64(p))
	}
	return MassRatio * float64(pv) / float64(p-pv), nil
}

// RatioPressure is HumidityRatio turned round: the vapour pressure in air of pressure p that has ratio kg of vapour for each
// kg of dry air, p*W/(0.621945 + W). A ratio below zero or a p not above zero wraps ErrOutsideModel.
func RatioPressure(ratio float64, p units.PressureAbs) (units.PressureAbs, error) {
	if !(ratio >= 0) || !(p > 0) || math.IsInf(ratio, 0) || math.IsInf(float64(p), 0) {
		return 0, fmt.Errorf("%w: %v kg of vapour a kg in air of %v Pa", ErrOutsideModel, ratio, float64(p))
	}
	return p * units.PressureAbs(ratio/(MassRatio+ratio)), nil
}

// Air is air as it is taken in.
type Air struct {
	Temperature units.Kelvin
	Humidity    float64           // relative, 0 to 1: vapour pressure over saturation
	Pressure    units.PressureAbs // of the moist air
	OverIce     bool              // Humidity counts from saturation over ice; instruments count from water, below 0 degC too
}

// VapourPressure returns the pressure of a's vapour alone. A humidity outside 0 to 1, a temperature outside the
// saturation formula's, or a pressure not above the vapour's wraps ErrOutsideModel.
func (a Air) VapourPressure() (units.PressureAbs, error) {
	if err := within("relative humidity", a.Humidity, 0, 1); err != nil {
		return 0, err
	}
	saturation := SaturationWater
	if a.OverIce {
		saturation = SaturationIce
	}
	ps, err := saturation(a.Temperature)
	if err != nil {
		return 0, err
	}
	pv := ps * units.PressureAbs(a.Humidity)
	if !(a.Pressure > pv) || math.IsInf(float64(a.Pressure), 0) {
		return 0, fmt.Errorf("%w: air of %v Pa cannot hold vapour of %v Pa", ErrOutsideModel, float64(a.Pressure), float64(pv))
	}
	return pv, nil
}

// Water returns the mass of vapour in a volume of a.
func (a Air) Water() (units.KilogramsPerCubicMetre, error) {
	pv, err := a.VapourPressure()
	if err != nil {
		return 0, err
	}
	return VapourDensity(pv, a.Temperature)
}

// Condensate returns the water that each cubic metre of a leaves in a tank at temperature t and pressure p, zero where
// the tank can hold it all as vapour.
//
//	max(0, W1 - W2)*(pa - pv)/(Ra*ta)    W the humidity ratios, the last factor the dry air in a cubic metre of a
//
// Source: water balance. The tank is saturated over water from 0 degC up and over ice below. T is the tank's temperature
// while air is delivered: a cold night's would count far too much for the whole day. A p below a's pressure, or a value
// outside the saturation formulas', wraps ErrOutsideModel.
func (a Air) Condensate(t units.Kelvin, p units.PressureAbs) (units.KilogramsPerCubicMetre, error) {
	pv, err := a.VapourPressure()
	if err != nil {
		return 0, err
	}
	if err := a.compressedTo(p); err != nil {
		return 0, err
	}
	in, err := HumidityRatio(pv, a.Pressure)
	if err != nil {
		return 0, err
	}
	ps, err := Saturation(t)
	if err != nil {
		return 0, err
	}
	if ps >= p {
		return 0, nil // so hot that water would boil in the tank: nothing stays liquid
	}
	held, err := HumidityRatio(ps, p)
	if err != nil {
		return 0, err
	}
	dry := float64(a.Pressure-pv) / (AirConstant * float64(a.Temperature))
	return units.KilogramsPerCubicMetre(math.Max(0, in-held) * dry), nil
}

// PressureDewPoint returns where a, compressed to p with all its water, begins to leave it. A result above the tank's
// temperature means that water condenses there. Air without water, or a p below a's pressure, wraps ErrOutsideModel.
func (a Air) PressureDewPoint(p units.PressureAbs) (Deposit, error) {
	pv, err := a.VapourPressure()
	if err != nil {
		return Deposit{}, err
	}
	if err := a.compressedTo(p); err != nil {
		return Deposit{}, err
	}
	return DepositPoint(pv * (p / a.Pressure))
}

func (a Air) compressedTo(p units.PressureAbs) error {
	if !(p >= a.Pressure) || math.IsInf(float64(p), 0) {
		return fmt.Errorf("%w: tank pressure %v Pa is below that of the intake air, %v Pa", ErrOutsideModel, float64(p), float64(a.Pressure))
	}
	return nil
}

// LetOut returns where the saturated air of a tank at temperature t and pressure p begins to leave ice or water once it
// is let out to the pressure around: its vapour pressure falls with the pressure. Expansion cools the air at the exhaust,
// so ice may form there above 0 degC. An around above p or not above zero wraps ErrOutsideModel.
func LetOut(t units.Kelvin, p, around units.PressureAbs) (Deposit, error) {
	ps, err := Saturation(t)
	if err != nil {
		return Deposit{}, err
	}
	if !(around > 0) || !(p >= around) || !(p > ps) || math.IsInf(float64(p), 0) {
		return Deposit{}, fmt.Errorf("%w: air of %v Pa let out to %v Pa", ErrOutsideModel, float64(p), float64(around))
	}
	return DepositPoint(ps * (around / p))
}
