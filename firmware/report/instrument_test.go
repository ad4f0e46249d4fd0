// SPDX-License-Identifier: Apache-2.0

package report_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/report"
	"airhold/sensors/units"
)

func TestCalibrate(t *testing.T) {
	kPa := units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1000}
	psi := units.Unit{Code: "[psi]", Dim: units.Pressure, Factor: 6894.757} // NIST SP 811, appendix B.8
	celsius := units.Unit{Code: "Cel", Dim: units.Temperature, Factor: 1, Offset: 273.15}
	march := time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name      string
		date      time.Time
		reference string
		si        float64
		unit      units.Unit
		want      report.Instrument
	}{
		{"whole", march, "test gauge no. 3", 1000, kPa, report.Instrument{Calibrated: "2026-03-14", Against: "test gauge no. 3", Uncertainty: "±1 kPa"}},
		{"psi", march, "", 6894.757 / 5, psi, report.Instrument{Calibrated: "2026-03-14", Uncertainty: "±0.2 psi"}},
		{"a difference of temperature", march, "", 0.5, celsius, report.Instrument{Calibrated: "2026-03-14", Uncertainty: "±0.5 °C"}},
		{"day only", march, "", 0, units.Unit{}, report.Instrument{Calibrated: "2026-03-14"}},
		{"nothing", time.Time{}, "", 0, kPa, report.Instrument{}},
		{"no number", march, "", math.NaN(), kPa, report.Instrument{Calibrated: "2026-03-14"}},
	} {
		var got report.Instrument
		got.Calibrate(c.date, c.reference, c.si, c.unit)
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s: Calibrate (-want +got):\n%s", c.name, diff)
		}
	}
}
