// SPDX-License-Identifier: Apache-2.0

package session

import (
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
	"airhold/firmware/readings"
	"airhold/tools/golden"
)

const (
	tankAt readings.Channel = iota
	frontAt
	rearAt
	speedAt
	runningAt
	driveAt
	loweredAt
	ambientAt
)

// lead is a session on a machine whose readings are set by hand, and what it was heard to say.
type lead struct {
	*Session

	at   time.Duration
	ids  int
	said []string
}

// whole is a machine of which everything is seen.
func whole() Options {
	return Options{
		Tank: Tank{Pressure: tankAt, Volume: 40e-3, SafeWorking: 1000e3, Relief: 900e3},
		Ranks: []Rank{
			{Name: "front", Pressure: frontAt, Target: readings.NoChannel, Volume: 20e-3, PowerOff: zones.Hold, ShutOff: zones.None},
			{Name: "rear", Pressure: rearAt, Target: readings.NoChannel, Volume: 20e-3, PowerOff: zones.Vent, ShutOff: zones.None},
		},
		Running: runningAt, Drive: driveAt, Speed: speedAt, Lowered: loweredAt, Ambient: ambientAt,
		Wall: readings.NoChannel, Barometer: readings.NoChannel,
		CutOut: func() (float64, bool) { return 750e3, true },
	}
}

// bare is a machine of which only the tank's pressure is seen.
func bare() Options {
	return Options{
		Tank:    Tank{Pressure: tankAt, Volume: 40e-3},
		Running: readings.NoChannel, Drive: readings.NoChannel, Speed: readings.NoChannel, Lowered: readings.NoChannel,
		Ambient: readings.NoChannel, Wall: readings.NoChannel, Barometer: readings.NoChannel,
	}
}

func newLead(o Options) *lead { return &lead{Session: New(o, nil)} }

// hears lets seconds pass in which the channels say the same.
func (l *lead) hears(seconds int, values map[readings.Channel]float64) {
	for range 4 * seconds {
		l.at += time.Second / 4
		for c, v := range values {
			l.Read(readings.Reading{Channel: c, At: l.at, Value: v, Quality: readings.Good})
		}
	}
	l.now = l.at
}

// tell gives a command and keeps the refusal.
func (l *lead) tell(verb Verb, args ...string) {
	l.ids++
	c := Command{ID: "id" + strconv.Itoa(l.ids), Verb: verb, Args: map[string]string{}, By: "cab"}
	for i := 0; i < len(args); i += 2 {
		c.Args[args[i]] = args[i+1]
	}
	l.said = append(l.said, l.Command(l.at, c).Error)
}

// look keeps what a screen would show now.
func (l *lead) look() {
	s := l.State()
	l.said = append(l.said, s.Where, s.Next, s.Hear, s.Compare, l.Words())
	l.said = slices.Concat(l.said, s.Do, s.Cautions, s.Reasons)
	for _, k := range s.Ticks {
		l.said = append(l.said, k.Text, k.Note)
	}
	for _, k := range s.Conditions {
		l.said = append(l.said, k.Text, k.Why)
		if !strings.ContainsAny(k.Sees[:1], "0123456789") { // a figure and its unit are no sentence
			l.said = append(l.said, k.Sees)
		}
	}
}

// in puts the test into a step of a watch and looks.
func (l *lead) in(step Step, phase int) {
	l.run.step, l.run.phase, l.run.phases = step, phase, max(phase, l.run.phases)
	l.look()
}

// sighted are readings of a parked machine.
func sighted(more map[readings.Channel]float64) map[readings.Channel]float64 {
	all := map[readings.Channel]float64{tankAt: 740e3, frontAt: 300e3, rearAt: 300e3, speedAt: 0, runningAt: 0, driveAt: 0, loweredAt: 0, ambientAt: 293}
	maps.Copy(all, more)
	return all
}

func begun(o Options, values map[readings.Channel]float64, args ...string) *lead {
	l := newLead(o)
	l.hears(10, values)
	l.tell(Start, args...)
	return l
}

// steps goes through the steps of a test and looks at each.
func steps(o Options, values map[readings.Channel]float64, args ...string) []string {
	l := begun(o, values, args...)
	for _, step := range []Step{MakeSafe, Fill, Isolate, Watch, Done} {
		l.in(step, 1)
	}
	for _, step := range []Step{Isolate, Watch} {
		l.in(step, 2)
	}
	return l.said
}

// led is what a test says on its way.
func led(t *testing.T) []string {
	t.Helper()
	changed := func(change func(o *Options)) Options {
		o := whole()
		change(&o)
		return o
	}
	var all []string
	for _, o := range []Options{
		whole(), bare(),
		changed(func(o *Options) { o.Ranks[0].ShutOff, o.Ranks[1].PowerOff = zones.ByHand, zones.Unknown }),
		changed(func(o *Options) { o.Running, o.CutOut, o.Tank.SafeWorking = readings.NoChannel, nil, 0 }),
		changed(func(o *Options) { o.Ranks[0].ShutOff, o.Ranks[1].ShutOff = zones.ByHand, zones.ByHand }),
	} {
		all = append(all, steps(o, sighted(nil))...)
		all = append(all, steps(o, sighted(map[readings.Channel]float64{tankAt: 40e3, frontAt: 5e3, rearAt: 5e3}))...)
		all = append(all, steps(o, nil)...)
		all = append(all, steps(o, sighted(map[readings.Channel]float64{tankAt: 1100e3, runningAt: 1, driveAt: 9}))...)
		if len(o.Ranks) > 0 {
			all = append(all, steps(o, sighted(nil), "zone", "rear", "phases", "2")...)
			all = append(all, steps(o, sighted(nil), "zone", "rear", "target", "3 bar")...)
			all = append(all, steps(o, sighted(map[readings.Channel]float64{frontAt: 45e3, rearAt: 50e3}), "zone", "front", "phases", "2")...)
		}
	}

	// The planter starts to move, valves and the compressor move the air.
	rolls := begun(whole(), sighted(nil))
	rolls.hears(1, sighted(map[readings.Channel]float64{speedAt: 2}))
	rolls.in(MakeSafe, 1)
	fills := begun(bare(), map[readings.Channel]float64{tankAt: 740e3})
	fills.hears(10, map[readings.Channel]float64{tankAt: 740e3})
	fills.volumes[0].rose, fills.volumes[0].hasRise = fills.at, true
	fills.volumes[0].moved, fills.volumes[0].hasMove = fills.at, true
	fills.in(Isolate, 1)
	l := begun(whole(), sighted(nil), "zone", "rear", "phases", "2")
	for _, ago := range []time.Duration{time.Second, 40 * time.Second, 5 * time.Minute} {
		l.hears(600, sighted(map[readings.Channel]float64{frontAt: 45e3, rearAt: 50e3}))
		l.volumes[2].moved, l.volumes[2].hasMove = l.at-ago, true
		l.in(Isolate, 1)
		l.in(Watch, 1)
	}
	l.volumes[2].means = []float64{60e3, 55e3, 50e3, 45e3}
	l.in(Isolate, 2)
	test, err := leakdown.New(leakdown.Setup{Volume: 20e-3, Rank: true})
	if err != nil {
		t.Fatal(err)
	}
	test.Disturb(leakdown.ValveMoved) // any verdict will do
	l.run.asked.test, l.run.phases = test, 2
	l.in(Watch, 1)
	return slices.Concat(all, rolls.said, fills.said, l.said)
}

// refused is what a test says to what it does not do.
func refused() []string {
	moving := newLead(whole())
	moving.hears(1, sighted(map[readings.Channel]float64{speedAt: 2}))
	moving.tell(Start)

	l := newLead(whole())
	l.hears(5, sighted(nil))
	l.tell(Go, "next", "1")
	l.tell(Finish)
	l.tell("test-fly")
	l.tell(Start, "zone", "left")
	l.tell(Start, "phases", "3")
	l.tell(Start, "limit", "0 L/min")
	l.tell(Start, "target", "9.5 bar")
	l.tell(Start, "target", "1 bar")
	l.tell(Start)
	l.tell(Start)
	l.tell(Go)
	l.tell(Go, "next", "1")
	l.tell(Go, "tick", "wings")
	for _, k := range l.run.ticks {
		l.tell(Go, "tick", k.ID)
	}
	l.hears(1, sighted(map[readings.Channel]float64{driveAt: 9}))
	l.tell(Go, "next", "1")
	l.hears(1, sighted(nil))
	l.tell(Go, "next", "1")
	l.tell(Go, "tick", "eyes")
	l.hears(1, sighted(map[readings.Channel]float64{tankAt: 200e3}))
	l.tell(Go, "next", "1")
	l.run.step, l.run.confirmed = Isolate, true
	l.tell(Go, "next", "1")
	l.run.step = Watch
	l.tell(Go, "next", "1")

	alone := newLead(bare())
	alone.tell(Start, "phases", "2")
	o := whole()
	o.Ranks[0].Pressure, o.CutOut = readings.NoChannel, func() (float64, bool) { return 950e3, true }
	high := newLead(o)
	high.tell(Start, "zone", "front")
	high.tell(Start)
	return slices.Concat(moving.said, l.said, alone.said, high.said)
}

// ended is what a test says that comes to no verdict.
func ended() []string {
	var all []string
	watching := func(o Options, end func(l *lead)) {
		l := begun(o, sighted(nil))
		l.hears(20, sighted(nil))
		l.beginWatch()
		end(l)
		all = append(all, l.run.result.Reasons...)
	}
	watching(whole(), func(l *lead) { l.tell(Finish) })
	watching(whole(), func(l *lead) { l.Command(l.at, Command{ID: "x", Verb: Finish}) })
	watching(whole(), func(l *lead) { l.run.step = Fill; l.Tick(l.at + 2*time.Hour) })
	watching(whole(), func(l *lead) {
		l.run.step = Fill
		for range 3 {
			l.hears(4, sighted(map[readings.Channel]float64{speedAt: 2}))
			l.Tick(l.at)
		}
	})
	for _, more := range []map[readings.Channel]float64{{runningAt: 1}, {driveAt: 9}, {loweredAt: 1}, {speedAt: 2}} {
		watching(whole(), func(l *lead) { l.hears(1, sighted(more)); l.Tick(l.at) })
	}
	watching(whole(), func(l *lead) { l.volumes[0].supply = l.at; l.Tick(l.at + 3*time.Second) })
	watching(whole(), func(l *lead) { l.Tick(l.at + 20*time.Second) })
	for i := range 2 {
		watching(whole(), func(l *lead) {
			l.volumes[i].moved, l.volumes[i].hasMove = l.at+4*time.Second, true
			l.Tick(l.at + 4*time.Second)
		})
	}
	watching(whole(), func(l *lead) {
		v := l.volumes[0]
		v.moved, v.hasMove, v.rose, v.hasRise = l.at+4*time.Second, true, v.lastEnd(), true
		l.Tick(l.at + 4*time.Second)
	})
	for _, wrong := range []func(o *Options){
		func(o *Options) { o.Tank.Volume = 5 },
		func(o *Options) { o.Tank.Uncertainty = 0.95 },
		func(o *Options) { o.Limit = 5000 * litreMinute },
		func(o *Options) { o.Air = 10e3 },
	} {
		o := whole()
		wrong(&o)
		watching(o, func(*lead) {})
	}
	hot := begun(whole(), sighted(map[readings.Channel]float64{ambientAt: 400}))
	hot.hears(20, sighted(map[readings.Channel]float64{ambientAt: 400}))
	hot.beginWatch()
	o := whole()
	o.Ranks[1].Stretch = 2e-5
	slack := begun(o, sighted(nil), "zone", "rear")
	slack.hears(20, sighted(nil))
	slack.beginWatch()
	unclear := begun(whole(), sighted(nil))
	out := &Result{Verdict: string(leakdown.Fail)}
	unclear.paths(out)
	return slices.Concat(all, hot.run.result.Reasons, slack.run.result.Reasons, []string{out.CannotTell, reason(nil, "The test does not count.")})
}

// compared sets tests side by side.
func compared() []string {
	leaks := func(lpm, start float64, at string) *Result {
		m := flow(lpm * litreMinute)
		m.Low, m.High = m.SI*0.9, m.SI*1.1
		return &Result{At: at, Verdict: "pass", Leak: m, Start: &findings.Measure{SI: start}}
	}
	now := leaks(4, 700e3, "")
	return []string{
		Compare(leaks(4, 700e3, ""), now), Compare(leaks(8, 700e3, "2026-04-28T13:00:00Z"), now),
		Compare(leaks(1, 400e3, "2026-04-28T13:00:00Z"), now),
	}
}

// The lines to tick and the cautions are read before air goes in, and the reasons before anything is opened: the page's
// languages are held against this list.
func TestEverySentenceOfALedTestIsListed(t *testing.T) {
	t.Parallel()
	golden.Sentences(t, slices.Concat(led(t), refused(), ended(), compared()))
}
