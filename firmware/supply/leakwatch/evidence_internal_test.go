// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
)

// TestRunningSumHasThePublishedRunLengths holds the sum to the table of D. C. Montgomery, Introduction to Statistical
// Quality Control (from memory): with k = 0.5 and h = 5 the two-sided average run length is 465 without a shift, so 930
// on one side, and 10.4 with a shift of one standard deviation. Clipping at three of them changes less than the margins.
func TestRunningSumHasThePublishedRunLengths(t *testing.T) {
	t.Parallel()
	const runs = 3000
	dice := rand.New(rand.NewPCG(20, 26))
	length := func(shift float64) float64 {
		sum := 0
		for range runs {
			var e evidence
			e.init("", "", []float64{1}, 5)
			for n := 1; ; n++ {
				at := time.Duration(n) * time.Second
				e.add(at-time.Second, at, shift+dice.NormFloat64(), 1, 1e5)
				if e.up() >= 1 {
					sum += n
					break
				}
			}
		}
		return float64(sum) / runs
	}
	if l := length(0); l < 850 || l > 1080 {
		t.Errorf("%.0f observations to a false alarm, published 930", l)
	}
	if l := length(1); math.Abs(l-10.4) > 0.5 {
		t.Errorf("%.2f observations to an alarm, published 10.4", l)
	}
}

type noSink struct{}

func (noSink) Find(findings.Finding) {}

// TestQuietDecayOfAKnownLeak is the gas law's: 40 L at 8 bar and 20 degC, choked, isothermal, fall by k = 2.60417e-4 /s
// at 5 L/min ANR, k = q*p0/(V*p).
func TestQuietDecayOfAKnownLeak(t *testing.T) {
	t.Parallel()
	const k, baro = 2.60417e-4, 101325.0
	table := readings.NewTable([]readings.Info{{ID: "tank"}, {ID: "wall"}, {ID: "barometer"}})
	none := readings.NoChannel
	w := New(Options{
		Tank: 0, Wall: 1, Barometer: 2, Ambient: none, Lowered: none, Speed: none, Drive: none, Ignition: none,
		Volume: 0.040, Delivery: 150 * litreMn,
	}, table, noSink{})
	w.history = true
	dice := rand.New(rand.NewPCG(3, 4))
	for i := range 9000 {
		at := time.Duration(i) * 100 * time.Millisecond
		p := 8e5 * math.Exp(-k*float64(i)/10)
		w.Read(readings.Reading{At: at, Channel: 0, Value: p - baro + 100*dice.NormFloat64()})
		if i%10 == 0 {
			w.Read(readings.Reading{At: at, Channel: 1, Value: reference})
			w.Read(readings.Reading{At: at, Channel: 2, Value: baro})
			w.Tick(at)
		}
	}
	l, up := w.tankLeak()
	now := 5 * litreMn * math.Exp(-k*900) // choked: in proportion to the pressure
	if !up || !l.Sized || math.Abs(l.Flow.SI/now-1) > 0.04 {
		t.Errorf("raised %v: %.3f L/min, by the gas law %.3f", up, l.Flow.SI/litreMn, now/litreMn)
	}
	if l.Flow.Low > now || l.Flow.High < now {
		t.Errorf("the interval %.2f to %.2f L/min misses %.2f", l.Flow.Low/litreMn, l.Flow.High/litreMn, now/litreMn)
	}
	// What the gas was before the first reading is not known, so nothing is judged for some minutes.
	if l.Since > seconds(blindGas)+time.Minute {
		t.Errorf("onset %s, in truth from the start", l.Since)
	}
}
