// SPDX-License-Identifier: Apache-2.0

package transducer_test

import (
	"errors"
	"math"
	"testing"
	"testing/quick"

	"airhold/sensors/transducer"
	"airhold/sensors/units"
)

const bar = 1e5

func TestConvert(t *testing.T) {
	tenBar := transducer.Options{Kind: transducer.Ratiometric, High: 10 * bar}
	loop := transducer.Options{Kind: transducer.FourTwenty, High: 10 * bar, Shunt: 100}
	five := transducer.Options{Kind: transducer.ZeroToFive, Low: -1, High: 1}
	tests := []struct {
		name   string
		o      transducer.Options
		volts  units.Volts
		supply units.Volts
		value  float64
		tol    float64
		status transducer.Status
	}{
		// Worked by hand from p = FS*(V/Vs - 0.1)/0.8: (0.5-0.1)/0.8 = 0.5; (1.37/4.92 - 0.1)/0.8 = 0.22307.
		{"ratiometric, middle", tenBar, 2.5, 5, 5 * bar, 1, transducer.OK},
		{"ratiometric, low supply", tenBar, 1.37, 4.92, 2.2307 * bar, 5, transducer.OK},
		{"ratiometric, zero", tenBar, 0.5, 5, 0, 1e-6, transducer.OK},
		{"ratiometric, a little below zero", tenBar, 0.46, 5, -0.1 * bar, 1e-6, transducer.OK},
		{"ratiometric, open or ground", tenBar, 0.02, 5, 0, 0, transducer.Open},
		{"ratiometric, below the band", tenBar, 0.30, 5, 0, 0, transducer.OutOfBand},
		{"ratiometric, above the band", tenBar, 4.60, 5, 0, 0, transducer.OutOfBand},
		{"ratiometric, at the supply", tenBar, 4.95, 5, 0, 0, transducer.ShortSupply},
		{"ratiometric, supply low", tenBar, 2.3, 4.74, 0, 0, transducer.BadSupply},
		{"ratiometric, supply high", tenBar, 2.3, 5.26, 0, 0, transducer.BadSupply},
		{"ratiometric, no supply", tenBar, 0, 0, 0, 0, transducer.BadSupply},
		{"ratiometric, supply no number", tenBar, 2.3, units.Volts(math.NaN()), 0, 0, transducer.BadSupply},
		{"voltage no number", tenBar, units.Volts(math.NaN()), 5, 0, 0, transducer.OutOfBand},
		{
			"ratiometric behind a halving divider, calibrated",
			transducer.Options{Kind: transducer.Ratiometric, High: 10 * bar, DividerRatio: 2, Gain: 1.01, Offset: -500},
			1.25, 5, 5*bar*1.01 - 500, 1e-6, transducer.OK,
		},
		{
			"board that pulls open lines up, high",
			transducer.Options{Kind: transducer.Ratiometric, High: 1, OpenReadsHigh: true},
			4.99, 5, 0, 0, transducer.Open,
		},
		{
			"board that pulls open lines up, low",
			transducer.Options{Kind: transducer.Ratiometric, High: 1, OpenReadsHigh: true},
			0.01, 5, 0, 0, transducer.ShortGround,
		},

		// NAMUR NE 43: measurement 3.8 to 20.5 mA, failure below 3.6 and above 21 mA. 100 ohm: 0.1 V a mA.
		{"loop 12.8 mA", loop, 1.28, 0, 5.5 * bar, 1e-3, transducer.OK},
		{"loop 4 mA", loop, 0.4, 0, 0, 1e-3, transducer.OK},
		{"loop 3.5 mA", loop, 0.35, 0, 0, 0, transducer.Open},
		{"loop 3.7 mA", loop, 0.37, 0, 0, 0, transducer.Saturated},
		{"loop 20.7 mA", loop, 2.07, 0, 0, 0, transducer.Saturated},
		{"loop 21.2 mA", loop, 2.12, 0, 0, 0, transducer.ShortSupply},
		{"loop open", loop, 0, 0, 0, 0, transducer.Open},

		{"0-5 V middle", five, 2.5, 0, 0, 1e-12, transducer.OK},
		{"0-5 V below", five, -0.2, 0, 0, 0, transducer.OutOfBand},
		{"0-5 V above", five, 5.2, 0, 0, 0, transducer.OutOfBand},
		{"0-5 V on a battery line", five, 6.1, 0, 0, 0, transducer.ShortSupply},

		{"battery voltage behind 1:4", transducer.Options{Kind: transducer.Voltage, DividerRatio: 4}, 3.1, 0, 12.4, 1e-12, transducer.OK},

		{"contact closed to supply", transducer.Options{Kind: transducer.Contact}, 4.9, 5, 1, 0, transducer.OK},
		{"contact open", transducer.Options{Kind: transducer.Contact}, 0.1, 5, 0, 0, transducer.OK},
		{"contact half way", transducer.Options{Kind: transducer.Contact}, 2.5, 5, 0, 0, transducer.OutOfBand},
		{"contact to ground under a pull-up", transducer.Options{Kind: transducer.Contact, Low: 1}, 0.1, 5, 1, 0, transducer.OK},
		{"contact without supply", transducer.Options{Kind: transducer.Contact}, 0, 0.1, 0, 0, transducer.BadSupply},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := convert(t, tt.o, tt.volts, tt.supply)
			if got.Status != tt.status || math.Abs(got.Value-tt.value) > tt.tol {
				t.Errorf("Convert(%v, %v) = %v, %v; want %v, %v", tt.volts, tt.supply, got.Value, got.Status, tt.value, tt.status)
			}
		})
	}
}

// ntc is the resistance of an NTC thermistor by the B equation (the definition of B in IEC 60539-1):
// R = R25*exp(B*(1/T - 1/298.15 K)). 10 kohm and 3977 K are a usual pair.
func ntc(kelvin float64) float64 { return 10e3 * math.Exp(3977*(1/kelvin-1/298.15)) }

func ntcTable() transducer.Options {
	o := transducer.Options{Kind: transducer.Divider, Pull: 10e3}
	for c := 80.0; c >= -20; c -= 10 {
		o.Table = append(o.Table, transducer.Point{Resistance: units.Ohms(ntc(c + 273.15)), Value: c + 273.15})
	}
	return o
}

func TestDividerFollowsTheThermistor(t *testing.T) {
	for c := -20.0; c <= 80; c += 0.5 {
		r := ntc(c + 273.15)
		v := units.Volts(5 * r / (r + 10e3))
		if c == -20 || c == 80 {
			continue // the last ends may fall outside by rounding
		}
		got := convert(t, ntcTable(), v, 5)
		if got.Status != transducer.OK || math.Abs(got.Value-273.15-c) > 0.15 {
			t.Errorf("Convert(%.4f V) = %.3f degC, %v; want %.1f degC within 0.15 K", v, got.Value-273.15, got.Status, c)
		}
	}
}

func TestDividerFaults(t *testing.T) {
	for name, tt := range map[string]struct {
		volts, supply units.Volts
		want          transducer.Status
	}{
		"open":              {4.99, 5, transducer.Open},
		"short":             {0.01, 5, transducer.ShortGround},
		"colder than table": {4.72, 5, transducer.OutOfBand}, // 168 kohm, below -20 degC
		"hotter than table": {0.3, 5, transducer.OutOfBand},  // 640 ohm, above 80 degC
		"no supply":         {0, 0, transducer.BadSupply},
		"3.3 V supply":      {1.65, 3.3, transducer.OK},
	} {
		if got := convert(t, ntcTable(), tt.volts, tt.supply); got.Status != tt.want {
			t.Errorf("%s: Convert(%v, %v) = %v; want %v", name, tt.volts, tt.supply, got.Status, tt.want)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	nan := math.NaN()
	two := []transducer.Point{{Resistance: 1, Value: 1}, {Resistance: 2, Value: 2}}
	for name, o := range map[string]transducer.Options{
		"no kind":              {High: 1},
		"no range":             {Kind: transducer.Ratiometric},
		"loop without range":   {Kind: transducer.FourTwenty, Low: 3, High: 3},
		"high no number":       {Kind: transducer.Ratiometric, High: nan},
		"gain infinite":        {Kind: transducer.Voltage, Gain: math.Inf(1)},
		"negative divider":     {Kind: transducer.Voltage, DividerRatio: -1},
		"negative shunt":       {Kind: transducer.FourTwenty, High: 1, Shunt: -1},
		"divider without pull": {Kind: transducer.Divider, Table: two},
		"divider, one point":   {Kind: transducer.Divider, Pull: 1, Table: two[:1]},
		"divider, point twice": {Kind: transducer.Divider, Pull: 1, Table: []transducer.Point{{Resistance: 1, Value: 1}, {Resistance: 1, Value: 2}}},
		"divider, zero ohm":    {Kind: transducer.Divider, Pull: 1, Table: []transducer.Point{{Resistance: 0, Value: 1}, {Resistance: 1, Value: 2}}},
	} {
		if got, err := transducer.New(o); !errors.Is(err, transducer.ErrOptions) {
			t.Errorf("%s: New = %v, %v; want %v", name, got, err, transducer.ErrOptions)
		}
	}
}

// Whatever the voltage: a fault has no value, a value is finite and inside what the band allows.
func TestFaultsHaveNoValue(t *testing.T) {
	kinds := []transducer.Options{
		{Kind: transducer.Ratiometric, Low: -1, High: 9},
		{Kind: transducer.ZeroToFive, Low: -1, High: 9},
		{Kind: transducer.FourTwenty, Low: -1, High: 9},
		{Kind: transducer.Contact},
		ntcTable(),
	}
	property := func(volts, supply float64) bool {
		for _, o := range kinds {
			r := convert(t, o, units.Volts(volts), units.Volts(supply))
			switch {
			case r.Status != transducer.OK && r.Value != 0:
				return false
			case o.Kind != transducer.Divider && (r.Value < -1.2 || r.Value > 9.5):
				return false
			case r.Status == transducer.OK && o.Kind == transducer.Divider && (r.Value < 253 || r.Value > 354):
				return false
			}
		}
		return true
	}
	everyday := func(v, s uint16) bool { return property(float64(v)/1e4, float64(s)/1e4) }
	if err := quick.Check(property, nil); err != nil {
		t.Error(err)
	}
	if err := quick.Check(everyday, &quick.Config{MaxCount: 20000}); err != nil {
		t.Error(err)
	}
}

func TestHealthyBandsAreOK(t *testing.T) {
	for _, o := range []transducer.Options{
		{Kind: transducer.Ratiometric, High: 1}, {Kind: transducer.ZeroToFive, High: 1}, {Kind: transducer.FourTwenty, High: 1, Shunt: 100},
	} {
		td, err := transducer.New(o)
		if err != nil {
			t.Fatal(err)
		}
		low, high, loop, ok := td.Healthy(5)
		if !ok {
			t.Fatalf("Healthy of %s = not ok", o.Kind)
		}
		scale := 1.0
		if loop {
			scale = 100
		}
		eps := 1e-6
		for signal, want := range map[float64]bool{low + eps: true, high - eps: true, low - 2*eps: false, high + 2*eps: false} {
			if r := td.Convert(units.Volts(signal*scale), 5); (r.Status == transducer.OK) != want {
				t.Errorf("%s: Convert(%v) = %v; want ok %v", o.Kind, signal, r.Status, want)
			}
		}
	}
}

func TestConvertAllocatesNothing(t *testing.T) {
	td, err := transducer.New(ntcTable())
	if err != nil {
		t.Fatal(err)
	}
	if got := testing.AllocsPerRun(100, func() { td.Convert(2.5, 5) }); got != 0 {
		t.Errorf("Convert allocates %v times; want 0", got)
	}
}

func convert(t *testing.T, o transducer.Options, volts, supply units.Volts) transducer.Result {
	t.Helper()
	td, err := transducer.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return td.Convert(volts, supply)
}
