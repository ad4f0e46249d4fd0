// SPDX-License-Identifier: Apache-2.0

package care

import (
	"fmt"
	"time"
)

// The figures of a day and a season: our own, no source.
const (
	night       = 4 * time.Hour  // a pause that may be a night's
	shortDay    = 12 * time.Hour // a night's pause ends a working day that began so long ago
	longDay     = 24 * time.Hour // a working day ends by itself
	winter      = 60 * 24 * time.Hour
	leastWork   = 5 * time.Minute // that counts as work: a charge in the yard is none
	togetherFor = time.Hour       // bits of work with pauses below it add up to that

	slack     = time.Minute      // a clock may slew by so much
	steadyFor = 10 * time.Minute // a clock is settled, and one that jumped is believed, once it has gone steadily for so long
	mostGap   = 10 * time.Second // between ticks that counts as work
)

// wall is the wall clock as the care list believes it. A clock that jumps is not followed until it has gone steadily from
// there for a while: one wrong sentence from a receiver must not end a season.
type wall struct {
	known   bool
	zero    time.Time     // UTC at boot time zero
	since   time.Duration // when it was taken up
	doubted bool          // the clock says something else
	other   time.Time     // what
	from    time.Duration // since when
}

// utc is the wall time at a moment of this boot; the zero time without a clock.
func (w *wall) utc(at time.Duration) time.Time {
	if !w.known {
		return time.Time{}
	}
	return w.zero.Add(at)
}

// settled says that what is decided by this clock may stand.
func (w *wall) settled(at time.Duration) bool { return w.known && at-w.since >= steadyFor }

// take hears the clock; true where it was taken up anew.
func (w *wall) take(at time.Duration, utc time.Time) bool {
	zero := utc.UTC().Add(-at)
	switch {
	case !w.known:
	case zero.Sub(w.zero).Abs() <= slack:
		w.zero, w.doubted = zero, false
		return false
	case !w.doubted || zero.Sub(w.other).Abs() > slack:
		w.doubted, w.other, w.from = true, zero, at
		return false
	case at-w.from < steadyFor:
		return false
	}
	*w = wall{known: true, zero: zero, since: at}
	return true
}

// hear asks for the time.
func (c *Care) hear(at time.Duration) {
	if c.o.UTC == nil {
		return
	}
	utc, trusted := c.o.UTC(at)
	if !trusted || utc.IsZero() {
		c.clock.doubted = false
		return
	}
	if c.clock.take(at, utc) {
		c.redate()
	}
	if c.clock.settled(at) {
		if c.s.Since.IsZero() {
			c.s.Since = c.clock.utc(at)
		}
		if c.work.began && !c.work.dated {
			c.date(at)
		}
	}
}

// redate gives the records of this boot their time by the clock that was taken up.
func (c *Care) redate() {
	for i := c.own; i < len(c.s.Records); i++ {
		e := &c.s.Records[i]
		e.At = c.clock.utc(time.Duration(e.Mono) * time.Millisecond)
	}
	if c.work.newSeason {
		c.s.Season.Began = c.clock.utc(c.work.season)
	}
	c.work.dated = false
	if c.work.began {
		c.place()
	}
}

// work is what was seen of it in this boot. The boot clock rules within a boot; the wall clock only ties the boot's first
// work to what was before.
type work struct {
	stretch time.Duration // at work, but for short pauses
	lately  time.Duration // when
	open    bool          // it counts

	began             bool
	first, last, day  time.Duration // first and last work; when the working day began, perhaps before this boot
	worked            time.Duration // time at work before the first
	counts            int           // working days that the first work began: 0 or 1
	later             int           // those begun after it
	dated             bool          // the clock has said what the first work follows
	dayBegan, lastEnd time.Time     // of the work before, by the wall clock
	undated           bool          // there is later work without a date
	loose             time.Duration // time at work when that began
	before            season        // the season before this boot's work; Number 0: the same
	turned            bool          // the clock began a new one
	season            time.Duration // when the present season began, where that was in this boot
	newSeason         bool          // it was
}

// newDay says that work begins a working day, by the pause before it and the time since the last working day began.
func newDay(pause, age time.Duration) bool {
	return pause >= night && age >= shortDay || age >= longDay
}

// see counts the time at work.
func (c *Care) see(at, passed time.Duration) {
	w := &c.work
	if !c.in.Working {
		if w.stretch > 0 && at-w.lately > togetherFor {
			w.stretch, w.open = 0, false
		}
		return
	}
	passed = min(passed, mostGap)
	w.stretch, w.lately = w.stretch+passed, at
	if w.stretch < leastWork {
		return
	}
	before := c.s.Worked
	if w.open {
		c.s.Worked += passed
	} else {
		w.open = true
		c.s.Worked += w.stretch
	}
	c.atWork(at, before)
}

// atWork notes work; before is the time at work until then.
func (c *Care) atWork(at, before time.Duration) {
	w := &c.work
	switch {
	case !w.began:
		w.began, w.first, w.last, w.day, w.worked, w.counts = true, at, at, at, before, 1
		w.dayBegan, w.lastEnd, w.undated, w.loose = c.s.DayBegan, c.s.LastWork, c.s.Undated, c.s.Loose
		c.s.Days++
		c.place()
	case newDay(at-w.last, at-w.day):
		if at-w.last >= winter {
			c.begin(at, before)
		}
		c.s.Days++
		w.later++
		w.day = at
	}
	w.last = at
	if c.s.Season.Number == 0 {
		c.begin(at, before)
	}
	switch {
	case w.dated:
		c.s.DayBegan, c.s.LastWork = c.clock.utc(w.day), c.clock.utc(at)
	case c.clock.settled(at):
		c.date(at)
	case !c.s.Undated:
		c.s.Undated, c.s.Loose = true, w.worked
	}
}

// place ties the first work of this boot to the work before it, as far as the clock can say: the same working day, or a
// new one. Without a clock it counts as a new one: what is due by working days then comes no later than it should.
func (c *Care) place() {
	w := &c.work
	counts := 1
	if first := c.clock.utc(w.first); c.clock.known && !w.lastEnd.IsZero() && !w.undated {
		began := w.dayBegan
		if began.IsZero() || began.After(w.lastEnd) {
			began = w.lastEnd
		}
		if pause := first.Sub(w.lastEnd); pause > -slack && !newDay(pause, first.Sub(began)) {
			counts = 0
			if w.later == 0 {
				w.day = w.first - first.Sub(began)
			}
		}
	}
	if counts == 1 && w.later == 0 {
		w.day = w.first
	}
	c.s.Days += counts - w.counts
	w.counts = counts
}

// date decides by a settled clock what the first work of this boot follows, a season's pause among it.
func (c *Care) date(at time.Duration) {
	w := &c.work
	c.place()
	paused := !w.lastEnd.IsZero() && c.clock.utc(w.first).Sub(w.lastEnd) >= winter
	switch {
	case paused && !w.turned:
		worked := w.worked
		if w.undated {
			worked = w.loose // the season began with work that has no date
		}
		w.before, w.turned = c.s.Season, true
		c.begin(w.first, worked)
	case !paused && w.turned: // a clock that was wrong had ended the season
		c.s.Season, w.turned, w.newSeason = w.before, false, false
		c.say(at, "season", "The clock was wrong: the season of before goes on.")
	}
	w.dated = true
	c.s.DayBegan, c.s.LastWork, c.s.Undated, c.s.Loose = c.clock.utc(w.day), c.clock.utc(w.last), false, 0
}

// begin begins a season, and asks after what should have been done before it and is not on record.
func (c *Care) begin(at, worked time.Duration) {
	c.s.Season = season{Number: c.s.Season.Number + 1, Began: c.clock.utc(at), Days: c.s.Days, Worked: worked}
	c.work.season, c.work.newSeason = at, true
	for i := range c.items {
		if it := &c.items[i]; it.season && !c.doneFor(it, worked) {
			c.s.Season.Open = append(c.s.Season.Open, it.name)
		}
	}
	text := "A season begins with this work."
	if c.s.Season.Number > 1 {
		text = "A season begins: the first work after 60 days or more."
	}
	if n := len(c.s.Season.Open); n > 0 {
		text += fmt.Sprintf(" Of its care %d are not on record.", n)
	}
	c.say(at, "season", text)
}

// doneFor says that an item was recorded since so much time at work.
func (c *Care) doneFor(it *item, worked time.Duration) bool {
	return it.last != none && c.s.Records[it.last].Mark.Worked >= worked
}

// say puts a sentence into the journal.
func (c *Care) say(at time.Duration, kind, text string) {
	if c.o.Notes != nil {
		c.o.Notes.Note(at, kind, text)
	}
}
