// SPDX-License-Identifier: Apache-2.0

package pneumatics

import (
	"fmt"
	"math"

	"airhold/sensors/units"
)

// Range of StandardPressure.
const (
	lowestAltitude  = -2000.0
	highestAltitude = 11000.0
)

// StandardPressure returns the pressure of the standard atmosphere at the geopotential altitude h.
//
//	101325*(1 - 0.0065*h/288.15)^5.25588
//
// Source: ISO 2533, troposphere. Weather moves the real one by up to 30 hPa (common practice, no source). An h outside
// -2000 to 11000 m wraps ErrOutsideModel.
func StandardPressure(h units.Metres) (units.PressureAbs, error) {
	if !(h >= lowestAltitude) || h > highestAltitude {
		return 0, fmt.Errorf("%w: altitude %v m must be from %v to %v m", ErrOutsideModel, float64(h), lowestAltitude, highestAltitude)
	}
	return Atmosphere * units.PressureAbs(math.Pow(1-0.0065*float64(h)/288.15, 5.25588)), nil
}

// Geopotential returns the geopotential altitude of the height z above sea level, as a map or a GNSS receiver gives it:
// r*z/(r+z) with r = 6356766 m. Source: ISO 2533. A z outside -2000 to 11100 m wraps ErrOutsideModel.
func Geopotential(z units.Metres) (units.Metres, error) {
	if !(z >= lowestAltitude) || z > highestAltitude+100 {
		return 0, fmt.Errorf("%w: altitude %v m must be from %v to %v m", ErrOutsideModel, float64(z), lowestAltitude, highestAltitude+100)
	}
	const radius = 6356766
	return radius * z / (radius + z), nil
}
