// SPDX-License-Identifier: Apache-2.0

package humidair_test

import (
	"errors"
	"math"
	"testing"

	"airhold/firmware/humidair"
	"airhold/sensors/units"
)

const (
	zeroC = 273.15
	psi   = 6894.757 // NIST SP 811, Appendix B.8
)

func kelvin(degC float64) units.Kelvin { return units.Kelvin(degC + zeroC) }

func fahrenheit(degF float64) units.Kelvin { return units.Kelvin((degF + 459.67) / 1.8) }

func expect(t *testing.T, what string, got, want, rel float64, err error) {
	t.Helper()
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return
	}
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.8g; want %.8g within %.3g %%", what, got, want, rel*100)
	}
}

// TestSaturationTable: IAPWS values at whole degrees, over ice below 0 degC; from memory, reproduced by an independent
// open library.
func TestSaturationTable(t *testing.T) {
	t.Parallel()
	for degC, want := range map[float64]float64{
		-20: 103.239, -10: 259.874, 0: 611.213, 10: 1228.11, 20: 2339.19, 30: 4246.92, 40: 7385.11, 50: 12352.5, 60: 19947.4,
	} {
		got, err := humidair.Saturation(kelvin(degC))
		expect(t, "saturation", float64(got), want, 2e-4, err)
	}
}

// hylandWexler is the formula of ASHRAE Fundamentals (equations 5 and 6) with the coefficients that a public package has:
// another fit to other measurements than IAPWS's.
func hylandWexler(k float64) float64 {
	if k < zeroC {
		return math.Exp(-5.6745359e3/k + 6.3925247 - 9.677843e-3*k + 6.2215701e-7*k*k + 2.0747825e-9*k*k*k - 9.484024e-13*k*k*k*k + 4.1635019*math.Log(k))
	}
	return math.Exp(-5.8002206e3/k + 1.3914993 - 4.8640239e-2*k + 4.1764768e-5*k*k - 1.4452093e-8*k*k*k + 6.5459673*math.Log(k))
}

// industrial is the saturation pressure of IAPWS-IF97, equation 30, in Pa: a third fit, in another form.
func industrial(k float64) float64 {
	n := [...]float64{
		0, 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
	}
	v := k + n[9]/(k-n[10])
	a, b, c := v*v+n[1]*v+n[2], n[3]*v*v+n[4]*v+n[5], n[6]*v*v+n[7]*v+n[8]
	return 1e6 * math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4)
}

// TestIndustrialReference proves the reference itself: IAPWS-IF97, table 35, prints these three.
func TestIndustrialReference(t *testing.T) {
	t.Parallel()
	for k, want := range map[float64]float64{300: 0.353658941e4, 500: 0.263889776e7, 600: 0.123443146e8} {
		expect(t, "IF97 equation 30", industrial(k), want, 1e-8, nil)
	}
}

func TestSaturationAgainstOtherFits(t *testing.T) {
	t.Parallel()
	for degC := -40.0; degC <= 90; degC++ {
		got, err := humidair.Saturation(kelvin(degC))
		expect(t, "saturation against Hyland and Wexler", float64(got), hylandWexler(degC+zeroC), 5e-4, err)
		if degC >= 0 {
			expect(t, "saturation against IF97", float64(got), industrial(degC+zeroC), 3e-4, err)
		}
	}
	for _, k := range []float64{300, 500, 600} {
		got, err := humidair.SaturationWater(units.Kelvin(k))
		expect(t, "saturation against IF97", float64(got), industrial(k), 3e-4, err)
	}
}

// TestFixedPoints: the triple point (611.657 Pa) for both formulas, R14-08's own check value at 230 K, and the boiling
// point at one atmosphere, 373.1243 K in the IAPWS papers.
func TestFixedPoints(t *testing.T) {
	t.Parallel()
	p, err := humidair.SaturationIce(230)
	expect(t, "ice at 230 K", float64(p), 8.94735, 1e-5, err)
	p, err = humidair.SaturationIce(273.16)
	expect(t, "ice at the triple point", float64(p), 611.657, 1e-6, err)
	p, err = humidair.SaturationWater(273.16)
	expect(t, "water at the triple point", float64(p), 611.657, 1e-5, err)
	p, err = humidair.SaturationWater(373.1243)
	expect(t, "water at its boiling point", float64(p), 101325, 1e-5, err)
	// The liquid curve must not be taken for frost: at -20 degC it is 22 % above ice (125.6 against 103.2 Pa).
	p, err = humidair.SaturationWater(kelvin(-20))
	expect(t, "supercooled water at -20 degC", float64(p), 125.6, 2e-3, err)
}

// TestVapourDensity: a public page on compressed-air humidity prints 17.30 and 39.63 g/m3 for saturated air.
func TestVapourDensity(t *testing.T) {
	t.Parallel()
	for degC, want := range map[float64]float64{20: 17.30e-3, 35: 39.63e-3} {
		got, err := humidair.Air{Temperature: kelvin(degC), Humidity: 1, Pressure: 101325}.Water()
		expect(t, "saturated vapour", float64(got), want, 0.003, err)
	}
}

// TestSqueezedToAnEighth: the same page removes 34.68 g from a cubic metre of saturated air squeezed to an eighth at 35
// degC: seven eighths of its vapour. That is a balance of volumes, so the tank has the pressure at which the dry air has
// an eighth of its volume.
func TestSqueezedToAnEighth(t *testing.T) {
	t.Parallel()
	air := humidair.Air{Temperature: kelvin(35), Humidity: 1, Pressure: 101325}
	pv, err := air.VapourPressure()
	if err != nil {
		t.Fatal(err)
	}
	got, err := air.Condensate(kelvin(35), 8*(101325-pv)+pv)
	expect(t, "condensate", float64(got), 34.68e-3, 0.003, err)
}

// TestCondensate: the balance worked step by step with a calculator from the saturation table (25 degC: 3169.9 Pa,
// 35: 5629, 45: 9595).
func TestCondensate(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name                  string
		degC, humidity        float64
		tankC, tankPa, gramM3 float64
	}{
		{"mild day", 25, 0.60, 30, 801325, 9.971},
		{"sultry day", 30, 0.80, 35, 801325, 19.331},
		{"dry heat", 35, 0.15, 45, 501325, 0},
	}
	for _, tt := range tests {
		air := humidair.Air{Temperature: kelvin(tt.degC), Humidity: tt.humidity, Pressure: 101325}
		got, err := air.Condensate(kelvin(tt.tankC), units.PressureAbs(tt.tankPa))
		expect(t, tt.name, float64(got)*1000, tt.gramM3, 0.002, err)
	}
}

// TestIntakeWaterTable: a public table "gallons per hour per cfm" of water taken in, printed with two to three figures.
func TestIntakeWaterTable(t *testing.T) {
	t.Parallel()
	tests := []struct{ degF, humidity, want float64 }{
		{90, 0.6, 0.0092}, {60, 0.5, 0.0030}, {100, 0.8, 0.0164}, {120, 1, 0.0354}, {35, 1, 0.0024},
	}
	const cubicFoot, gallon, waterDensity = 2.831685e-2, 3.785412e-3, 998.0
	for _, tt := range tests {
		w, err := humidair.Air{Temperature: fahrenheit(tt.degF), Humidity: tt.humidity, Pressure: 101325}.Water()
		expect(t, "gal/h for a cfm", float64(w)*cubicFoot*60/waterDensity/gallon, tt.want, 0.02, err)
	}
}

// TestCompressedAirRules: two more published figures. A rule-of-thumb page: 500 scfm, 75 degF 75 %, 24 h: 90 gallons in, 57
// removed at 100 degF and 100 psig; it rounds on the way. CAGI's handbook, table 3.4: saturated air of 100 degF and 100
// psig holds 0.0478 gallons in 1000 standard cubic feet (60 degF).
func TestCompressedAirRules(t *testing.T) {
	t.Parallel()
	const cubicFoot, gallon, waterDensity = 2.831685e-2, 3.785412e-3, 998.0
	tank := units.PressureAbs(114.696 * psi)
	air := humidair.Air{Temperature: fahrenheit(75), Humidity: 0.75, Pressure: 101325}
	in, err := air.Water()
	daily := 500.0 * 60 * 24 * cubicFoot / waterDensity / gallon
	expect(t, "gallons taken in", float64(in)*daily, 90, 0.04, err)
	out, err := air.Condensate(fahrenheit(100), tank)
	expect(t, "gallons removed", float64(out)*daily, 57, 0.04, err)

	ps, err := humidair.Saturation(fahrenheit(100))
	if err != nil {
		t.Fatal(err)
	}
	held, err := humidair.HumidityRatio(ps, tank)
	dry := 101325 / (humidair.AirConstant * float64(fahrenheit(60)))
	expect(t, "gallons held", held*dry*1000*cubicFoot/waterDensity/gallon, 0.0478, 0.01, err)
}

// TestHandbookExample: the Engineering ToolBox's page on the water content of compressed air works out 20 degC and 70 %
// pressed to 8 bar gauge at 40 degC: 12.6 g/m3 taken in, 6.2 held, 6.4 given off. It rounds saturation at 20 degC up to 18
// g/m3, which is 4 % too much, so its difference of two figures is good to 7 % only.
func TestHandbookExample(t *testing.T) {
	t.Parallel()
	const around, tank = 101325, 901325
	air := humidair.Air{Temperature: kelvin(20), Humidity: 0.7, Pressure: around}
	in, err := air.Water()
	expect(t, "taken in", float64(in)*1e3, 12.6, 0.045, err)
	out, err := air.Condensate(kelvin(40), tank)
	expect(t, "given off", float64(out)*1e3, 6.4, 0.07, err)
	expect(t, "held", float64(in-out)*1e3, 6.2, 0.03, nil)
}

// TestRatioComesBack: HumidityRatio and RatioPressure undo each other, and 0.0073 kg/kg at one atmosphere is 50 % at 20
// degC, as any psychrometric chart has it.
func TestRatioComesBack(t *testing.T) {
	t.Parallel()
	for _, p := range []units.PressureAbs{70e3, 101325, 800e3} {
		for _, pv := range []units.PressureAbs{0, 1, 611, 5e3, 30e3} {
			ratio, err := humidair.HumidityRatio(pv, p)
			if err != nil {
				t.Fatal(err)
			}
			back, err := humidair.RatioPressure(ratio, p)
			if err != nil || math.Abs(float64(back-pv)) > 1e-9*float64(p) {
				t.Errorf("%v Pa in %v Pa came back as %v (%v)", pv, p, back, err)
			}
		}
	}
	pv, err := humidair.RatioPressure(0.0073, 101325)
	expect(t, "chart at 20 degC", float64(pv)/2339.2, 0.50, 0.01, err)
}

// TestPressureDewPoint: by the saturation formula, worked outside this package: vapour pressure times the pressure ratio,
// looked up backwards.
func TestPressureDewPoint(t *testing.T) {
	t.Parallel()
	tests := []struct{ degC, humidity, tankPa, want float64 }{
		{20, 0.50, 801325, 44.29}, {10, 0.30, 801325, 23.59}, {25, 0.60, 101325, 16.70},
	}
	for _, tt := range tests {
		got, err := humidair.Air{Temperature: kelvin(tt.degC), Humidity: tt.humidity, Pressure: 101325}.PressureDewPoint(units.PressureAbs(tt.tankPa))
		if err != nil || got.Ice || math.Abs(float64(got.Temperature)-zeroC-tt.want) > 0.05 {
			t.Errorf("%v degC %v: %v, %v; want %v degC", tt.degC, tt.humidity, got, err, tt.want)
		}
	}
}

// TestLetOut: a tank saturated at 30 and at 10 degC and 801.325 kPa, let out to 101.325 kPa. Worked outside this package.
func TestLetOut(t *testing.T) {
	t.Parallel()
	for degC, want := range map[float64]float64{30: -1.56, 10: -15.67} {
		got, err := humidair.LetOut(kelvin(degC), 801325, 101325)
		if err != nil || !got.Ice || math.Abs(float64(got.Temperature)-zeroC-want) > 0.05 {
			t.Errorf("from %v degC: %v, %v; want ice at %v degC", degC, got, err, want)
		}
	}
}

// TestOverIce: at -10 degC air that is saturated over ice is at 259.874/286.57 = 90.7 % over water (supercooled 286.5 Pa in
// meteorological tables), so the same humidity means less water over ice.
func TestOverIce(t *testing.T) {
	t.Parallel()
	air := humidair.Air{Temperature: kelvin(-10), Humidity: 0.907, Pressure: 101325}
	got, err := air.PressureDewPoint(101325)
	if err != nil || !got.Ice || math.Abs(float64(got.Temperature)-zeroC+10) > 0.05 {
		t.Errorf("90.7 %% over water: %v, %v; want frost at -10 degC", got, err)
	}
	air.OverIce, air.Humidity = true, 1
	got, err = air.PressureDewPoint(101325)
	if err != nil || !got.Ice || math.Abs(float64(got.Temperature)-zeroC+10) > 1e-6 {
		t.Errorf("saturated over ice: %v, %v; want frost at -10 degC", got, err)
	}
}

func TestInverseComesBack(t *testing.T) {
	t.Parallel()
	for degC := -60.0; degC <= 120; degC += 0.37 {
		ps, err := humidair.Saturation(kelvin(degC))
		if err != nil {
			t.Fatal(err)
		}
		got, err := humidair.DepositPoint(ps)
		if err != nil || math.Abs(float64(got.Temperature-kelvin(degC))) > 1e-8 || got.Ice != (degC < 0) {
			t.Errorf("%v degC came back as %v, %v", degC, got, err)
		}
	}
}

// TestDepositPointHasNoGap: around 0 degC, where water gives way to ice, the result rises with the vapour pressure to
// within the millikelvin by which the two curves differ there.
func TestDepositPointHasNoGap(t *testing.T) {
	t.Parallel()
	before := units.Kelvin(0)
	for p := 600.0; p < 625; p += 0.01 {
		got, err := humidair.DepositPoint(units.PressureAbs(p))
		if err != nil || got.Temperature < before-2e-3 {
			t.Fatalf("%v Pa: %v, %v after %v", p, got, err, before)
		}
		before = got.Temperature
	}
}

// TestMoreHumidityNeverLeavesLess: more humid or more compressed intake air never leaves less water, a warmer tank never
// more, and no more water comes out than went in.
func TestMoreHumidityNeverLeavesLess(t *testing.T) {
	t.Parallel()
	for degC := -15.0; degC <= 45; degC += 2.5 {
		for rh := 0.05; rh < 0.95; rh += 0.1 {
			for tankC := -10.0; tankC <= 60; tankC += 5 {
				at := func(rh, tankC, pa float64) float64 {
					air := humidair.Air{Temperature: kelvin(degC), Humidity: rh, Pressure: 101325}
					got, err := air.Condensate(kelvin(tankC), units.PressureAbs(pa))
					if err != nil {
						t.Fatal(err)
					}
					in, err := air.Water()
					if err != nil || float64(got) > float64(in)*(1+1e-5) { // the constants Ra, Rw and MassRatio agree to 2e-6
						t.Fatalf("%v degC %v: %v of %v kg/m3 came out (%v)", degC, rh, got, in, err)
					}
					return float64(got)
				}
				base := at(rh, tankC, 7e5)
				if at(rh+0.05, tankC, 7e5) < base || at(rh, tankC, 8e5) < base || at(rh, tankC+5, 7e5) > base {
					t.Fatalf("%v degC %v, tank %v degC: not in order", degC, rh, tankC)
				}
			}
		}
	}
}

// TestBoilingTank: a tank above the boiling point at its pressure leaves nothing.
func TestBoilingTank(t *testing.T) {
	t.Parallel()
	got, err := humidair.Air{Temperature: kelvin(30), Humidity: 0.9, Pressure: 101325}.Condensate(kelvin(130), 200e3)
	if got != 0 || err != nil {
		t.Errorf("Condensate = %v, %v; want none", got, err)
	}
}

func TestRefuses(t *testing.T) {
	t.Parallel()
	nan := math.NaN()
	air := humidair.Air{Temperature: kelvin(20), Humidity: 0.5, Pressure: 101325}
	with := func(change func(*humidair.Air)) humidair.Air { a := air; change(&a); return a }
	refused := map[string]error{}
	_, refused["no temperature"] = humidair.Saturation(units.Kelvin(nan))
	_, refused["water above its critical point"] = humidair.SaturationWater(648)
	_, refused["water far too cold"] = humidair.SaturationWater(200)
	_, refused["ice above the triple point"] = humidair.SaturationIce(274)
	_, refused["dew point of nothing"] = humidair.DepositPoint(0)
	_, refused["dew point of no number"] = humidair.DepositPoint(units.PressureAbs(nan))
	_, refused["dew point above the critical pressure"] = humidair.DewPoint(23e6)
	_, refused["frost point above freezing"] = humidair.FrostPoint(700)
	_, refused["humidity in per cent"] = with(func(a *humidair.Air) { a.Humidity = 60 }).Water()
	_, refused["humidity below zero"] = with(func(a *humidair.Air) { a.Humidity = -0.1 }).Water()
	_, refused["warm ice"] = with(func(a *humidair.Air) { a.OverIce = true }).Water()
	_, refused["steam"] = with(func(a *humidair.Air) { a.Temperature, a.Humidity = kelvin(105), 1 }).Water()
	_, refused["tank below the intake"] = air.Condensate(kelvin(20), 50e3)
	_, refused["tank without a pressure"] = air.PressureDewPoint(units.PressureAbs(nan))
	_, refused["dry air"] = with(func(a *humidair.Air) { a.Humidity = 0 }).PressureDewPoint(8e5)
	_, refused["let out upwards"] = humidair.LetOut(kelvin(20), 1e5, 2e5)
	_, refused["let out into nothing"] = humidair.LetOut(kelvin(20), 8e5, 0)
	_, refused["let out from a boiling tank"] = humidair.LetOut(kelvin(110), 1.2e5, 1e5)
	_, refused["vapour below zero"] = humidair.VapourDensity(-1, 300)
	_, refused["ratio below zero"] = humidair.RatioPressure(-0.1, 1e5)
	_, refused["ratio of no number"] = humidair.RatioPressure(nan, 1e5)
	_, refused["ratio in no air"] = humidair.RatioPressure(0.01, 0)
	_, refused["all vapour"] = humidair.HumidityRatio(1e5, 1e5)
	for name, err := range refused {
		if !errors.Is(err, humidair.ErrOutsideModel) {
			t.Errorf("%s: error %v; want one that wraps ErrOutsideModel", name, err)
		}
	}
}
