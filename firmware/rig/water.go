// SPDX-License-Identifier: Apache-2.0

package rig

import "math"

// saturation returns the pressure in Pa at which water vapour saturates at kelvin, over liquid above 0 degC and over
// ice below. Fit of Hyland and Wexler (1983) as printed in the ASHRAE Handbook, Fundamentals, Psychrometrics, equations
// 5 and 6, coefficients from memory; within 0.04 % of the IAPWS values between -20 and 60 degC.
func saturation(kelvin float64) float64 {
	t := kelvin
	if t < 273.15 {
		return math.Exp(-5.6745359e3/t + 6.3925247 + t*(-9.677843e-3+t*(6.2215701e-7+t*(2.0747825e-9-t*9.484024e-13))) +
			4.1635019*math.Log(t))
	}
	return math.Exp(-5.8002206e3/t + 1.3914993 + t*(-4.8640239e-2+t*(4.1764768e-5-t*1.4452093e-8)) + 6.5459673*math.Log(t))
}

// moistRatio returns kilograms of water vapour to a kilogram of dry air at partial pressure vapour in total pressure pa.
func moistRatio(vapour, pa float64) float64 {
	if vapour > 0.9*pa {
		vapour = 0.9 * pa
	}
	return 0.621945 * vapour / (pa - vapour)
}

// wetTank is the water in the tank, in kilograms.
type wetTank struct {
	vapour, liquid   float64
	taken, condensed float64 // since the start: taken in with the air, turned to liquid
	carried, drained float64 // since the start: gone on as vapour, let out at the drain
}

// step advances the water by dt seconds. The cold spot is the colder of wall and air, where the excess settles within
// seconds; the puddle dries a hundred times slower, because nothing stirs it.
func (w *wetTank) step(dt, airInKg, inRatio, airOutKg, airKg, pa, gasK, wallK float64) {
	w.vapour += airInKg * inRatio
	w.taken += airInKg * inRatio
	gone := math.Min(w.vapour, airOutKg*w.vapour/airKg)
	w.vapour -= gone
	w.carried += gone
	hold := moistRatio(saturation(math.Min(gasK, wallK)), pa) * airKg
	excess := w.vapour - hold
	if excess > 0 {
		excess *= 1 - math.Exp(-dt/15)
		w.condensed += excess
	} else {
		excess = math.Max(excess*(1-math.Exp(-dt/1500)), -w.liquid)
	}
	w.vapour -= excess
	w.liquid += excess
}

// drain empties the puddle.
func (w *wetTank) drain() {
	w.drained += w.liquid
	w.liquid = 0
}
