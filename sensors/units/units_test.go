// SPDX-License-Identifier: Apache-2.0

package units_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"airhold/sensors/units"
)

// near reports whether got and want differ by less than rel of want.
func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

// TestPublishedFactors holds the factors to NIST Special Publication 811 (2008), Appendix B.8, which prints seven
// figures, and to the SI brochure (9th ed.) table 8 for litre, minute, hour and day.
func TestPublishedFactors(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text string
		dim  units.Dim
		want float64
	}{
		{"1 psi", units.Pressure, 6.894757e3},
		{"1 bar", units.Pressure, 1e5},
		{"1 mbar", units.Pressure, 1e2},
		{"1 lbf", units.Force, 4.448222},
		{"1 kgf", units.Force, 9.80665},
		{"1 mph", units.Speed, 4.4704e-1},
		{"1 km/h", units.Speed, 2.777778e-1},
		{"1 ft3", units.Volume3, 2.831685e-2},
		{"1 gal", units.Volume3, 3.785412e-3},
		{"1 L", units.Volume3, 1e-3},
		{"1 in", units.Length, 2.54e-2},
		{"1 ft", units.Length, 3.048e-1},
		{"1 in2", units.Area, 6.4516e-4},
		{"1 min", units.Time, 60},
		{"1 h", units.Time, 3600},
		{"1 d", units.Time, 86400},
		{"1 rpm", units.Rate, 1.0 / 60},
		{"32 °F", units.Temperature, 273.15},         // SP 811: T/K = (t/°F + 459.67)/1.8
		{"212 °F", units.Temperature, 373.15},        // the same
		{"-459.67 °F", units.Temperature, 0},         // the same
		{"20 °C", units.Temperature, 293.15},         // T/K = t/°C + 273.15
		{"1 L/min", units.FlowRate, 1.666667e-5},     // SP 811 prints the factor for litre per minute by its parts
		{"100 %/bar", units.Compliance, 1e-5},        // 1/bar
		{"100 %/psi", units.Compliance, 1.450377e-4}, // 1/psi = 1.450377E-04 1/Pa (SP 811: pascal to psi)
	}
	for _, tt := range tests {
		v, err := units.Parse(tt.text, tt.dim)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.text, err)
			continue
		}
		if !near(v.SI, tt.want, 1.5e-7) && math.Abs(v.SI-tt.want) > 1e-9 {
			t.Errorf("Parse(%q) = %.9g; want %.9g", tt.text, v.SI, tt.want)
		}
	}
}

// TestFreeAirFlowReferences derives the three reference conditions from their definitions, not from the table:
// ANR is 100 kPa and 20 degC (ISO 8778), NL is 101.325 kPa and 0 degC (DIN 1343), scfm here is 14.696 psia and 68 degF.
func TestFreeAirFlowReferences(t *testing.T) {
	t.Parallel()
	const gasConstant = 287.05 // J/(kg K), dry air; it cancels
	massFlow := func(volume, p, temp float64) float64 { return volume / 60 * p / (gasConstant * temp) }
	anr := 100e3 / (gasConstant * 293.15) // kg/m3
	tests := []struct {
		text string
		kgS  float64
	}{
		{"1 scfm", massFlow(2.831685e-2, 14.696*6.894757e3, (68+459.67)/1.8)},
		{"1 NL/min", massFlow(1e-3, 101325, 273.15)},
		{"1 L/min", massFlow(1e-3, 100e3, 293.15)},
		{"1 L/min ANR", massFlow(1e-3, 100e3, 293.15)},
	}
	for _, tt := range tests {
		v, err := units.Parse(tt.text, units.FlowRate)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.text, err)
			continue
		}
		if want := tt.kgS / anr; !near(v.SI, want, 5e-6) {
			t.Errorf("Parse(%q) = %.8g m3/s ANR; want %.8g", tt.text, v.SI, want)
		}
	}
}

func TestParseReadsWhatPeopleWrite(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text string
		dim  units.Dim
		code string
		want float64
	}{
		{"5 bar", units.Pressure, "bar", 5e5},
		{"110 psi", units.Pressure, "[psi]", 758423.302},
		{"110 [psi]", units.Pressure, "[psi]", 758423.302},
		{"  650kPa ", units.Pressure, "kPa", 650e3},
		{"7.6 BAR", units.Pressure, "bar", 7.6e5},
		{"1 kpa", units.Pressure, "kPa", 1e3},
		{"1013 hPa", units.Pressure, "hPa", 101300},
		{"1e2 kPa", units.Pressure, "kPa", 1e5},
		{"38 L", units.Volume3, "L", 0.038},
		{"38 l", units.Volume3, "L", 0.038},
		{"5 %/bar", units.Compliance, "%/bar", 5e-7},
		{"20 °C", units.Temperature, "Cel", 293.15},
		{"20 Cel", units.Temperature, "Cel", 293.15},
		{"-5 C", units.Temperature, "Cel", 268.15},
		{"\u22125 °C", units.Temperature, "Cel", 268.15},
		{"0.61 mm", units.Length, "mm", 0.61e-3},
		{"1/8 in", units.Length, "[in_i]", 3.175e-3}, // an eighth of 25.4 mm
		{"1/64in", units.Length, "[in_i]", 0.396875e-3},
		{"1 1/2 in", units.Length, "[in_i]", 38.1e-3},
		{"8.3e-4 kg/s", units.MassFlow, "kg/s", 8.3e-4},
		{"3.6 kg/h", units.MassFlow, "kg/h", 1e-3},
		{"1e-9 m3/(s.Pa)", units.Conductance, "m3/(s.Pa)", 1e-9},
		{"0.1 dm3/(s.bar)", units.Conductance, "L/(s.bar)", 1e-9}, // 1 dm3 = 1e-3 m3, 1 bar = 1e5 Pa
		{"6 L/(min.bar)", units.Conductance, "L/(min.bar)", 1e-9},
		{"17.3 g/m3", units.Density, "g/m3", 0.0173},
		{"30 s", units.Time, "s", 30},
		{"16 mph", units.Speed, "[mi_i]/h", 7.15264},
		{"16 MPH", units.Speed, "[mi_i]/h", 7.15264},
		{"60 %", units.Ratio, "%", 0.6},
		{"540 /min", units.Rate, "/min", 9},
		{"10 kOhm", units.Resistance, "kOhm", 1e4},
		{"4 mA", units.Current, "mA", 0.004},
		{"1", units.None, "1", 1},
	}
	for _, tt := range tests {
		v, err := units.Parse(tt.text, tt.dim)
		if err != nil {
			t.Errorf("Parse(%q): %v", tt.text, err)
			continue
		}
		if !near(v.SI, tt.want, 1e-7) || v.Unit.Code != tt.code {
			t.Errorf("Parse(%q) = %.9g in %q; want %.9g in %q", tt.text, v.SI, v.Unit.Code, tt.want, tt.code)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, text string
		dim        units.Dim
		want       error
	}{
		{"bare number", "7.6", units.Pressure, units.ErrNoUnit},
		{"bare ratio", "0.6", units.Ratio, units.ErrNoUnit},
		{"nothing", "", units.Pressure, units.ErrNotNumber},
		{"unit alone", "kPa", units.Pressure, units.ErrNotNumber},
		{"not a number", "NaN kPa", units.Pressure, units.ErrNotNumber},
		{"infinite", "Inf kPa", units.Pressure, units.ErrNotNumber},
		{"minus infinite", "-inf kPa", units.Pressure, units.ErrNotNumber},
		{"too large a number", "1e999 kPa", units.Pressure, units.ErrNotNumber},
		{"too large in SI", "1e308 MPa", units.Pressure, units.ErrNotNumber},
		{"decimal comma", "7,6 bar", units.Pressure, units.ErrNotNumber},
		{"two numbers", "7.6.1 bar", units.Pressure, units.ErrNotNumber},
		{"another dimension", "38 L", units.Pressure, units.ErrUnknownUnit},
		{"no unit at all", "38 buckets", units.Volume3, units.ErrUnknownUnit},
		{"absolute said in the unit", "700 kPa abs", units.Pressure, units.ErrUnknownUnit},
		{"milli is not mega", "1 mPa", units.Pressure, units.ErrUnknownUnit},
		{"mega is not milli, volts", "1 MV", units.Voltage, units.ErrUnknownUnit},
		{"mega is not milli, amperes", "4 MA", units.Current, units.ErrUnknownUnit},
		{"mega is not milli, metres", "4 Mm", units.Length, units.ErrUnknownUnit},
		{"mega is not milli, area", "4 Mm2", units.Area, units.ErrUnknownUnit},
		{"fraction by nothing", "1/0 in", units.Length, units.ErrUnknownUnit},
		{"fraction of a fraction", "1/8/2 in", units.Length, units.ErrUnknownUnit},
		{"fraction without a unit", "1/8", units.Length, units.ErrNoUnit},
		{"fraction after a broken number", "1.5 1/8 in", units.Length, units.ErrUnknownUnit},
		{"fraction of another dimension", "1/8 bar", units.Pressure, units.ErrUnknownUnit},
		{"unit where none belongs", "1 kPa", units.None, units.ErrUnknownUnit},
		{"below absolute zero", "-300 °C", units.Temperature, units.ErrImpossible},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if v, err := units.Parse(tt.text, tt.dim); !errors.Is(err, tt.want) {
				t.Errorf("Parse(%q) = %v, %v; want %v", tt.text, v, err, tt.want)
			}
		})
	}
}

func TestMissingUnitNamesTheLegalOnes(t *testing.T) {
	t.Parallel()
	_, err := units.Parse("7.6", units.Pressure)
	for _, word := range units.Units(units.Pressure) {
		if err == nil || !strings.Contains(err.Error(), word) {
			t.Errorf("Parse(7.6) error %q does not name %q", err, word)
		}
	}
}

func dims() []units.Dim {
	var all []units.Dim
	for d := units.None; d <= units.Density; d++ {
		all = append(all, d)
	}
	return all
}

func TestEveryWordReadsBackAndForth(t *testing.T) {
	t.Parallel()
	for _, d := range dims() {
		if d == units.None {
			continue
		}
		words := append(units.Units(d), units.Preferred(d).Code)
		if len(words) < 2 {
			t.Errorf("dimension %d has no units", d)
		}
		for _, w := range words {
			u, err := units.ParseUnit(w, d)
			if err != nil {
				t.Errorf("ParseUnit(%q): %v", w, err)
				continue
			}
			for _, n := range []float64{0, 1, -1, 273.15, 1e-6, 123456.789} {
				if back := u.From(u.SI(n)); math.Abs(back-n) > 1e-9*math.Max(1, math.Abs(n)) {
					t.Errorf("%s: %v came back as %v", w, n, back)
				}
			}
			if byCode, err := units.ParseUnit(u.Code, d); err != nil || byCode != u {
				t.Errorf("ParseUnit(%q) = %v, %v; want %v", u.Code, byCode, err, u)
			}
		}
	}
}

func TestEachWordNamesOneUnit(t *testing.T) {
	t.Parallel()
	for _, d := range dims() {
		words := units.Units(d)
		slices.Sort(words)
		if c := slices.Compact(slices.Clone(words)); len(c) != len(words) {
			t.Errorf("dimension %d lists a unit twice: %v", d, words)
		}
	}
}

func TestGaugeAndAbsolute(t *testing.T) {
	t.Parallel()
	g := units.PressureGauge(700e3)
	if got := g.Abs(101325); got != 801325 {
		t.Errorf("Abs = %v; want 801325", got)
	}
	if got := units.PressureAbs(801325).Gauge(101325); got != g {
		t.Errorf("Gauge = %v; want %v", got, g)
	}
}

func TestEveryQuantityHasADimension(t *testing.T) {
	t.Parallel()
	for _, q := range units.Quantities() {
		if _, ok := q.Dim(); !ok {
			t.Errorf("%q has no dimension", q)
		}
	}
	if _, ok := units.Quantity("colour").Dim(); ok {
		t.Error("colour has a dimension")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"5 bar", "110 psi", "38 L", "5 %/bar", "20 °C", "0.61 mm", "30 s", "16 mph", "", "-", "e", "1e", "+.5 V", "NaN kPa", "\xff", "7,6 bar", "1e999 kPa", "\u22121 °C", "1/8 in", "1 1/8 in", "1/0 in"} {
		f.Add(s, uint8(units.Pressure))
	}
	f.Fuzz(func(t *testing.T, text string, dim uint8) {
		d := units.Dim(dim % (uint8(units.Density) + 1))
		v, err := units.Parse(text, d)
		if err != nil {
			return
		}
		if math.IsNaN(v.SI) || math.IsInf(v.SI, 0) || v.Unit.IsZero() || v.Unit.Dim != d {
			t.Errorf("Parse(%q, %d) = %+v", text, d, v)
		}
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	t.Parallel()
	seeds, err := filepath.Glob("testdata/fuzz/FuzzParse/*")
	if err != nil || len(seeds) == 0 {
		t.Fatalf("no committed seeds: %v", err)
	}
	for _, s := range seeds {
		if b, err := os.ReadFile(s); err != nil || !strings.HasPrefix(string(b), "go test fuzz v1\n") {
			t.Errorf("%s is no seed: %v", s, err)
		}
	}
}
