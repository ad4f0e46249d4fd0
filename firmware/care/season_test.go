// SPDX-License-Identifier: Apache-2.0

package care_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/care"
)

// A machine's year: what was done in autumn counts for spring, what is not on record is asked once at the first work, and
// never again that season.
func TestSeasonsAskOnce(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2025, time.October, 1, 12))
	l.stands("a new box", "oil-change", false, true, "due with the season, which the first work seen begins")
	l.asks("a new box")
	l.work(time.Hour)
	l.asks("its first work", "bag-inspection", "filter-change", "oil-change")
	l.stands("its first work", "oil-change", false, true, "not known to this box yet: it asks whether it was done for this season")
	for name, a := range map[string]care.Answer{"bag-inspection": care.Finished, "filter-change": care.Unknown, "oil-change": care.NotDone} {
		if err := l.c.Answer(l.at, name, a, "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	l.pass(10 * time.Second)
	l.asks("answered")
	l.stands("answered", "bag-inspection", false, false, "done for the season")
	l.stands("answered", "filter-change", true, false, "not known whether it was done for this season")
	l.stands("answered", "oil-change", true, false, "said not done for this season")
	if err := l.c.Answer(l.at, "oil-change", care.NotDone, "Ada"); err == nil || !strings.Contains(err.Error(), "nothing is asked") {
		t.Errorf("an answer to no question = %v", err)
	}
	l.day(utc(2025, time.October, 2, 12), 5)
	l.asks("the next day")
	l.stands("the next day", "oil-change", true, false, "said not done for this season")
	l.done("filter-change")
	l.stands("done in October", "filter-change", false, false, "done for the season")
	l.day(utc(2025, time.November, 1, 12), 5)

	// After the season, before the next.
	l.on(utc(2025, time.November, 20, 12))
	l.done("oil-change")
	l.stands("oil changed in autumn", "oil-change", false, false, "done for the season")
	l.on(utc(2025, time.December, 30, 12))
	l.stands("59 days later", "bag-inspection", false, false, "done for the season")
	l.on(utc(2026, time.March, 20, 12))
	l.stands("in spring", "bag-inspection", true, false, "the season is over; do it before the next")
	l.stands("in spring", "filter-change", true, false, "the season is over; do it before the next")
	l.stands("in spring", "oil-change", false, false, "done for the season")
	l.asks("in spring, before work")
	l.done("bag-inspection")
	l.stands("in the yard", "bag-inspection", false, false, "done for the season")

	// The first work of the season.
	l.on(utc(2026, time.April, 10, 12))
	l.work(5 * time.Minute)
	l.stands("work has just begun", "filter-change", true, false, "the season is over; do it before the next")
	l.work(time.Hour)
	l.asks("the first work", "filter-change")
	l.stands("the first work", "filter-change", true, false, "not on record for this season")
	l.stands("the first work", "bag-inspection", false, false, "done for the season")
	l.stands("the first work", "oil-change", false, false, "done for the season")
	l.day(utc(2026, time.April, 11, 12), 8)
	l.asks("nobody has answered", "filter-change")
	if err := l.c.Tell(l.at, "filter_change", "done", "Ada", ""); err != nil {
		t.Fatal(err)
	}
	l.asks("answered")
	l.day(utc(2026, time.June, 8, 12), 8) // 58 days later
	l.asks("no new season after 58 days")
	l.stands("58 days later", "filter-change", false, false, "done for the season")
	if n := count(l.notes, "season: "); n != 2 {
		t.Errorf("%d seasons in the journal; want 2: %q", n, l.notes)
	}
}

// A new box cannot know what was done before it was there: it asks, and takes an item as not done only when nobody has
// answered for two working days. One that knows the season before says at once what is not on record.
func TestNobodyAnswers(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 6, 12), 8)
	l.stands("the first day", "bag-inspection", false, true, "not known to this box yet: it asks whether it was done for this season")
	l.day(utc(2026, time.April, 7, 12), 8)
	l.stands("the second day", "bag-inspection", false, true, "not known to this box yet: it asks whether it was done for this season")
	l.day(utc(2026, time.April, 8, 12), 8)
	l.stands("the third day", "bag-inspection", true, false, "not on record for this season")
	l.asks("the third day", "bag-inspection", "filter-change", "oil-change")
	l.day(utc(2027, time.April, 6, 12), 8)
	l.stands("the first day of the next season", "bag-inspection", true, false, "not on record for this season")
}

func count(all []string, prefix string) int {
	n := 0
	for _, s := range all {
		if strings.HasPrefix(s, prefix) {
			n++
		}
	}
	return n
}

// Sixty days are the border of a season: 59 are a pause, 61 are a winter.
func TestSeasonsBorder(t *testing.T) {
	t.Parallel()
	for days, want := range map[int]int{59: 1, 61: 2} {
		l := newLife(t, care.Options{})
		l.day(utc(2026, time.March, 2, 12), 8)
		l.day(utc(2026, time.March, 2, 20).AddDate(0, 0, days), 8)
		if n := count(l.notes, "season: "); n != want {
			t.Errorf("%d days: %d seasons; want %d", days, n, want)
		}
	}
}

// A box that is never switched off sees its seasons by its own clock, also without the time of day.
func TestSeasonOfABoxThatStaysOn(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.trusted = false
	l.on(time.Time{})
	l.work(time.Hour)
	l.done("oil-change")
	l.work(time.Hour)
	l.at += 61 * 24 * time.Hour
	l.pass(time.Minute)
	l.stands("61 days later", "oil-change", true, false, "the season is over; do it before the next")
	l.work(time.Hour)
	l.asks("the first work", "bag-inspection", "filter-change", "oil-change")
}

// Without a clock, run time and working days go on; days and seasons are not known and say so.
func TestClockUnset(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{Hours: map[string]time.Duration{"oil_change": 5 * time.Hour}})
	l.trusted = false
	l.on(time.Time{})
	l.work(4 * time.Hour)
	for _, name := range []string{"oil-change", "bag-inspection", "filter-change", "leak-test", "drain"} {
		l.done(name)
	}
	l.stands("done", "drain", false, false, "0 of 2 working days gone")
	if r := l.item("drain").Last; r == nil || !r.At.IsZero() || r.Mono == 0 || r.By != "Ada" {
		t.Errorf("record without a clock = %+v; want its boot clock and no date", r)
	}
	l.stands("done", "leak-test", false, false, "0 of 30 days gone") // it was in this boot: that is known

	l.on(time.Time{})
	l.work(4 * time.Hour)
	for _, c := range []struct{ name, needs string }{{"leak-test", "a clock"}, {"bag-inspection", "a clock"}, {"intake-filter", "a clock"}} {
		it := l.item(c.name)
		if f := l.heard[it.Matter]; it.Due || f.Sight == 0 || !strings.Contains(f.Needs, c.needs) || f.Needs != it.Needs {
			t.Errorf("%s: due %v, finding %+v; want unseen for %q", c.name, it.Due, f, c.needs)
		}
	}
	l.stands("the next start", "leak-test", false, false, "1 of 30 working days gone; not wholly known: needs a clock that is set")
	l.stands("the next start", "drain", false, true, "1 of 2 working days gone")
	if f := l.heard["tank drain"]; f.Sight != 0 {
		t.Errorf("the drain goes by working days, which are seen; its finding is %+v", f)
	}
	for range 3 {
		l.on(time.Time{})
		l.work(5 * time.Hour)
	}
	l.stands("five starts", "drain", true, false, "4 working days since the last")
	l.stands("five starts", "oil-change", true, false, "5 run hours since the last") // 19 h at 30 % duty since
	l.stands("five starts", "intake-filter", true, false, "5 working days and none on record; days are not known")

	// The clock comes in the middle of a boot: the records of that boot get their date, the working day its place.
	l.on(utc(2026, time.May, 4, 12))
	l.trusted = false
	l.work(time.Hour)
	l.done("drain")
	l.trusted = true
	l.pass(time.Minute)
	if r := l.item("drain").Last; r.At.IsZero() || r.At.Sub(utc(2026, time.May, 4, 13)).Abs() > 5*time.Minute {
		t.Errorf("the record is dated %s; want about 13 h on 4 May", r.At)
	}
}

// Two starts on one day are one working day also where the clock comes late.
func TestLateClockPutsTheDayRight(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.May, 4, 12), 3)
	if got := days(t, l); got != 1 {
		t.Fatalf("%d working days; want 1", got)
	}
	l.on(utc(2026, time.May, 4, 17))
	l.c = nil // the clock is unset from the start
	l.trusted = false
	l.on(utc(2026, time.May, 4, 17))
	l.work(30 * time.Minute)
	if got := days(t, l); got != 2 {
		t.Errorf("%d working days while the clock is unset; want 2, the safe side", got)
	}
	l.trusted = true
	l.work(30 * time.Minute)
	if got := days(t, l); got != 1 {
		t.Errorf("%d working days once the clock is set; want 1", got)
	}
}

// A season that began with work without a date is found when a date comes, and what was recorded meanwhile counts for it.
func TestSeasonBeganUndated(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2025, time.October, 4, 12), 8)
	for _, name := range []string{"oil-change", "bag-inspection", "filter-change"} {
		l.done(name)
	}
	l.day(utc(2025, time.October, 5, 12), 8)
	l.trusted = false
	l.on(utc(2026, time.April, 10, 12))
	l.work(3 * time.Hour)
	l.done("oil-change")
	l.work(3 * time.Hour)
	l.asks("no clock in spring")
	l.trusted = true
	l.day(utc(2026, time.April, 11, 12), 3)
	l.asks("a clock on the second day", "bag-inspection", "filter-change")
	l.stands("a clock on the second day", "oil-change", false, false, "done for the season")
}

// A clock that jumps for a while ends no season and makes nothing due.
func TestClockJump(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.May, 4, 12), 3)
	for _, name := range []string{"oil-change", "bag-inspection", "filter-change", "leak-test", "drain", "oil-level", "intake-filter"} {
		l.done(name)
	}
	l.on(utc(2026, time.May, 5, 12))
	l.work(time.Hour)
	quiet := func(when string) {
		t.Helper()
		for _, it := range l.c.List() {
			if it.Due || it.Needs != "" {
				t.Errorf("%s: %s is due %v, %q, needs %q", when, it.Name, it.Due, it.Why, it.Needs)
			}
		}
		l.asks(when)
	}
	quiet("before")
	for _, shift := range []time.Duration{10 * 365 * 24 * time.Hour, -26 * 365 * 24 * time.Hour, 2 * time.Hour} {
		l.shift = shift
		l.work(8 * time.Minute)
		quiet("while the clock is off by " + shift.String())
		l.shift = 0
		l.work(8 * time.Minute)
		quiet("after the clock was off by " + shift.String())
	}
	if n := count(l.notes, "season: "); n != 1 {
		t.Errorf("%d seasons; want 1: %q", n, l.notes)
	}
	if got := days(t, l); got != 2 {
		t.Errorf("%d working days; want 2", got)
	}
}

// A clock that stays wrong for long is believed; once it is right again, the season of before goes on.
func TestClockWrongForLong(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.May, 4, 12), 3)
	l.done("oil-change")
	l.day(utc(2026, time.May, 4, 17), 2)
	l.on(utc(2026, time.May, 5, 12))
	l.shift = 400 * 24 * time.Hour
	l.work(time.Hour)
	l.asks("a year ahead", "bag-inspection", "filter-change", "oil-change")
	l.shift = 0
	l.work(time.Hour)
	l.asks("right again", "bag-inspection", "filter-change")
	l.stands("right again", "oil-change", false, false, "done for the season")
	if !slices.ContainsFunc(l.notes, func(s string) bool { return strings.Contains(s, "The clock was wrong") }) {
		t.Errorf("the journal does not say it: %q", l.notes)
	}
}

// A clock that starts before the last record, as one with a flat battery, knows no days.
func TestClockBehind(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.May, 4, 12), 3)
	l.done("leak-test")
	l.on(utc(2000, time.January, 1, 0))
	l.work(time.Hour)
	it := l.item("leak-test")
	if it.Due || !strings.Contains(it.Needs, "right clock") || !strings.Contains(it.Why, "not wholly known: needs a right clock") {
		t.Errorf("leak test by a clock of 2000: due %v, %q, needs %q", it.Due, it.Why, it.Needs)
	}
	if n := count(l.notes, "season: "); n != 1 {
		t.Errorf("%d seasons; want 1", n)
	}
	l.shift = utc(2026, time.May, 5, 12).Sub(utc(2000, time.January, 1, 0))
	l.work(time.Hour)
	l.stands("the clock is set", "leak-test", false, false, "0 of 30 days gone")
	if got := days(t, l); got != 2 {
		t.Errorf("%d working days; want 2", got)
	}
}
