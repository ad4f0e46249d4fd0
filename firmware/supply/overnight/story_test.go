// SPDX-License-Identifier: Apache-2.0

package overnight_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/supply/overnight"
)

// The planting day's story knows how its machine was left: ten hours at 0.03 L/min ANR (rig/story.go says so).
func TestPlantingDaysMorning(t *testing.T) {
	r, err := rig.New(rig.Options{Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	e, ok := r.Overnight()
	if !ok {
		t.Fatal("the story knows no evening")
	}
	o := options()
	o.Saved = overnight.Seed(overnight.Evening{
		At: e.KeyOff, Wall: float64(e.Wall), Ambient: float64(e.Wall), Barometer: float64(e.Barometer),
		Left: []overnight.Left{{Where: "tank", Pressure: float64(e.Tank), Rested: 2 * time.Hour}},
	})
	o.UTC = clockFrom(r.Clock(0))
	box := overnight.New(o, table())
	for i := range 90 {
		at := time.Duration(i) * time.Second
		now := r.Truth(at)
		seen := values{tank: float64(now.Tank), wall: float64(now.TankWall), ambient: float64(now.Ambient), glass: float64(now.Barometer), key: 1}
		for ch, v := range seen {
			box.Read(readings.Reading{At: at, Channel: ch, Value: v})
		}
		box.Tick(at)
	}
	h := only(t, box)
	if !h.Known || math.Abs(h.Leak.SI/litre-0.03) > 0.01 || h.Leak.Low > 0.03*litre || h.Leak.High < 0.03*litre || math.Abs(h.Hours-10) > 0.1 {
		t.Errorf("%+v; want 0.03 L/min ANR in ten hours", h)
	}
	if !strings.HasPrefix(box.Words(), "Held overnight: 690 to ") {
		t.Errorf("Words() = %q; want that it held", box.Words())
	}
	t.Log(box.Words())
}
