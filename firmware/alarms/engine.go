// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"cmp"
	"math"
	"slices"
	"time"

	"airhold/firmware/findings"
)

// Journal takes every transition, in order, on the engine's goroutine. It must not keep the engine waiting.
type Journal interface{ Transition(t Transition) }

// The figures of the state model (ISA-18.2 and OPC UA Part 9 ideas; numbers are our own starting points).
const (
	reannounce  = 60 * time.Second // an unacknowledged High sounds again
	realarm     = 10 * time.Minute // an acknowledged High that is still active is unacknowledged again
	groupWindow = 30 * time.Second // onset of a child against its root's
	chatterSpan = 60 * time.Second
	chatterHits = 3 // activations within chatterSpan
	dampFor     = 30 * time.Minute
	dampLeast   = 10 * time.Second // off-delay of a damped row that has none
	floodSpan   = 10 * time.Minute
	floodStart  = 10 // more announcements than this in floodSpan start a flood
	floodEnd    = 5  // fewer than this end it
	standing    = 24 * time.Hour
)

type itemKey struct {
	key   findings.Key
	where string
}

type rule struct {
	s     Suppressor
	place string
}

// item is one row at one place. st.Visibility and st.Silent are derived from the fields below by show and regroup.
type item struct {
	st   State
	name string // as a group: key, and place where it has one
	row  *Row   // this place's own copy, overrides applied
	idx  int    // place of the row in the catalogue

	shelved bool
	out     bool
	shelfBy signed
	outBy   signed
	left    time.Duration // shelf time restored from disk, until the first instant is known

	last     time.Duration // time of the last finding
	sampled  bool          // it could be seen
	bad      bool          // what it said
	pace     pace
	counting bool // a delay is running towards the other condition
	acc      time.Duration
	came     time.Duration // when it last became active
	stood    time.Duration // running time it was active before this episode, without being seen to be over
	fine     time.Duration // for how long it was seen to be over since
	onset    time.Duration // of the running or last on-delay
	since    time.Duration // when the matter began, where the check knows better than the delay
	explains bool          // its children follow from it, whenever they began

	acked     time.Duration // when an active High was acknowledged
	announced time.Duration
	heard     bool // the present episode has sounded, or was silenced by a flood
	hits      [chatterHits]time.Duration
	nhits     int
	dampUntil time.Duration
	noise     noise
	restored  StateName // state before the restart, until its record is written
}

// Engine holds the state of all alarms. One goroutine owns it; it starts none and never asks for the time.
type Engine struct {
	o       Options
	rows    []Row
	journal Journal
	index   map[findings.Key]int
	byKey   map[itemKey]*item
	items   []*item // catalogue order, then place
	rules   []rule  // suppressors asserted from outside

	began   bool
	start   time.Duration
	now     time.Duration
	seq     uint64
	unknown uint64

	starts  [floodStart + 6]time.Duration // ring of announcement times
	nstarts uint64
	flood   bool
	loudest Priority // of what has sounded since Sounded was asked

	answers map[string]answered
	order   []string // ids in answers, oldest first
}

// New makes an engine. A nil journal keeps no record. Overrides of unknown rows have no effect; Options.Validate names
// them.
func New(o Options, journal Journal) *Engine {
	if o.Hold == 0 {
		o.Hold = 10 * time.Second
	}
	if o.Period <= 0 {
		o.Period = time.Second
	}
	if o.Noise == 0 {
		o.Noise = 10 * time.Minute
	}
	if o.Rows == nil {
		o.Rows = Catalogue()
	}
	e := &Engine{
		o: o, rows: o.Rows, journal: journal,
		index:   make(map[findings.Key]int, len(o.Rows)),
		byKey:   make(map[itemKey]*item),
		answers: make(map[string]answered),
	}
	for i := range e.rows {
		e.index[e.rows[i].Key] = i
	}
	return e
}

// Row returns the catalogue's row of a key.
func (e *Engine) Row(key findings.Key) (Row, bool) {
	i, ok := e.index[key]
	if !ok {
		return Row{}, false
	}
	return e.rows[i], true
}

// item returns the item of a key and place, making it where there is a row for it; nil where there is none.
func (e *Engine) item(key findings.Key, where string) *item {
	if it := e.byKey[itemKey{key, where}]; it != nil {
		return it
	}
	i, ok := e.index[key]
	if !ok || e.rows[i].Kind == PageMade {
		return nil
	}
	row := e.rows[i]
	for _, v := range e.o.Overrides {
		if v.Key != key || (v.Where != "" && v.Where != where) {
			continue
		}
		if v.OnDelay != nil {
			row.OnDelay = *v.OnDelay
		}
		if v.OffDelay != nil {
			row.OffDelay = *v.OffDelay
		}
		if v.Deadband != nil {
			row.Deadband = *v.Deadband
		}
		if v.Priority != 0 {
			row.Priority, row.Steps = v.Priority, nil
		}
	}
	it := &item{row: &row, idx: i, name: string(key)}
	if where != "" {
		it.name += "/" + where
	}
	it.pace.usual, it.pace.period = e.o.Period, e.o.Period
	it.st = State{Key: key, Where: where, Priority: row.Priority, Since: e.now}
	e.byKey[itemKey{key, where}] = it
	at, _ := slices.BinarySearchFunc(e.items, it, func(a, b *item) int {
		return cmp.Or(cmp.Compare(a.idx, b.idx), cmp.Compare(a.st.Where, b.st.Where))
	})
	e.items = slices.Insert(e.items, at, it)
	it.st.Rule = e.rule(it)
	it.show()
	it.st.Silent = it.quiet()
	return it
}

// begin notes the first instant: the hold starts, restored shelf times get an end, restored states get their record.
func (e *Engine) begin(at time.Duration) {
	if e.began {
		e.now = max(e.now, at)
		return
	}
	e.began, e.start, e.now = true, at, at
	for _, it := range e.items {
		it.st.Since = at
		if it.shelved {
			it.st.ShelvedUntil = at + it.left
		}
		if it.restored != "" && it.restored != it.st.Name() {
			e.emit(it, it.restored, at, who{Reason: "restarted"})
		}
		it.restored = ""
	}
}

func (e *Engine) holding(at time.Duration) bool { return at < e.start+e.o.Hold }

// Find takes one statement of a check; it implements findings.Sink. A check repeats its statement at least once a
// tick: delays run from finding to finding, on the findings' own times. Steady state allocates nothing.
func (e *Engine) Find(f findings.Finding) {
	e.begin(f.At)
	it := e.item(f.Key, f.Where)
	if it == nil {
		e.unknown++
		return
	}
	if f.At < it.last {
		return // an older word than the one already counted
	}
	st := &it.st
	st.Detail = f.Detail
	if f.Sight == findings.Unseen || !numbers(&f) {
		st.Sight, st.Needs = findings.Unseen, f.Needs
		st.Value, st.Limit = findings.Measure{}, f.Limit
		it.last, it.sampled, it.pace.prev = f.At, false, 0
		return
	}
	st.Sight, st.Needs, st.Value, st.Limit = findings.Seen, "", f.Value, f.Limit
	if f.Sense != findings.Flag && e.o.Noise > 0 {
		it.noise.add(f.Value.SI, f.At, e.o.Noise)
	}
	it.since = f.Since
	if it.explains != f.Explains {
		it.explains = f.Explains
		e.regroup()
	}
	bad := it.raw(&f)
	var counted time.Duration
	if it.sampled {
		if gap := f.At - it.last; it.pace.fits(gap) && bad == it.bad {
			counted = gap
		}
	}
	it.last, it.sampled, it.bad = f.At, true, bad
	if st.Rule != "" || e.holding(f.At) {
		it.counting = false
		return
	}
	e.run(it, bad, f.At, counted)
}

// run moves the delays of a visible item by one finding.
func (e *Engine) run(it *item, bad bool, at, counted time.Duration) {
	st := &it.st
	if bad == st.Active {
		it.counting = false
		switch {
		case st.Active:
			e.raise(it, at)
		case it.stood > 0:
			if it.fine += counted; it.fine >= it.row.OffDelay {
				it.stood, it.fine = 0, 0
			}
		}
		return
	}
	if !it.counting {
		it.counting, it.acc = true, 0
		if bad {
			it.onset = at
			if it.since > 0 && it.since < at {
				it.onset = it.since
			}
		}
	} else {
		it.acc += counted
	}
	switch {
	case bad && it.acc >= it.row.OnDelay:
		e.activate(it, at)
	case !bad && it.acc >= it.offDelay(at):
		e.clear(it, at)
	}
}

func (it *item) offDelay(at time.Duration) time.Duration {
	if it.st.Damped && at < it.dampUntil {
		return max(2*it.row.OffDelay, dampLeast)
	}
	return it.row.OffDelay
}

func (e *Engine) activate(it *item, at time.Duration) {
	from := it.st.Name()
	it.counting = false
	it.st.Active, it.st.Onset, it.came, it.fine = true, it.onset, at, 0
	it.st.Priority = e.priority(it)
	if it.row.Latching {
		it.st.Latched = true
	}
	if !it.shelved && !it.out {
		it.st.Unacked = true
	}
	it.heard = e.flood
	e.regroup()
	e.emit(it, from, at, who{Reason: it.st.Detail})
	if it.st.Visibility == Shown && !it.quiet() {
		e.countStart(it, at)
	}
	e.regroup()
	e.sound(it, at)
	e.chatter(it, at)
	e.resolve(at)
}

func (e *Engine) clear(it *item, at time.Duration) {
	from := it.st.Name()
	it.counting = false
	it.st.Active, it.st.Standing, it.stood = false, false, 0
	e.o.Health.cleared(it, at-it.came-it.offDelay(at))
	e.regroup()
	e.emit(it, from, at, who{})
	e.resolve(at)
}

// raise lets the priority of an active item rise.
func (e *Engine) raise(it *item, at time.Duration) {
	if len(it.row.Steps) == 0 {
		return
	}
	p := e.priority(it)
	if p <= it.st.Priority {
		return
	}
	from := it.st.Name()
	it.st.Priority = p
	if !it.shelved && !it.out {
		it.st.Unacked = true
	}
	e.regroup()
	e.emit(it, from, at, who{Reason: "more urgent now"})
	e.sound(it, at)
}

func (e *Engine) priority(it *item) Priority {
	for i := range it.row.Steps {
		s := &it.row.Steps[i]
		value, limit := &it.st.Value, &it.st.Limit
		if (s.Where != "" && s.Where != it.st.Where) ||
			(s.Planting && e.asserted(S3)) ||
			(s.OverLimit && (value.IsZero() || limit.IsZero() || !(value.SI > limit.SI))) ||
			(s.Under != 0 && (value.IsZero() || !(value.SI < s.Under))) {
			continue
		}
		return s.Priority
	}
	return it.row.Priority
}

// sound counts an announcement of an active, unacknowledged item that is heard.
func (e *Engine) sound(it *item, at time.Duration) {
	if it.st.Visibility == Shown && it.st.Active && it.st.Unacked && !it.st.Silent {
		it.st.Announce++
		e.loudest = max(e.loudest, it.st.Priority)
		it.announced, it.heard = at, true
	}
}

// Sounded returns the highest priority of what has sounded since it was last asked; 0: nothing has.
func (e *Engine) Sounded() Priority {
	p := e.loudest
	e.loudest = 0
	return p
}

// chatter notes an activation, and damps an item that toggles too often.
func (e *Engine) chatter(it *item, at time.Duration) {
	copy(it.hits[:], it.hits[1:])
	it.hits[chatterHits-1] = at
	it.nhits = min(it.nhits+1, chatterHits)
	if it.nhits < chatterHits || at-it.hits[0] > chatterSpan {
		return
	}
	e.o.Health.chattered(it)
	it.dampUntil = at + dampFor
	if !it.st.Damped {
		it.st.Damped = true
		e.emit(it, it.st.Name(), at, who{Reason: "damped: it came and went three times within a minute; its off-delay is doubled for 30 min"})
	}
}

// Tick tells the engine that time has passed. It ends shelves and damping, announces again, and ends a flood.
func (e *Engine) Tick(at time.Duration) {
	e.begin(at)
	at = e.now
	for _, it := range e.items {
		if it.shelved && at >= it.st.ShelvedUntil {
			e.unshelve(it, at, who{Reason: "shelf time over"})
		}
		if it.st.Damped && at >= it.dampUntil {
			it.st.Damped = false
			e.emit(it, it.st.Name(), at, who{Reason: "damping over"})
		}
		e.stand(it, at)
		if !it.heard {
			e.sound(it, at) // its group has dissolved, so it now speaks for itself
		}
		if it.st.Visibility != Shown || !it.st.Active || it.st.Priority != High {
			continue
		}
		switch {
		case !it.st.Unacked && at-it.acked >= realarm:
			from := it.st.Name()
			it.st.Unacked = true
			e.emit(it, from, at, who{Reason: "still there after 10 min"})
			e.sound(it, at)
		case it.st.Unacked && at-it.announced >= reannounce:
			e.sound(it, at)
		}
	}
	e.endFlood(at)
}

// age is for how much running time an item has been active without having been seen to be over, over restarts too.
func (it *item) age(at time.Duration) time.Duration {
	if !it.st.Active {
		return it.stood
	}
	return it.stood + at - it.st.Onset
}

// stand moves what is active for more than a day, and was seen, to the standing list, and back. A high one never leaves the
// list of the announced.
func (e *Engine) stand(it *item, at time.Duration) {
	st := &it.st
	stands := st.Active && !st.Unacked && st.Visibility == Shown && st.Priority < High && !it.quiet() && it.age(at) > standing
	if stands == st.Standing {
		return
	}
	st.Standing = stands
	reason := "active for more than 24 h: it stands in a list of its own"
	if !stands {
		reason = "back from the standing list"
	}
	e.emit(it, st.Name(), at, who{Reason: reason})
}

// numbers reports whether the finding's numbers are numbers.
func numbers(f *findings.Finding) bool {
	if f.Sense == findings.Flag {
		return true
	}
	return !math.IsNaN(f.Value.SI) && !math.IsInf(f.Value.SI, 0) && !math.IsNaN(f.Limit.SI) && !math.IsInf(f.Limit.SI, 0)
}

// raw compares value and limit; while the item is active the value has to come back by the deadband.
func (it *item) raw(f *findings.Finding) bool {
	band := 0.0
	if it.st.Active {
		band = max(it.row.Deadband, it.row.Share*math.Abs(f.Limit.SI), it.noise.floor())
	}
	switch f.Sense {
	case findings.Above:
		return f.Value.SI > f.Limit.SI-band
	case findings.Below:
		return f.Value.SI < f.Limit.SI+band
	case findings.Flag:
	}
	return f.Active
}

func (it *item) quiet() bool {
	switch it.row.Kind {
	case ShopNote:
		return it.st.Priority <= it.row.Priority
	case Reminder, PageMade:
		return true
	case Announced:
	}
	return false
}

// signed is who hid an item, and why.
type signed struct{ by, why string }

// show derives the visibility, and who is behind it.
func (it *item) show() {
	var s signed
	switch {
	case it.out:
		s = it.outBy
	case it.shelved:
		s = it.shelfBy
	}
	it.st.By, it.st.Why = s.by, s.why
	switch {
	case it.out:
		it.st.Visibility = IsOutOfService
	case it.st.Rule != "":
		it.st.Visibility = IsSuppressed
	case it.shelved:
		it.st.Visibility = IsShelved
	default:
		it.st.Visibility = Shown
	}
}

// who did something, and why.
type who struct {
	Actor  string
	Role   Role
	Via    string
	Reason string
}

// emit writes a transition; from may equal the present name where something else about the item changed.
func (e *Engine) emit(it *item, from StateName, at time.Duration, w who) {
	to := it.st.Name()
	if from == to && w.Reason == "" && w.Actor == "" {
		return
	}
	if from == to && w.Actor == "" && it.st.Visibility != Shown {
		return // nothing that a person was shown has changed
	}
	e.seq++
	it.st.Seq = e.seq
	if from != to {
		it.st.Since = at
	}
	if e.journal != nil {
		e.journal.Transition(Transition{
			Seq: e.seq, At: at, From: from, To: to, State: it.st, Actor: w.Actor, Role: w.Role, Via: w.Via, Reason: w.Reason,
		})
	}
}
