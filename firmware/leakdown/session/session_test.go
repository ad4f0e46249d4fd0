// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/sensors/units"
)

// between is a result's leak with its interval, L/min.
func between(r *session.Result) (low, value, high float64) {
	if r.Leak == nil {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return r.Leak.Low / litreMinute, r.Leak.SI / litreMinute, r.Leak.High / litreMinute
}

// A tank that was just charged cools, and a whole test of it must still find the rig's true leak: the verdict by the
// limit of 3 L/min, the interval around the truth, the watch from the moment the compressor stopped.
func TestFreshlyChargedTank(t *testing.T) {
	for _, c := range []struct {
		name, verdict string
		leak          float64 // L/min at 700 kPa
	}{
		{"sound", "pass", 0.03},
		{"just below", "pass", 1.2},
		{"leaks", "fail", 8},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, 11, nil)
			b.empty()
			b.leak("tank side", c.leak)
			b.watch("zone", "tank")
			truth := b.leaves()
			if d := b.at - b.stopped; d < 10*time.Second {
				t.Fatalf("the watch began %s after the compressor stopped: this test means to come late", d)
			}
			r := b.result(11 * time.Minute)
			low, value, high := between(r)
			t.Logf("true %.2f; found %.2f (%.2f to %.2f), %s after %.0f s", truth, value, low, high, r.Verdict, r.DecidedAt)
			if r.Verdict != c.verdict {
				t.Errorf("verdict = %q (%q); want %q\n%s", r.Verdict, r.Reasons, c.verdict, b.story())
			}
			if !(truth >= low && truth <= high) {
				t.Errorf("interval %.2f to %.2f L/min does not hold the true %.2f", low, high, truth)
			}
			at, err := time.Parse(time.RFC3339, r.At)
			if err != nil {
				t.Fatal(err)
			}
			began := at.Sub(time.Date(2026, 4, 28, 13, 0, 0, 0, time.UTC))
			if off := (began - b.stopped).Seconds(); math.Abs(off) > 1.5 {
				t.Errorf("the watch counts from %s, the compressor stopped at %s; want them within the second that At shows", began, b.stopped)
			}
			if len(b.finished) != 1 || b.finished[0] != r {
				t.Errorf("Finished was told %d results", len(b.finished))
			}
			if c.verdict == "pass" && b.learned["tank"].Tests != 1 {
				t.Errorf("learned %+v; want the tank's signature of one test", b.learned)
			}
			if want := []string{"test-start", "test-verdict"}; b.said[0] != want[0] || b.said[len(b.said)-1] != want[1] {
				t.Errorf("the journal begins with %q and ends with %q; want %q", b.said[0], b.said[len(b.said)-1], want)
			}
		})
	}
}

// What spoils a test from outside must void it at once and be named, whatever the pressures say by then.
func TestDisturbancesVoid(t *testing.T) {
	for _, c := range []struct {
		name  string
		do    func(b *bench)
		wait  time.Duration
		words string
	}{
		{"compressor starts", func(b *bench) { b.hand(rig.ChargeUp()[:4]...) }, 10 * time.Second, "started"},
		{"valve moved", func(b *bench) { b.hand(rig.Event{What: rig.Rank, Where: "rear", Amount: 200e3}) }, 10 * time.Second, "a valve moved (the pressure of the rear rank"},
		{"tank opened", func(b *bench) { b.leak("tank side", 4000) }, 10 * time.Second, "a valve moved (the pressure of the tank"},
		{"driven", func(b *bench) { b.speed = 1.4 }, 3 * time.Second, "planter moved"},
		{"lowered", func(b *bench) { b.lowered = 1 }, 3 * time.Second, "planter moved"},
		{"supply off", func(b *bench) {
			for _, c := range []readings.Channel{tank, front, rear} {
				b.quality[c] = readings.BadSupply
			}
		}, 5 * time.Second, "supply is off"},
		{"sensor lost", func(b *bench) { b.quality[tank] = readings.Open }, 14 * time.Second, "sensor gave no value"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, 5, nil)
			b.watch("zone", "tank", "limit", "0.45 L/min") // so near the truth that no verdict comes first
			b.run(20 * time.Second)
			if s := b.s.State(); s.Step != session.Watch {
				t.Fatalf("step = %q before anything happened:\n%s", s.Step, b.story())
			}
			c.do(b)
			b.run(c.wait)
			s := b.s.State()
			if s.Step != session.Done || s.Verdict != "invalid" || !strings.Contains(strings.Join(s.Reasons, " "), c.words) {
				t.Fatalf("step %q, verdict %q, reasons %q; want invalid and %q\n%s", s.Step, s.Verdict, s.Reasons, c.words, b.story())
			}
			if b.said[len(b.said)-1] != "test-void" {
				t.Errorf("the journal's last word is %q; want test-void", b.said[len(b.said)-1])
			}
			if b.s.Running() {
				t.Error("alarms would be held back for ever")
			}
		})
	}
}

// A short loss of readings, shorter than the estimator's patience, is no disturbance.
func TestShortGapIsNone(t *testing.T) {
	b := newBench(t, 6, nil)
	b.watch("zone", "tank")
	b.quality[tank] = readings.Late
	b.run(3 * time.Second)
	b.quality[tank] = readings.Good
	if r := b.result(11 * time.Minute); r.Verdict != "pass" {
		t.Errorf("verdict = %q %q; want pass", r.Verdict, r.Reasons)
	}
}

func TestRefusals(t *testing.T) {
	fresh := func(t *testing.T) *bench { t.Helper(); return newBench(t, 3, nil) }
	at := func(prepare func(b *bench)) func(t *testing.T) *bench {
		return func(t *testing.T) *bench { t.Helper(); b := fresh(t); prepare(b); return b }
	}
	safe := func(b *bench) { b.must(session.Start) }
	noRanks := func(t *testing.T) *bench {
		t.Helper()
		return newBench(t, 3, func(o *session.Options) { o.Ranks = nil })
	}
	for _, c := range []struct {
		name  string
		bench func(t *testing.T) *bench
		verb  session.Verb
		args  []string
		want  string
	}{
		{"moving", at(func(b *bench) { b.speed = 2; b.run(time.Second) }), session.Start, nil, "stop first"},
		{"no such zone", fresh, session.Start, []string{"zone", "left"}, "zones: tank, front, rear"},
		{"no channel", func(t *testing.T) *bench {
			t.Helper()
			return newBench(t, 3, func(o *session.Options) { o.Ranks[0].Pressure = readings.NoChannel })
		}, session.Start, []string{"zone", "front"}, "no pressure channel"},
		{"phases", fresh, session.Start, []string{"phases", "3"}, "1 or 2"},
		{"two watches without ranks", noRanks, session.Start, []string{"phases", "2"}, "no rank"},
		{"limit without unit", fresh, session.Start, []string{"limit", "3"}, "limit"},
		{"limit of nothing", fresh, session.Start, []string{"limit", "0 L/min"}, "more than nothing"},
		{"above relief", fresh, session.Start, []string{"target", "9.5 bar"}, "never asks"},
		{"target too low", fresh, session.Start, []string{"target", "1 bar"}, "too low"},
		{"cut-out above the plate", func(t *testing.T) *bench {
			t.Helper()
			return newBench(t, 3, func(o *session.Options) { o.CutOut = func() (float64, bool) { return 950e3, true } })
		}, session.Start, nil, "never asks"},
		{"one is under way", at(safe), session.Start, nil, "under way"},
		{"step without a test", fresh, session.Go, []string{"next", "1"}, "no test"},
		{"stop without a test", fresh, session.Finish, nil, "no test"},
		{"ticks left", at(safe), session.Go, []string{"next", "1"}, "6 lines"},
		{"no such line", at(safe), session.Go, []string{"tick", "wings"}, "no line"},
		{"neither tick nor next", at(safe), session.Go, nil, "say which"},
		{"engine runs", at(func(b *bench) {
			b.must(session.Start)
			for _, k := range b.s.State().Ticks {
				b.must(session.Go, "tick", k.ID)
			}
			b.hand(rig.Event{What: rig.Key, Amount: 1}, rig.Event{What: rig.Engine, Amount: 1})
			b.run(5 * time.Second)
		}), session.Go, []string{"next", "1"}, "engine stopped: not yet"},
		{"not charged", at(func(b *bench) { b.begin() }), session.Go, []string{"next", "1"}, "not yet"},
		{"tick too late", at(func(b *bench) { b.begin() }), session.Go, []string{"tick", "eyes"}, "only in that step"},
		{"next in the watch", at(func(b *bench) { b.watch() }), session.Go, []string{"next", "1"}, "by itself"},
		{"no such verb", fresh, "test-fly", nil, "no command"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := c.bench(t)
			before, _ := b.s.Step()
			a := b.tell(c.verb, c.args...)
			if a.OK || !strings.Contains(a.Error, c.want) {
				t.Errorf("answer = %+v; want a refusal with %q", a, c.want)
			}
			if after, _ := b.s.Step(); after != before {
				t.Errorf("a refused command moved the test from %q to %q", before, after)
			}
			if b.said[len(b.said)-1] != "test-refused" {
				t.Errorf("the journal does not know of the refusal: %q", b.said)
			}
		})
	}
}

// A repeated id is answered as before and done once: a second press of the same command must not untick.
func TestSameIDCountsOnce(t *testing.T) {
	b := newBench(t, 3, nil)
	start := session.Command{ID: "one", Verb: session.Start}
	first, again := b.s.Command(b.at, start), b.s.Command(b.at+time.Second, start)
	if !first.OK || first != again {
		t.Errorf("answers = %+v, %+v; want the first one twice", first, again)
	}
	tick := session.Command{ID: "two", Verb: session.Go, Args: map[string]string{"tick": "park"}}
	b.s.Command(b.at, tick)
	b.s.Command(b.at, tick)
	if s := b.s.State(); !s.Ticks[0].Done || s.Left != 5 {
		t.Errorf("ticks = %+v; want the first one ticked once", s.Ticks)
	}
	if n := len(b.said); n != 2 {
		t.Errorf("%d lines in the journal: %q; want two", n, b.words)
	}
}

// A machine with nothing but the tank's pressure can be tested: what the box cannot see is said, and the ticks stand for
// it.
func TestTankAlone(t *testing.T) {
	b := newBench(t, 9, func(o *session.Options) {
		o.Ranks = nil
		for _, c := range []*readings.Channel{&o.Drive, &o.Speed, &o.Lowered, &o.Wall, &o.Ambient, &o.Barometer} {
			*c = readings.NoChannel
		}
		o.CutOut, o.CutIn, o.UTC = nil, nil, nil
	})
	b.must(session.Start)
	s := b.s.State()
	unseen := map[string]bool{}
	for _, k := range s.Conditions {
		unseen[k.ID] = k.Met == "not_seen" && strings.Contains(k.Why, "your tick")
	}
	if !unseen["still"] || !unseen["drive"] {
		t.Errorf("conditions = %+v; want speed and drive not seen, with the ticks that stand for them", s.Conditions)
	}
	if s.Started != "" || s.Target != nil {
		t.Errorf("started %q, target %v; want neither without a clock and a known cut-out", s.Started, s.Target)
	}
	for _, k := range s.Ticks {
		b.must(session.Go, "tick", k.ID)
	}
	b.must(session.Go, "next", "1")
	b.hand(rig.ChargeUp()...)
	b.run(100 * time.Second)
	b.must(session.Go, "next", "1")
	b.hand(rig.ShutDown()...)
	b.until(time.Minute, "watching", step(session.Watch))
	truth := b.leaves()
	r := b.result(11 * time.Minute)
	low, _, high := between(r)
	if r.Verdict != "pass" || !(truth >= low && truth <= high) {
		t.Errorf("verdict %q, interval %.2f to %.2f; want pass around %.2f", r.Verdict, low, high, truth)
	}
	if r.Paths != nil || r.CannotTell != "" {
		t.Errorf("paths %v, %q; want none: nothing but the tank is seen", r.Paths, r.CannotTell)
	}
}

// Freshly filled bags go on stretching, so a rank's verdict counts three minutes after its last fill (physics of filled
// rubber from memory); the seconds left are said.
func TestRankRests(t *testing.T) {
	b := newBench(t, 21, nil)
	b.leak("front rank", 12)
	b.watch("zone", "front")
	b.run(20 * time.Second)
	if do := strings.Join(b.s.State().Do, " "); !strings.Contains(do, "verdict counts in") {
		t.Errorf("do = %q; want the seconds that are left to rest", do)
	}
	truth := float64(b.rig.Truth(b.at).Flow.Leak("front rank")) / litreMinute
	r := b.result(12 * time.Minute)
	if r.Verdict != "fail" || r.DecidedAt < 175 {
		t.Errorf("verdict %q after %.0f s (%v); want fail, not before three minutes of rest", r.Verdict, r.DecidedAt, r.Reasons)
	}
	low, value, high := between(r)
	t.Logf("true %.1f as the watch begins, found %.1f (%.1f to %.1f)", truth, value, low, high)
	if !(truth >= low && truth <= high) {
		t.Errorf("interval %.1f to %.1f does not hold the true %.1f", low, high, truth)
	}
	if r.HoldTo == nil || math.Abs(r.HoldTo.SI-0.9*r.Start.SI) > 0.02*r.Start.SI {
		t.Errorf("hold time to %v; want nine tenths of the start %v", r.HoldTo, r.Start)
	}
}

// One watch cannot tell a fill valve that passes into a rank that leaks from a leak of the tank; the second, with the
// ranks vented, can.
func TestTwoWatchesTellThePaths(t *testing.T) {
	for _, c := range []struct {
		name  string
		leaks map[string]float64
		want  []string
	}{
		{"front rank", map[string]float64{"front rank": 5}, []string{"front rank"}},
		{"hidden pair", map[string]float64{"rear fill valve": 6, "rear rank": 6}, []string{"rear fill valve", "rear rank"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, 31, nil)
			for _, where := range []string{"tank side", "front fill valve", "rear fill valve", "front rank", "rear rank"} {
				b.leak(where, 0.02)
			}
			for where, q := range c.leaks {
				b.leak(where, q)
			}
			b.watch("zone", "tank", "phases", "2")
			b.secondWatch()
			r := b.result(12 * time.Minute)
			var got []string
			for _, p := range r.Paths {
				got = append(got, p.Where)
			}
			slices.Sort(got)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("paths (-want +got):\n%s\n%q", diff, r.Reasons)
			}
			if r.Phases != 2 || len(r.Steps) < 5 {
				t.Errorf("phases %d, steps %+v", r.Phases, r.Steps)
			}
		})
	}
}

// What voids the second watch leaves the verdict of the first.
func TestSecondWatchVoid(t *testing.T) {
	b := newBench(t, 32, nil)
	b.watch("zone", "tank", "phases", "2")
	b.secondWatch()
	b.until(time.Minute, "watching again", func(s *session.State) bool { return s.Step == session.Watch && s.Phase == 2 })
	b.speed = 2
	b.run(3 * time.Second)
	s := b.s.State()
	if s.Step != session.Done || s.Verdict != "pass" {
		t.Errorf("step %q, verdict %q; want the first watch's pass\n%s", s.Step, s.Verdict, b.story())
	}
	if !slices.Contains(b.said, "test-void") {
		t.Errorf("journal %q; want a word about the second watch", b.said)
	}
}

func TestStopAndForget(t *testing.T) {
	b := newBench(t, 3, nil)
	b.watch()
	b.run(10 * time.Second)
	b.must(session.Finish)
	if s := b.s.State(); s.Verdict != "stopped" || s.Step != session.Done || s.Result == nil || b.s.Active() {
		t.Errorf("after the stop: step %q, verdict %q", s.Step, s.Verdict)
	}
	b.must(session.Start)
	b.run(30 * time.Minute)
	if !b.s.Active() {
		t.Fatal("a test that waits was put away after half an hour")
	}
	b.run(31 * time.Minute)
	if s := b.s.State(); s.Verdict != "stopped" || !strings.Contains(s.Reasons[0], "Nobody") {
		t.Errorf("after an hour: verdict %q, %q; want it put away", s.Verdict, s.Reasons)
	}
}

// Alarms are held back from the fill to the result only: while somebody walks round, they ring.
func TestHoldsAlarmsBack(t *testing.T) {
	b := newBench(t, 3, nil)
	b.must(session.Start)
	if b.s.Running() || b.s.State().HeldBack {
		t.Error("alarms are held back while somebody makes safe")
	}
	b.must(session.Finish)
	b.watch()
	if !b.s.Running() || !b.s.State().HeldBack {
		t.Error("alarms ring during the watch")
	}
	if w := b.s.Words(); !strings.HasPrefix(w, "Leak-down test, ") || !strings.HasSuffix(w, " s") {
		t.Errorf("Words = %q; want the test and its seconds", w)
	}
	b.result(11 * time.Minute)
	if b.s.Running() || b.s.Words() != "" {
		t.Error("alarms are held back after the result")
	}
}

// A second clean test builds on the first one's signature.
func TestSignatureGoesOn(t *testing.T) {
	b := newBench(t, 41, nil)
	for n := 1; n <= 2; n++ {
		b.empty()
		b.watch("zone", "tank")
		b.result(11 * time.Minute)
		if got := b.learned["tank"].Tests; got != n {
			t.Fatalf("after test %d the signature rests on %d; want %d", n, got, n)
		}
	}
	learned := b.learned["tank"]
	c := newBench(t, 42, func(o *session.Options) { o.Signatures = map[string]leakdown.Signature{"tank": learned} })
	c.empty()
	c.watch("zone", "tank")
	c.result(11 * time.Minute)
	if got := c.learned["tank"].Tests; got != 3 {
		t.Errorf("after a restart the signature rests on %d tests; want 3", got)
	}
}

// The same readings, ticks and commands in the same order give the same test, to the byte.
func TestRepeatsItself(t *testing.T) {
	play := func() []byte {
		b := newBench(t, 51, nil)
		b.watch("zone", "tank")
		b.result(11 * time.Minute)
		text, err := json.Marshal(b.s.State())
		if err != nil {
			t.Fatal(err)
		}
		return append(text, b.story()...)
	}
	if diff := cmp.Diff(string(play()), string(play())); diff != "" {
		t.Errorf("two plays differ:\n%s", diff)
	}
}

// A kept result reads back as it was written, and its curve fits a screen.
func TestResultReadsBack(t *testing.T) {
	b := newBench(t, 61, nil)
	b.watch("zone", "tank")
	b.run(10 * time.Second)
	if c := b.s.Curve(140); c == nil || len(c.Measured) == 0 || len(c.Measured) > 150 || len(c.Cooling) > 150 || len(c.Ahead) > 150 {
		t.Errorf("curve during the watch: %+v", c)
	}
	r := b.result(11 * time.Minute)
	text, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back session.Result
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(back)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(text), string(again)); diff != "" {
		t.Errorf("read back (-want +got):\n%s", diff)
	}
	for name, n := range map[string]int{
		"measured": len(r.Curve.Measured), "fit": len(r.Curve.Fit), "cooling": len(r.Curve.Cooling), "limit": len(r.Curve.Limit),
	} {
		if n < 10 || n > 150 {
			t.Errorf("%s has %d points; want 10 to 150", name, n)
		}
	}
	if n := len(text); n > 24<<10 {
		t.Errorf("a result has %d bytes; two of them and a state must fit an MQTT packet of 64 KiB", n)
	}
}

func TestCompare(t *testing.T) {
	result := func(low, value, high, start float64, verdict string) *session.Result {
		var r session.Result
		text := `{"verdict":"` + verdict + `","at":"2026-04-02T12:20:00Z"}`
		if err := json.Unmarshal([]byte(text), &r); err != nil {
			t.Fatal(err)
		}
		flow := units.Unit{Code: "L/min", Dim: units.FlowRate, Factor: litreMinute}
		r.Leak = &findings.Measure{SI: value * litreMinute, Low: low * litreMinute, High: high * litreMinute, Unit: flow}
		r.Start = &findings.Measure{SI: start, Unit: units.Preferred(units.Pressure)}
		return &r
	}
	old := result(7.3, 8.1, 8.9, 310e3, "fail")
	for _, c := range []struct {
		name string
		now  *session.Result
		want string
		not  string
	}{
		{"mended", result(0.1, 0.4, 0.8, 310e3, "pass"), "better", "pressures"},
		{"worse", result(11, 12, 13, 310e3, "fail"), "worse", "pressures"},
		{"the same", result(6, 7.5, 9, 310e3, "fail"), "no clear change", "better"},
		{"other pressure", result(0.1, 0.4, 0.8, 200e3, "pass"), "different pressures", "worse"},
		{"void", result(0.1, 0.4, 0.8, 310e3, "invalid"), "", "better"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := session.Compare(old, c.now)
			if c.want == "" && got != "" || !strings.Contains(got, c.want) || strings.Contains(got, c.not) {
				t.Errorf("Compare = %q; want %q and not %q", got, c.want, c.not)
			}
		})
	}
}
