// SPDX-License-Identifier: Apache-2.0

package supply_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/supply"
	"airhold/sensors/units"
)

const litre = 1e-3 / 60

const (
	glass = lowered + 1 + readings.Channel(iota)
	air
)

func wideTable() *readings.Table {
	infos := []readings.Info{}
	for i := range table().Len() {
		infos = append(infos, table().Info(readings.Channel(i)))
	}
	return readings.NewTable(append(infos, readings.Info{ID: "barometer", Quantity: units.QPressure, Reference: units.Absolute}, readings.Info{ID: "ambient", Quantity: units.QTemperature}))
}

// parts is who tells bags, drains and leak apart, L/min.
type parts struct {
	bags, bleed, leak, low, high float64
	known                        bool
}

func (p parts) Flows() (bags, bleed, leak findings.Measure, known bool) {
	m := func(v, low, high float64) findings.Measure {
		return findings.Measure{SI: v * litre, Unit: units.Preferred(units.FlowRate), Reference: units.ANR, Low: low * litre, High: high * litre}
	}
	return m(p.bags, 0, 0), m(p.bleed, 0, 0), m(p.leak, p.low, p.high), p.known
}

// tester is who measures the delivery.
type tester struct {
	pump, pumpLow, pumpHigh float64 // L/min
	ratio                   float64
}

func (t tester) PumpUp() (m findings.Measure, known bool) {
	return findings.Measure{SI: t.pump * litre, Low: t.pumpLow * litre, High: t.pumpHigh * litre}, t.pump > 0
}

func (t tester) Trend() (ratio, low, high float64, known bool) {
	return t.ratio, t.ratio - 0.05, t.ratio + 0.05, t.ratio > 0
}

// fed is a supply after n seconds of a tank at p.
func fed(o supply.Options, n int, p func(i int) float64) *supply.Supply {
	o.Tank, o.Lowered = tank, none
	o.Ranks = []supply.Rank{{Name: "front", Pressure: front, Target: target}}
	if o.Barometer == 0 {
		o.Barometer, o.Ambient = none, none
	}
	s := supply.New(o, wideTable(), last{})
	feed(s, 0, n, func(i int) map[readings.Channel]float64 {
		return map[readings.Channel]float64{tank: p(i), front: 350e3, target: 350e3, glass: 85e3, air: 303.15}
	})
	return s
}

func level(int) float64 { return 7e5 }

// adds holds a budget to its own sum.
func adds(t *testing.T, b supply.Budget) {
	t.Helper()
	if b.GivesKnown && b.UseKnown && math.Abs(b.Gives+b.Short-b.Use-b.Spare) > 1e-12 {
		t.Errorf("gives %v + short %v is not use %v + spare %v L/min", b.Gives/litre, b.Short/litre, b.Use/litre, b.Spare/litre)
	}
	if b.Split && math.Abs(b.Bags.SI+b.Drains.SI+b.Leak.SI-b.Use) > 1e-12 {
		t.Errorf("bags %v + drains %v + leak %v is not use %v L/min", b.Bags.SI/litre, b.Drains.SI/litre, b.Leak.SI/litre, b.Use/litre)
	}
	for _, v := range []float64{b.Gives, b.Use, b.Spare, b.Short, b.Overhang, b.Bags.SI, b.Drains.SI, b.Leak.SI} {
		if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("a part of %v L/min: %+v", v/litre, b)
		}
	}
	if b.UseKnown && (b.UseLow > b.Use || b.UseHigh < b.Use) {
		t.Errorf("use %v is outside %v to %v L/min", b.Use/litre, b.UseLow/litre, b.UseHigh/litre)
	}
}

func TestBudgetParts(t *testing.T) {
	resting := pump{known: true, duty: 1.0 / 6}
	for _, tc := range []struct {
		name               string
		o                  supply.Options
		gives, use, spare  float64 // L/min; gives 0: not known
		short, leak, drain float64
		rated, split       bool
		words              string
	}{
		{
			"no split",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: resting},
			180, 30, 150, 0, 0, 0, true, false, "The compressor can give 180 L/min ANR (rated, not measured): 30 are used; bags and leaks are not told apart; 150 to spare.",
		},
		{
			"a bleed",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: resting, Bleed: 2 * litre},
			180, 30, 150, 0, 0, 2, true, false, "30 are used, 2.0 of it by drains;",
		},
		{
			"split",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: resting, Bleed: 2 * litre, Split: parts{23, 2, 5, 3, 8, true}},
			180, 30, 150, 0, 5, 2, true, true, ": bags take 23, drains 2.0, leaks 5.0 (3.0 to 8.0); 150 to spare.",
		},
		{
			"split not known",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: resting, Split: parts{23, 2, 5, 3, 8, false}},
			180, 30, 150, 0, 0, 0, true, false, "not told apart",
		},
		{
			"no leak, a little under none",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: resting, Split: parts{28, 2, -0.5, -2, 1, true}},
			180, 30, 150, 0, 0, 2, true, true, "leaks 0.0 (0.0 to 1.0)",
		},
		{
			"more used than given",
			supply.Options{Volume: 0.038, Delivery: 60 * litre, Compressor: resting, Split: parts{28, 2, 40, 35, 45, true}},
			60, 70, 0, 10, 40, 2, true, true, "; 10 too little.",
		},
		{
			"on a mountain in the heat: 85 kPa and 30 degC, 180*0.85*293.15/303.15 by hand",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: pump{known: true}, Barometer: glass, Ambient: air},
			147.95, 0, 147.95, 0, 0, 0, true, false, "The compressor can give 148 L/min ANR",
		},
		{
			"no barometer, the machine file's altitude",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: pump{known: true}, Around: 90e3},
			162, 0, 162, 0, 0, 0, true, false, "162 L/min",
		},
		{
			"worn",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: pump{known: true}, Measured: tester{ratio: 0.8}},
			144, 0, 144, 0, 0, 0, false, false, "The compressor can give 144 L/min ANR (115 to 176)",
		},
		{
			"pumped up",
			supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: resting, Measured: tester{pump: 150, pumpLow: 140, pumpHigh: 160, ratio: 0.8}},
			150, 25, 125, 0, 0, 0, false, false, "The compressor can give 150 L/min ANR (140 to 160): 25 are used",
		},
		{
			"nothing known of the compressor",
			supply.Options{Split: parts{23, 2, 5, 3, 8, true}},
			0, 30, 0, 0, 5, 2, false, true, "What the compressor can give is not known yet: bags take 23, drains 2.0, leaks 5.0 (3.0 to 8.0) (L/min ANR).",
		},
		{"nothing known at all", supply.Options{}, 0, 0, 0, 0, 0, 0, false, false, "What the compressor can give is not known yet; what is used is not known yet."},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := fed(tc.o, 700, level).Budget()
			adds(t, b)
			near := func(what string, got, want float64) {
				t.Helper()
				if math.Abs(got/litre-want) > 0.01 {
					t.Errorf("%s %v L/min; want %v", what, got/litre, want)
				}
			}
			near("gives", b.Gives, tc.gives)
			near("use", b.Use, tc.use)
			near("spare", b.Spare, tc.spare)
			near("short", b.Short, tc.short)
			near("leak", b.Leak.SI, tc.leak)
			near("drains", b.Drains.SI, tc.drain)
			if b.GivesKnown != (tc.gives > 0) || b.Rated != tc.rated || b.Split != tc.split {
				t.Errorf("known %v, rated %v, split %v: %+v", b.GivesKnown, b.Rated, b.Split, b)
			}
			if got := b.Words(); !strings.Contains(got, tc.words) {
				t.Errorf("Words() = %q; want ...%q...", got, tc.words)
			}
		})
	}
}

// A tank that falls while its compressor runs uses more than the mean of the last minutes: that mean is not shown then.
func TestStaleSplitIsNotShown(t *testing.T) {
	falling := func(i int) float64 { return 7.7e5 - 100*float64(max(0, i-640)) } // 2.28 L/min ANR of 38 L
	o := supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: pump{known: true, on: true, duty: 0.2}, Split: parts{28, 2, 5, 3, 8, true}}
	b := fed(o, 710, falling).Budget()
	adds(t, b)
	if b.Split || math.Abs(b.Use/litre-182.28) > 0.1 || math.Abs(b.Short/litre-2.28) > 0.1 {
		t.Errorf("%+v; want a use of 182.28 L/min, 2.28 too little, no split", b)
	}
	o.Split = parts{40, 2, 140, 130, 150, true}
	b = fed(o, 710, falling).Budget()
	adds(t, b)
	if !b.Split || math.Abs(b.Short/litre-2) > 0.01 {
		t.Errorf("%+v; want the split that has caught up", b)
	}
}

// Whatever is told, the parts add up.
func TestBudgetAlwaysAddsUp(t *testing.T) {
	const seed = 4
	dice := rand.New(rand.NewPCG(seed, 0))
	for range 300 {
		r := func(most float64) float64 { return most * (dice.Float64() - 0.1) }
		maybe := func() bool { return dice.IntN(3) > 0 }
		o := supply.Options{Volume: r(0.06), Delivery: r(200) * litre, Bleed: r(3) * litre, Around: r(1e5)}
		if maybe() {
			o.Compressor = pump{known: maybe(), on: maybe(), duty: dice.Float64(), fall: r(300), rise: r(9000)}
		}
		if maybe() {
			leak := r(90)
			o.Split = parts{r(90), r(3), leak, leak - 3, leak + 3, maybe()}
		}
		if maybe() {
			o.Measured = tester{r(200), r(100), r(300), r(1)}
		}
		slope := r(400) - 100
		s := fed(o, 660, func(i int) float64 { return 7e5 - slope*float64(i)/3 })
		b := s.Budget()
		adds(t, b)
		mid, ok := s.Reserve()
		low, high, _ := s.ReserveRange()
		if ok && (low > mid || high < mid || low < 0) {
			t.Errorf("seed %d: reserve %v outside %v to %v", seed, mid, low, high)
		}
		if t.Failed() {
			t.Fatalf("seed %d: %+v", seed, o)
		}
	}
}

// The judge is the rig's closed vessel, which cools: with a compressor that stops now, the reserve is never longer than
// the tank lastsly lasts, and not half as long either.
func TestReserveIsNeverTooLong(t *testing.T) {
	const seed = 11
	dice := rand.New(rand.NewPCG(seed, 0))
	for range 12 {
		volume, use := 0.025+0.03*dice.Float64(), (15+40*dice.Float64())*litre
		hot := 5 + 10*dice.Float64()
		vessel, err := rig.NewHold(rig.HoldOptions{
			Volume: volume, Start: 750e3, Air: rig.HoldAir{Hot: hot, Tau: 20 + 30*dice.Float64(), Power: 0.25},
			Leak: rig.HoldLeak{Flow: use},
		})
		if err != nil {
			t.Fatal(err)
		}
		// The run before: 100 kPa in 20 s, after ten minutes around cut-in.
		o := supply.Options{
			Tank: tank, Lowered: none, Barometer: none, Ambient: none, Volume: volume,
			Ranks: []supply.Rank{{Name: "front", Pressure: front, Target: target}}, Split: parts{use / litre, 0, 0, 0, 0, true},
		}
		p := &pump{known: true}
		o.Compressor = p
		s := supply.New(o, wideTable(), last{})
		give := func(i int, pa float64) {
			at := time.Duration(i) * time.Second
			for ch, v := range map[readings.Channel]float64{tank: pa, front: 380e3, target: 380e3} {
				s.Read(readings.Reading{At: at, Channel: ch, Value: v})
			}
			s.Tick(at)
		}
		for i := range 600 {
			give(i, 650e3)
		}
		p.on = true
		for i := range 21 {
			give(600+i, 650e3+5e3*float64(i))
		}
		said, ok := s.Reserve()
		low, high, _ := s.ReserveRange()
		lasts := 0.0
		for vessel.Truth().Gauge > 400e3 {
			lasts++
			vessel.Advance(lasts)
		}
		if !ok || said.Seconds() > lasts || said.Seconds() < 0.5*lasts || low > said || high < said {
			t.Errorf("seed %d: reserve %v (%v to %v) of a tank that lasts %.0f s with %.0f L/min", seed, said, low, high, lasts, use/litre)
		}
	}
}

// A leak that begins while the tank rests shortens the reserve within minutes, long before the mean of the use has it.
func TestReserveSeesANewLeak(t *testing.T) {
	// By hand: 1,000 Pa/s of 38 L are 22.8 L/min; 240 kPa over the need last 240 s.
	o := supply.Options{Volume: 0.038, Delivery: 180 * litre, Compressor: pump{known: true, duty: 0.02}}
	s := fed(o, 700, func(i int) float64 { return 7.0e5 - 1000*float64(max(0, i-610)) })
	if got, ok := s.Reserve(); !ok || math.Abs(got.Seconds()-240) > 3 {
		t.Errorf("Reserve() = %v; want about 240 s", got)
	}
}

// A need that is assumed from the rank's own pressure outlasts a stop: its ten minutes are minutes of work.
func TestAssumedNeedOutlastsAStop(t *testing.T) {
	s := supply.New(supply.Options{
		Tank: tank, Lowered: lowered, Barometer: none, Ambient: none, Ranks: []supply.Rank{{Name: "front", Pressure: front, Target: none}},
	}, wideTable(), last{})
	feed(s, 0, 300, at(map[readings.Channel]float64{front: 250e3, lowered: 1, tank: 7e5}))
	feed(s, 300, 1500, at(map[readings.Channel]float64{front: 60e3, lowered: 0, tank: 7e5}))
	if need, assumed, known := s.Need(); !known || !assumed || need != 270e3 {
		t.Errorf("Need() = %v, assumed %v, known %v after a stop; want 270 kPa, assumed", need, assumed, known)
	}
}
