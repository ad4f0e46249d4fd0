// SPDX-License-Identifier: Apache-2.0

package leakwatch_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/supply/leakwatch"
)

// TestMendedLeaksGoAway plays the demo's machine, whose leaks can be mended, with the noise of its sensors.
func TestMendedLeaksGoAway(t *testing.T) {
	t.Parallel()
	const noise = 500.0 // Pa, 0.05 % of 10 bar: common practice, no source
	for _, where := range []string{"tank side", "front rank"} {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			begin, mend := 100*time.Minute, 125*time.Minute
			r, err := rig.New(rig.Options{Seed: 5, Story: "quiet", Faults: []rig.Event{
				{At: begin, What: rig.Leak, Where: where, Amount: 12 * lmin},
				{At: mend, What: rig.Mend, Where: where},
			}})
			if err != nil {
				t.Fatal(err)
			}
			o := options(rig.Build{
				Tank: 0.038, Ranks: [2]rig.RankBuild{{Volume: 0.0185, Stretch: 5e-7}, {Volume: 0.017, Stretch: 5e-7}},
				Delivery: 180 * lmin, DeliveryFall: 1.19e-7,
			})
			w := leakwatch.New(o, table(), heard{})
			dice := rand.New(rand.NewPCG(1, 2))
			var raised, gone, again time.Duration
			var leaks []leakwatch.Leak
			for at := time.Duration(0); at < 3*time.Hour; at += 100 * time.Millisecond {
				s := r.Truth(at)
				say := func(c readings.Channel, v float64) { w.Read(readings.Reading{At: at, Value: v, Channel: c}) }
				say(chTank, float64(s.Tank)+noise*dice.NormFloat64())
				say(chFront, float64(s.Ranks[0].Pressure)+noise*dice.NormFloat64())
				say(chRear, float64(s.Ranks[1].Pressure)+noise*dice.NormFloat64())
				say(chFrontTarget, float64(s.Ranks[0].Target))
				say(chRearTarget, float64(s.Ranks[1].Target))
				say(chLowered, map[bool]float64{true: 1}[s.Lowered])
				say(chSpeed, float64(s.Speed))
				if at%time.Second != 0 {
					continue
				}
				say(chWall, float64(s.TankWall))
				say(chAmbient, float64(s.Ambient))
				say(chBarometer, float64(s.Barometer))
				w.Tick(at)
				leaks = w.Leaks(leaks[:0])
				switch up := len(leaks) > 0; {
				case up && raised == 0:
					raised = at
					if leaks[0].Where != where || len(leaks) > 1 {
						t.Errorf("raised %+v", leaks)
					}
				case !up && raised > 0 && gone == 0:
					gone = at
				case up && gone > 0 && again == 0:
					again = at
				}
			}
			switch {
			case raised < begin || raised > begin+10*time.Minute:
				t.Errorf("raised at %s", raised)
			case gone < mend || gone > mend+25*time.Minute:
				t.Errorf("mended at %s, gone at %s", mend, gone)
			case again > 0:
				t.Errorf("raised again at %s", again)
			}
		})
	}
}
