// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// verbs are the words a "do" line may start with. The list is ours.
func verbs() []string {
	return []string{
		"Change", "Check", "Choose", "Compare", "Drain", "Drive", "Export", "Look", "Note", "Plan", "Set", "Shade",
		"Slow", "Stop", "Switch", "Take", "Tell", "Try",
	}
}

// missing names what a row does not say.
func missing(r *alarms.Row) (out []string) {
	for _, f := range []struct{ name, text string }{
		{"key", string(r.Key)},
		{"title", r.Title},
		{"condition", r.Condition},
		{"cause", r.Cause},
		{"consequence", r.Consequence},
		{"do", r.Do},
		{"caution", r.Caution},
		{"limit", r.Limit},
	} {
		if strings.TrimSpace(f.text) == "" {
			out = append(out, f.name)
		}
	}
	if r.Where != alarms.FromSeat && r.Where != alarms.Parked {
		out = append(out, "where allowed")
	}
	if r.Respond != alarms.AtOnce && r.Respond != alarms.Soon && r.Respond != alarms.Today {
		out = append(out, "time to respond")
	}
	if r.Priority < alarms.Low || r.Priority > alarms.High {
		out = append(out, "priority")
	}
	if r.Deadband < 0 || r.Share < 0 || r.OnDelay < 0 || r.OffDelay < 0 {
		out = append(out, "delays and deadband")
	}
	if len(r.Inputs) > 0 && !slices.Contains(r.Suppressors, alarms.S6) { // hmi 1.5: every row is suppressed by S6 of its own inputs
		out = append(out, "suppressors")
	}
	return out
}

// Each field, emptied in a sound row, is missed.
func TestAnEmptyFieldIsMissed(t *testing.T) {
	t.Parallel()
	sound := func() alarms.Row { return alarms.Catalogue()[0] }
	r := sound()
	if got := missing(&r); len(got) != 0 {
		t.Fatalf("%s misses %q", r.Key, got)
	}
	for name, empty := range map[string]func(r *alarms.Row){
		"key": func(r *alarms.Row) { r.Key = "" }, "title": func(r *alarms.Row) { r.Title = " " }, "condition": func(r *alarms.Row) { r.Condition = "" },
		"cause": func(r *alarms.Row) { r.Cause = "" }, "consequence": func(r *alarms.Row) { r.Consequence = "" }, "do": func(r *alarms.Row) { r.Do = "" },
		"caution": func(r *alarms.Row) { r.Caution = "" }, "limit": func(r *alarms.Row) { r.Limit = "" }, "where allowed": func(r *alarms.Row) { r.Where = "" },
		"time to respond": func(r *alarms.Row) { r.Respond = 0 }, "priority": func(r *alarms.Row) { r.Priority = 0 },
		"delays and deadband": func(r *alarms.Row) { r.Deadband = -1 }, "suppressors": func(r *alarms.Row) { r.Suppressors = nil },
	} {
		r := sound()
		empty(&r)
		if got := missing(&r); !slices.Equal(got, []string{name}) {
			t.Errorf("without %s: %q is missed", name, got)
		}
	}
}

func TestEveryRowIsComplete(t *testing.T) {
	t.Parallel()
	seen := map[findings.Key]bool{}
	for _, r := range alarms.Catalogue() {
		if seen[r.Key] {
			t.Errorf("%s stands twice", r.Key)
		}
		seen[r.Key] = true
		for _, name := range missing(&r) {
			t.Errorf("%s: %s is empty", r.Key, name)
		}
		if n := utf8.RuneCountInString(r.Title); n > 34 {
			t.Errorf("%s: the title has %d characters; a tablet line holds 34", r.Key, n)
		}
		// The head of the page holds one line of each, measured on its drawing at 1280 px.
		if n := utf8.RuneCountInString(r.Do); n > 42 || (r.Where == alarms.FromSeat && n > 34) {
			t.Errorf("%s: the do line has %d characters; the head holds 42, from the seat 34", r.Key, n)
		}
		if n := utf8.RuneCountInString(r.Caution); n > 62 {
			t.Errorf("%s: the caution has %d characters; the head holds 62", r.Key, n)
		}
		if first, _, _ := strings.Cut(r.Do, " "); !slices.Contains(verbs(), first) {
			t.Errorf("%s: do line starts with %q, which is no verb of the list", r.Key, first)
		}
		if r.OnDelay < 0 || r.OffDelay < 0 || r.Deadband < 0 || r.Share < 0 || r.Share >= 1 {
			t.Errorf("%s: delay or deadband out of range", r.Key)
		}
		if r.Kind != alarms.Announced && r.Kind != alarms.PageMade && r.Priority != alarms.Low {
			t.Errorf("%s: a silent row has priority %v", r.Key, r.Priority)
		}
	}
}

// A line that asks for hands on the machine has to say when it is safe. The words are those the rows use.
func TestNoActionSendsAnybodyToARunningMachine(t *testing.T) {
	t.Parallel()
	hands := []string{"plug", "fuse", "valve", "terminator", "supply wire", "named row", "vents", "rank's"}
	safe := []string{"parked", "next stop", "from the seat", "switched off", "raised and secured"}
	for _, r := range alarms.Catalogue() {
		do := strings.ToLower(r.Do)
		for _, h := range hands {
			if strings.Contains(do, h) && !slices.ContainsFunc(safe, func(s string) bool { return strings.Contains(do, s) }) {
				t.Errorf("%s: %q does not say when it is safe", r.Key, r.Do)
			}
		}
		if strings.Contains(do, "drain") && !strings.Contains(do, "parked") {
			t.Errorf("%s: draining is for a parked machine: %q", r.Key, r.Do)
		}
		if r.Priority == alarms.High && r.Respond != alarms.AtOnce {
			t.Errorf("%s: high, but there is time", r.Key)
		}
	}
}

func TestPriorityFollowsTimeToRespond(t *testing.T) {
	t.Parallel()
	for _, r := range alarms.Catalogue() {
		if r.Respond == alarms.Today && r.Priority > alarms.Medium {
			t.Errorf("%s: priority %v although it has until tonight", r.Key, r.Priority)
		}
	}
}

func TestReferencesNameRowsAndSuppressionHasNoCycle(t *testing.T) {
	t.Parallel()
	rows := alarms.Catalogue()
	hides := map[findings.Key][]findings.Key{}
	known := map[findings.Key]bool{}
	for _, r := range rows {
		known[r.Key] = true
	}
	for _, r := range rows {
		for _, k := range slices.Concat(r.Children, r.Hides) {
			if !known[k] {
				t.Errorf("%s refers to %s, which is no row", r.Key, k)
			}
		}
		hides[r.Key] = append(hides[r.Key], r.Hides...)
		for _, other := range rows {
			faults := r.Raises == alarms.S6 && other.Raises == alarms.S6
			if r.Raises != 0 && !faults && slices.Contains(other.Suppressors, r.Raises) {
				hides[r.Key] = append(hides[r.Key], other.Key)
			}
		}
	}
	var walk func(k findings.Key, path []findings.Key)
	walk = func(k findings.Key, path []findings.Key) {
		if slices.Contains(path, k) {
			t.Fatalf("suppression goes in a circle: %v %s", path, k)
		}
		for _, next := range hides[k] {
			walk(next, append(slices.Clone(path), k))
		}
	}
	for k := range known {
		walk(k, nil)
	}
}

func TestOptionsNameWrongOverrides(t *testing.T) {
	t.Parallel()
	below := -1.0
	for name, o := range map[string]alarms.Options{
		"no such alarm": {Overrides: []alarms.Override{{Key: "tank-lo"}}},
		"below zero":    {Overrides: []alarms.Override{{Key: "tank-low", Deadband: &below}}},
		"twice":         {Rows: []alarms.Row{{Key: "a"}, {Key: "a"}}},
	} {
		if err := o.Validate(); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: Validate() = %v", name, err)
		}
	}
	if err := (alarms.Options{}).Validate(); err != nil {
		t.Errorf("default options: %v", err)
	}
}
