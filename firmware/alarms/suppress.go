// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"slices"
	"time"
)

// Suppress says whether a rule holds. An empty place means everywhere; otherwise it is the place of an item, or one of
// the inputs its row names. Rules that rows raise themselves (sensor supply off, CAN silent, a sensor fault) hold
// without being told.
func (e *Engine) Suppress(s Suppressor, place string, on bool, at time.Duration) {
	e.begin(at)
	r := rule{s, place}
	i := slices.Index(e.rules, r)
	switch {
	case on && i < 0:
		e.rules = append(e.rules, r)
	case !on && i >= 0:
		e.rules = slices.Delete(e.rules, i, i+1)
	default:
		return
	}
	e.resolve(at)
}

// asserted reports whether a rule holds anywhere by word from outside.
func (e *Engine) asserted(s Suppressor) bool {
	for _, r := range e.rules {
		if r.s == s {
			return true
		}
	}
	return false
}

// rule returns the words of the first rule that hides the item; empty where none does.
func (e *Engine) rule(it *item) string {
	for _, r := range e.rules {
		if it.listens(r.s, r.place) {
			return r.s.String()
		}
	}
	for _, by := range e.items {
		if !by.st.Active || by == it {
			continue
		}
		if slices.Contains(by.row.Hides, it.st.Key) {
			return string(by.st.Key)
		}
		if by.row.Raises == 0 {
			continue
		}
		if by.row.Raises == S6 && it.row.Raises == S6 {
			continue // one faulted sensor says nothing about another
		}
		fed, some := e.o.Feeds[by.st.Where]
		switch {
		case by.row.Raises == S6 && it.listens(S6, by.st.Where),
			by.row.Raises != S6 && !some && it.listens(by.row.Raises, ""):
			return by.row.Raises.String()
		}
		for _, place := range fed {
			if it.listens(by.row.Raises, place) {
				return by.row.Raises.String()
			}
		}
	}
	return ""
}

// listens reports whether the rule at the place hides the item.
func (it *item) listens(s Suppressor, place string) bool {
	if s != S7 && !slices.Contains(it.row.Suppressors, s) {
		return false
	}
	return place == "" || place == it.st.Where || slices.Contains(it.row.Inputs, place)
}

// resolve brings the suppression of all items up to date. What one item's change raises or withdraws may change
// others; the catalogue has no cycle, so this ends, and the bound holds it for a catalogue that has one.
func (e *Engine) resolve(at time.Duration) {
	for range len(e.items) + 1 {
		changed := false
		for _, it := range e.items {
			now := e.rule(it)
			if now == it.st.Rule {
				continue
			}
			changed = true
			e.setRule(it, now, at)
		}
		if !changed {
			return
		}
	}
}

func (e *Engine) setRule(it *item, now string, at time.Duration) {
	from := it.st.Name()
	entered := it.st.Rule == ""
	it.st.Rule = now
	if entered {
		it.stood, it.fine = it.age(at), 0
		it.st.Active, it.st.Standing = false, false
		it.st.Unacked = it.st.Unacked && it.st.Latched
	}
	it.counting = false
	it.show()
	e.regroup()
	if from != it.st.Name() {
		e.emit(it, from, at, who{Reason: now})
	}
}
