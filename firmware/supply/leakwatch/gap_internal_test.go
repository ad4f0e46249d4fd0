// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/readings"
)

// TestGasIsNotKnownBehindAGap lets a closed tank warm up unseen in a gap of ninety seconds, and cool down to its wall when
// it is seen again: by the gas law its pressure falls with its temperature (V and n constant: p/T is), at first as a leak
// of many litres a minute would make it. Nothing leaks, so nothing may be raised.
func TestGasIsNotKnownBehindAGap(t *testing.T) {
	t.Parallel()
	const baro, hot = 101325.0, 15.0
	for _, tau := range []float64{30, 55, 80} { // s, to the wall
		table := readings.NewTable([]readings.Info{{ID: "tank"}, {ID: "wall"}, {ID: "barometer"}})
		none := readings.NoChannel
		w := New(Options{
			Tank: 0, Wall: 1, Barometer: 2, Ambient: none, Lowered: none, Speed: none, Drive: none, Ignition: none,
			Volume: 0.040, Delivery: 150 * litreMn,
		}, table, noSink{})
		w.history = true
		dice := rand.New(rand.NewPCG(7, uint64(tau)))
		const gap, back = 9000, 9900 // tenths of a second
		raised := false
		for i := range 18000 {
			at := time.Duration(i) * 100 * time.Millisecond
			if i%10 == 0 {
				w.Tick(at)
				raised = raised || w.quiet.raised
			}
			if i >= gap && i < back {
				continue
			}
			p := 8e5
			if i >= back {
				p *= 1 + hot/reference*math.Exp(-float64(i-back)/10/tau)
			}
			w.Read(readings.Reading{At: at, Channel: 0, Value: p - baro + 100*dice.NormFloat64()})
			if i%10 == 0 {
				w.Read(readings.Reading{At: at, Channel: 1, Value: reference})
				w.Read(readings.Reading{At: at, Channel: 2, Value: baro})
			}
		}
		if raised {
			t.Errorf("tau %.0f s: a tank that cools is raised as a leak", tau)
		}
	}
}

// TestAirThatFlowsBackIsNoLeak opens a standing rank's fill valve while the tank holds less than the rank, so that its
// air goes back into the tank. The same fall beside a full tank can only be a leak.
func TestAirThatFlowsBackIsNoLeak(t *testing.T) {
	t.Parallel()
	const baro = 101325.0
	for _, tank := range []float64{30e3, 700e3} {
		table := readings.NewTable([]readings.Info{{ID: "tank"}, {ID: "front"}, {ID: "barometer"}, {ID: "lowered"}, {ID: "speed"}})
		none := readings.NoChannel
		w := New(Options{
			Tank: 0, Barometer: 2, Lowered: 3, Speed: 4, Wall: none, Ambient: none, Drive: none, Ignition: none,
			Ranks:  []Rank{{Name: "front", Pressure: 1, Target: none, Volume: 0.018, Stretch: 5e-7}},
			Volume: 0.040, Delivery: 150 * litreMn,
		}, table, noSink{})
		w.history = true
		dice := rand.New(rand.NewPCG(9, uint64(tank)))
		raised := false
		for i := range 18000 {
			at := time.Duration(i) * 100 * time.Millisecond
			if i%10 == 0 {
				w.Tick(at)
				raised = raised || w.ranks[0].raisedOnce() > 0
				w.Read(readings.Reading{At: at, Channel: 2, Value: baro})
				w.Read(readings.Reading{At: at, Channel: 3, Value: 0})
				w.Read(readings.Reading{At: at, Channel: 4, Value: 0})
			}
			p := 75e3 - 40e3*max(0, min(1, float64(i-15000)/900)) // within a minute and a half
			w.Read(readings.Reading{At: at, Channel: 1, Value: p + 50*dice.NormFloat64()})
			w.Read(readings.Reading{At: at, Channel: 0, Value: tank + 50*dice.NormFloat64()})
		}
		if raised != (tank > 75e3) {
			t.Errorf("tank at %.0f kPa: raised %v", tank/1e3, raised)
		}
	}
}
