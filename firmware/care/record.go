// SPDX-License-Identifier: Apache-2.0

package care

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// find returns an item by its name; the error lists those there are.
func (c *Care) find(name string) (*item, error) {
	want := plain(name)
	var names []string
	for i := range c.items {
		it := &c.items[i]
		if Named(&Item{Name: it.name, Matter: it.matter}, name) {
			return it, nil
		}
		names = append(names, c.items[i].name)
	}
	list := strings.Join(names, ", ")
	switch {
	case want == "":
		return nil, errors.New("say what was done: " + list)
	case slices.ContainsFunc(trade(), func(w what) bool { return w.name == want }):
		return nil, fmt.Errorf("%q is not on this machine's care list; on it are %s", want, list)
	default:
		return nil, fmt.Errorf("there is no care item %q; there are %s", short(want), list)
	}
}

// Named says that a person means this item by a name: oil-change, oil_change and "Oil change" are one.
func Named(it *Item, name string) bool {
	return it.Name == plain(name) || plain(it.Matter) == plain(name)
}

// short keeps a name from outside short.
func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "..."
	}
	return s
}

// Done records that an item was done. Its error is a sentence for the person, with the items there are.
func (c *Care) Done(at time.Duration, name, by, note string) error {
	it, err := c.find(name)
	if err != nil {
		return err
	}
	at = max(at, c.now)
	c.s.Records = append(c.s.Records, entry{
		Item: it.name, At: c.clock.utc(at), Mono: at.Milliseconds(), By: by, Note: note,
		Mark: mark{Days: c.s.Days, Worked: c.s.Worked, Run: c.run()},
	})
	it.hushed = it.told
	if s := &c.s.Season; it.season && s.Number > 0 {
		c.close(it.name, Finished)
	}
	c.trim()
	c.link()
	c.say(at, "care-done", it.words+": done"+signed(by, note))
	if it.name == "drain" && c.o.Drained != nil {
		c.o.Drained(at)
	}
	c.again(at)
	return nil
}

// Answer takes the answer to a season's question. Done is a record like any other.
func (c *Care) Answer(at time.Duration, name string, a Answer, by string) error {
	return c.Tell(at, name, string(a), by, "")
}

// Tell does what a command says: the item was done, which is also what no answer means, or it is the answer to a season's
// question that it was not, or that nobody knows.
func (c *Care) Tell(at time.Duration, name, answer, by, note string) error {
	it, err := c.find(name)
	if err != nil {
		return err
	}
	open := slices.Contains(c.s.Season.Open, it.name)
	words := "not done for this season"
	switch Answer(answer) {
	case Finished, "":
		if answer != "" && note == "" && open {
			note = "said when the season began"
		}
		return c.Done(at, name, by, note)
	case NotDone:
	case Unknown:
		words = "not known whether it was done for this season"
	default:
		return fmt.Errorf("the answer is %s, %s or %s, not %q", Finished, NotDone, Unknown, short(answer))
	}
	if !open {
		return fmt.Errorf("nothing is asked about %q now", it.name)
	}
	c.close(it.name, Answer(answer))
	c.say(max(at, c.now), "care-answer", it.words+": "+words+signed(by, note))
	c.again(at)
	return nil
}

// close ends a season's question.
func (c *Care) close(name string, a Answer) {
	s := &c.s.Season
	s.Open = slices.DeleteFunc(slices.Clone(s.Open), func(n string) bool { return n == name })
	if s.Answers == nil {
		s.Answers = map[string]Answer{}
	}
	s.Answers[name] = a
}

// again judges anew after something was recorded, so that the list is right at once; the alarms hear it at the next tick.
func (c *Care) again(at time.Duration) {
	c.now = max(c.now, at)
	for i := range c.items {
		c.items[i].verdict = c.judge(&c.items[i])
	}
}

// signed is who did it and what they noted, as the end of a sentence.
func signed(by, note string) string {
	text := "."
	if note != "" {
		text = " (" + strings.TrimSuffix(note, ".") + ")."
	}
	if by != "" {
		text = ", by " + by + text
	}
	return text
}

// link finds every item's newest record.
func (c *Care) link() {
	for i := range c.items {
		c.items[i].last = none
	}
	for i := range c.s.Records {
		for j := range c.items {
			if c.items[j].name == c.s.Records[i].Item {
				c.items[j].last = i
			}
		}
	}
}

// trim lets go of the oldest record that is not the newest of its item, where there are too many.
func (c *Care) trim() {
	for len(c.s.Records) > mostRecords {
		i := 0
		for i < len(c.s.Records)-1 && !slices.ContainsFunc(c.s.Records[i+1:], func(e entry) bool { return e.Item == c.s.Records[i].Item }) {
			i++
		}
		c.s.Records = slices.Delete(c.s.Records, i, i+1)
		if i < c.own {
			c.own--
		}
	}
}
