// SPDX-License-Identifier: Apache-2.0

// Package pneumatics holds the physics of air that flows out of a hole and of a volume that loses it.
//
// Words: ANR is the reference state of a free-air volume (ISO 8778: 100 kPa, 20 degC, 65 % humidity), the only one in
// which flows are returned; a path is anything air leaks through, described as ISO 6358 does by a sonic conductance C
// and a critical ratio b; a hole is a round sharp or rounded one with a discharge coefficient that is always named;
// choked means that the flow does not feel the pressure behind the path; hold time is how long a closed volume stays
// above a pressure.
//
// The package knows no time, machine or sensor: every function is pure, takes and returns SI, and outside its range
// returns an error that wraps ErrOutsideModel, never NaN and never a clamped value. It says nothing about cooling air:
// that is firmware/leakdown's work.
//
// Sources: textbook gas dynamics (isentropic nozzle), ISO 6358 (C and b), ISO 8778 (ANR), DIN 1343 (normal state),
// ISO 2533 (standard atmosphere), EN 1779 (pressure change), ISO 1217 (receiver method), A. Wald, Sequential Analysis
// (1947), JCGM 100 (uncertainty). NOTES.md has the derivations and what was found when checking.
package pneumatics

import (
	"errors"
	"fmt"
	"math"

	"airhold/sensors/units"
)

// ErrOutsideModel is wrapped by every error of this package: an argument lies where the formula does not hold.
var ErrOutsideModel = errors.New("outside the formula's range")

// Properties of air and the reference states.
const (
	// Gamma is the ratio of the specific heats of air as a perfect gas.
	Gamma = 1.4
	// GasConstant is that of dry air, J/(kg K).
	GasConstant = 287.055
	// ReferencePressure and ReferenceTemperature are the ANR state of ISO 8778.
	ReferencePressure    units.PressureAbs = 100e3
	ReferenceTemperature units.Kelvin      = 293.15
	// ReferenceDensity is the ANR density that ISO 6358 calculates with, kg/m3. Dry air by the gas law would have
	// 1.1884 and air of 65 % humidity 1.1815, so a mass flow and an ANR flow agree to 0.3 % and not better.
	ReferenceDensity units.KilogramsPerCubicMetre = 1.185
	// Atmosphere is the normal pressure of the sea-level standard atmosphere (ISO 2533), 14.696 psi.
	Atmosphere units.PressureAbs = 101325
)

// MassFlow returns the mass flow of an ANR flow at ReferenceDensity.
func MassFlow(q units.Flow) units.KilogramsPerSecond {
	return units.KilogramsPerSecond(float64(q) * float64(ReferenceDensity))
}

// Flow returns the ANR flow of a mass flow at ReferenceDensity.
func Flow(m units.KilogramsPerSecond) units.Flow {
	return units.Flow(float64(m) / float64(ReferenceDensity))
}

// FreeAir returns the volume flow, m3/s, that dry air of mass flow m has at p and t, as the tables of free air state it.
//
//	m*R*t/p    R 287.055 J/(kg K)
func FreeAir(m units.KilogramsPerSecond, p units.PressureAbs, t units.Kelvin) (float64, error) {
	if err := positive(arg{"pressure", float64(p)}, arg{"temperature", float64(t)}); err != nil {
		return 0, err
	}
	return float64(m) * GasConstant * float64(t) / float64(p), nil
}

// StandardCubicFoot returns the ANR flow of one standard cubic foot a minute whose reference is 14.696 psi absolute and
// the temperature ref. The trade uses 60, 68 and 70 degF: 29.134, 28.692 and 28.584 L/min ANR, so scfm without its
// temperature is uncertain by 2 %. By the gas law; a ref not above 0 K wraps ErrOutsideModel.
func StandardCubicFoot(ref units.Kelvin) (units.Flow, error) {
	if err := positive(arg{"reference temperature", float64(ref)}); err != nil {
		return 0, err
	}
	const footM3 = 0.3048 * 0.3048 * 0.3048
	return anr(footM3/60, Atmosphere, ref), nil
}

// NormalLitre returns the ANR flow of one normal litre a minute: 0 degC and 101.325 kPa (DIN 1343).
func NormalLitre() units.Flow { return anr(1e-3/60, Atmosphere, 273.15) }

// anr carries a volume flow at p and t to the ANR state by the gas law.
func anr(m3s float64, p units.PressureAbs, t units.Kelvin) units.Flow {
	return units.Flow(m3s * float64(p/ReferencePressure) * float64(ReferenceTemperature/t))
}

// arg is an argument with the word for it in an error.
type arg struct {
	name  string
	value float64
}

// positive holds arguments to be finite and above zero.
func positive(args ...arg) error {
	for _, a := range args {
		if !(a.value > 0) || math.IsInf(a.value, 0) {
			return fmt.Errorf("%w: %s %v must be above zero", ErrOutsideModel, a.name, a.value)
		}
	}
	return nil
}

// notNegative holds arguments to be finite and zero or above.
func notNegative(args ...arg) error {
	for _, a := range args {
		if !(a.value >= 0) || math.IsInf(a.value, 0) {
			return fmt.Errorf("%w: %s %v must not be below zero", ErrOutsideModel, a.name, a.value)
		}
	}
	return nil
}
