// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"math"
	"testing"
	"time"
)

// A degree Fahrenheit is 5/9 K (NIST SP 811, appendix B.8), so an uncertainty of 0.9 °F is one of 0.5 K; 2024 was a leap year.
func TestCalibrationIsRead(t *testing.T) {
	t.Parallel()
	m := load(t, "calibration")
	march := time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC)
	for id, want := range map[string]struct {
		date        time.Time
		reference   string
		uncertainty float64
	}{
		"tank":    {march, "test gauge no. 3", 1000},
		"front":   {time.Date(2024, 2, 29, 0, 0, 0, 0, time.UTC), "", 0},
		"wall":    {march, "", 0.5},
		"ambient": {march, "", 0.5},
		"rear":    {},
	} {
		c, ok := m.Channel(id)
		if !ok {
			t.Fatalf("no channel %q", id)
		}
		got := c.Calibrated
		if !got.Date.Equal(want.date) || got.Reference != want.reference || math.Abs(got.Uncertainty-want.uncertainty) > 1e-9 {
			t.Errorf("calibration of %s = %+v; want %+v", id, got, want)
		}
	}
}
