// SPDX-License-Identifier: Apache-2.0

package pneumatics

import (
	"fmt"
	"math"

	"airhold/sensors/units"
)

// laminarRatio is the pressure ratio above which a path's flow falls in a straight line to zero. ISO 6358's curve has no
// finite slope at 1, which no integrator likes and no leak shows; models of the trade put the line above 0.995 to 0.999.
const laminarRatio = 0.999

// Path is what air leaks through, as ISO 6358 describes it.
type Path struct {
	Conductance units.SonicConductance // C, not below zero
	Critical    float64                // b, from 0 to 0.9; leaks are between 0.2 and 0.53 (common practice, no source)
}

// Share returns the flow at pressure ratio r as a share of the choked flow at the same upstream pressure, for a path
// with critical ratio b: 1 up to b, then sqrt(1-((r-b)/(1-b))^2), above 0.999 a straight line to 0 at r = 1, and 0 from
// there on.
//
// Source: ISO 6358; the straight line is ours (see laminarRatio). It never fails, so that it can stand in an inner loop:
// a b outside 0 to 0.9 gives nonsense, and Path.Flow refuses it.
func Share(r, b float64) float64 {
	switch {
	case r <= b:
		return 1
	case r >= 1:
		return 0
	case r > laminarRatio:
		return Share(laminarRatio, b) * (1 - r) / (1 - laminarRatio)
	}
	x := (r - b) / (1 - b)
	return math.Sqrt((1 - x) * (1 + x))
}

// Flow returns the ANR flow through p from the absolute pressure up at temperature t into down.
//
//	C*up*sqrt(T0/t)*Share(down/up, b)    T0 293.15 K
//
// Source: ISO 6358. A choked leak is proportional to the absolute upstream pressure. Down above up, a temperature not
// above 0 K, or C or b out of range wraps ErrOutsideModel.
func (p Path) Flow(up, down units.PressureAbs, t units.Kelvin) (units.Flow, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if err := pressures(up, down); err != nil {
		return 0, err
	}
	if err := positive(arg{"temperature", float64(t)}); err != nil {
		return 0, err
	}
	q := float64(p.Conductance) * float64(up) * math.Sqrt(float64(ReferenceTemperature/t))
	return units.Flow(q * Share(float64(down/up), p.Critical)), nil
}

func (p Path) check() error {
	if err := notNegative(arg{"conductance", float64(p.Conductance)}); err != nil {
		return err
	}
	return criticalInRange(p.Critical)
}

func criticalInRange(b float64) error {
	if !(b >= 0) || b > 0.9 {
		return fmt.Errorf("%w: critical ratio %v must be from 0 to 0.9", ErrOutsideModel, b)
	}
	return nil
}
