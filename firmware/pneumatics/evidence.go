// SPDX-License-Identifier: Apache-2.0

package pneumatics

import (
	"fmt"
	"math"

	"airhold/sensors/units"
)

// SequentialBounds returns the two limits of a sequential probability ratio test on the logarithm of the likelihood
// ratio: below accept the test ends with the null hypothesis, above reject with the other one. Alpha is the chance of a
// false rejection, beta that of a false acceptance.
//
//	accept = ln(beta/(1-alpha)), reject = ln((1-beta)/alpha)
//
// Source: A. Wald, Sequential Analysis (1947), chapter 3. Alpha or beta outside 0 to 1, or a sum of 1 or more, wraps
// ErrOutsideModel.
func SequentialBounds(alpha, beta float64) (accept, reject float64, err error) {
	if !(alpha > 0) || !(beta > 0) || !(alpha+beta < 1) {
		return 0, 0, fmt.Errorf("%w: alpha %v and beta %v must be above 0 and together below 1", ErrOutsideModel, alpha, beta)
	}
	return math.Log(beta / (1 - alpha)), math.Log((1 - beta) / alpha), nil
}

// CoverageFactor is the k of an expanded uncertainty that covers 95 % of a normal distribution.
const CoverageFactor = 1.96

// LeakUncertainty returns the combined standard uncertainty of the leak q and the expanded one (k = CoverageFactor), from
// the half width of the volume's rectangular uncertainty as a ratio, and further standard uncertainties, none of them
// correlated.
//
//	u_c^2 = (q*halfWidth/sqrt(3))^2 + sum of terms^2,  U = 1.96*u_c
//
// Source: JCGM 100, 4.3.7 (rectangular), 5.1.2 (combined), 6.2.1 (expanded). A negative argument wraps ErrOutsideModel.
func LeakUncertainty(q units.Flow, volumeHalfWidth float64, terms ...units.Flow) (combined, expanded units.Flow, err error) {
	if err := notNegative(arg{"leak", float64(q)}, arg{"volume uncertainty", volumeHalfWidth}); err != nil {
		return 0, 0, err
	}
	sum := math.Pow(float64(q)*volumeHalfWidth, 2) / 3
	for _, t := range terms {
		if err := notNegative(arg{"uncertainty", float64(t)}); err != nil {
			return 0, 0, err
		}
		sum += float64(t) * float64(t)
	}
	combined = units.Flow(math.Sqrt(sum))
	return combined, CoverageFactor * combined, nil
}
