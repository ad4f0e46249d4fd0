// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"time"

	"airhold/config"
	"airhold/firmware/care"
	"airhold/firmware/findings"
	"airhold/firmware/rig"
	"airhold/firmware/supply/overnight"
)

// RigMemory returns what a box on the simulated machine would remember on the morning of a story, by the names under which
// the store keeps it: how the machine was left in the evening, and who did what of its care before. Like the machine it is
// invented. Day is the wall time at the story's beginning. Nil where the story knows no evening.
func RigMemory(r *rig.Rig, m *config.Machine, day time.Time) map[string][]byte {
	e, ok := r.Overnight()
	if !ok {
		return nil
	}
	out := map[string][]byte{careMemory: invented(CareOptions(m), day)}
	if r.Clock(0).Equal(r.Story().Starts) { // whoever begins later in the story did not see the morning
		out[nightMemory] = evening(&e, day.Add(e.KeyOff.Sub(r.Clock(0))))
	}
	return out
}

// evening is the tank as it was left. Bags of the invented machine let their air out over night, and say nothing.
func evening(e *rig.Overnight, at time.Time) []byte {
	return overnight.Seed(overnight.Evening{
		At: at, Wall: float64(e.Wall), Ambient: float64(e.Wall), Barometer: float64(e.Barometer),
		Left: []overnight.Left{{Where: tankPlace, Pressure: float64(e.Tank), Rested: 2 * time.Hour}},
	})
}

// invented is the care of an invented spring: everything of the season was done a week ago, and the machine worked on four
// days since, on the last two of them without a drain.
func invented(o care.Options, day time.Time) []byte {
	begin := day.Add(-7 * 24 * time.Hour)
	o.UTC = func(at time.Duration) (time.Time, bool) { return begin.Add(at), true }
	c := care.New(o, nobody{})
	done := func(at time.Duration, items ...string) {
		for _, item := range items {
			_ = c.Done(at, item, "the demo", "invented") // only the list's own items stand here
		}
	}
	done(0, "bag-inspection", "filter-change", "oil-change", "leak-test")
	run := time.Duration(0)
	for d, work := range []bool{false, true, true, false, true, true, false} {
		morning := time.Duration(d) * 24 * time.Hour
		if d == 4 {
			done(morning, "drain", "oil-level", "intake-filter")
		}
		for at := morning; at < morning+10*time.Hour; at += time.Minute {
			if work {
				run += 10 * time.Second
			}
			c.Tick(at, care.Inputs{RunTime: run, RunSeen: true, Working: work, WorkSeen: true})
		}
	}
	return c.Save()
}

// nobody listens.
type nobody struct{}

// Find is told nothing new.
func (nobody) Find(findings.Finding) {}
