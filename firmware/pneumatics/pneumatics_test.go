// SPDX-License-Identifier: Apache-2.0

package pneumatics_test

import (
	"errors"
	"math"
	"testing"

	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

const (
	psi  = 6894.757 // NIST SP 811, Appendix B.8
	inch = 0.0254
	cfm  = 2.831685e-2 / 60 // m3/s; NIST SP 811
	lMin = 1e-3 / 60
	atm  = 14.696 * psi // as the tables of free air take it
)

// off returns the relative deviation of got from want.
func off(got, want float64) float64 { return math.Abs(got/want - 1) }

func expect(t *testing.T, what string, got, want, rel float64, err error) {
	t.Helper()
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return
	}
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.7g; want %.7g within %.2g %%", what, got, want, rel*100)
	}
}

// TestNozzleConstants: (2/2.4)^3.5 and sqrt(1.4)*(2/2.4)^3, worked by hand to six digits from the textbook's formulas;
// textbooks print 0.528 and 0.6847 for air.
func TestNozzleConstants(t *testing.T) {
	t.Parallel()
	if got := pneumatics.CriticalRatio(); math.Abs(got-0.528282) > 1e-6 {
		t.Errorf("CriticalRatio() = %.7f; want 0.528282", got)
	}
	if got := pneumatics.ChokedFactor(); math.Abs(got-0.684731) > 1e-6 {
		t.Errorf("ChokedFactor() = %.7f; want 0.684731", got)
	}
}

// freeAir is the free air, cfm, that a hole passes from psig into the atmosphere, as the tables state it: both at
// temperature kelvin, the volume at 14.696 psi.
func freeAir(t *testing.T, inches, psig, cd, kelvin float64) float64 {
	t.Helper()
	h := pneumatics.Hole{Diameter: units.Metres(inches * inch), Discharge: cd}
	m, err := h.MassFlow(units.PressureAbs(psig*psi+atm), units.PressureAbs(atm), units.Kelvin(kelvin))
	if err != nil {
		t.Fatalf("MassFlow: %v", err)
	}
	v, err := pneumatics.FreeAir(m, units.PressureAbs(atm), units.Kelvin(kelvin))
	if err != nil {
		t.Fatalf("FreeAir: %v", err)
	}
	return v / cfm
}

func diameters() []float64 { return []float64{1.0 / 64, 1.0 / 32, 1.0 / 16, 1.0 / 8, 1.0 / 4, 3.0 / 8} }

// TestFreeAirTable: "Discharge of air through an orifice", a one-page engineering table of free air in cfm with 100 %
// coefficient, 14.696 psi and room temperature. The table has three figures, which costs up to 0.5 %.
func TestFreeAirTable(t *testing.T) {
	t.Parallel()
	table := map[float64][]float64{
		70:  {0.3, 1.2, 4.79, 19.2, 76.7, 173},
		80:  {0.335, 1.34, 5.36, 21.4, 85.7, 193},
		90:  {0.37, 1.48, 5.92, 23.7, 94.8, 213},
		100: {0.406, 1.62, 6.49, 26.0, 104, 234},
		125: {0.494, 1.98, 7.9, 31.6, 126, 284},
	}
	for psig, row := range table {
		for i, want := range row {
			if got := freeAir(t, diameters()[i], psig, 1, 293.15); off(got, want) > 0.008 {
				t.Errorf("%v in at %v psig: %.4g cfm; the table says %v", diameters()[i], psig, got, want)
			}
		}
	}
	if got := freeAir(t, 1.0/8, 100, 1, 293.15); off(got, 26.0) > 0.006 {
		t.Errorf("1/8 in at 100 psig: %.4g cfm; the table says 26.0", got)
	}
}

// TestFreeAirTableUnchoked: the low-pressure column of the same table, 1/8 in, 70 degF. The unchoked formula holds up to
// 12 psig; at 15 psig the hole is choked.
func TestFreeAirTableUnchoked(t *testing.T) {
	t.Parallel()
	psig := []float64{1, 2, 3, 4, 5, 6, 7, 9, 12, 15}
	want := []float64{1.80, 2.53, 3.10, 3.56, 3.97, 4.34, 4.68, 5.30, 6.07, 6.72}
	for i := range psig {
		if got := freeAir(t, 1.0/8, psig[i], 1, 294.26); off(got, want[i]) > 0.005 {
			t.Errorf("1/8 in at %v psig: %.4g cfm; the table says %v", psig[i], got, want[i])
		}
	}
}

// TestEnergyDepartmentTable: US DOE, Compressed Air Tip Sheet 3 (August 2004), leakage rates in cfm; the cells from
// memory, nine of them confirmed by a public page that prints 0.61 times them. Our finding is that the table has a
// coefficient of 0.97 inside. Its columns 1/64 and 1/32 in are rounded to two figures and are held to that only.
func TestEnergyDepartmentTable(t *testing.T) {
	t.Parallel()
	table := map[float64][]float64{
		70:  {0.29, 1.16, 4.66, 18.62, 74.4, 167.8},
		80:  {0.32, 1.26, 5.24, 20.76, 83.1, 187.2},
		90:  {0.36, 1.46, 5.72, 23.1, 92, 206.6},
		100: {0.4, 1.55, 6.31, 25.22, 100.9, 227},
		125: {0.48, 1.94, 7.66, 30.65, 122.2, 275.5},
	}
	for psig, row := range table {
		for i, want := range row {
			bound := 0.008
			if i < 2 {
				bound = 0.035
			}
			got := freeAir(t, diameters()[i], psig, pneumatics.WellRounded, 293.15)
			if off(got, want) > bound {
				t.Errorf("%v in at %v psig: %.4g cfm; the table says %v", diameters()[i], psig, got, want)
			}
		}
	}
}

// TestPublishedSharpOrificeLeaks: a public energy page's leaks of sharp holes (cfm at 80, 90, 100 psi): 0.61 times the
// DOE table, so 3 % below a sharp hole of 0.61, which this test shows too.
func TestPublishedSharpOrificeLeaks(t *testing.T) {
	t.Parallel()
	table := map[float64][3]float64{1.0 / 16: {3.2, 3.5, 3.8}, 1.0 / 8: {12.7, 14.1, 15.4}, 1.0 / 4: {51, 56, 62}}
	digit := map[float64]float64{1.0 / 16: 0.1, 1.0 / 8: 0.1, 1.0 / 4: 1} // the last one printed
	for d, row := range table {
		for i, want := range row {
			psig := 80 + 10*float64(i)
			bound := digit[d]/2 + 0.008*want // rounding, and what the DOE table is held to above
			if got := freeAir(t, d, psig, 0.61*0.97, 293.15); math.Abs(got-want) > bound {
				t.Errorf("%v in at %v psi: %.4g cfm; the page says %v", d, psig, got, want)
			}
		}
	}
}

// TestPathFlow: ISO 6358's equations worked by hand. 1: C*p1 = 7e-4 m3/s = 42 L/min, times 1.185 kg/m3. 2: r = 4/7,
// (r-b)/(1-b) = 0.387755, sqrt(1-0.150354) = 0.921763, times 42. 3: 2.5e-9*9e5*sqrt(293.15/313.15)*60000.
func TestPathFlow(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name         string
		c, b         float64
		up, down, tK float64
		want         float64 // L/min ANR
	}{
		{"choked", 1e-9, 0.3, 700e3, 100e3, 293.15, 42.000},
		{"not choked", 1e-9, 0.3, 700e3, 400e3, 293.15, 38.714},
		{"warm", 2.5e-9, 0.4, 900e3, 101.325e3, 313.15, 130.618},
		{"no difference", 1e-9, 0.3, 700e3, 700e3, 293.15, 0},
	}
	for _, tt := range tests {
		p := pneumatics.Path{Conductance: units.SonicConductance(tt.c), Critical: tt.b}
		got, err := p.Flow(units.PressureAbs(tt.up), units.PressureAbs(tt.down), units.Kelvin(tt.tK))
		expect(t, tt.name, float64(got)/lMin, tt.want, 1e-4, err)
	}
	got := pneumatics.MassFlow(42.000 * lMin)
	expect(t, "mass flow of 42 L/min ANR", float64(got), 8.295e-4, 1e-4, nil)
	if back := pneumatics.Flow(got); off(float64(back), 42*lMin) > 1e-12 {
		t.Errorf("Flow(MassFlow(42 L/min)) = %v L/min", float64(back)/lMin)
	}
}

// TestShareHasNoStep: the curve and the straight line meet, nothing rises with r, and the slope stays finite at 1.
func TestShareHasNoStep(t *testing.T) {
	t.Parallel()
	for _, b := range []float64{0, 0.2, 0.35, 0.528, 0.9} {
		const n = 200000
		before := pneumatics.Share(0, b)
		for i := 1; i <= n; i++ {
			s := pneumatics.Share(float64(i)/n, b)
			if s > before {
				t.Fatalf("b %v: share rises at r = %v", b, float64(i)/n)
			}
			if before-s > 0.004 { // the largest step of the straight line is its slope over n
				t.Fatalf("b %v: share drops by %v at r = %v", b, before-s, float64(i)/n)
			}
			before = s
		}
		if before != 0 {
			t.Errorf("b %v: share at 1 is %v; want 0", b, before)
		}
	}
}

// TestHoleAndConductance: C = Cd*pi/4*d^2*0.684731/(1.185*sqrt(287.055*293.15)) worked by hand for 1 mm: the root is
// 290.086 m/s, so C = Cd*1.56446e-9.
func TestHoleAndConductance(t *testing.T) {
	t.Parallel()
	for cd, want := range map[float64]float64{0.61: 9.5432e-10, 1: 1.5645e-9, 0.97: 1.5175e-9} {
		c, err := pneumatics.Hole{Diameter: 1e-3, Discharge: cd}.Conductance()
		expect(t, "C of 1 mm", float64(c), want, 5e-4, err)
	}
}

// TestEquivalentHole: d = sqrt(C*1.185*290.086/(Cd*0.684731*pi/4)) with C = (5/60000)/801325, worked by hand.
func TestEquivalentHole(t *testing.T) {
	t.Parallel()
	for cd, want := range map[float64]float64{0.61: 0.3301e-3, 0.97: 0.2618e-3} {
		h, err := pneumatics.HoleOfLeak(5*lMin, 801325, 101325, 293.15, cd)
		expect(t, "hole of 5 L/min", float64(h.Diameter), want, 1e-3, err)
	}
}

// TestFreeAirReferences: by the definitions of the three states (ISO 8778, DIN 1343, and 14.696 psi with 60, 68, 70 degF)
// and the gas law.
func TestFreeAirReferences(t *testing.T) {
	t.Parallel()
	for degF, want := range map[float64]float64{60: 29.134, 68: 28.692, 70: 28.584} {
		got, err := pneumatics.StandardCubicFoot(units.Kelvin((degF + 459.67) / 1.8))
		expect(t, "1 scfm", float64(got)/lMin, want, 1e-4, err)
	}
	expect(t, "1 NL/min", float64(pneumatics.NormalLitre())/lMin, 1.08744, 1e-4, nil)

	scfm, err := units.Parse("1 scfm", units.FlowRate)
	expect(t, "1 scfm as people write it", scfm.SI/lMin, 28.692, 1e-4, err)
}

// TestRefuses holds every function to an error that wraps ErrOutsideModel, and never a number, outside its range.
func TestRefuses(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	hole := pneumatics.Hole{Diameter: 1e-3, Discharge: 0.61}
	path := pneumatics.Path{Conductance: 1e-9, Critical: 0.3}
	second := func(_ any, err error) error { return err }
	tests := map[string]error{
		"hole below zero":        second(pneumatics.Hole{Diameter: -1, Discharge: 0.61}.MassFlow(2e5, 1e5, 293)),
		"hole that is no number": second(pneumatics.Hole{Diameter: units.Metres(nan), Discharge: 0.61}.Conductance()),
		"coefficient of nothing": second(pneumatics.Hole{Diameter: 1e-3}.MassFlow(2e5, 1e5, 293)),
		"coefficient above 1":    second(pneumatics.HoleOfConductance(1e-9, 1.01)),
		"backwards":              second(hole.MassFlow(1e5, 2e5, 293)),
		"vacuum upstream":        second(hole.MassFlow(0, 0, 293)),
		"no temperature":         second(hole.MassFlow(2e5, 1e5, 0)),
		"endless pressure":       second(hole.MassFlow(units.PressureAbs(inf), 1e5, 293)),
		"path backwards":         second(path.Flow(1e5, 2e5, 293)),
		"path, b of 1":           second(pneumatics.Path{Conductance: 1e-9, Critical: 1}.Flow(2e5, 1e5, 293)),
		"path, b no number":      second(pneumatics.Path{Conductance: 1e-9, Critical: nan}.Flow(2e5, 1e5, 293)),
		"conductance below zero": second(pneumatics.HoleOfConductance(-1e-9, 0.61)),
		"leak below zero":        second(pneumatics.HoleOfLeak(-1, 2e5, 1e5, 293, 0.61)),
		"leak without a drop":    second(pneumatics.HoleOfLeak(1e-5, 1e5, 1e5, 293, 0.61)),
		"free air at nothing":    second(pneumatics.FreeAir(1, 0, 293)),
		"scfm at no temperature": second(pneumatics.StandardCubicFoot(0)),
	}
	for name, err := range tests {
		if !errors.Is(err, pneumatics.ErrOutsideModel) {
			t.Errorf("%s: error %v; want one that wraps ErrOutsideModel", name, err)
		}
	}
}
