// SPDX-License-Identifier: Apache-2.0

package pneumatics_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// seeded returns a source whose seed is printed when the test fails; AIRHOLD_SEED=n repeats it.
func seeded(t *testing.T) *rand.Rand {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("AIRHOLD_SEED"); s != "" {
		n, err := strconv.ParseUint(s, 10, 64)
		if err != nil {
			t.Fatalf("AIRHOLD_SEED: %v", err)
		}
		seed = n
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("AIRHOLD_SEED=%d", seed)
		}
	})
	return rand.New(rand.NewPCG(seed, 1))
}

const trials = 20000

func TestBiggerHoleNeverLeaksLess(t *testing.T) {
	t.Parallel()
	r := seeded(t)
	for range trials {
		up := units.PressureAbs(1e5 * (1 + 9*r.Float64()))
		down := up * units.PressureAbs(r.Float64())
		temp := units.Kelvin(250 + 80*r.Float64())
		cd := 0.05 + 0.95*r.Float64()
		d := units.Metres(10e-3 * r.Float64())
		more := d * units.Metres(1+r.Float64())
		a, err1 := pneumatics.Hole{Diameter: d, Discharge: cd}.MassFlow(up, down, temp)
		b, err2 := pneumatics.Hole{Diameter: more, Discharge: cd}.MassFlow(up, down, temp)
		if err1 != nil || err2 != nil || b < a || a < 0 {
			t.Fatalf("%v m leaks %v, %v m leaks %v (%v, %v)", d, a, more, b, err1, err2)
		}
	}
}

// TestMorePressureNeverLeaksLess crosses the critical ratio both for the nozzle and for a path.
func TestMorePressureNeverLeaksLess(t *testing.T) {
	t.Parallel()
	r := seeded(t)
	for range trials {
		down := units.PressureAbs(60e3 + 100e3*r.Float64())
		up := down * units.PressureAbs(1+3*r.Float64()*r.Float64())
		more := up * units.PressureAbs(1+r.Float64()*r.Float64())
		hole := pneumatics.Hole{Diameter: 1e-3, Discharge: 0.61}
		a, err1 := hole.MassFlow(up, down, 293.15)
		b, err2 := hole.MassFlow(more, down, 293.15)
		if err1 != nil || err2 != nil || b < a*(1-1e-12) {
			t.Fatalf("hole: %v Pa leaks %v, %v Pa leaks %v (%v, %v)", up, a, more, b, err1, err2)
		}
		path := pneumatics.Path{Conductance: 1e-9, Critical: 0.9 * r.Float64()}
		c, err1 := path.Flow(up, down, 293.15)
		d, err2 := path.Flow(more, down, 293.15)
		if err1 != nil || err2 != nil || d < c*(1-1e-12) {
			t.Fatalf("path %v: %v Pa leaks %v, %v Pa leaks %v (%v, %v)", path, up, c, more, d, err1, err2)
		}
	}
}

// TestHoleAndConductanceRoundTrip: hole to C to hole, hole to leak to hole, and a choked hole leaks what its C says.
func TestHoleAndConductanceRoundTrip(t *testing.T) {
	t.Parallel()
	r := seeded(t)
	for range trials {
		h := pneumatics.Hole{Diameter: units.Metres(1e-5 + 5e-3*r.Float64()), Discharge: 0.05 + 0.95*r.Float64()}
		c, err := h.Conductance()
		if err != nil {
			t.Fatal(err)
		}
		back, err := pneumatics.HoleOfConductance(c, h.Discharge)
		if err != nil || off(float64(back.Diameter), float64(h.Diameter)) > 1e-12 {
			t.Fatalf("%v became %v (%v)", h, back, err)
		}
		up, temp := units.PressureAbs(3e5+7e5*r.Float64()), units.Kelvin(250+80*r.Float64())
		m, err1 := h.MassFlow(up, 1e5, temp)
		q, err2 := pneumatics.Path{Conductance: c, Critical: 0.5}.Flow(up, 1e5, temp)
		if err1 != nil || err2 != nil || off(float64(pneumatics.Flow(m)), float64(q)) > 1e-12 {
			t.Fatalf("%v leaks %v as a hole and %v as a path (%v, %v)", h, pneumatics.Flow(m), q, err1, err2)
		}
		down := up * units.PressureAbs(0.999*r.Float64())
		m, err = h.MassFlow(up, down, temp)
		if err != nil {
			t.Fatal(err)
		}
		back, err = pneumatics.HoleOfLeak(pneumatics.Flow(m), up, down, temp, h.Discharge)
		if err != nil || off(float64(back.Diameter), float64(h.Diameter)) > 1e-9 {
			t.Fatalf("%v leaking from %v to %v became %v (%v)", h, up, down, back, err)
		}
	}
}

// TestUnitsDoNotChangeAnswers reads the same hole, pressures and temperature in several units.
func TestUnitsDoNotChangeAnswers(t *testing.T) {
	t.Parallel()
	read := func(text string, d units.Dim) float64 {
		v, err := units.Parse(text, d)
		if err != nil {
			t.Fatal(err)
		}
		return v.SI
	}
	var first float64
	for i, s := range [][3]string{
		{"3.175 mm", "700 kPa", "20 °C"},
		{"1/8 in", "7 bar", "68 °F"},
		{"0.125 in", fmt.Sprintf("%.12g psi", 700e3/6894.757293168361), "293.15 K"},
		{"0.3175 cm", "0.7 MPa", "20 Cel"},
	} {
		h := pneumatics.Hole{Diameter: units.Metres(read(s[0], units.Length)), Discharge: 0.61}
		m, err := h.MassFlow(units.PressureAbs(read(s[1], units.Pressure)), 101325, units.Kelvin(read(s[2], units.Temperature)))
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = float64(m)
		}
		if off(float64(m), first) > 1e-11 {
			t.Errorf("%v: %v kg/s; in other units it was %v", s, m, first)
		}
	}
}

// TestIsoCurveIsNearTheNozzle: with the nozzle's own critical ratio ISO 6358's ellipse is an approximation of the
// isentropic curve; textbooks give its error as below 2 % of the choked flow.
func TestIsoCurveIsNearTheNozzle(t *testing.T) {
	t.Parallel()
	h := pneumatics.Hole{Diameter: 1e-3, Discharge: 1}
	choked, err := h.MassFlow(1e5, 0, 293.15)
	if err != nil {
		t.Fatal(err)
	}
	for r := 0.0; r < 1; r += 0.001 {
		m, err := h.MassFlow(1e5, units.PressureAbs(r*1e5), 293.15)
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(float64(m/choked) - pneumatics.Share(r, pneumatics.CriticalRatio())); d > 0.02 {
			t.Errorf("r %v: the nozzle passes %v, the ellipse %v of the choked flow", r, m/choked, pneumatics.Share(r, pneumatics.CriticalRatio()))
		}
	}
}
