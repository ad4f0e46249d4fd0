// SPDX-License-Identifier: Apache-2.0

package care_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/care"
	"airhold/firmware/findings"
)

// Run hours come from the machine file, beside the season; the first of the two counts. A count that begins anew is added.
func TestRunHours(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{Hours: map[string]time.Duration{"oil_change": 100 * time.Hour, "belt": 50 * time.Hour}})
	l.run = 10 * time.Hour
	l.day(utc(2026, time.April, 27, 12), 1)
	l.done("oil-change")
	l.done("belt")
	l.run += 49*time.Hour + 30*time.Minute
	l.pass(time.Minute)
	l.stands("after 49.5 h", "belt", false, true, "49 of 50 run hours gone")
	l.stands("after 49.5 h", "oil-change", false, false, "49 of 100 run hours gone")
	l.run += time.Hour
	l.pass(time.Minute)
	l.stands("after 50.5 h", "belt", true, false, "50 run hours since the last")
	l.run = 0 // the count was forgotten, or another compressor is on
	l.pass(time.Minute)
	l.run = 49*time.Hour + 40*time.Minute
	l.pass(time.Minute)
	l.stands("after 50.5 h and 49.7 h", "oil-change", true, false, "100 run hours since the last")
	if got := l.item("oil-change").Every; got != "each season or every 100 run hours" {
		t.Errorf("every = %q", got)
	}
	// 10 h before the list began, 0.3 h of the hour's work, none since
	if r := l.item("oil-change").Last; r.Run.Unit.Code != "h" || r.Run.Unit.From(r.Run.SI) < 10.2 || r.Run.Unit.From(r.Run.SI) > 10.4 {
		t.Errorf("run time then = %+v; want 10.3 h", r.Run)
	}
}

// A power cut takes the compressor's last minute of count with it; the list does not count that as a new compressor.
func TestRunHoursAfterAPowerCut(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{Hours: map[string]time.Duration{"belt": 100 * time.Hour}})
	l.run = 60 * time.Hour
	l.on(utc(2026, time.April, 27, 12))
	l.run -= time.Minute
	l.on(utc(2026, time.April, 28, 12))
	l.stands("after the cut", "belt", false, false, "60 of 100 run hours gone")
	l.run += 2 * time.Hour
	l.pass(time.Minute)
	l.stands("two hours later", "belt", false, false, "61 of 100 run hours gone")
}

// A list that no box keeps up goes by what was kept and by the clock.
func TestLookWithoutABox(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{Hours: map[string]time.Duration{"belt": 100 * time.Hour}})
	l.run = 60 * time.Hour
	l.day(utc(2026, time.April, 27, 12), 8)
	l.done("leak-test")
	kept := l.c.Save()
	o := l.o
	o.Saved = kept
	l.zero = utc(2026, time.May, 30, 12)
	c := care.New(o, l)
	c.Look(time.Minute)
	if got := c.Save(); !bytes.Equal(got, kept) {
		t.Errorf("looking changed what is kept:\n%s\nwas\n%s", got, kept)
	}
	for _, it := range c.List() {
		if it.Needs != "" {
			t.Errorf("%s needs %q", it.Name, it.Needs)
		}
		if it.Name == "leak-test" && (!it.Due || it.Why != "32 days since the last") || it.Name == "belt" && it.Why != "62 of 100 run hours gone" {
			t.Errorf("%s: due %v, %q", it.Name, it.Due, it.Why)
		}
	}
	if err := c.Done(2*time.Minute, "leak-test", "Ada", ""); err != nil || len(c.History()) != 2 || !c.History()[0].At.Equal(l.zero.Add(2*time.Minute)) {
		t.Errorf("recorded: %v, %+v", err, c.History())
	}
}

func TestRunHoursThatAreNotCounted(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{Hours: map[string]time.Duration{"belt": 50 * time.Hour}})
	l.in.RunSeen = false
	l.on(utc(2026, time.April, 27, 12))
	it := l.item("belt")
	if f := l.heard[it.Matter]; f.Sight != findings.Unseen || !strings.Contains(f.Needs, "the compressor") {
		t.Errorf("finding %+v; want unseen for the compressor", f)
	}
	l.in.WorkSeen = false
	l.pass(10 * time.Second)
	if f := l.heard["tank drain"]; f.Sight != findings.Unseen || !strings.Contains(f.Needs, "sign of work") {
		t.Errorf("finding %+v; want unseen for a sign of work", f)
	}
	l.run += 51 * time.Hour // what is due by what was counted is due all the same
	l.pass(10 * time.Second)
	l.stands("counted before", "belt", true, false, "51 run hours and none on record")
	if f := l.heard[it.Matter]; f.Sight != findings.Seen {
		t.Errorf("finding %+v; want seen", f)
	}
}

// Water makes the drain due at once. Recorded, it is not believed again before it has let go, also over a restart.
func TestWaterMakesTheDrainDue(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 27, 12), 1)
	l.done("drain")
	l.in.WaterDue = true
	l.pass(time.Minute)
	l.stands("water", "drain", true, false, "the water reckoned in the tank has reached its limit")
	l.done("drain")
	l.stands("drained, and the water not counted anew yet", "drain", false, false, "0 of 2 working days gone")
	l.on(utc(2026, time.April, 27, 18))
	l.stands("after a restart", "drain", false, false, "0 of 2 working days gone")
	l.in.WaterDue = false
	l.work(time.Hour)
	l.in.WaterDue = true
	l.pass(time.Minute)
	l.stands("water again", "drain", true, false, "the water reckoned in the tank has reached its limit")
	l.in.WaterDue = false
	l.pass(time.Minute)
	l.stands("no water", "drain", false, false, "0 of 2 working days gone")
}

// A filter that was replaced is not due again while the figure behind it has had no new air to judge by.
func TestDeliveryMakesTheFilterDue(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 27, 12), 1)
	l.done("filter-change")
	l.in.DeliveryLow = true
	l.pass(time.Minute)
	l.stands("it gives less", "filter-change", true, false, "the compressor gives less than it did")
	l.stands("it gives less", "intake-filter", false, false, "0 of 3.5 days gone")
	l.done("filter-change")
	l.work(time.Hour)
	l.stands("the figure has not moved", "filter-change", false, false, "done for the season")
	l.on(utc(2026, time.April, 28, 12))
	l.in.DeliveryLow = false // a start without a figure yet is no good news
	l.pass(5 * time.Minute)
	l.in.DeliveryLow = true
	l.work(time.Hour)
	l.stands("after a restart", "filter-change", false, false, "done for the season")
	l.in.DeliveryLow = false
	l.work(time.Hour)
	l.in.DeliveryLow = true
	l.pass(time.Minute)
	l.stands("it gives less again", "filter-change", true, false, "the compressor gives less than it did")
}

// A judged leak-down test counts like a record of one.
func TestLeakTestCountsByItself(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2026, time.April, 1, 12))
	l.pass(time.Hour)
	l.on(utc(2026, time.May, 20, 12))
	l.stands("49 days without a test", "leak-test", true, false, "48 days and none on record")
	l.in.TestedAt = utc(2026, time.May, 10, 12)
	l.pass(time.Minute)
	l.stands("tested ten days ago", "leak-test", false, false, "10 of 30 days gone")
	if last := l.item("leak-test").Last; last == nil || !last.At.Equal(l.in.TestedAt) {
		t.Errorf("last = %+v; want the test", last)
	}
	l.done("leak-test")
	l.stands("recorded", "leak-test", false, false, "0 of 30 days gone")
}

func TestTheMachineFileChangesIntervals(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{
		Items: map[string]care.Override{
			"drain": {Days: 1}, "oil_level": {Off: true}, "intake_filter": {Hours: 20 * time.Hour}, "bag_inspection": {Days: 14},
			"oil_change": {Season: true}, "leak_test": {Season: true}, "belt": {Days: 7}, "filter_change": {},
		},
		Hours: map[string]time.Duration{"oil_change": 200 * time.Hour, "drain": 10 * time.Hour, "oil_level": 5 * time.Hour},
	})
	l.on(utc(2026, time.April, 27, 12))
	got := map[string]string{}
	for _, it := range l.c.List() {
		got[it.Name] = it.Every
	}
	for name, want := range map[string]string{
		"drain":          "every working day or every 10 run hours, sooner when the water reckoned reaches its limit",
		"intake-filter":  "every 20 run hours",
		"bag-inspection": "every 14 days",
		"oil-change":     "each season or every 200 run hours",
		"leak-test":      "each season",
		"belt":           "every 7 days",
		"filter-change":  "each season, sooner when the compressor gives less",
	} {
		if got[name] != want {
			t.Errorf("%s: %q; want %q", name, got[name], want)
		}
		delete(got, name)
	}
	if len(got) != 0 {
		t.Errorf("beside them %v; want none: the oil level is off", got)
	}
	l.work(time.Hour)
	l.stands("the first day", "drain", true, false, "1 working day and none on record")
}

// The trade's list as product papers of the trade give it (common practice, no source), and what each item says of safety.
func TestTheTradesList(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2026, time.April, 27, 12))
	want := map[string]string{
		"drain":          "every 2 working days, sooner when the water reckoned reaches its limit",
		"oil-level":      "every 2 working days",
		"intake-filter":  "twice a week while it works",
		"filter-change":  "each season, sooner when the compressor gives less",
		"oil-change":     "each season",
		"bag-inspection": "each season",
		"leak-test":      "every 30 days",
	}
	matters := map[string]bool{}
	for _, it := range l.c.List() {
		if want[it.Name] != it.Every {
			t.Errorf("%s: %q; want %q", it.Name, it.Every, want[it.Name])
		}
		delete(want, it.Name)
		matters[it.Matter] = true
		for _, must := range []string{"Parked", "engine off", "Eye protection", "manual", "local rules"} {
			if !strings.Contains(it.Caution, must) {
				t.Errorf("%s: its caution lacks %q: %s", it.Name, must, it.Caution)
			}
		}
		opens := slices.Contains([]string{"drain", "oil-level", "oil-change", "bag-inspection", "leak-test"}, it.Name)
		if opens && !strings.Contains(strings.ToLower(it.Caution), "let the pressure off") {
			t.Errorf("%s opens or drains something, and its caution does not let the pressure off: %s", it.Name, it.Caution)
		}
	}
	if len(want) > 0 {
		t.Errorf("missing: %v", want)
	}
	if d := l.item("drain").Caution; !strings.Contains(d, "stand to its side") {
		t.Errorf("drain: %s", d)
	}
	if len(matters) != 7 || len(l.heard) != 7 {
		t.Errorf("%d places, %d findings; want 7", len(matters), len(l.heard))
	}
	for where, f := range l.heard {
		if f.Key != care.Key || !matters[where] || f.Sense != findings.Flag {
			t.Errorf("finding %+v", f)
		}
	}
}

func TestWrongNames(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2026, time.April, 27, 12))
	for _, c := range []struct{ item, says string }{
		{"oyl", `there is no care item "oyl"; there are drain, oil-level,`},
		{"", "say what was done: drain,"},
		{"belt", `"belt" is not on this machine's care list; on it are drain,`},
		{strings.Repeat("x", 100), strings.Repeat("x", 40) + "..."},
	} {
		if err := l.c.Done(l.at, c.item, "Ada", ""); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("done %q = %v; want %q", c.item, err, c.says)
		}
		if err := l.c.Tell(l.at, c.item, "unknown", "Ada", ""); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("answer for %q = %v; want %q", c.item, err, c.says)
		}
	}
	if err := l.c.Answer(l.at, "oil-change", "perhaps", "Ada"); err == nil || !strings.Contains(err.Error(), "done, not-done or unknown") {
		t.Errorf("answer perhaps = %v", err)
	}
	for _, name := range []string{"Oil change", "oil_change", " oil-change ", "OIL-CHANGE"} {
		if err := l.c.Done(l.at, name, "Ada", "with note"); err != nil {
			t.Errorf("done %q = %v", name, err)
		}
	}
	if h := l.c.History(); len(h) != 4 || h[0].Words != "Change the compressor's oil" || h[0].Note != "with note" {
		t.Errorf("history = %+v", h)
	}
	if got := count(l.notes, "care-done: Change the compressor's oil: done, by Ada (with note)."); got != 4 {
		t.Errorf("%d entries of the journal; want 4: %q", got, l.notes)
	}
}

// What was kept comes back whole, and keeping it again gives the same bytes.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	if l.on(utc(2026, time.April, 27, 12)); l.c.Save() == nil {
		l.pass(time.Hour)
	}
	l.work(3 * time.Hour)
	l.done("drain")
	l.in.WaterDue = true
	l.pass(time.Minute)
	l.done("drain")
	saved := l.c.Save()
	again := care.New(care.Options{Saved: saved}, l)
	if got := again.Save(); !bytes.Equal(saved, got) {
		t.Errorf("kept again:\n%s\nwant\n%s", got, saved)
	}
	if a, b := l.c.History(), again.History(); len(a) != 2 || fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("history = %v; want %v", b, a)
	}
	for name, saved := range map[string]string{
		"nothing": "", "no JSON": "{", "another version": `{"version":2,"days":5}`, "less than nothing": `{"version":1,"days":-5}`,
		"a record of the future": `{"version":1,"days":1,"records":[{"item":"drain","mono":0,"mark":{"days":9,"worked":0,"run":0}}]}`,
		"a list":                 `[]`, "null": "null",
	} {
		c := care.New(care.Options{Saved: []byte(saved)}, l)
		c.Tick(time.Second, care.Inputs{})
		if c.Save() != nil || len(c.History()) != 0 {
			t.Errorf("%s: was taken", name)
		}
	}
}

// The history is bounded, and an item's newest record is never let go.
func TestHistoryIsBounded(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2026, time.April, 27, 12))
	l.done("oil-change")
	for range 1000 {
		if err := l.c.Done(l.at, "drain", "Ada", "a note that takes room"); err != nil {
			t.Fatal(err)
		}
	}
	h := l.c.History()
	if len(h) != 400 || h[399].Item != "oil-change" || l.item("oil-change").Last == nil {
		t.Errorf("%d records, the oldest %+v; want 400 with the oil change", len(h), h[len(h)-1])
	}
	if n := len(l.c.Save()); n > 100_000 {
		t.Errorf("%d bytes to keep; want 100 kB at most", n)
	}
	c := care.New(care.Options{Saved: l.c.Save()}, l)
	if c.Tick(time.Second, l.in); !slices.ContainsFunc(c.List(), func(it care.Item) bool { return it.Name == "oil-change" && it.Last != nil }) {
		t.Error("the oil change is gone after a restart")
	}
}

// A slip is taken back: the record before counts again. A season that is forgotten begins, and is asked after, anew.
func TestForget(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 27, 12), 8)
	l.done("drain")
	l.day(utc(2026, time.April, 28, 12), 8)
	l.day(utc(2026, time.April, 29, 12), 8)
	l.done("drain")
	var names []string
	for _, k := range l.c.Learned() {
		names = append(names, k.Name)
		if k.Words == "" || k.Text == "" || k.Name != strings.ToLower(k.Name) || strings.ContainsAny(k.Name, " /") {
			t.Errorf("learned %+v", k)
		}
	}
	if want := []string{"care-drain", "care-season"}; !slices.Equal(names, want) {
		t.Fatalf("learned %v; want %v", names, want)
	}
	if !l.c.Forget("care-drain") {
		t.Fatal("the drain was not forgotten")
	}
	l.pass(10 * time.Second)
	l.stands("taken back", "drain", true, false, "2 working days since the last")
	if l.c.Forget("care-oil-change") || l.c.Forget("care-nothing") || l.c.Forget("cut-in") || l.c.Forget("") {
		t.Error("something was forgotten that was not there")
	}
	for _, it := range []string{"bag-inspection", "filter-change", "oil-change"} {
		if err := l.c.Answer(l.at, it, care.NotDone, "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	if !l.c.Forget(care.LearnedSeason) || l.c.Forget(care.LearnedSeason) {
		t.Error("the season is forgotten once")
	}
	l.work(10 * time.Minute)
	l.asks("after forgetting the season", "bag-inspection", "filter-change", "oil-change")
}

// What is known of this boot's records by its clock stays with them when an older record is taken back or let go.
func TestRecordsOfThisBootStayItsOwn(t *testing.T) {
	t.Parallel()
	for name, lose := range map[string]func(l *life){
		"taken back": func(l *life) { l.c.Forget("care-drain") },
		"let go": func(l *life) {
			for range 400 {
				l.done("oil-level")
			}
		},
	} {
		l := newLife(t, care.Options{})
		l.day(utc(2026, time.April, 27, 12), 2)
		l.done("drain")
		l.done("drain")
		l.trusted = false
		l.on(time.Time{})
		l.done("leak-test")
		lose(l)
		if it := l.item("leak-test"); it.Needs != "" || it.Why != "0 of 30 days gone" {
			t.Errorf("%s: %q, needs %q; want that it is known to be of today", name, it.Why, it.Needs)
		}
		l.trusted, l.zero = true, utc(2026, time.April, 28, 12)
		l.pass(time.Minute)
		if last := l.item("leak-test").Last; last == nil || last.At.IsZero() {
			t.Errorf("%s: the record got no date: %+v", name, last)
		}
	}
}

// What a command says, word for word as it arrives.
func TestTell(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ item, answer, note, says, journal, noted string }{
		{"drain", "", "half a cup", "", "care-done: Drain the tank: done, by Ada (half a cup).", "half a cup"},
		{"drain", "done", "", "", "care-done: Drain the tank: done, by Ada.", ""},
		{"drain", "not-done", "", `nothing is asked about "drain"`, "", ""},
		{"oil-change", "done", "", "", "care-done: Change the compressor's oil: done, by Ada (said when the season began).", "said when the season began"},
		{"oil-change", "done", "4 L, in March.", "", "care-done: Change the compressor's oil: done, by Ada (4 L, in March).", "4 L, in March."},
		{"oil-change", "not-done", "next week", "", "care-answer: Change the compressor's oil: not done for this season, by Ada (next week).", ""},
		{"oil-change", "unknown", "", "", "care-answer: Change the compressor's oil: not known whether it was done for this season, by Ada.", ""},
		{"oil-change", "no", "", "the answer is done, not-done or unknown", "", ""},
	} {
		l := newLife(t, care.Options{})
		l.day(utc(2026, time.April, 27, 12), 1)
		before := len(l.notes)
		err := l.c.Tell(l.at, c.item, c.answer, "Ada", c.note)
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v", c, err)
		}
		if got := strings.Join(l.notes[before:], ""); got != c.journal {
			t.Errorf("%+v: journal %q", c, got)
		}
		if h := l.c.History(); len(h) > 0 && h[0].Note != c.noted || (len(h) == 1) != strings.HasPrefix(c.journal, "care-done") {
			t.Errorf("%+v: history %+v", c, h)
		}
	}
}

func TestSheetIsTheContract(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	for d := 27; d <= 29; d++ {
		l.day(utc(2026, time.April, d, 12), 8)
	}
	l.done("drain")
	text, err := json.Marshal(l.c.Sheet())
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Clock   bool
		Tonight string
		Items   []map[string]any
		Ask     []map[string]string
		History []map[string]any
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	if !got.Clock || got.Tonight == "" || len(got.Items) != 7 || len(got.Ask) != 3 || len(got.History) != 1 {
		t.Fatalf("sheet %s", text)
	}
	if !slices.IsSortedFunc(got.Items, func(a, b map[string]any) int { return urgency(a) - urgency(b) }) {
		t.Errorf("what is due does not come first: %s", text)
	}
	if h := got.History[0]; h["item"] != "drain" || h["by"] != "Ada" || h["at"] == nil || h["run"] == nil {
		t.Errorf("record %v", h)
	}
	l.trusted = false
	l.c = care.New(care.Options{}, l)
	if text, err := json.Marshal(l.c.Sheet()); err != nil || strings.Contains(string(text), "null") || strings.Contains(string(text), "0001-") {
		t.Errorf("an empty sheet: %v %s", err, text)
	}
}

func urgency(it map[string]any) int {
	switch {
	case it["due"] == true:
		return 0
	case it["soon"] == true:
		return 1
	default:
		return 2
	}
}

// Time that runs back, leaps, or brings odd run times breaks nothing.
func TestOddInputs(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2026, time.April, 27, 12))
	l.work(time.Hour)
	before := days(t, l)
	l.c.Tick(time.Second, l.in) // an older tick is none
	in := l.in
	in.RunTime, in.Working = -time.Hour, true
	l.c.Tick(l.at+time.Hour, in) // a hole of an hour is ten seconds of work at most
	l.c.Tick(l.at+time.Hour, in)
	if got := days(t, l); got != before {
		t.Errorf("%d working days; want %d", got, before)
	}
	var kept struct{ Worked, Run, Before time.Duration }
	if err := json.Unmarshal(l.c.Save(), &kept); err != nil {
		t.Fatal(err)
	}
	if kept.Worked > time.Hour+20*time.Second || kept.Run != l.run || kept.Before != 0 {
		t.Errorf("kept %+v; want an hour of work and %s of run time", kept, l.run)
	}
}

func TestTicksAllocateNothing(t *testing.T) {
	l := newLife(t, care.Options{Hours: map[string]time.Duration{"oil_change": 100 * time.Hour}})
	l.day(utc(2026, time.April, 27, 12), 2)
	l.done("drain")
	in := l.in
	in.Working, in.TestedAt = true, utc(2026, time.April, 20, 12)
	at := l.at
	if n := testing.AllocsPerRun(2000, func() {
		at += time.Second
		in.RunTime += 300 * time.Millisecond
		l.c.Tick(at, in)
	}); n > 0 {
		t.Errorf("a tick allocates %v times; want none", n)
	}
}

// FuzzSaved takes any bytes for what was kept: it never panics, and what it keeps of them it can read again.
func FuzzSaved(f *testing.F) {
	f.Add([]byte(`{"version":1,"days":3,"worked":36000000000000,"season":{"number":1,"worked":0,"open":["oil-change"]},"records":[{"item":"drain","mono":5,"mark":{"days":2,"worked":5,"run":0}}]}`))
	f.Add([]byte(`{"version":1,"day_began":"2026-04-27T12:00:00Z","last_work":"2026-04-27T20:00:00Z","undated":true,"loose":7}`))
	f.Fuzz(func(t *testing.T, saved []byte) {
		sink := sinkhole{}
		at := utc(2026, time.May, 4, 12)
		c := care.New(care.Options{Saved: saved, UTC: func(d time.Duration) (time.Time, bool) { return at.Add(d), true }}, sink)
		for s := range 120 {
			c.Tick(time.Duration(s)*10*time.Second, care.Inputs{RunTime: time.Duration(s) * time.Second, Working: s > 20})
		}
		if err := c.Done(20*time.Minute, "drain", "", ""); err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(c.Sheet()); err != nil {
			t.Fatalf("sheet: %v", err)
		}
		kept := c.Save()
		if got := care.New(care.Options{Saved: kept}, sink).Save(); !bytes.Equal(got, kept) {
			t.Fatalf("kept %s, then %s", kept, got)
		}
	})
}

type sinkhole struct{}

func (sinkhole) Find(findings.Finding) {}

func BenchmarkTick(b *testing.B) {
	at := utc(2026, time.May, 4, 12)
	c := care.New(care.Options{UTC: func(d time.Duration) (time.Time, bool) { return at.Add(d), true }}, sinkhole{})
	var d time.Duration
	for b.Loop() {
		d += time.Second
		c.Tick(d, care.Inputs{RunTime: d / 3, Working: true, RunSeen: true, WorkSeen: true})
	}
}
