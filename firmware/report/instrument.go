// SPDX-License-Identifier: Apache-2.0

package report

import (
	"fmt"
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// Calibrate fills in what is known of an instrument's calibration. The day is date's own, the uncertainty is a half-width
// in SI, shown in u as a difference (1 K is 1 °C). A zero date, an empty reference, an uncertainty of zero or less: not
// recorded.
func (i *Instrument) Calibrate(date time.Time, reference string, uncertainty float64, u units.Unit) {
	if !date.IsZero() {
		i.Calibrated = date.Format(time.DateOnly)
	}
	i.Against = reference
	if uncertainty > 0 && !math.IsInf(uncertainty, 0) && u.Factor > 0 {
		i.Uncertainty = fmt.Sprintf("±%g %s", findings.Round(uncertainty/u.Factor), UnitWords(u))
	}
}

// UnitWords writes a unit as people do, "°C" for Cel.
func UnitWords(u units.Unit) string { return unitWords(u.Code, units.Gauge) }
