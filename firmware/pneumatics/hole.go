// SPDX-License-Identifier: Apache-2.0

package pneumatics

import (
	"fmt"
	"math"

	"airhold/sensors/units"
)

// Discharge coefficients of a round hole, as the free-air tables print them. A real leak has its own.
const (
	SharpEdged  = 0.61 // a drilled plate; tables say 0.61 to 0.65
	WellRounded = 0.97 // a smooth approach
)

// CriticalRatio returns the pressure ratio below which an ideal nozzle is choked: (2/(g+1))^(g/(g-1)) = 0.528282.
func CriticalRatio() float64 { return math.Pow(2/(Gamma+1), Gamma/(Gamma-1)) }

// ChokedFactor returns the psi of the choked nozzle, sqrt(g)*(2/(g+1))^((g+1)/(2(g-1))) = 0.684731.
func ChokedFactor() float64 {
	return math.Sqrt(Gamma) * math.Pow(2/(Gamma+1), (Gamma+1)/(2*(Gamma-1)))
}

// Hole is a round opening.
type Hole struct {
	Diameter  units.Metres
	Discharge float64 // above 0 to 1: SharpEdged, WellRounded, or a measured one
}

// check holds h to what can be a hole. A diameter of zero is one that lets nothing through.
func (h Hole) check() error {
	if err := notNegative(arg{"diameter", float64(h.Diameter)}); err != nil {
		return err
	}
	return dischargeInRange(h.Discharge)
}

func dischargeInRange(cd float64) error {
	if !(cd > 0) || cd > 1 {
		return fmt.Errorf("%w: discharge coefficient %v must be above 0 and at most 1", ErrOutsideModel, cd)
	}
	return nil
}

// MassFlow returns what passes h from the absolute pressure up at temperature t into down.
//
//	choked, down/up <= CriticalRatio:  Cd*A*up*psi/sqrt(R*t)
//	else, r = down/up:                 Cd*A*up*sqrt(2g/((g-1)*R*t)*(r^(2/g) - r^((g+1)/g)))
//
// Source: isentropic flow of a perfect gas through a nozzle, textbook. The coefficient is taken as constant; that of a
// real sharp edge grows from 0.6 to above 0.8 with falling pressure ratio. Down above up, a temperature not above 0 K or
// a hole that cannot be wraps ErrOutsideModel.
func (h Hole) MassFlow(up, down units.PressureAbs, t units.Kelvin) (units.KilogramsPerSecond, error) {
	if err := h.check(); err != nil {
		return 0, err
	}
	f, err := flux(up, down, t)
	if err != nil {
		return 0, err
	}
	return units.KilogramsPerSecond(h.Discharge * circle(float64(h.Diameter)) * f), nil
}

// Conductance returns the sonic conductance of h, Cd*A*psi/(rho0*sqrt(R*T0)). Source: MassFlow, choked, set equal to
// rho0*C*up (ISO 6358). 1 mm at 0.61 is 9.543e-10 m3/(s.Pa).
func (h Hole) Conductance() (units.SonicConductance, error) {
	if err := h.check(); err != nil {
		return 0, err
	}
	return units.SonicConductance(h.Discharge * circle(float64(h.Diameter)) * conductanceOfArea()), nil
}

// HoleOfConductance returns the hole with coefficient cd that has the sonic conductance c. A c below zero or a cd
// outside 0 to 1 wraps ErrOutsideModel.
func HoleOfConductance(c units.SonicConductance, cd float64) (Hole, error) {
	if err := notNegative(arg{"conductance", float64(c)}); err != nil {
		return Hole{}, err
	}
	if err := dischargeInRange(cd); err != nil {
		return Hole{}, err
	}
	return Hole{Diameter: diameter(float64(c) / (cd * conductanceOfArea())), Discharge: cd}, nil
}

// HoleOfLeak returns the hole with coefficient cd through which q leaks from up at temperature t into down: MassFlow
// turned round. A q below zero, down not below up, or a cd outside 0 to 1 wraps ErrOutsideModel.
func HoleOfLeak(q units.Flow, up, down units.PressureAbs, t units.Kelvin, cd float64) (Hole, error) {
	if err := notNegative(arg{"leak", float64(q)}); err != nil {
		return Hole{}, err
	}
	if err := dischargeInRange(cd); err != nil {
		return Hole{}, err
	}
	f, err := flux(up, down, t)
	if err != nil {
		return Hole{}, err
	}
	if f == 0 {
		return Hole{}, fmt.Errorf("%w: no hole leaks with the same pressure on both sides", ErrOutsideModel)
	}
	return Hole{Diameter: diameter(float64(MassFlow(q)) / (cd * f)), Discharge: cd}, nil
}

// flux is the mass flow through one square metre of an ideal nozzle, kg/(s.m2).
func flux(up, down units.PressureAbs, t units.Kelvin) (float64, error) {
	if err := pressures(up, down); err != nil {
		return 0, err
	}
	if err := positive(arg{"temperature", float64(t)}); err != nil {
		return 0, err
	}
	r, rt := float64(down/up), GasConstant*float64(t)
	if r <= CriticalRatio() {
		return float64(up) * ChokedFactor() / math.Sqrt(rt), nil
	}
	// r^(2/g)*(1 - r^((g-1)/g)), by expm1, so that it does not lose its digits where r is close to 1.
	x := -math.Pow(r, 2/Gamma) * math.Expm1((Gamma-1)/Gamma*math.Log(r))
	return float64(up) * math.Sqrt(2*Gamma/((Gamma-1)*rt)*x), nil
}

// pressures holds a flow to run from up to down.
func pressures(up, down units.PressureAbs) error {
	if err := positive(arg{"upstream pressure", float64(up)}); err != nil {
		return err
	}
	if err := notNegative(arg{"downstream pressure", float64(down)}); err != nil {
		return err
	}
	if down > up {
		return fmt.Errorf("%w: downstream pressure %v Pa is above the upstream one, %v Pa", ErrOutsideModel, float64(down), float64(up))
	}
	return nil
}

// conductanceOfArea is the sonic conductance of one square metre with coefficient 1.
func conductanceOfArea() float64 {
	return ChokedFactor() / (float64(ReferenceDensity) * math.Sqrt(GasConstant*float64(ReferenceTemperature)))
}

func circle(diameter float64) float64 { return math.Pi / 4 * diameter * diameter }

func diameter(area float64) units.Metres { return units.Metres(math.Sqrt(area * 4 / math.Pi)) }
