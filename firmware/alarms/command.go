// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"fmt"
	"time"

	"airhold/firmware/findings"
)

// The limits of commands.
const (
	operateShelf = 30 * time.Minute
	serviceShelf = 12 * time.Hour
	staleAfter   = 30 * time.Second
	keepAnswers  = 24 * time.Hour
	mostAnswers  = 4096
)

type answered struct {
	answer Answer
	at     time.Duration
}

// Command does what a person asks, or says in one sentence why not. An id that was answered within the last 24 h of
// running time is answered as before, without doing it again. What was done and what was refused is in the journal.
func (e *Engine) Command(at time.Duration, c Command) Answer {
	return e.once(at, c, func(at time.Duration) string {
		it, why := e.admit(c)
		if why == "" {
			why = e.do(it, at, c)
		}
		if why != "" {
			e.refuse(it, at, c, why)
		}
		return why
	})
}

// Beside has a command of another room carried out by the rules that hold for commands: an id is answered once, what is
// old or comes from somebody who may only look is refused, and only service makes the box forget. do returns a sentence
// where it refuses. The journal is the other room's.
func (e *Engine) Beside(at time.Duration, c Command, do func() string) Answer {
	return e.once(at, c, func(time.Duration) string {
		if why := c.Refusal(); why != "" {
			return why
		}
		if c.Verb == Forget && c.Role != Service {
			return "only service may make the box forget; on the box itself: airhold learned forget"
		}
		return do()
	})
}

// once carries out a command whose id was not answered yet; do returns why not.
func (e *Engine) once(at time.Duration, c Command, do func(at time.Duration) string) Answer {
	e.begin(at)
	at = e.now
	if why := c.unfit(); why != "" {
		return Answer{Error: why}
	}
	for len(e.order) > 0 && (len(e.order) >= mostAnswers || at-e.answers[e.order[0]].at > keepAnswers) {
		delete(e.answers, e.order[0])
		e.order = e.order[1:]
	}
	if old, ok := e.answers[c.ID]; ok {
		return old.answer
	}
	why := do(at)
	a := Answer{ID: c.ID, OK: why == "", Error: why}
	e.answers[c.ID] = answered{a, at}
	e.order = append(e.order, c.ID)
	return a
}

// admit checks everything that can be checked before the verb is looked at.
func (e *Engine) admit(c Command) (*item, string) {
	if why := c.late(); why != "" {
		return nil, why
	}
	if _, ok := e.index[c.Key]; !ok {
		return nil, fmt.Sprintf("there is no alarm %q; load the page again", string(c.Key))
	}
	it := e.byKey[itemKey{c.Key, c.Where}]
	if it == nil {
		place := c.Where
		if place == "" {
			place = "(no place)"
		}
		return nil, fmt.Sprintf("alarm %q has nothing at %q so far; look at the alarms again", string(c.Key), place)
	}
	return it, c.barred()
}

// Refusal says why nothing may be done for a command, whatever it asks: it has no id, it is too old, or its sender may
// only look. Empty: nothing stands in its way.
func (c Command) Refusal() string {
	for _, why := range []string{c.unfit(), c.late(), c.barred()} {
		if why != "" {
			return why
		}
	}
	return ""
}

func (c Command) unfit() string {
	if c.ID == "" {
		return "the command has no id, so a repeat of it could not be told from a second one"
	}
	return ""
}

func (c Command) late() string {
	if c.Age > staleAfter {
		return fmt.Sprintf("this was asked %d s ago; look again and repeat it if you still want it", int64(c.Age/time.Second))
	}
	return ""
}

func (c Command) barred() string {
	switch c.Role {
	case Operate, Service:
		return ""
	case View:
	}
	return "this screen may only look; pair it, or press on the box's own screen"
}

// do carries out a command on a known item; the sentence is empty when it is done.
func (e *Engine) do(it *item, at time.Duration, c Command) string {
	w := who{c.By, c.Role, c.Via, c.Why}
	switch c.Verb {
	case Ack:
		return e.ack(it, at, w)
	case Shelve:
		return e.shelve(it, at, c.For, w)
	case Unshelve:
		if !it.shelved {
			return "it is not put off any more; look at the alarms again"
		}
		e.unshelve(it, at, w)
		return ""
	case Note:
		if c.Why == "" {
			return "the note has no words; write some and press again"
		}
		e.emit(it, it.st.Name(), at, w)
		return ""
	case Reset, TakeOut, PutBack:
		if c.Role != Service {
			return "only service may do this; ask the shop"
		}
		return e.serve(it, at, c.Verb, w)
	case TestStart, TestStep, TestStop:
		return "this belongs to the leak-down test, not to an alarm"
	case CareDone, Forget:
		return "this belongs to the care list or to what was learned, not to an alarm"
	default:
		return fmt.Sprintf("there is no command %q; load the page again", string(c.Verb))
	}
}

func (e *Engine) ack(it *item, at time.Duration, w who) string {
	if it.st.Visibility != Shown {
		return "it is hidden now, so nobody can have seen it; look at the alarms again"
	}
	if !it.st.Unacked {
		return "" // somebody else was quicker
	}
	from := it.st.Name()
	it.st.Unacked = false
	it.acked = at
	e.emit(it, from, at, w)
	return ""
}

func (e *Engine) shelve(it *item, at, d time.Duration, w who) string {
	most := operateShelf
	if w.Role == Service {
		most = serviceShelf
	}
	switch {
	case it.st.Visibility == IsOutOfService || it.st.Visibility == IsSuppressed:
		return "it is hidden already, so there is nothing to put off"
	case it.st.Priority == High && w.Role != Service:
		return "an alarm of high priority cannot be put aside; acknowledge it and do what it says"
	case d <= 0:
		return "say for how long to put it aside, as 10 min"
	case d > most:
		return fmt.Sprintf("it can be put aside for at most %d min", int64(most/time.Minute))
	}
	from := it.st.Name()
	it.shelved, it.st.Unacked = true, false
	it.st.ShelvedUntil, it.shelfBy = at+d, signed{w.Actor, w.Reason}
	it.st.Standing = false
	e.o.Health.hidden(it, false)
	it.show()
	e.regroup()
	e.emit(it, from, at, w)
	return ""
}

// unshelve ends a shelf. What is active then is unacknowledged again.
func (e *Engine) unshelve(it *item, at time.Duration, w who) {
	from := it.st.Name()
	it.shelved, it.st.ShelvedUntil, it.shelfBy = false, 0, signed{}
	e.reveal(it, from, at, w)
}

// reveal shows an item again after a shelf or after service.
func (e *Engine) reveal(it *item, from StateName, at time.Duration, w who) {
	it.show()
	if it.st.Visibility == Shown && it.st.Active {
		it.st.Unacked = true
	}
	e.regroup()
	e.emit(it, from, at, w)
	e.sound(it, at)
}

// serve does what only service may.
func (e *Engine) serve(it *item, at time.Duration, v Verb, w who) string {
	from := it.st.Name()
	switch {
	case v == Reset && !it.st.Latched:
		return "it is not latched, so there is nothing to reset"
	case v == Reset && it.st.Active:
		return "its condition still holds; it can be reset once that is over"
	case v == Reset:
		it.st.Latched, it.st.Unacked = false, false
		e.emit(it, from, at, w)
	case v == TakeOut && it.out:
		return "it is out of service already"
	case v == TakeOut:
		it.out, it.st.Unacked, it.st.Standing = true, false, false
		e.o.Health.hidden(it, true)
		it.outBy = signed{w.Actor, w.Reason}
		it.show()
		e.regroup()
		e.emit(it, from, at, w)
	case !it.out:
		return "it is in service already"
	default:
		it.out, it.outBy = false, signed{}
		e.reveal(it, from, at, w)
	}
	return ""
}

// refuse puts a refused command into the journal.
func (e *Engine) refuse(it *item, at time.Duration, c Command, why string) {
	w := who{c.By, c.Role, c.Via, "refused " + string(c.Verb) + ": " + why}
	if it != nil {
		if w.Actor == "" {
			w.Actor = "unknown"
		}
		e.emit(it, it.st.Name(), at, w)
		return
	}
	e.seq++
	if e.journal != nil {
		e.journal.Transition(Transition{
			Seq: e.seq, At: at, From: Normal, To: Normal, State: State{Key: c.Key, Where: c.Where, Seq: e.seq},
			Actor: w.Actor, Role: w.Role, Via: w.Via, Reason: w.Reason,
		})
	}
}

// Save returns what a restart must know: everything that is not plainly normal.
func (e *Engine) Save() Saved {
	s := Saved{Seq: e.seq}
	for _, it := range e.items {
		st := &it.st
		if !st.Active && !st.Unacked && !st.Latched && !it.shelved && !it.out && it.stood == 0 {
			continue
		}
		a := SavedAlarm{
			Key: st.Key, Where: st.Where, Name: st.Name(), Unacked: st.Unacked, Latched: st.Latched,
			Shelved: it.shelved, By: it.shelfBy.by, Why: it.shelfBy.why,
			Stood: it.age(e.now), Out: it.out, OutBy: it.outBy.by, OutWhy: it.outBy.why,
		}
		if it.shelved {
			a.Left = max(st.ShelvedUntil-e.now, 0)
			if !e.began {
				a.Left = it.left
			}
		}
		s.Alarms = append(s.Alarms, a)
	}
	return s
}

// Restore brings back what Save returned. It is called before the first finding or tick. What has no row any more is
// left out.
func (e *Engine) Restore(s Saved) {
	e.seq = s.Seq
	for _, a := range s.Alarms {
		it := e.item(a.Key, a.Where)
		if it == nil {
			continue
		}
		it.st.Unacked, it.st.Latched = a.Unacked, a.Latched
		it.shelved, it.left, it.out = a.Shelved, a.Left, a.Out
		it.stood = a.Stood
		it.shelfBy, it.outBy = signed{a.By, a.Why}, signed{a.OutBy, a.OutWhy}
		it.st.Sight, it.st.Needs = findings.Unseen, "a first look since the restart"
		it.restored = a.Name
		it.show()
	}
}
