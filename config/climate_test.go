// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"math"
	"testing"

	"airhold/config"
)

// TestClimateAndProbe: what stands in the sample is in the machine, and a file without a climate gives none.
func TestClimateAndProbe(t *testing.T) {
	t.Parallel()
	m := load(t, "climate")
	c := m.Climate
	if !c.Given || math.Abs(float64(c.Temperature)-289.15) > 1e-9 || math.Abs(c.Humidity-0.7) > 1e-12 || math.Abs(c.Uncertainty-0.3) > 1e-12 {
		t.Errorf("climate %+v", c)
	}
	if m.Tank.Wet != "tank_wet" {
		t.Errorf("probe channel %q", m.Tank.Wet)
	}
	if got := load(t, "minimal").Climate; got != (config.Climate{}) {
		t.Errorf("a climate of nowhere: %+v", got)
	}
}
