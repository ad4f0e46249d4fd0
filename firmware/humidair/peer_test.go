// SPDX-License-Identifier: Apache-2.0

package humidair_test

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"airhold/firmware/humidair"
	"airhold/sensors/units"
)

// peer asks the npm package psychrolib, a library of the ASHRAE Handbook's formulas (Fundamentals 2017): Hyland and
// Wexler's saturation, ideal gases, no enhancement factor. Nothing of it is in airhold. A missing peer is a skip, with CI
// set a failure.
func peer(t *testing.T, cases [][5]float64) [][3]float64 {
	t.Helper()
	const folder = "testdata/peer"
	lack := ""
	node, err := exec.LookPath("node")
	switch {
	case err != nil:
		lack = "the comparison needs Node.js (Debian package nodejs) and then: npm ci --prefix firmware/humidair/testdata/peer"
	case !exists(filepath.Join(folder, "node_modules", "psychrolib", "package.json")):
		lack = "the comparison needs the npm package psychrolib: npm ci --prefix firmware/humidair/testdata/peer"
	}
	if lack != "" && os.Getenv("CI") != "" {
		t.Fatal(lack)
	}
	if lack != "" {
		t.Skip(lack)
	}
	in, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), node, "condensate.js")
	cmd.Dir = folder
	cmd.Stdin = bytes.NewReader(in)
	cmd.Stderr = os.Stderr
	raw, err := cmd.Output()
	if err != nil {
		t.Fatalf("node condensate.js: %v", err)
	}
	var out [][3]float64
	if err := json.Unmarshal(raw, &out); err != nil || len(out) != len(cases) {
		t.Fatalf("%d answers to %d cases: %v", len(out), len(cases), err)
	}
	return out
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// TestCondensateAgainstPeer: condensate of 1,000 random climates, at least half of them condensing, within 0.1 % of the
// water taken in (the bar is 0.5 %), and the pressure dew point within 0.05 K.
func TestCondensateAgainstPeer(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 1))
	between := func(low, high float64) float64 { return low + (high-low)*dice.Float64() }
	cases := make([][5]float64, 1000)
	for i := range cases {
		c := &cases[i]
		c[0], c[1], c[2] = between(-15, 45), between(0.05, 1), between(80e3, 104e3)
		c[3] = c[0] + between(-10, 30)
		c[4] = c[2] + between(300e3, 900e3)
	}
	answers := peer(t, cases)
	worst, worstDew, condensing := 0.0, 0.0, 0
	for i, c := range cases {
		air := humidair.Air{Temperature: kelvin(c[0]), Humidity: c[1], Pressure: units.PressureAbs(c[2]), OverIce: c[0] < 0}
		got, err := air.Condensate(kelvin(c[3]), units.PressureAbs(c[4]))
		if err != nil {
			t.Fatalf("%v: %v", c, err)
		}
		dew, err := air.PressureDewPoint(units.PressureAbs(c[4]))
		if err != nil {
			t.Fatalf("%v: %v", c, err)
		}
		taken, want, wantDew := answers[i][0], answers[i][1], answers[i][2]
		if want > 0 {
			condensing++
		}
		off, offDew := math.Abs(float64(got)-want)/taken, math.Abs(float64(dew.Temperature)-zeroC-wantDew)
		worst, worstDew = math.Max(worst, off), math.Max(worstDew, offDew)
		if !(off <= 1e-3) {
			t.Errorf("%v: condensate %.6g kg/m3, peer %.6g: %.3f %% of the %.6g taken in", c, float64(got), want, off*100, taken)
		}
		if !(offDew <= 0.05) {
			t.Errorf("%v: pressure dew point %.3f, peer %.3f", c, float64(dew.Temperature)-zeroC, wantDew)
		}
	}
	t.Logf("%d of 1,000 condense; worst %.4f %% of intake water, dew point %.4f K", condensing, worst*100, worstDew)
	if condensing < 500 {
		t.Errorf("only %d of 1,000 climates condense", condensing)
	}
}
