// SPDX-License-Identifier: Apache-2.0

package care

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"airhold/firmware/findings"
)

// The names of what the list has counted.
const (
	LearnedSeason = "care-season"
	learnedItem   = "care-" // and the item: its last record
)

// Save returns what must outlive a power cut, nil before there was anything. Equal knowledge gives equal bytes.
func (c *Care) Save() []byte {
	s := &c.s
	if s.Since.IsZero() && s.Days == 0 && s.Worked == 0 && s.Run == 0 && len(s.Records) == 0 {
		return nil
	}
	s.Version, s.Hushed = stateVersion, nil
	for i := range c.items {
		if c.items[i].hushed {
			s.Hushed = append(s.Hushed, c.items[i].name)
		}
	}
	b, err := json.Marshal(s)
	if err != nil { // a date beyond the year 9999: better the knowledge of before
		return c.o.Saved
	}
	return b
}

// restore takes what an earlier Save wrote. Bytes that are none of ours, or hold what cannot be, are as good as none.
func (c *Care) restore(saved []byte) {
	var s state
	if len(saved) > 0 && json.Unmarshal(saved, &s) == nil && s.sane() {
		c.s = s
		c.trim()
	}
	c.own = len(c.s.Records)
	c.link()
	for i := range c.items {
		c.items[i].hushed = slices.Contains(c.s.Hushed, c.items[i].name)
	}
}

// sane says that a state can be.
func (s *state) sane() bool {
	if s.Version != stateVersion || s.Days < 0 || s.Worked < 0 || s.Run < 0 || s.Before < 0 || s.Loose < 0 || s.Season.Number < 0 || s.Season.Days < 0 || s.Season.Worked < 0 {
		return false
	}
	return !slices.ContainsFunc(s.Records, func(e entry) bool {
		return e.Mark.Days < 0 || e.Mark.Days > s.Days || e.Mark.Worked < 0 || e.Mark.Worked > s.Worked || e.Mark.Run < 0 || e.Mark.Run > s.Before+s.Run
	})
}

// Learned lists the last record of each item, and the season.
func (c *Care) Learned() []findings.Learned {
	var out []findings.Learned
	for i := range c.items {
		it := &c.items[i]
		if it.last == none {
			continue
		}
		e := c.s.Records[it.last]
		text := day(e.At)
		if e.By != "" {
			text += ", by " + e.By
		}
		out = append(out, findings.Learned{Name: learnedItem + it.name, Words: "last record: " + strings.ToLower(it.words[:1]) + it.words[1:], Text: text})
	}
	if n := c.s.Season.Number; n > 0 {
		out = append(out, findings.Learned{
			Name: LearnedSeason, Words: "season of the care list",
			Text: fmt.Sprintf("number %d, began: %s; %d working days in all", n, day(c.s.Season.Began), c.s.Days),
		})
	}
	return out
}

// Forget takes back an item's last record, so that the one before counts again, or the season, so that the next work
// begins one and asks anew.
func (c *Care) Forget(name string) bool {
	if name == LearnedSeason {
		if c.s.Season.Number == 0 {
			return false
		}
		c.s.Season, c.work.turned, c.work.newSeason = season{}, false, false
		c.again(c.now)
		return true
	}
	which, ok := strings.CutPrefix(name, learnedItem)
	if !ok {
		return false
	}
	i := slices.IndexFunc(c.items, func(it item) bool { return it.name == which })
	if i < 0 || c.items[i].last == none {
		return false
	}
	at := c.items[i].last
	c.s.Records = slices.Delete(c.s.Records, at, at+1)
	if at < c.own {
		c.own--
	}
	c.items[i].hushed = false
	c.link()
	c.again(c.now)
	return true
}
