// SPDX-License-Identifier: Apache-2.0

package care

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// List returns the care list: what is due first, then what is due soon, each in the order of the trade's rounds.
func (c *Care) List() []Item {
	out := make([]Item, 0, len(c.items))
	for i := range c.items {
		it := &c.items[i]
		v := it.verdict
		shown := Item{
			Name: it.name, Words: it.words, Matter: it.matter, Due: v.due, Soon: v.soon, Why: v.why(it.last != none),
			Needs: v.lacks, Every: it.every(), Caution: it.caution,
		}
		shown.Last = c.newest(it)
		out = append(out, shown)
	}
	slices.SortStableFunc(out, func(a, b Item) int { return cmp.Compare(rank(a), rank(b)) })
	return out
}

func rank(i Item) int {
	switch {
	case i.Due:
		return 0
	case i.Soon:
		return 1
	default:
		return 2
	}
}

// newest is an item's last record; for the leak-down test also one that was judged and that nobody recorded.
func (c *Care) newest(it *item) *Record {
	var last *Record
	if it.last != none {
		r := c.record(it.last)
		last = &r
	}
	if t := c.in.TestedAt; it.trigger == byTest && !t.IsZero() && (last == nil || t.After(last.At) && !last.At.IsZero()) {
		last = &Record{Item: it.name, Words: it.words, At: t.UTC()}
	}
	return last
}

// record is a record as people and scripts see it.
func (c *Care) record(i int) Record {
	e := c.s.Records[i]
	hour := units.Unit{Code: "h", Dim: units.Time, Factor: 3600}
	return Record{
		Item: e.Item, Words: wordsOf(e.Item), At: e.At, Mono: e.Mono, By: e.By, Note: e.Note,
		Run: findings.Measure{SI: math.Round(e.Mark.Run.Seconds()/360) * 360, Unit: hour},
	}
}

// wordsOf says an item by its name, also one that is off now.
func wordsOf(name string) string {
	for _, w := range trade() {
		if w.name == name {
			return w.words
		}
	}
	return name
}

// History returns the records, newest first.
func (c *Care) History() []Record {
	out := make([]Record, 0, len(c.s.Records))
	for i := range slices.Backward(c.s.Records) {
		out = append(out, c.record(i))
	}
	return out
}

// Ask returns the questions of this season that have no answer yet.
func (c *Care) Ask() []Question {
	out := []Question{}
	for i := range c.items {
		if it := &c.items[i]; slices.Contains(c.s.Season.Open, it.name) {
			out = append(out, Question{Item: it.name, Words: it.question})
		}
	}
	return out
}

// mostTonight is how many things the line of the evening names.
const mostTonight = 3

// Tonight returns what is due as one short line; empty: nothing.
func (c *Care) Tonight() string {
	var do []string
	for i := range c.items {
		if c.items[i].verdict.due {
			do = append(do, c.items[i].short)
		}
	}
	if len(do) == 0 {
		return ""
	}
	rest := ""
	if n := len(do) - mostTonight; n > 0 {
		do, rest = do[:mostTonight], fmt.Sprintf(" and %d more", n)
	}
	return "Tonight: " + strings.Join(do, ", ") + rest
}

// why says why an item stands as it does, and what it lacks to be sure that it is not due.
func (v verdict) why(recorded bool) string {
	text := v.words(recorded)
	switch {
	case v.due && v.cause == instead:
		text += "; days are not known"
	case !v.due && v.lacks != "":
		text += "; not wholly known: needs " + v.lacks
	}
	return text
}

// words are the reason alone.
func (v verdict) words(recorded bool) string {
	since := " since the last"
	if !recorded {
		since = " and none on record"
	}
	count := func(unit string, places int) string {
		if v.due {
			return number(v.have, places) + " " + plural(unit, v.have) + since
		}
		return number(v.have, places) + " of " + number(v.want, places) + " " + plural(unit, v.want) + " gone"
	}
	switch v.cause {
	case working, instead:
		return count("working day", 0)
	case days:
		if v.want < 10 {
			return count("day", 1)
		}
		return count("day", 0)
	case runTime:
		return count("run hour", 0)
	case water, delivery:
		return v.cause.detail()
	case asked:
		return "not known to this box yet: it asks whether it was done for this season"
	case unsaid:
		return "not on record for this season"
	case saidNot:
		return "said not done for this season"
	case saidMaybe:
		return "not known whether it was done for this season"
	case between:
		return "the season is over; do it before the next"
	case inSeason:
		return "done for the season"
	case noSeason:
		return "due with the season, which the first work seen begins"
	default:
		return "when another check says so"
	}
}

// number writes a count that has been reached: never rounded up.
func number(v float64, places int) string {
	scale := math.Pow10(places)
	return strconv.FormatFloat(math.Floor(v*scale+1e-9)/scale, 'f', -1, 64)
}

func plural(unit string, n float64) string {
	if math.Floor(n*10)/10 == 1 {
		return unit
	}
	return unit + "s"
}

// every says when an item is due again.
func (it *item) every() string {
	var parts []string
	if it.working > 0 {
		parts = append(parts, everyFew(it.working, "working day"))
	}
	switch {
	case it.days == 3.5 && it.atWork:
		parts = append(parts, "twice a week while it works")
	case it.days == 3.5:
		parts = append(parts, "twice a week")
	case it.days > 0:
		parts = append(parts, everyFew(it.days, "day"))
	}
	if it.season {
		parts = append(parts, "each season")
	}
	if it.hours > 0 {
		parts = append(parts, everyFew(it.hours.Hours(), "run hour"))
	}
	text := strings.Join(parts, " or ")
	switch it.trigger {
	case byWater:
		text += ", sooner when the water reckoned reaches its limit"
	case byDelivery:
		text += ", sooner when the compressor gives less"
	case byNothing, byTest:
	}
	return text
}

func everyFew(n float64, unit string) string {
	if n == 1 {
		return "every " + unit
	}
	return "every " + strconv.FormatFloat(math.Round(n*10)/10, 'f', -1, 64) + " " + unit + "s"
}

// day writes a date, in UTC: the list knows no time zone.
func day(t time.Time) string {
	if t.IsZero() {
		return "no date, the clock was not set"
	}
	return t.UTC().Format("2006-01-02")
}
