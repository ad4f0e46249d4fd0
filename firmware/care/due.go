// SPDX-License-Identifier: Apache-2.0

package care

import (
	"math"
	"slices"
	"time"

	"airhold/firmware/findings"
)

// cause is what makes an item due, or brings it nearest.
type cause uint8

const (
	nothing   cause = iota
	water           // another check: water in the tank
	delivery        // another check: the compressor gives less
	working         // working days
	days            // days by the clock
	instead         // working days in place of days that are not known
	runTime         // of the compressor
	asked           // season: a box that knows no season before this one has just asked
	unsaid          // season: not on record
	saidNot         // season: a person said that it was not done
	saidMaybe       // season: a person did not know
	between         // season: over, the next one not begun
	inSeason        // season: done
	noSeason        // season: none has begun
)

// What an item lacks, in an installer's words.
const (
	needsClock  = "a clock that is set"
	needsDate   = "a date: it was recorded while the clock was not set"
	needsBehind = "a right clock: it stands before the last record"
	needsRun    = "a look at the compressor: its run time is not counted now"
	needsWork   = "a sign of work: ground speed and lowered"
)

// verdict is how an item stands.
type verdict struct {
	due, soon  bool
	cause      cause
	have, want float64 // of working days, days or run hours
	lacks      string
}

// patience is how many working days a new box waits for an answer before it takes an item as not done: it cannot know what
// was done before it was there.
const patience = 2

// soonFrom is the part of an interval from which an item is due soon.
const soonFrom = 0.9

// weigh takes one more limit into account: what is due comes first, then what is nearest.
func (v verdict) weigh(by cause, have, want float64, soon bool) verdict {
	due := have >= want
	v.soon = v.soon || soon
	if v.cause == nothing || due && !v.due || due == v.due && have*v.want > v.have*want {
		v.due, v.cause, v.have, v.want = due, by, have, want
	}
	return v
}

// judge says how an item stands at the last tick.
func (c *Care) judge(it *item) verdict {
	var v verdict
	var m mark
	if it.last != none {
		m = c.s.Records[it.last].Mark
	}
	if it.season {
		v = c.judgeSeason(it)
	}
	gone := float64(c.s.Days - m.Days)
	if it.working > 0 {
		v = v.weigh(working, gone, it.working, it.working > 1 && gone >= it.working-1)
		if !c.in.WorkSeen {
			v.lacks = needsWork
		}
	}
	if it.days > 0 {
		age, lacks := c.age(it)
		idle := it.atWork && c.s.Worked <= m.Worked
		switch {
		case lacks != "":
			v = v.weigh(instead, gone, math.Ceil(it.days), false)
			v.lacks = lacks
		case idle:
			v = v.weigh(days, min(age.Hours()/24, 0.999*it.days*soonFrom), it.days, false)
		default:
			d := age.Hours() / 24
			v = v.weigh(days, d, it.days, d >= it.days*soonFrom)
		}
	}
	if it.hours > 0 {
		have, want := (c.run() - m.Run).Hours(), it.hours.Hours()
		v = v.weigh(runTime, have, want, have >= want*soonFrom)
		if !c.in.RunSeen {
			v.lacks = needsRun
		}
	}
	if it.told && !it.hushed {
		v = verdict{due: true, cause: water}
		if it.trigger == byDelivery {
			v.cause = delivery
		}
	}
	if v.due {
		v.soon = false
	}
	return v
}

// judgeSeason says how an item stands that is due once a season.
func (c *Care) judgeSeason(it *item) verdict {
	s := &c.s.Season
	from, over := c.over()
	switch {
	case s.Number == 0 && it.last == none:
		return verdict{soon: true, cause: noSeason, want: 1}
	case c.doneFor(it, from):
		v := verdict{cause: inSeason, want: 1}
		if !c.clock.known {
			v.lacks = needsClock // a new season would not be seen
		}
		return v
	case over:
		return verdict{due: true, cause: between, have: 1, want: 1}
	}
	if s.Number == 1 && c.s.Days < s.Days+patience && slices.Contains(s.Open, it.name) {
		return verdict{soon: true, cause: asked, want: 1}
	}
	v := verdict{due: true, cause: unsaid, have: 1, want: 1}
	switch s.Answers[it.name] {
	case NotDone:
		v.cause = saidNot
	case Unknown:
		v.cause = saidMaybe
	case Finished:
	}
	return v
}

// over says whether the season is over, no work for 60 days, and since how much time at work a record counts: what was
// recorded since the last work is for the next season.
func (c *Care) over() (from time.Duration, over bool) {
	w := &c.work
	tied := c.clock.known && !c.s.LastWork.IsZero() && !c.s.Undated
	switch {
	case w.began && !w.dated && c.clock.known && !w.lastEnd.IsZero() && !w.undated && !w.turned:
		if c.clock.utc(w.first).Sub(w.lastEnd) >= winter {
			return w.worked, true // and it is about to be said
		}
	case w.began:
		over = c.now-w.last >= winter
	case tied:
		over = c.clock.utc(c.now).Sub(c.s.LastWork) >= winter
	}
	if over {
		return c.s.Worked, true
	}
	return c.s.Season.Worked, false
}

// age is how long ago an item was done, or, without a record, how long the list has been kept; else what it lacks to know.
func (c *Care) age(it *item) (time.Duration, string) {
	from := c.s.Since
	if it.last != none {
		e := &c.s.Records[it.last]
		if it.last >= c.own { // of this boot, whose clock does not jump
			return c.now - time.Duration(e.Mono)*time.Millisecond, ""
		}
		from = e.At
	}
	if it.trigger == byTest && c.in.TestedAt.After(from) {
		from = c.in.TestedAt
	}
	switch {
	case !c.clock.known:
		return 0, needsClock
	case from.IsZero() && it.last != none:
		return 0, needsDate
	}
	if from.IsZero() {
		return 0, "" // the list begins now
	}
	age := c.clock.utc(c.now).Sub(from)
	if age < -togetherFor {
		return 0, needsBehind
	}
	return max(0, age), ""
}

// finding is what the alarms hear of an item.
func (it *item) finding(at time.Duration) findings.Finding {
	f := findings.Finding{Key: Key, Where: it.matter, At: at, Sense: findings.Flag, Active: it.verdict.due, Detail: it.verdict.cause.detail()}
	if it.verdict.lacks != "" && !it.verdict.due {
		f.Sight, f.Needs = findings.Unseen, it.verdict.lacks
	}
	return f
}

// detail is the evidence in one clause.
func (b cause) detail() string {
	switch b {
	case water:
		return "the water reckoned in the tank has reached its limit"
	case delivery:
		return "the compressor gives less than it did"
	case working, instead:
		return "by working days"
	case days:
		return "by days"
	case runTime:
		return "by run time of the compressor"
	case asked, unsaid, saidNot, saidMaybe, between, inSeason, noSeason:
		return "by season"
	default:
		return ""
	}
}
