// SPDX-License-Identifier: Apache-2.0

package overnight_test

import (
	"math"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/supply/overnight"
	"airhold/sensors/units"
)

const rear = front + 1

func seasonTable() *readings.Table {
	t := []readings.Info{}
	for i := range table().Len() {
		t = append(t, table().Info(readings.Channel(i)))
	}
	return readings.NewTable(append(t, readings.Info{ID: "rear", Quantity: units.QPressure, Reference: units.Gauge}))
}

// hear gives a box what a day's sensors say.
func hear(o *overnight.Overnight, s *rig.DaySample) {
	for _, r := range [...]struct {
		ch readings.Channel
		v  float64
	}{
		{tank, s.Tank},
		{front, s.Ranks[0]},
		{rear, s.Ranks[1]},
		{wall, s.Wall},
		{ambient, s.Ambient},
		{glass, s.Barometer},
		{key, s.Ignite},
		{drive, s.Drive},
		{speed, s.Speed},
	} {
		if !math.IsNaN(r.v) {
			o.Read(readings.Reading{At: s.At, Channel: r.ch, Value: r.v})
		}
	}
	if s.At%time.Second == 0 {
		o.Tick(s.At)
	}
}

func seasonOptions(b rig.Build, w with) overnight.Options {
	o := overnight.Options{
		Volumes: []overnight.Volume{{Name: "tank", Where: "tank", Pressure: tank, Volume: b.Tank, Uncertainty: 0.03}},
		Wall:    none, Ambient: ambient, Barometer: glass, Ignition: key, Drive: drive, Speed: speed,
	}
	for i, name := range []string{"front", "rear"} {
		r := b.Ranks[i]
		o.Volumes = append(o.Volumes, overnight.Volume{
			Name: name, Where: name + " rank", Pressure: front + readings.Channel(i), Holds: true,
			Volume: r.Volume / (1 + r.Stretch*r.Work), Stretch: r.Stretch, Uncertainty: 0.1,
		})
	}
	if w.wall {
		o.Wall = wall
	}
	return o
}

// seasonNight plays the end of a day, a night of ten hours and a morning of the rig's machine, and returns what the boxes
// said and what the places lost. Save comes once a minute, as on a box whose power goes without a word.
func seasonNight(t *testing.T, seed uint64, sets []with) ([][]overnight.Hold, rig.Night) {
	t.Helper()
	b := rig.DrawBuild(seed)
	for i := range b.Seep {
		b.Seep[i] *= 0.1 // a machine that still has air in the morning
	}
	evening := rig.NewDay(rig.DayOptions{Seed: seed, Hours: 0.75, Clock: 18.5, Build: &b})
	boot := time.Date(2026, time.April, 27, 18, 30, 0, 0, time.UTC)
	boxes, saved := make([]*overnight.Overnight, len(sets)), make([][]byte, len(sets))
	for i, w := range sets {
		o := seasonOptions(b, w)
		o.UTC = clockFrom(boot)
		boxes[i] = overnight.New(o, seasonTable())
	}
	var s rig.DaySample
	for evening.Next(&s) {
		for i := range boxes {
			hear(boxes[i], &s)
			if s.At%time.Minute == 0 {
				saved[i] = boxes[i].Save()
			}
		}
	}
	ended := s.At
	morning := rig.NewDay(rig.DayOptions{
		Seed: 1e6 + seed, Hours: 0.06, Before: evening,
		Night: rig.NightOptions{Hours: 10, Leaks: [3]units.Flow{units.Flow(0.02 * float64(seed%4) * litre)}},
	})
	night, _ := morning.Night()
	for i, w := range sets {
		o := seasonOptions(b, w)
		o.UTC, o.Saved = clockFrom(boot.Add(ended+night.Lasts)), saved[i]
		boxes[i] = overnight.New(o, seasonTable())
	}
	for morning.Next(&s) {
		for i := range boxes {
			hear(boxes[i], &s)
		}
	}
	held := make([][]overnight.Hold, len(sets))
	for i := range boxes {
		held[i] = boxes[i].Held()
	}
	return held, night
}

// The judge is the rig's machine with its weather, controls and bags, which work up to the key and from it on.
func TestSeasonNights(t *testing.T) {
	const first, count = 1, 8
	sets := []with{{wall: true, ambient: true, glass: true}, {ambient: true, glass: true}}
	bars := []float64{0.01, 0.1}
	var tanks, ranks [2]score
	why := map[string]int{}
	for seed := uint64(first); seed < first+count; seed++ {
		held, night := seasonNight(t, seed, sets)
		for i := range held {
			for k, h := range held[i] {
				switch {
				case !h.Known:
					why[h.Where+": "+h.Why]++
				case k == 0:
					tanks[i].add(h, float64(night.Lost[k]))
				default:
					ranks[i].add(h, float64(night.Lost[k]))
				}
			}
		}
	}
	for i := range sets {
		t.Logf("seeds from %d, %+v: tank %s; ranks %s", first, sets[i], &tanks[i], &ranks[i])
		for _, s := range []score{tanks[i], ranks[i]} {
			if s.n < count*3/4 || s.rms() > bars[i] || float64(s.inside) < 0.8*float64(s.n) {
				t.Errorf("seeds from %d, %+v: %s; want rms %v, most of %d nights known and inside", first, sets[i], &s, bars[i], count)
			}
		}
	}
	for w, n := range why {
		t.Logf("%d times %s", n, w)
	}
}
