// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/sensors/units"
)

const litreMinute = 1e-3 / 60

// The channels of the bench, in their order in its table.
const (
	tank readings.Channel = iota
	front
	rear
	speed
	lowered
	drive
	wall
	ambient
	barometer
)

// bench is a session on the simulated machine: the rig's truth with a sensor's noise, twenty times a second, and a hand
// at the machine. What the session says is judged by the rig's truth, which shares no formula with the estimator.
type bench struct {
	t    *testing.T
	rig  *rig.Rig
	s    *session.Session
	at   time.Duration
	dice *rand.Rand
	ids  int

	// What the sensors are made to say instead of the truth.
	speed   float64
	lowered float64
	quality map[readings.Channel]readings.Quality

	said     []string // kinds
	words    []string
	finished []*session.Result
	learned  map[string]leakdown.Signature
	stopped  time.Duration // when the compressor last stopped
	ran      bool
}

// Said implements session.Outputs.
func (b *bench) Said(_ time.Duration, kind, text string) {
	b.said, b.words = append(b.said, kind), append(b.words, text)
}

// Finished implements session.Outputs.
func (b *bench) Finished(r *session.Result) { b.finished = append(b.finished, r) }

// Learned implements session.Outputs.
func (b *bench) Learned(volume string, s leakdown.Signature) { b.learned[volume] = s }

func table() *readings.Table {
	var infos []readings.Info
	for _, id := range []string{"tank", "front", "rear", "speed", "lowered", "drive", "wall", "ambient", "barometer"} {
		infos = append(infos, readings.Info{ID: id})
	}
	return readings.NewTable(infos)
}

// machine is the rig's machine as a machine file would declare it.
func machine() session.Options {
	rank := func(name string, c readings.Channel, volume float64) session.Rank {
		return session.Rank{
			Name: name, Pressure: c, Target: readings.NoChannel, Volume: volume, Stretch: 5e-7, StretchUncertainty: 0.2,
			FullScale: 1e6, PowerOff: "hold",
		}
	}
	return session.Options{
		Tank:  session.Tank{Pressure: tank, Volume: 38e-3, Uncertainty: 0.03, FullScale: 1e6, SafeWorking: 1000e3, Relief: 900e3},
		Ranks: []session.Rank{rank("front", front, 18.5e-3), rank("rear", rear, 17e-3)},

		Running: readings.NoChannel, Drive: drive, Speed: speed, Lowered: lowered, Wall: wall, Ambient: ambient, Barometer: barometer,
		CutOut: func() (float64, bool) { return 750e3, true }, CutIn: func() (float64, bool) { return 650e3, true },
		UTC: func(at time.Duration) time.Time { return time.Date(2026, 4, 28, 13, 0, 0, 0, time.UTC).Add(at) },
	}
}

// newBench makes a parked machine with a session; change may take channels away.
func newBench(t *testing.T, seed uint64, change func(*session.Options)) *bench {
	t.Helper()
	r, err := rig.New(rig.Options{Story: rig.ShopStory, Seed: seed, Skip: 3 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{
		t: t, rig: r, dice: rand.New(rand.NewPCG(seed, 77)), lowered: 0, quality: map[readings.Channel]readings.Quality{},
		learned: map[string]leakdown.Signature{}, speed: 0,
	}
	o := machine()
	if change != nil {
		change(&o)
	}
	o.Out = b
	b.s = session.New(o, table())
	b.hand(rig.Event{What: rig.Halt})
	b.run(10 * time.Second)
	return b
}

func (b *bench) hand(events ...rig.Event) {
	b.t.Helper()
	for _, e := range events {
		if err := b.rig.Do(e); err != nil {
			b.t.Fatal(err)
		}
	}
}

// run lets time pass.
func (b *bench) run(d time.Duration) {
	for end := b.at + d; b.at < end; {
		b.at += 50 * time.Millisecond
		x := b.rig.Truth(b.at)
		if b.ran && !x.CompressorOn {
			b.stopped = x.At
		}
		b.ran = x.CompressorOn
		noise := func() float64 { return 0.0005 * 1e6 * b.dice.NormFloat64() } // 0.05 % of full scale
		b.read(tank, float64(x.Tank)+noise())
		b.read(front, float64(x.Ranks[0].Pressure)+noise())
		b.read(rear, float64(x.Ranks[1].Pressure)+noise())
		if b.at%(500*time.Millisecond) == 0 {
			b.read(speed, b.speed)
			b.read(lowered, b.lowered)
			b.read(drive, x.EngineRPM/60)
		}
		if b.at%time.Second == 0 {
			b.read(wall, float64(x.TankWall))
			b.read(ambient, float64(x.Ambient))
			b.read(barometer, float64(x.Barometer))
			b.s.Tick(b.at)
		}
	}
}

func (b *bench) read(c readings.Channel, v float64) {
	b.s.Read(readings.Reading{At: b.at, Channel: c, Value: v, Quality: b.quality[c]})
}

// until lets time pass until the state is as wanted, at most for so long.
func (b *bench) until(most time.Duration, what string, ok func(*session.State) bool) {
	b.t.Helper()
	for end := b.at + most; b.at < end; {
		if ok(b.s.State()) {
			return
		}
		b.run(time.Second)
	}
	b.t.Fatalf("after %s still not %s; the state is %+v", most, what, *b.s.State())
}

func step(want session.Step) func(*session.State) bool {
	return func(s *session.State) bool { return s.Step == want }
}

// tell sends a command and returns the answer.
func (b *bench) tell(v session.Verb, pairs ...string) session.Answer {
	b.ids++
	args := map[string]string{}
	for i := 0; i+1 < len(pairs); i += 2 {
		args[pairs[i]] = pairs[i+1]
	}
	return b.s.Command(b.at, session.Command{ID: "c" + strconv.Itoa(b.ids), Verb: v, Args: args, By: "Ada"})
}

// must sends a command that has to be done.
func (b *bench) must(v session.Verb, pairs ...string) {
	b.t.Helper()
	if a := b.tell(v, pairs...); !a.OK {
		b.t.Fatalf("at %s: %s %v = %q; want it done", b.at, v, pairs, a.Error)
	}
}

// begin starts a test and ticks every line.
func (b *bench) begin(pairs ...string) {
	b.t.Helper()
	b.must(session.Start, pairs...)
	for _, k := range b.s.State().Ticks {
		b.must(session.Go, "tick", k.ID)
	}
	b.must(session.Go, "next", "1")
}

// empty lets the tank down to about 400 kPa, so that the next charge is a long one and heats the air well.
func (b *bench) empty() {
	b.leak("tank side", 3000)
	for b.rig.Truth(b.at).Tank > 400e3 {
		b.run(time.Second)
	}
	b.leak("tank side", 0.4)
	b.run(time.Minute)
}

// charge charges as the step fill asks, and goes on.
func (b *bench) charge() {
	b.t.Helper()
	b.hand(rig.ChargeUp()...)
	b.until(4*time.Minute, "charged", func(s *session.State) bool { return s.CanGo })
	b.run(15 * time.Second) // the person looks at the gauge
	b.must(session.Go, "next", "1")
	b.hand(rig.ShutDown()...)
}

// watch brings a test to its watch.
func (b *bench) watch(pairs ...string) {
	b.t.Helper()
	b.begin(pairs...)
	b.charge()
	b.until(time.Minute, "watching", step(session.Watch))
}

// result lets the watch go on to its result.
func (b *bench) result(most time.Duration) *session.Result {
	b.t.Helper()
	b.until(most, "at its result", step(session.Done))
	return b.s.State().Result
}

// secondWatch vents the ranks as the second watch asks.
func (b *bench) secondWatch() {
	b.t.Helper()
	b.until(11*time.Minute, "asking for the second watch", func(s *session.State) bool { return s.Step == session.Isolate && s.Phase == 2 })
	b.hand(rig.VentRanks()...)
	b.until(2*time.Minute, "vented", func(s *session.State) bool { return s.CanGo })
	b.must(session.Go, "next", "1")
}

// leaves is the flow that truly leaves the tank, L/min ANR: its own leak and what passes into the ranks.
func (b *bench) leaves() float64 {
	x := b.rig.Truth(b.at)
	q := float64(x.Flow.Leak("tank side") + x.Flow.Leak("front fill valve") + x.Flow.Leak("rear fill valve"))
	return q / litreMinute
}

func (b *bench) leak(where string, lpm float64) {
	b.t.Helper()
	if err := b.rig.SetLeak(where, units.Flow(lpm*litreMinute)); err != nil {
		b.t.Fatal(err)
	}
}

// story is what a failed check prints.
func (b *bench) story() string {
	var out strings.Builder
	for i, k := range b.said {
		fmt.Fprintf(&out, "  %s: %s\n", k, b.words[i])
	}
	return out.String()
}
