// SPDX-License-Identifier: Apache-2.0

//go:build e2e

package story_test

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/rig"
)

// record is a line of the journal.
type record struct {
	Mono  int64  `json:"mono_ms"`
	Kind  string `json:"kind"`
	Alarm string `json:"alarm"`
	Where string `json:"where"`
	From  string `json:"from"`
	To    string `json:"to"`
	Text  string `json:"reason"`
	Actor string `json:"actor"`
}

func (r *record) at() time.Duration { return time.Duration(r.Mono) * time.Millisecond }

// TestDayTellsItsStory plays the whole planting day at 600 times real time and compares the alarms of the journal with the
// list that stands beside the story, give or take one; the morning and the leak's size come from the rig's truth.
func TestDayTellsItsStory(t *testing.T) {
	bin := build(t)
	dir := t.TempDir()
	story := rig.Stories()[0]
	d := startDemo(t, bin, "--rate", "600", "--data", dir)
	deadline := time.Now().Add(8 * time.Minute)
	for d.mono() < story.Lasts+5*time.Minute {
		if time.Now().After(deadline) {
			t.Fatalf("after 8 minutes the day has come to %v of %v", d.mono(), story.Lasts)
		}
		time.Sleep(time.Second)
	}
	d.end()
	journal := records(t, bin, dir)
	compareAlarms(t, journal, story.Rings)

	held := find(journal, func(r *record) bool { return r.Kind == "overnight-hold" })
	if held == nil || held.at() > 3*time.Minute || !strings.HasPrefix(held.Text, "Held overnight") {
		t.Errorf("the night in the journal: %+v; want it held, within three minutes of key-on", held)
	}
	drain := find(journal, func(r *record) bool {
		return r.Alarm == "care-due" && strings.Contains(r.Where, "drain") && r.To == "active_unacked"
	})
	if drain == nil || drain.at() > 5*time.Minute {
		t.Errorf("the drain in the journal: %+v; want it due in the morning: two working days without one", drain)
	}
	diary, err := exec.CommandContext(t.Context(), bin, "journal", "--data", dir).Output()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("the day's journal:\n%s", diary)
}

// compareAlarms compares what was announced with the written list: at most one more, one fewer, or one at another time.
func compareAlarms(t *testing.T, journal []record, want []rig.Ring) {
	t.Helper()
	announced := map[string]bool{}
	for _, row := range alarms.Catalogue() {
		announced[string(row.Key)] = row.Kind == alarms.Announced
	}
	var seen []string
	wrong := 0
	note := func(format string, args ...any) { wrong++; t.Logf(format, args...) }
	for i := range journal {
		r := &journal[i]
		if r.Kind != "alarm" || r.To != "active_unacked" || !announced[r.Alarm] || slices.Contains(seen, r.Alarm+"/"+r.Where) {
			continue
		}
		seen = append(seen, r.Alarm+"/"+r.Where)
		at := slices.IndexFunc(want, func(w rig.Ring) bool { return w.Key == r.Alarm && w.Where == r.Where })
		switch {
		case at < 0:
			note("at %v of the story: %s %s, which is not on its list", r.at(), r.Alarm, r.Where)
		case r.at() < want[at].From || r.at() > want[at].To:
			note("%s %s at %v; the list says %v to %v: %s", r.Alarm, r.Where, r.at(), want[at].From, want[at].To, want[at].Why)
		}
	}
	for _, w := range want {
		if !slices.Contains(seen, w.Key+"/"+w.Where) {
			note("no %s %s; the list says %v to %v: %s", w.Key, w.Where, w.From, w.To, w.Why)
		}
	}
	if wrong > 1 {
		t.Errorf("%d differences from the story's list; at most one is allowed", wrong)
	}
	if !slices.Contains(seen, "air-leak/front rank") {
		t.Error("the leak was not found at the front rank: the story is about nothing else")
	}
}

func find(journal []record, is func(*record) bool) *record {
	for i := range journal {
		if is(&journal[i]) {
			return &journal[i]
		}
	}
	return nil
}

// records reads the journal through the command.
func records(t *testing.T, bin, dir string) []record {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), bin, "journal", "--json", "--data", dir).Output()
	if err != nil {
		t.Fatal(err)
	}
	var all []record
	for line := range bytes.Lines(out) {
		var r record
		if err := json.Unmarshal(line, &r); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		all = append(all, r)
	}
	if len(all) == 0 {
		t.Fatal("nothing in the journal")
	}
	return all
}
