// SPDX-License-Identifier: Apache-2.0

// Package traffic follows what goes on on one bus, from its frames alone: who is there, what is sent how often, how full
// the bus is, which faults the machine reports, how the local controller is, and whether anybody answers at all.
//
// Words: a group is one parameter group from one sender (or one 11-bit identifier); its period is the median time between
// its messages; a talker is a sender's address; a lone talker is the only device on a bus; a picture is everything known
// at one time.
//
// The package never reads a clock, opens nothing and cannot send. Whatever comes, its memory is bounded: groups and faults
// beyond the limits are counted and not kept one by one. Everything it lists has one order.
//
// Sources: ISO 11898-1 for bits and fault confinement, linux/can/error.h for error reports, J1939-21/-73/-81 and ISO 11783
// for the rest, through the rooms below and the open lists named in words.go.
package traffic

import (
	"cmp"
	"slices"
	"time"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// Bounds of a Tracker's memory.
const (
	maxGroups  = 1024
	maxFaults  = 256
	maxChanges = 32
	gapsKept   = 64 // the newest gaps of a group, of which the median is taken
)

// gone is how long a group must be silent to give way to a new one.
const gone = 2 * time.Minute

// silence is how long a bus must be quiet to count as off: every network here has a message each second or two.
const silence = 10 * time.Second

// Options describe one link.
type Options struct {
	Link    string // its name, for the picture
	Bitrate int64  // bit/s; 0: not known, and then the slowest usual one that could carry the traffic is reckoned with
	Limited bool   // the kernel passes only some groups: what is told is of those alone
	Meter   *Meter // nil: one of its own
}

// Tracker follows one link. One goroutine at a time may use it.
type Tracker struct {
	o          Options
	meter      *Meter
	lone       *Lone
	controller Controller

	frames, remote        int64
	bits                  int64
	first, last           stamp
	now                   time.Duration // of the newest frame or Tick
	heard                 bool
	covered               time.Duration
	second                int64 // whose bits are being summed
	current, full, busier int64 // bits of it, of the last whole one, and of the busiest
	dropped, malformed    uint64

	talkers [256]talker
	changes []Change
	changed int64
	away    []Change // who lost its address, and to what; the newest ones

	groups  []group
	index   map[groupKey]int32
	passed  Passed
	faults  []fault
	faulted int64 // faults that found no room
	codes   []j1939.DTC
}

// stamp is a time of a frame on both clocks.
type stamp struct {
	at  time.Duration
	utc time.Time
}

type talker struct {
	frames  int64
	last    stamp
	name    j1939.NAME
	claimed bool
	lamps   j1939.Lamps
	lit     bool // lamps were ever told
}

type groupKey struct {
	id       uint32 // PGN and source, or an 11-bit identifier
	extended bool
}

type group struct {
	key            groupKey
	name           string
	count, frames  int64
	last           stamp
	gaps           [gapsKept]uint32 // microseconds, a ring
	gapAt, gapSize uint8
}

type fault struct {
	source uint8
	dtc    j1939.DTC
	since  stamp
	last   stamp
	active bool
}

// Passed counts what found no room among the groups.
type Passed struct {
	Messages int64 `json:"messages"`
	Frames   int64 `json:"frames"`
}

// Change is one move of a device from address to address.
type Change struct {
	NAME   j1939.NAME
	From   uint8 // j1939.Null: it had none that was heard
	To     uint8 // j1939.Null: it found none
	Before j1939.NAME
	Took   bool // another device had To before
	at     stamp
}

// New makes a Tracker that has heard nothing.
func New(o Options) *Tracker {
	if o.Meter == nil {
		o.Meter = NewMeter()
	}
	return &Tracker{
		o: o, meter: o.Meter, lone: NewLone(o.Meter, o.Bitrate), second: -1, index: make(map[groupKey]int32),
	}
}

// Open tells that the link was opened, and in which state its controller was; Unknown where the driver does not say.
func (t *Tracker) Open(at time.Duration, s State) { t.controller.Open(at, s) }

// Lost takes over counts of the receiver: frames the kernel dropped, and what was no classic CAN frame.
func (t *Tracker) Lost(dropped, malformed uint64) { t.dropped, t.malformed = dropped, malformed }

// Tick takes note of the time while nothing comes.
func (t *Tracker) Tick(at time.Duration) {
	t.now = at
	t.lone.Tick(at)
}

// Controller returns what the error reports of the link's controller said.
func (t *Tracker) Controller() *Controller { return &t.controller }

// Lone returns what is known of a lone talker, and whether there is one now.
func (t *Tracker) Lone() (Report, bool) { return t.lone.Now() }

// Keep takes every frame of the link in order. It reports false for frames that a lone talker only repeats, and for the
// rest of a flood of error reports: they are counted here and worth neither a place in the record nor decoding.
func (t *Tracker) Keep(f *bus.Frame) bool {
	now := stamp{f.Boot, f.UTC}
	if !t.heard {
		t.heard, t.first = true, now
	} else if gap := f.Boot - t.last.at; gap > 0 && gap <= silence {
		t.covered += gap
	}
	t.last, t.now = now, f.Boot
	keep := t.lone.Keep(f)
	if f.Class == bus.Error {
		t.controller.Error(f)
		return keep
	}
	t.controller.Heard(f.Boot)
	t.frames++
	if f.IsRemote || f.Class == bus.Remote {
		t.remote++
	}
	t.load(f)
	if f.IsExtended {
		s := &t.talkers[uint8(f.ID&0xFF)]
		s.frames++
		s.last = now
	}
	return keep
}

func (t *Tracker) load(f *bus.Frame) {
	n := t.meter.Bits(f)
	t.bits += n
	if s := int64(f.Boot / time.Second); s != t.second {
		if t.full = t.current; s != t.second+1 {
			t.full = 0
		}
		t.second, t.current = s, 0
	}
	t.current += n
	t.busier = max(t.busier, t.current)
}

// Message takes a message that the frames made. Frames of a lone talker that were not kept need not come here.
func (t *Tracker) Message(m *signals.Message) {
	now := stamp{m.At, m.UTC}
	k := groupKey{id: m.ID}
	if m.Extended {
		k = groupKey{m.PGN<<8 | uint32(m.Source), true}
	}
	g := t.group(k, m.Key, m.At)
	if g == nil {
		t.passed.Messages++
		t.passed.Frames += int64(m.Frames)
		return
	}
	if gap := m.At - g.last.at; g.count > 0 && gap >= 0 {
		g.gaps[g.gapAt] = uint32(min(gap.Microseconds(), 1<<32-1)) //nolint:gosec // bounded just here
		g.gapAt = (g.gapAt + 1) % gapsKept
		g.gapSize = min(g.gapSize+1, gapsKept)
	}
	g.count++
	g.frames += int64(m.Frames)
	g.last = now
	switch {
	case !m.Extended:
	case m.PGN == j1939.PGNAddressClaim:
		t.claim(m, now)
	case m.PGN == j1939.PGNDM1:
		t.trouble(m, now)
	}
}

// group finds a group's place. When all are taken the one heard least often gives way, of those the one silent longest,
// if it came only once or has been silent for long: what a flood of made-up identifiers brings gives way before the
// machine's own.
func (t *Tracker) group(k groupKey, name string, now time.Duration) *group {
	if i, ok := t.index[k]; ok {
		return &t.groups[i]
	}
	if len(t.groups) < maxGroups {
		t.index[k] = int32(len(t.groups)) //nolint:gosec // below maxGroups
		t.groups = append(t.groups, group{key: k, name: name})
		return &t.groups[len(t.groups)-1]
	}
	least := 0
	for i := range t.groups {
		if g, l := &t.groups[i], &t.groups[least]; g.count < l.count || g.count == l.count && g.last.at < l.last.at {
			least = i
		}
	}
	g := &t.groups[least]
	if g.count > 1 && now-g.last.at < gone {
		return nil
	}
	t.passed.Messages += g.count
	t.passed.Frames += g.frames
	delete(t.index, g.key)
	*g = group{key: k, name: name}
	t.index[k] = int32(least)
	return g
}

// claim follows an address claim. Of two devices that want one address the last heard has it: the winner repeats its claim.
func (t *Tracker) claim(m *signals.Message, now stamp) {
	n, ok := j1939.ParseNAME(m.Data)
	if !ok {
		return
	}
	c := Change{NAME: n, From: j1939.Null, To: m.Source, at: now}
	if m.Source < j1939.Null {
		s := &t.talkers[m.Source]
		if s.claimed && s.name == n {
			return
		}
		c.Before, c.Took = s.name, s.claimed
	}
	moved := c.Took
	if i := slices.IndexFunc(t.away, func(a Change) bool { return a.NAME == n }); i >= 0 {
		c.From = t.away[i].To
		t.away = slices.Delete(t.away, i, i+1)
		moved = true
	}
	for i := range t.talkers[:j1939.Null] {
		if s := &t.talkers[i]; s.claimed && s.name == n {
			c.From, moved = uint8(i), true
			s.claimed, s.name = false, 0
		}
	}
	switch {
	case m.Source >= j1939.Null:
		t.away = remember(t.away, Change{NAME: n, To: j1939.Null})
	case c.Took:
		t.away = remember(t.away, Change{NAME: c.Before, To: m.Source})
		fallthrough
	default:
		s := &t.talkers[m.Source]
		s.claimed, s.name = true, n
	}
	if !moved || c.From == c.To {
		return // a first claim, or one that finds no address again
	}
	t.changed++
	t.changes = remember(t.changes, c)
}

// remember appends, and drops the oldest where there are many.
func remember(all []Change, c Change) []Change {
	if len(all) == maxChanges {
		all = slices.Delete(all, 0, 1)
	}
	return append(all, c)
}

// trouble follows the active faults of one sender. One that falls silent keeps its faults: silence mends nothing.
func (t *Tracker) trouble(m *signals.Message, now stamp) {
	d, ok := j1939.ParseDM1(m.Data, t.codes[:0])
	if !ok {
		return
	}
	t.codes = d.DTCs
	s := &t.talkers[m.Source]
	s.lamps, s.lit = d.Lamps, true
	for i := range t.faults {
		f := &t.faults[i]
		if f.source == m.Source && f.active && !slices.ContainsFunc(d.DTCs, f.is) {
			f.active = false
		}
	}
	for _, c := range d.DTCs {
		i := slices.IndexFunc(t.faults, func(f fault) bool { return f.source == m.Source && f.is(c) })
		if i < 0 {
			if i = t.room(); i < 0 {
				t.faulted++
				continue
			}
			t.faults[i] = fault{source: m.Source, since: now}
		}
		f := &t.faults[i]
		if !f.active {
			f.since = now
		}
		f.dtc, f.last, f.active = c, now, true
	}
}

func (f *fault) is(c j1939.DTC) bool { return f.dtc.SPN == c.SPN && f.dtc.FMI == c.FMI }

// room finds a place for a fault: a new one, or that of the fault that went longest ago; negative: all are active.
func (t *Tracker) room() int {
	if len(t.faults) < maxFaults {
		t.faults = append(t.faults, fault{})
		return len(t.faults) - 1
	}
	oldest := -1
	for i := range t.faults {
		if f := &t.faults[i]; !f.active && (oldest < 0 || f.last.at < t.faults[oldest].last.at) {
			oldest = i
		}
	}
	return oldest
}

// period returns the median of a group's gaps, and whether they are even: the middle half of them within a quarter of it.
func (g *group) period() (median time.Duration, even, ok bool) {
	n := int(g.gapSize)
	if n == 0 {
		return 0, false, false
	}
	var sorted [gapsKept]uint32
	copy(sorted[:], g.gaps[:n])
	s := sorted[:n]
	slices.Sort(s)
	twice := uint64(s[(n-1)/2]) + uint64(s[n/2])
	median = time.Duration(twice) * time.Microsecond / 2 //nolint:gosec // at most two hours and a half
	low, high := float64(s[n/4]), float64(s[n-1-n/4])
	half := float64(twice) / 2
	const band = 0.25
	return median, low >= half*(1-band) && high <= half*(1+band), true
}

// recent goes back from the newest message by the gaps that were kept, as far as a second before now.
func (g *group) recent(now time.Duration) (ago []time.Duration) {
	at := now - g.last.at
	for i := uint8(0); at >= 0 && at <= time.Second; i++ {
		ago = append(ago, at)
		if i == g.gapSize {
			break
		}
		at += time.Duration(g.gaps[(g.gapAt+gapsKept-1-i)%gapsKept]) * time.Microsecond
	}
	return ago
}

// compareGroups orders by identifier: groups of 29-bit identifiers by PGN and source, then the 11-bit ones.
func compareGroups(a, b *group) int {
	if a.key.extended != b.key.extended {
		if a.key.extended {
			return -1
		}
		return 1
	}
	return cmp.Compare(a.key.id, b.key.id)
}
