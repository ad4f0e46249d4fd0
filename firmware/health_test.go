// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/publish"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

// healthOf asks a box how its alarms do.
func healthOf(s *stand) publish.AlarmHealth {
	s.t.Helper()
	var h publish.AlarmHealth
	code, text := s.get("/api/alarm-health")
	if err := json.Unmarshal(text, &h); code != http.StatusOK || err != nil || len(h.Days) == 0 {
		s.t.Fatalf("GET /api/alarm-health = %d %.200s, %v", code, text, err)
	}
	return h
}

// An unplugged sensor is announced once. The count outlives the box, with a clock that was set and with one that
// the bus sets; a shelf that was begun
// before a power-off goes on by what of it had run.
func TestAlarmHealthOutlivesTheBox(t *testing.T) {
	for _, tc := range []struct {
		name  string
		unset bool
		by    string
	}{{"with a clock", false, alarms.ByClock}, {"with the bus's own a little later", true, alarms.ByBoth}} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			var first, second alarms.HealthDay
			var left time.Duration
			fault := []rig.Event{{What: rig.Unplug, Where: "front"}}
			play(t, standOptions{story: rig.ShopStory, dir: dir, boot: "one", unset: tc.unset, faults: fault, script: []cue{
				{time.Minute, func(s *stand) {
					s.do(alarms.Command{ID: "1", Verb: alarms.Shelve, Key: "pressure-fault", Where: "front", For: 10 * time.Minute, By: "Ada"})
				}},
				{6 * time.Minute, func(s *stand) { first = healthOf(s).Days[0] }},
			}})
			s, err := store.Open(dir, store.Options{ReadOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			saved, err := s.Alarms()
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range saved.Alarms {
				if a.Key == "pressure-fault" && a.Shelved {
					left = a.Left
				}
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			// Ten minutes from the first minute on; the last minute is what a power cut may cost.
			if left < 5*time.Minute || left > 6*time.Minute {
				t.Errorf("shelf time left on the disk after 5 of 10 min: %v; want 5 to 6 min", left)
			}
			if first.Announced < 1 || first.Shelved != 1 || first.By != tc.by || first.Running.SI < 320 { // the story begins at 30 s
				t.Errorf("first boot: %s; want the fault announced and put aside, by %s", brief(first), tc.by)
			}
			play(t, standOptions{story: rig.ShopStory, dir: dir, boot: "two", unset: tc.unset, script: []cue{
				{2 * time.Minute, func(s *stand) { second = healthOf(s).Days[0] }},
			}})
			if second.Announced < first.Announced || second.Shelved != 1 || second.By != tc.by || second.Running.SI < first.Running.SI+40 || second.Date != first.Date {
				t.Errorf("second boot: %s; want it to go on from %s", brief(second), brief(first))
			}
		})
	}
}

func brief(d alarms.HealthDay) string {
	return fmt.Sprintf("%q by %s, %g s, %d announced, %d put aside", d.Date, d.By, d.Running.SI, d.Announced, d.Shelved)
}
