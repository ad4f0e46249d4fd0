// SPDX-License-Identifier: Apache-2.0

package care_test

import (
	"encoding/json"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"airhold/firmware/care"
)

// Every second working day: the tank drained on Monday evening is due on Wednesday. Days on which the machine stands do not
// count. 27 April 2026 is a Monday. Interval: common practice, no source.
func TestEverySecondWorkingDay(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 27, 13), 8)
	l.stands("Monday", "drain", false, true, "1 of 2 working days gone")
	l.done("drain")
	l.stands("Monday evening", "drain", false, false, "0 of 2 working days gone")
	l.on(utc(2026, time.April, 28, 12))
	l.stands("Tuesday before work", "drain", false, false, "0 of 2 working days gone")
	l.work(6 * time.Hour)
	l.stands("Tuesday", "drain", false, true, "1 of 2 working days gone")
	for d := 29; d <= 30; d++ {
		l.on(utc(2026, time.April, d, 12)) // rain: the key is on, nothing works
		l.pass(2 * time.Hour)
	}
	l.stands("two days of rain", "drain", false, true, "1 of 2 working days gone")
	l.day(utc(2026, time.May, 1, 12), 8)
	l.stands("Friday", "drain", true, false, "2 working days since the last")
	l.day(utc(2026, time.May, 2, 12), 8)
	l.stands("Saturday", "drain", true, false, "3 working days since the last")
	if got := l.c.Tonight(); !strings.HasPrefix(got, "Tonight: drain tank, look at oil") {
		t.Errorf("tonight = %q", got)
	}
	l.done("drain")
	if l.drained != 2 {
		t.Errorf("the water was told of %d drains; want 2", l.drained)
	}
	if l.item("drain").Due || strings.Contains(l.c.Tonight(), "drain tank") {
		t.Error("still due after it was recorded")
	}
}

// Without any record the days count from the list's beginning, and it says that there is none.
func TestNeverRecorded(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 27, 13), 8)
	l.day(utc(2026, time.April, 28, 13), 8)
	l.stands("the second day", "oil-level", true, false, "2 working days and none on record")
	if l.item("oil-level").Last != nil {
		t.Error("a record of nowhere")
	}
}

// What one working day is, told from switching on and working alone. The counts are by hand.
func TestWorkingDays(t *testing.T) {
	t.Parallel()
	at := func(d, h int) time.Time { return utc(2026, time.May, d, h) }
	for _, c := range []struct {
		name string
		live func(l *life)
		days int
	}{
		{"no work", func(l *life) { l.on(at(4, 12)); l.pass(5 * time.Hour) }, 0},
		{"a charge in the yard", func(l *life) { l.on(at(4, 12)); l.work(4 * time.Minute); l.pass(2 * time.Hour) }, 0},
		{"two charges a day apart", func(l *life) {
			l.on(at(4, 12))
			l.work(4 * time.Minute)
			l.pass(3 * time.Hour)
			l.work(4 * time.Minute)
		}, 0},
		{"headlands do not end work", func(l *life) {
			l.on(at(4, 12))
			for range 20 {
				l.work(2 * time.Minute)
				l.pass(time.Minute)
			}
		}, 1},
		{"the key off at noon", func(l *life) { l.day(at(4, 12), 4); l.day(at(4, 17), 5) }, 1},
		{"five starts in a day", func(l *life) {
			for h := 11; h < 24; h += 3 {
				l.day(at(4, h), 1)
			}
		}, 1},
		{"past midnight", func(l *life) { l.day(at(4, 12), 14) }, 1}, // 12 h to 2 h
		{"past midnight, and on in the morning", func(l *life) { l.day(at(4, 12), 14); l.day(at(5, 12), 8) }, 2},
		{"the box stays on overnight", func(l *life) { l.on(at(4, 12)); l.work(8 * time.Hour); l.pass(16 * time.Hour); l.work(8 * time.Hour) }, 2},
		{"a short night", func(l *life) { l.day(at(4, 12), 12); l.day(at(5, 5), 8) }, 2}, // 0 h to 5 h
		{"two shifts without a night", func(l *life) { l.day(at(4, 12), 30) }, 2},
		{"a late start, an early one", func(l *life) { l.day(at(4, 20), 4); l.day(at(5, 11), 8) }, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			l := newLife(t, care.Options{})
			c.live(l)
			if got := days(t, l); got != c.days {
				t.Errorf("%d working days; want %d", got, c.days)
			}
		})
	}
}

// days reads the count from what is kept.
func days(t *testing.T, l *life) int {
	t.Helper()
	var kept struct{ Days int }
	if b := l.c.Save(); b != nil {
		if err := json.Unmarshal(b, &kept); err != nil {
			t.Fatal(err)
		}
	}
	return kept.Days
}

// Over a change of summer time, and at any longitude, people count the days of their own calendar; so does the list, which
// knows no time zone. The calendar is the standard library's: time zones of the IANA data base.
func TestSummerTimeMovesNothing(t *testing.T) {
	t.Parallel()
	for _, zone := range []string{"America/Chicago", "Europe/Warsaw", "Australia/Adelaide", "America/Sao_Paulo"} {
		place, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		for _, start := range []time.Time{
			time.Date(2026, time.March, 1, 0, 0, 0, 0, place), time.Date(2026, time.March, 25, 0, 0, 0, 0, place),
			time.Date(2026, time.October, 1, 0, 0, 0, 0, place), time.Date(2026, time.October, 26, 0, 0, 0, 0, place),
		} {
			r := rand.New(rand.NewPCG(9, uint64(start.Unix())))
			l := newLife(t, care.Options{})
			want := map[string]bool{}
			for d := range 12 {
				if r.Float64() < 0.25 {
					continue // rain
				}
				first := time.Date(start.Year(), start.Month(), start.Day()+d, 6+r.IntN(4), r.IntN(60), 0, 0, place)
				hours := 1 + 11*r.Float64() // at most to 22 h
				if hours > 6 && r.Float64() < 0.5 {
					l.day(first, hours/2-1)
					first = first.Add(time.Duration((hours/2 + 0.5) * float64(time.Hour)))
					hours /= 2
				}
				l.day(first, hours)
				want[first.Format(time.DateOnly)] = true
			}
			if got := days(t, l); got != len(want) {
				t.Errorf("%s from %s: %d working days; want %d", zone, start.Format(time.DateOnly), got, len(want))
			}
		}
	}
}

// 31 days by the calendar over a change of summer time are 31 days, not 31 and an hour.
func TestDaysAreDays(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.on(utc(2026, time.March, 1, 12))
	l.done("leak-test")
	l.on(utc(2026, time.March, 27, 13))
	l.stands("26 days later", "leak-test", false, false, "26 of 30 days gone")
	l.on(utc(2026, time.March, 29, 11))
	l.stands("28 days less an hour", "leak-test", false, true, "27 of 30 days gone")
	l.on(utc(2026, time.March, 31, 11))
	l.stands("30 days less an hour", "leak-test", false, true, "29 of 30 days gone")
	l.on(utc(2026, time.March, 31, 13))
	l.stands("30 days and an hour", "leak-test", true, false, "30 days since the last")
}

// Twice a week, but only once it has worked: a filter gathers no dust in a shed.
func TestFilterWaitsForWork(t *testing.T) {
	t.Parallel()
	l := newLife(t, care.Options{})
	l.day(utc(2026, time.April, 27, 12), 8)
	l.done("intake-filter")
	l.on(utc(2026, time.May, 4, 12))
	if it := l.item("intake-filter"); it.Due {
		t.Errorf("due after a week in the shed: %q", it.Why)
	}
	l.work(time.Hour)
	l.stands("a week later, at work", "intake-filter", true, false, "6.7 days since the last") // from 20:10 on 27 April to 13:00 on 4 May
	if got := l.item("intake-filter").Every; got != "twice a week while it works" {
		t.Errorf("every = %q", got)
	}
	l.done("intake-filter")
	l.day(utc(2026, time.May, 7, 12), 4)
	l.stands("three days later", "intake-filter", false, false, "3.1 of 3.5 days gone")
	l.on(utc(2026, time.May, 8, 6))
	l.stands("3.7 days later", "intake-filter", true, false, "3.7 days since the last")
}
