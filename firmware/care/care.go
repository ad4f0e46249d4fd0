// SPDX-License-Identifier: Apache-2.0

// Package care keeps the care list of an air supply: what a person has to do to it, when it is due again, and what was
// done.
//
// Words: an item is one thing to do ("drain the tank"); a record says that somebody did it. A working day is a day on
// which the machine was seen at work: it begins with the first work after a night, or 24 h after it began where nobody
// stops for a night. No calendar and no time zone enters, so summer time moves nothing. A season begins with the first work
// after 60 days without; a new box begins one with the first work it sees. A record counts for a season when it was made
// after the last work of the season before: oil changed in autumn is changed for spring.
//
// What is due follows from run time of the compressor, working days, days, seasons, and from what other checks say (water
// in the tank, the compressor's delivery). Days need a clock. Without one they are "not known": an item that lives by days
// then goes by the working days that were seen, which come no sooner, and says what it lacks.
//
// Sources: the intervals are common practice of the trade, no source; the machine's manual comes first. The figures of a
// night and a season are our own.
package care

import (
	"time"

	"airhold/firmware/findings"
)

// Key is the catalogue row of everything due; a finding's place names the item.
const Key findings.Key = "care-due"

// Override is what the machine file says of one item. It takes the place of the item's own days or season; run time is
// added by Options.Hours. What other checks say of it (water, delivery) makes it due all the same, unless it is off.
type Override struct {
	Off    bool
	Season bool          // once a season
	Days   float64       // working days where the item goes by those, else days
	Hours  time.Duration // run time of the compressor
}

// Options are fixed for the life of a Care.
type Options struct {
	Items map[string]Override      // by item, as drain or oil_change; what is missing keeps the trade's interval
	Hours map[string]time.Duration // run time after which an item is due as well, by item; zero and less: none
	// UTC is the wall time at a moment of this boot, and whether it can be trusted. Nil: there is no clock.
	UTC     func(at time.Duration) (utc time.Time, trusted bool)
	Saved   []byte                 // of an earlier Save; nil: a new list
	Notes   findings.Notes         // takes what was recorded, and seasons; nil: nobody
	Drained func(at time.Duration) // a drain was recorded, so that water is counted anew; nil: nobody
}

// Inputs are what the other checks say at a tick.
type Inputs struct {
	RunTime     time.Duration // of the compressor in all; a count that falls has begun anew and is added on
	RunSeen     bool          // the compressor can be seen now
	Working     bool          // the machine is at work now: not only charged in the yard
	WorkSeen    bool          // it can be seen whether it is
	WaterDue    bool          // the water reckoned in the tank has reached its limit
	DeliveryLow bool          // the compressor gives so much less than it did that its intake filter is suspected
	TestedAt    time.Time     // the last leak-down test that was judged, UTC; zero: none, or not known when
}

// Answer is what a person says about an item.
type Answer string

// The answers.
const (
	Finished Answer = "done"
	NotDone  Answer = "not-done"
	Unknown  Answer = "unknown"
)

// Item is one thing to do, as it stands now.
type Item struct {
	Name    string  `json:"item"`   // by which it is recorded: "drain"
	Words   string  `json:"words"`  // "Drain the tank"
	Matter  string  `json:"matter"` // the place of its finding: "tank drain"
	Due     bool    `json:"due"`
	Soon    bool    `json:"soon"` // due next, by a working day or the last tenth of its interval
	Why     string  `json:"why"`  // "2 working days since the last"
	Needs   string  `json:"needs,omitempty"`
	Every   string  `json:"every"` // "every 2 working days, ..."
	Caution string  `json:"caution"`
	Last    *Record `json:"last,omitempty"`
}

// Record says that an item was done.
type Record struct {
	Item  string           `json:"item"`
	Words string           `json:"words"`
	At    time.Time        `json:"at,omitzero"` // UTC; zero where the clock was not set
	Mono  int64            `json:"mono"`        // clock of that boot, ms
	By    string           `json:"by,omitempty"`
	Note  string           `json:"note,omitempty"`
	Run   findings.Measure `json:"run,omitzero"` // run time of the compressor then
}

// Question is one that a season's first work raises: was this done before it?
type Question struct {
	Item  string `json:"item"`
	Words string `json:"words"` // "Was the compressor's oil changed for this season?"
}

// Care is the care list of one machine. It is pure: what it says follows from its options and from what it was told. One
// goroutine owns it.
type Care struct {
	o     Options
	sink  findings.Sink
	items []item
	s     state
	own   int // records of earlier boots
	clock wall
	work  work
	in    Inputs
	now   time.Duration
}

// New makes a care list; sink takes one finding an item and tick.
func New(o Options, sink findings.Sink) *Care {
	c := &Care{o: o, sink: sink, items: items(&o)}
	c.restore(o.Saved)
	c.again(0)
	return c
}

// Tick takes what the other checks say and says what is due. Steady state allocates nothing.
func (c *Care) Tick(at time.Duration, in Inputs) {
	if at < c.now {
		return
	}
	passed := at - c.now
	c.now, c.in = at, in
	c.hear(at)
	c.count(in.RunTime)
	c.see(at, passed)
	c.listen()
	for i := range c.items {
		it := &c.items[i]
		it.verdict = c.judge(it)
		c.sink.Find(it.finding(at))
	}
}

// Look judges by what was kept and by the clock alone, for a list that no running box keeps up.
func (c *Care) Look(at time.Duration) {
	c.in.RunSeen, c.in.WorkSeen = true, true
	c.hear(at)
	c.again(at)
}

// setBack is how far the compressor's count may fall and still be the same: the power was cut before it was kept.
const setBack = 10 * time.Minute

// count takes the compressor's run time. A count that falls far has begun anew: what it had stays counted.
func (c *Care) count(run time.Duration) {
	switch fell := c.s.Run - run; {
	case run < 0 || fell > 0 && fell <= setBack:
		return
	case fell > 0:
		c.s.Before += c.s.Run
	}
	c.s.Run = run
}

// run is the compressor's run time in all.
func (c *Care) run() time.Duration { return c.s.Before + c.s.Run }

// letGo is how long the compressor has to run with a trigger off before the trigger is believed again.
const letGo = 10 * time.Minute

// listen hears the triggers. One that held when its item was recorded must let go before it counts again: the figures
// behind it need new air to notice what was done.
func (c *Care) listen() {
	for i := range c.items {
		it := &c.items[i]
		it.told = it.trigger == byWater && c.in.WaterDue || it.trigger == byDelivery && c.in.DeliveryLow
		switch {
		case it.told || !it.hushed:
			it.heard = c.run()
		case c.run()-it.heard >= letGo:
			it.hushed = false
		}
	}
}
