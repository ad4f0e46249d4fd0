// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/config"
)

// TestCareIntervals: what stands in the sample is in the machine, each interval by its own measure.
func TestCareIntervals(t *testing.T) {
	t.Parallel()
	m := load(t, "care")
	want := map[string]config.CareEvery{
		"drain": {Days: 1}, "leak_test": {Days: 14}, "belt": {Hours: 25 * time.Hour}, "oil_level": {Season: true}, "intake_filter": {Off: true},
	}
	if d := cmp.Diff(want, m.Care); d != "" {
		t.Errorf("care (-want +got):\n%s", d)
	}
	if got := m.Compressors[0].Care["oil_change"]; got != 100*time.Hour {
		t.Errorf("oil change of the compressor after %s; want 100 h", got)
	}
	if got := load(t, "minimal").Care; got != nil {
		t.Errorf("care of nowhere: %+v", got)
	}
}
