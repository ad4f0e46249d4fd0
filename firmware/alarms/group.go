// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"slices"
	"time"

	"airhold/firmware/findings"
)

// regroup derives Group, FirstOut and Silent of every item from what is active now. It runs at transitions only.
func (e *Engine) regroup() {
	for _, it := range e.items {
		it.st.Group, it.st.FirstOut = "", false
		it.st.Silent = it.quiet() || (e.flood && it.st.Priority < High)
	}
	for _, it := range e.items {
		root := e.root(it)
		if root == nil {
			continue
		}
		it.st.Group, root.st.Group = root.name, root.name
		// Whoever heard a quieter cause has not yet heard of a more urgent consequence.
		it.st.Silent = it.st.Priority <= root.st.Priority || it.st.Silent
	}
	for _, it := range e.items {
		if it.st.Group == "" {
			continue
		}
		first := it
		for _, other := range e.items {
			if other.st.Group == it.st.Group && other.st.Onset < first.st.Onset {
				first = other
			}
		}
		first.st.FirstOut = true
	}
}

// root returns the topmost active item that explains it; nil where it stands alone.
func (e *Engine) root(it *item) *item {
	top := it
	for range e.items { // a chain is never longer than the list
		up := e.parent(top)
		if up == nil || up == it {
			break
		}
		top = up
	}
	if top == it {
		return nil
	}
	return top
}

func (e *Engine) parent(it *item) *item {
	if !it.groups() {
		return nil
	}
	var best *item
	for _, up := range e.items {
		if up == it || !up.groups() || !slices.Contains(up.row.Children, it.st.Key) {
			continue
		}
		if gap := it.st.Onset - up.st.Onset; gap < -groupWindow || (gap > groupWindow && !up.explains) {
			continue
		}
		if slices.Contains(it.row.Children, up.st.Key) && !older(up, it) {
			continue // each explains the other: the earlier one is the root
		}
		if best == nil || older(up, best) {
			best = up
		}
	}
	return best
}

// groups reports whether the item takes part in groups now.
func (it *item) groups() bool {
	return it.st.Active && it.st.Visibility == Shown && it.row.Kind == Announced
}

// older orders two items by onset, then by the catalogue.
func older(a, b *item) bool {
	if a.st.Onset != b.st.Onset {
		return a.st.Onset < b.st.Onset
	}
	if a.idx != b.idx {
		return a.idx < b.idx
	}
	return a.st.Where < b.st.Where
}

// countStart notes one announcement for the flood rule; members of a group count once, with their root.
func (e *Engine) countStart(it *item, at time.Duration) {
	if it.st.Group != "" && it.st.Group != it.name {
		return
	}
	e.o.Health.announced(it, at)
	e.starts[e.nstarts%uint64(len(e.starts))] = at
	e.nstarts++
	if !e.flood && e.recent(at) > floodStart {
		e.flood = true
	}
}

// recent returns how many announcements fell into the flood window, as far as the ring remembers.
func (e *Engine) recent(at time.Duration) int {
	n := 0
	for i := range min(e.nstarts, uint64(len(e.starts))) {
		if at-e.starts[i] < floodSpan {
			n++
		}
	}
	return n
}

func (e *Engine) endFlood(at time.Duration) {
	if e.flood && e.recent(at) < floodEnd {
		e.flood = false
		e.regroup()
	}
}

// Sum is what a headline needs to know of all alarms. Notes and reminders are counted apart.
type Sum struct {
	Active     int
	Unacked    int
	Shelved    int
	Out        int // out of service
	Suppressed int
	Unseen     int // cannot be seen now
	Notes      int // active shop notes and reminders
	Standing   int // in the standing list; not among the active
	Stale      int // active for more than a day of running time
	Highest    Priority
	FirstOut   string // earliest onset of what is active: key, and place where it has one
	Flood      bool
	Announced  uint64 // announcements that counted for the rate, since the start
	Unknown    uint64 // findings without a row: a fault of the program
}

// Sum counts. Priorities and first-out are of what is shown.
func (e *Engine) Sum() Sum {
	s := Sum{Flood: e.flood, Announced: e.nstarts, Unknown: e.unknown}
	var first *item
	for _, it := range e.items {
		if it.st.Sight == findings.Unseen {
			s.Unseen++
		}
		switch it.st.Visibility {
		case IsShelved:
			s.Shelved++
			continue
		case IsSuppressed:
			s.Suppressed++
			continue
		case IsOutOfService:
			s.Out++
			continue
		case Shown:
		}
		if it.quiet() {
			if it.st.Active || it.st.Latched {
				s.Notes++
			}
			continue
		}
		if it.st.Unacked {
			s.Unacked++
		}
		if it.st.Active && it.age(e.now) > standing {
			s.Stale++
		}
		if it.st.Standing {
			s.Standing++
			continue
		}
		if it.st.Active {
			s.Active++
			if first == nil || older(it, first) {
				first = it
			}
		}
		if it.st.Active || it.st.Unacked {
			s.Highest = max(s.Highest, it.st.Priority)
		}
	}
	if first != nil {
		s.FirstOut = first.name
	}
	return s
}

// States appends the state of every item to dst, in catalogue order and then by place, and returns it.
func (e *Engine) States(dst []State) []State {
	for _, it := range e.items {
		dst = append(dst, it.st)
	}
	return dst
}

// SavedAlarm is what a restart must know of one item.
type SavedAlarm struct {
	Key     findings.Key  `json:"key"`
	Where   string        `json:"where,omitempty"`
	Name    StateName     `json:"name"`
	Unacked bool          `json:"unacked,omitempty"`
	Latched bool          `json:"latched,omitempty"`
	Shelved bool          `json:"shelved,omitempty"`
	Left    time.Duration `json:"left,omitempty"` // shelf time left, running time
	By      string        `json:"by,omitempty"`   // who shelved it
	Why     string        `json:"why,omitempty"`
	Stood   time.Duration `json:"stood,omitempty"` // running time it has been active
	Out     bool          `json:"out,omitempty"`
	OutBy   string        `json:"out_by,omitempty"`
	OutWhy  string        `json:"out_why,omitempty"`
}

// Saved is what a restart must know of all alarms.
type Saved struct {
	Seq    uint64       `json:"seq"`
	Alarms []SavedAlarm `json:"alarms"`
}
