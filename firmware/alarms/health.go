// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"encoding/json"
	"maps"
	"slices"
	"time"

	"airhold/firmware/findings"
)

// The figures of a day's health. Those that are not named elsewhere are commonly quoted from ANSI/ISA-18.2 and EEMUA 191
// (from memory); the rate a driver can take is ours.
const (
	fleetingFor = 10 * time.Second // an alarm whose condition was gone so soon after it was announced (ours: "seconds")
	runningDay  = 24 * time.Hour   // of running time, where no clock says when a day ends
	keptDays    = 31
	leastDay    = time.Minute // a shorter day in which nothing happened is the slip of a clock, and is dropped
)

// By what a day begins and ends.
const (
	ByClock   = "clock"   // the days of UTC
	ByRunning = "running" // 24 h of running time: no clock was set
	ByBoth    = "both"    // it began without a clock and got its date later
)

// Health counts, day by day, how the alarms themselves do: whether there are more of them than a driver can heed, and
// which of them want mending. It hears the engine it is given to (Options.Health) and goes by the engine's times only.
//
// A day is one of UTC while a clock is set, else 24 h of running time. A clock that jumps moves the count to the day that
// it then says; coming back it goes on with the day it left. Reminders and shop notes are never counted, and an alarm that
// is announced inside its root's place is counted with its root.
type Health struct {
	open  tally
	past  []tally // oldest first
	last  time.Duration
	begun bool
	flood bool
	times []time.Duration // of the announcements of the last floodSpan
}

// tally is one day's count, as it is kept.
type tally struct {
	Date       string                  `json:"date,omitempty"`
	By         string                  `json:"by,omitempty"`
	Running    time.Duration           `json:"running"`
	Operating  time.Duration           `json:"operating"`
	Announced  map[findings.Key]levels `json:"announced,omitempty"`
	Busiest    int                     `json:"busiest,omitempty"`
	Floods     int                     `json:"floods,omitempty"`
	Flooded    time.Duration           `json:"flooded,omitempty"`
	Chattering map[findings.Key]int    `json:"chattering,omitempty"`
	Fleeting   map[findings.Key]int    `json:"fleeting,omitempty"`
	Stale      int                     `json:"stale,omitempty"`
	Shelved    int                     `json:"shelved,omitempty"`
	Out        int                     `json:"out,omitempty"`
}

// levels counts announcements by priority, Low first.
type levels [High]int

// NewHealth brings back what Save returned; nil, and what cannot be read, begin anew.
func NewHealth(saved []byte) *Health {
	h := &Health{}
	var days []tally
	if json.Unmarshal(saved, &days) == nil && len(days) > 0 {
		h.past, h.open = days[:len(days)-1], days[len(days)-1]
	}
	return h
}

// Save returns what a restart must know; equal counts give equal bytes.
func (h *Health) Save() []byte {
	b, err := json.Marshal(append(slices.Clone(h.past), h.open))
	if err != nil {
		return nil // a tally holds nothing that JSON cannot
	}
	return b
}

// Moment is what Tick is told beside the time.
type Moment struct {
	Date      string // day of UTC, "2026-04-28"; empty: no clock is set
	Operating bool   // engine and compressor drive are not known to be off
	Sum       Sum    // of the engine's alarms
}

// Tick tells that time has passed. It returns true where a day has ended: the newest of Days that is not open.
func (h *Health) Tick(at time.Duration, m Moment) (ended bool) {
	if !h.begun {
		h.begun, h.last = true, at
	}
	ended = h.turn(m.Date)
	passed := max(0, at-h.last)
	h.last = max(h.last, at)
	d := &h.open
	d.Running += passed
	if m.Operating {
		d.Operating += passed
	}
	if m.Sum.Flood {
		d.Flooded += passed
		if !h.flood {
			d.Floods++
		}
	}
	h.flood = m.Sum.Flood
	d.Stale = max(d.Stale, m.Sum.Stale)
	return ended
}

// turn ends the day where it is over. What runs before the clock is set counts to the day that was left open.
func (h *Health) turn(date string) bool {
	d := &h.open
	over := d.Running >= runningDay // where no clock says it
	switch {
	case date == "" && !over:
		if d.By == "" {
			d.By = ByRunning
		}
		return false
	case date == "":
	case d.Date == date:
		return false
	case d.By == "" || d.Running == 0:
		d.Date, d.By = date, ByClock
		h.join()
		return false
	case d.Date == "" && !over:
		d.Date, d.By = date, ByBoth
		h.join()
		return false
	}
	ended := h.close()
	h.open = tally{Date: date, By: ByClock}
	if date == "" {
		h.open.By = ByRunning
	}
	h.join()
	return ended
}

// close puts the open day to those that are over.
func (h *Health) close() bool {
	d := &h.open
	if d.Running < leastDay && len(d.Announced) == 0 && d.Shelved+d.Out == 0 {
		return false
	}
	h.past = append(h.past, *d)
	if len(h.past) > keptDays {
		h.past = slices.Delete(h.past, 0, len(h.past)-keptDays)
	}
	return true
}

// join adds an earlier part of the open day to it: the clock has come back to that day, or was set during it.
func (h *Health) join() {
	i := slices.IndexFunc(h.past, func(p tally) bool { return p.Date != "" && p.Date == h.open.Date })
	if i < 0 {
		return
	}
	was, d := h.past[i], &h.open
	h.past = slices.Delete(h.past, i, i+1)
	if was.By != d.By {
		d.By = ByBoth
	}
	d.Running, d.Operating, d.Flooded = d.Running+was.Running, d.Operating+was.Operating, d.Flooded+was.Flooded
	d.Floods, d.Shelved, d.Out = d.Floods+was.Floods, d.Shelved+was.Shelved, d.Out+was.Out
	d.Busiest, d.Stale = max(d.Busiest, was.Busiest), max(d.Stale, was.Stale)
	for k, n := range was.Announced {
		d.announce(k, n)
	}
	for k, n := range was.Chattering {
		count(&d.Chattering, k, n)
	}
	for k, n := range was.Fleeting {
		count(&d.Fleeting, k, n)
	}
}

func (d *tally) announce(k findings.Key, n levels) {
	if d.Announced == nil {
		d.Announced = map[findings.Key]levels{}
	}
	sum := d.Announced[k]
	for i := range n {
		sum[i] += n[i]
	}
	d.Announced[k] = sum
}

func count(into *map[findings.Key]int, k findings.Key, n int) {
	if *into == nil {
		*into = map[findings.Key]int{}
	}
	(*into)[k] += n
}

// announced hears of an announcement that counts.
func (h *Health) announced(it *item, at time.Duration) {
	if h == nil {
		return
	}
	var one levels
	one[it.st.Priority-1] = 1
	h.open.announce(it.st.Key, one)
	h.times = slices.DeleteFunc(h.times, func(t time.Duration) bool { return at-t >= floodSpan })
	h.times = append(h.times, at)
	h.open.Busiest = max(h.open.Busiest, len(h.times))
}

// chattered hears of an alarm that came and went too often.
func (h *Health) chattered(it *item) {
	if h != nil && !it.quiet() {
		count(&h.open.Chattering, it.st.Key, 1)
	}
}

// cleared hears of an alarm that has cleared after its condition held for so long.
func (h *Health) cleared(it *item, held time.Duration) {
	if h != nil && held < fleetingFor && it.st.Visibility == Shown && !it.quiet() {
		count(&h.open.Fleeting, it.st.Key, 1)
	}
}

// hidden hears of an alarm that somebody put aside or took out of service.
func (h *Health) hidden(it *item, out bool) {
	switch {
	case h == nil || it.quiet():
	case out:
		h.open.Out++
	default:
		h.open.Shelved++
	}
}

// Days returns the health of each day, newest first.
func (h *Health) Days() []HealthDay {
	out := make([]HealthDay, 0, len(h.past)+1)
	out = append(out, h.open.day(true))
	for _, d := range slices.Backward(h.past) {
		out = append(out, d.day(false))
	}
	return out
}

// Ended returns the health of the day that ended last; false: none has.
func (h *Health) Ended() (HealthDay, bool) {
	if len(h.past) == 0 {
		return HealthDay{}, false
	}
	return h.past[len(h.past)-1].day(false), true
}

// Today returns the health of the day that goes on.
func (h *Health) Today() HealthDay { return h.open.day(true) }

// sorted lists counts, the largest first.
func sorted(counts map[findings.Key]int) []KeyCount {
	out := make([]KeyCount, 0, len(counts))
	for _, k := range slices.Sorted(maps.Keys(counts)) {
		out = append(out, KeyCount{k, counts[k]})
	}
	slices.SortStableFunc(out, func(a, b KeyCount) int { return b.Times - a.Times })
	return out
}
