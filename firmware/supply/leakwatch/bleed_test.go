// SPDX-License-Identifier: Apache-2.0

package leakwatch_test

import (
	"testing"
	"time"

	"airhold/firmware/rig"
	"airhold/firmware/supply/leakwatch"
)

// keyOffAt is when a day's key is switched off at lunch; false where it is not, or not for twenty minutes.
func keyOffAt(o rig.DayOptions) (time.Duration, bool) {
	d := rig.NewDay(o)
	var s rig.DaySample
	var off time.Duration
	for d.Next(&s) {
		switch {
		case s.At < time.Hour || s.Ignite > 0.5:
			if off > 0 && s.At-off > 20*time.Minute {
				return off, true
			}
			off = 0
		case off == 0:
			off = s.At
		}
	}
	return 0, false
}

// TestLeakAtLunchIsNotTakenForTheBleed has a control whose declared bleed ends with the key: in the second such lunch a
// leak as large as the bleed must not pass for it, and none is raised where nothing leaks.
func TestLeakAtLunchIsNotTakenForTheBleed(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: days of one goroutine")
	}
	const hours = 6
	seed := uint64(1)
	first := rig.DayOptions{Seed: seed, Hours: hours}
	for _, off := keyOffAt(first); !off; _, off = keyOffAt(first) {
		first.Seed++
	}
	b := newBench(first, nil)
	b.run(hours*time.Hour, nil)
	kept := b.watch.Save()
	build := b.day.Build()
	second := rig.DayOptions{Seed: first.Seed + 100, Hours: hours, Build: &build}
	at, off := keyOffAt(second)
	for ; !off; at, off = keyOffAt(second) {
		second.Seed++
	}
	history := func(o *leakwatch.Options) { o.Saved = kept }
	sound := newBench(second, history)
	sound.run(hours*time.Hour, nil)
	if len(sound.first) > 0 {
		t.Errorf("raised on a sound day: %v", sound.first)
	}
	second.Leak = rig.DayLeak{Where: "tank side", Flow: 2 * lmin, At: at + time.Minute}
	leaky := newBench(second, history)
	leaky.run(at+11*time.Minute, nil)
	if raised, ok := leaky.first["tank side"]; !ok {
		t.Errorf("2 L/min that began at %s, a minute after the key was switched off, are not found in ten minutes", second.Leak.At)
	} else if raised < second.Leak.At {
		t.Errorf("raised at %s, before it began at %s", raised, second.Leak.At)
	}
}
