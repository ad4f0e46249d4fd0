// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"maps"
	"math"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

// memory is what outlives a box's power: what a machine's checks have learned, and its alarms.
type memory struct {
	learned map[string][]byte
	alarms  *alarms.Saved
}

func newMemory() *memory { return &memory{learned: map[string][]byte{}} }

// Finished is for tests, of which there are none.
func (m *memory) Finished(*session.Result) {}

// Learned keeps what a check has learned.
func (m *memory) Learned(name string, value []byte) { m.learned[name] = bytes.Clone(value) }

func (m *memory) copied() *memory { return &memory{maps.Clone(m.learned), m.alarms} }

// raising is an alarm that was announced.
type raising struct {
	at       time.Duration
	key      findings.Key
	where    string
	priority alarms.Priority
	silent   bool
}

// dayOutcome is what the checks said on one day, beside the truth. Flows are L/min ANR.
type dayOutcome struct {
	hours   float64
	raised  []raising
	sizes   []firmware.Estimate
	morning *publish.MorningNow

	both, missed, added int // tenths of a second: on and said so, on and not said, off and said to be on
	judged              int

	leakSum, leakN float64 // of the leak beside the seep, in the ten minutes after its onset, lowered
	gauge          needle
	refused        []string
	planted        []float64 // h of planting by the end of each minute
}

// said counts what a day's spine says.
type said struct{ out *dayOutcome }

// Transition counts an alarm when it is announced, and when it steps up.
func (s said) Transition(t alarms.Transition) {
	if t.To == alarms.ActiveUnacked && t.From != t.To {
		s.out.raised = append(s.out.raised, raising{t.At, t.State.Key, t.State.Where, t.State.Priority, t.State.Silent})
	}
}
func (s said) Run(compressor.Run)           {}
func (s said) Estimate(e firmware.Estimate) { s.out.sizes = append(s.out.sizes, e) }
func (s said) Event(firmware.Event)         {}

// boot is one day on its way through a spine.
type boot struct {
	spine *firmware.Spine
	out   *dayOutcome
	entry store.Entry

	tank, wall, ambient, humid, baro, lowered, speed, drive, ignite readings.Channel
	ranks, targets                                                  [2]readings.Channel

	tape   []readings.Reading // where it only records
	truth  [8192]bool         // on or off, in tenths of a second, from judged on
	newest int                // how many tenths are known
}

// newBoot finds the channels.
func newBoot(table *readings.Table) *boot {
	b := &boot{}
	b.tank, b.wall, b.ambient, b.humid, b.baro = table.Find("tank"), table.Find("wall"), table.Find("ambient"), table.Find("humidity"), table.Find("barometer")
	b.lowered, b.speed, b.drive, b.ignite = table.Find("lowered"), table.Find("speed"), table.Find("drive"), table.Find("ignition")
	b.ranks = [2]readings.Channel{table.Find("front"), table.Find("rear")}
	b.targets = [2]readings.Channel{table.Find("front_target"), table.Find("rear_target")}
	return b
}

// dayTask is a day to be watched.
type dayTask struct {
	machine *config.Machine
	day     *rig.Day
	date    int // number of the day in the season
	memory  *memory
	leak    rig.DayLeak   // as the day has it; the onset counts
	seep    float64       // m3/s that the place of the leak lets out anyway
	jump    time.Duration // when the wall clock jumps an hour; 0: never
	tended  bool          // in the evening somebody does what the care list says, and records it
}

// watchDay sends a whole day through the whole set of checks.
func watchDay(t dayTask) (dayOutcome, error) {
	out := dayOutcome{}
	table := firmware.NewTable(t.machine)
	spine, err := firmware.NewSpine(firmware.SpineOptions{
		Machine: t.machine, Table: table, Out: said{&out}, Learned: t.memory.learned, Memory: t.memory, Saved: t.memory.alarms,
	})
	if err != nil {
		return out, err
	}
	b := newBoot(table)
	b.spine, b.out = spine, &out
	start := time.Date(2026, time.April, 20+t.date, 0, 0, 0, 0, time.UTC).Add(t.day.Clock())
	b.clock(0, start)
	var s rig.DaySample
	worked, planted := false, 0.0
	for t.day.Next(&s) {
		b.send(&s)
		out.gauge.read(&s)
		if s.Moving && s.Lowered != 0 {
			worked, planted = true, planted+0.1/3600
		}
		if s.At%time.Minute == 0 {
			out.planted = append(out.planted, planted)
		}
		if t.leak.Where != "" && s.At > t.leak.At && s.At <= t.leak.At+sizedAfter && (s.Lowered == 1 || t.leak.Where == tankSide) {
			out.leakSum += lmin(float64(s.Leak) - t.seep)
			out.leakN++
		}
		if s.At%time.Second != 0 {
			continue
		}
		b.entry.Kind, b.entry.At = store.IsTick, s.At
		b.spine.Apply(&b.entry)
		b.judge()
		if t.jump > 0 && s.At == t.jump.Round(time.Second) {
			b.clock(s.At, start.Add(s.At+time.Hour))
		}
		if !worked && s.At%(10*time.Second) == 0 {
			if m := b.spine.Now().Morning; m != nil {
				out.morning = m
			}
		}
	}
	if t.tended {
		b.tend(t.day, s.At)
	}
	spine.Close()
	saved := spine.Engine().Save()
	t.memory.alarms = &saved
	b.judge()
	out.hours = s.At.Hours()
	return out, nil
}

// sizedAfter is when a leak's size is compared with the truth; tankSide is the place that a tank's leaks have.
const (
	sizedAfter = 10 * time.Minute
	tankSide   = "tank side"
)

func (b *boot) clock(at time.Duration, utc time.Time) {
	b.entry.Kind, b.entry.At, b.entry.Clock = store.IsClock, at, clock.Sample{Boot: at, UTC: utc, Quality: clock.Good}
	b.spine.Apply(&b.entry)
}

// send hands a sample's readings to the spine.
func (b *boot) send(s *rig.DaySample) {
	b.truth[b.newest%len(b.truth)] = s.On
	b.newest++
	b.entry.Kind, b.entry.At = store.IsReading, s.At
	b.reading(b.tank, s.Tank)
	for k := range b.ranks {
		b.reading(b.ranks[k], s.Ranks[k])
		b.reading(b.targets[k], s.Targets[k])
	}
	b.reading(b.lowered, s.Lowered)
	b.reading(b.speed, s.Speed)
	b.reading(b.drive, s.Drive)
	b.reading(b.wall, s.Wall)
	b.reading(b.ambient, s.Ambient)
	b.reading(b.humid, s.Humidity)
	b.reading(b.baro, s.Barometer)
	b.reading(b.ignite, s.Ignite)
}

func (b *boot) reading(c readings.Channel, v float64) {
	if c < 0 || math.IsNaN(v) {
		return
	}
	b.entry.Reading = readings.Reading{Channel: c, At: b.entry.At, Value: v}
	if b.spine == nil {
		b.tape = append(b.tape, b.entry.Reading)
		return
	}
	b.spine.Apply(&b.entry)
}

// tend does the care that is due.
func (b *boot) tend(d *rig.Day, at time.Duration) {
	for _, c := range b.spine.Now().Care {
		if !c.Due {
			continue
		}
		if c.Item == "drain" {
			d.DrainWater()
		}
		b.entry.Kind, b.entry.At = store.IsCommand, at
		b.entry.Command = &alarms.Command{ID: "tend " + c.Item, Verb: alarms.CareDone, Where: c.Item, By: "the operator", Role: alarms.Operate, Via: "page"}
		if a := b.spine.Apply(&b.entry); !a.OK {
			b.out.refused = append(b.out.refused, a.Error)
		}
	}
}

// judge compares what the compressor's watch has decided for good with the truth, tenth by tenth. What it never decides
// counts as not said to be on.
func (b *boot) judge() {
	c := b.spine.Compressor()
	const tenth = 100 * time.Millisecond
	settled := c.Settled()
	for i := b.out.judged; i < b.newest; i++ {
		at := time.Duration(i) * tenth
		if late := b.newest-i >= len(b.truth)-10; at > settled && !late {
			return
		}
		share, known := c.OnShare(at-tenth, at)
		on := known && share > 0.5
		switch truth := b.truth[i%len(b.truth)]; {
		case truth && on:
			b.out.both++
		case truth:
			b.out.missed++
		case on:
			b.out.added++
		}
		b.out.judged++
	}
}

// f1 is the harmonic mean of how much of the running was said and how much of what was said was running; NaN where the
// compressor never ran.
func (o *dayOutcome) f1() float64 {
	if o.both+o.missed == 0 {
		return math.NaN()
	}
	return 2 * float64(o.both) / float64(2*o.both+o.missed+o.added)
}

// dutyError is duty as said less the true one, as a share.
func (o *dayOutcome) dutyError() float64 { return float64(o.added-o.missed) / float64(o.judged) }

// duty is the true one.
func (o *dayOutcome) duty() float64 { return float64(o.both+o.missed) / float64(o.judged) }

// leaks counts the leak alarms that were announced before a time.
func (o *dayOutcome) leaks(before time.Duration) (n int) {
	for _, r := range o.raised {
		if r.key == "air-leak" && r.at < before {
			n++
		}
	}
	return n
}

// first is the first alarm of a kind from a time on.
func (o *dayOutcome) first(key findings.Key, from time.Duration) (raising, bool) {
	for _, r := range o.raised {
		if r.key == key && r.at >= from {
			return r, true
		}
	}
	return raising{}, false
}

// size is the leak's size as said ten minutes after its onset, or the first that was said later; NaN: never.
func (o *dayOutcome) size(onset time.Duration) float64 {
	v := math.NaN()
	for _, e := range o.sizes {
		if e.At < onset || e.At > onset+sizedAfter && !math.IsNaN(v) {
			continue
		}
		v = lmin(e.Leak.SI)
	}
	return v
}
