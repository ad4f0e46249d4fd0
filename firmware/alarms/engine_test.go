// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/sensors/units"
)

type record struct{ list []alarms.Transition }

func (r *record) Transition(t alarms.Transition) { r.list = append(r.list, t) }

// bench drives an engine second by second.
type bench struct {
	*alarms.Engine

	t   *testing.T
	rec *record
	now time.Duration
	n   int
}

const sec = time.Second

func rows() []alarms.Row {
	return []alarms.Row{
		{Key: "root", Priority: alarms.High, OnDelay: 2 * sec, OffDelay: 3 * sec, Deadband: 20e3, Children: []findings.Key{"kid"}, Suppressors: []alarms.Suppressor{alarms.S4}},
		{Key: "kid", Priority: alarms.Medium, OnDelay: 2 * sec, OffDelay: 3 * sec, Suppressors: []alarms.Suppressor{alarms.S3}},
		{Key: "low", Priority: alarms.Low, OnDelay: 2 * sec, OffDelay: 3 * sec, Suppressors: []alarms.Suppressor{alarms.S3}},
		{Key: "latch", Priority: alarms.Medium, OnDelay: 2 * sec, OffDelay: 3 * sec, Latching: true},
		{Key: "note", Kind: alarms.ShopNote, Priority: alarms.Low},
	}
}

func newBench(t *testing.T, o alarms.Options) *bench {
	t.Helper()
	b := &bench{t: t, rec: &record{}}
	if o.Rows == nil {
		o.Rows = rows()
	}
	if o.Hold == 0 {
		o.Hold = -1
	}
	b.Engine = alarms.New(o, b.rec)
	b.Tick(0)
	return b
}

// say repeats a flag for n seconds, one finding a second.
func (b *bench) say(key findings.Key, on bool, n int) {
	for range n {
		b.now += sec
		b.Find(findings.Finding{Key: key, At: b.now, Active: on})
		b.Tick(b.now)
	}
}

func (b *bench) cmd(v alarms.Verb, key findings.Key, role alarms.Role, d time.Duration) alarms.Answer {
	b.n++
	return b.Command(b.now, alarms.Command{ID: strings.Repeat("x", b.n), Verb: v, Key: key, Role: role, By: "ann", Via: "page", For: d, Why: "why"})
}

func (b *bench) must(v alarms.Verb, key findings.Key, role alarms.Role, d time.Duration) {
	b.t.Helper()
	if a := b.cmd(v, key, role, d); !a.OK {
		b.t.Fatalf("%s %s: %s", v, key, a.Error)
	}
}

func (b *bench) state(key findings.Key) alarms.State {
	for _, s := range b.States(nil) {
		if s.Key == key {
			return s
		}
	}
	return alarms.State{Key: key}
}

func (b *bench) name(key findings.Key) alarms.StateName {
	s := b.state(key)
	return s.Name()
}

// Every transition of the state model, with the letters of ANSI/ISA-18.2 (from memory).
func TestEveryTransition(t *testing.T) {
	t.Parallel()
	up := func(k findings.Key) func(*bench) { return func(b *bench) { b.say(k, true, 3) } }
	down := func(k findings.Key) func(*bench) { return func(b *bench) { b.say(k, false, 4) } }
	ack := func(k findings.Key) func(*bench) { return func(b *bench) { b.must(alarms.Ack, k, alarms.Operate, 0) } }
	shelve := func(k findings.Key) func(*bench) {
		return func(b *bench) { b.must(alarms.Shelve, k, alarms.Operate, 60*sec) }
	}
	serve := func(v alarms.Verb, k findings.Key) func(*bench) {
		return func(b *bench) { b.must(v, k, alarms.Service, 0) }
	}
	s3 := func(on bool) func(*bench) {
		return func(b *bench) { b.Suppress(alarms.S3, "", on, b.now) }
	}
	tests := []struct {
		name  string
		key   findings.Key
		steps []func(*bench)
		want  alarms.StateName
	}{
		{"A to B: active after its on-delay", "low", []func(*bench){up("low")}, alarms.ActiveUnacked},
		{"B to C: acknowledged", "low", []func(*bench){up("low"), ack("low")}, alarms.ActiveAcked},
		{"C to A: gone after its off-delay", "low", []func(*bench){up("low"), ack("low"), down("low")}, alarms.Normal},
		{"B to D: gone before anybody saw it", "low", []func(*bench){up("low"), down("low")}, alarms.ReturnedUnacked},
		{"D to A: acknowledged afterwards", "low", []func(*bench){up("low"), down("low"), ack("low")}, alarms.Normal},
		{"D to B: active again", "low", []func(*bench){up("low"), down("low"), up("low")}, alarms.ActiveUnacked},
		{"B to E: latched, not seen", "latch", []func(*bench){up("latch"), down("latch")}, alarms.LatchedUnacked},
		{"C to E: latched, seen", "latch", []func(*bench){up("latch"), ack("latch"), down("latch")}, alarms.LatchedAcked},
		{"E to E: seen while latched", "latch", []func(*bench){up("latch"), down("latch"), ack("latch")}, alarms.LatchedAcked},
		{"E to B: active again", "latch", []func(*bench){up("latch"), down("latch"), up("latch")}, alarms.ActiveUnacked},
		{"E to A: reset", "latch", []func(*bench){up("latch"), down("latch"), serve(alarms.Reset, "latch")}, alarms.Normal},
		{"B to F: shelved", "low", []func(*bench){up("low"), shelve("low")}, alarms.Shelved},
		{"F to A: gone on the shelf, time over", "low", []func(*bench){up("low"), shelve("low"), func(b *bench) { b.say("low", false, 61) }}, alarms.Normal},
		{"F to B: time over while active", "low", []func(*bench){up("low"), shelve("low"), func(b *bench) { b.say("low", true, 61) }}, alarms.ActiveUnacked},
		{"F to B: C before the shelf, time over", "low", []func(*bench){up("low"), ack("low"), shelve("low"), func(b *bench) { b.say("low", true, 61) }}, alarms.ActiveUnacked},
		{"F stays: active again on the shelf", "low", []func(*bench){up("low"), shelve("low"), down("low"), up("low")}, alarms.Shelved},
		{"F to B: taken off the shelf", "low", []func(*bench){up("low"), shelve("low"), func(b *bench) { b.must(alarms.Unshelve, "low", alarms.Operate, 0) }}, alarms.ActiveUnacked},
		{"A to G: a rule holds", "low", []func(*bench){down("low"), s3(true)}, alarms.Suppressed},
		{"B to G", "low", []func(*bench){up("low"), s3(true)}, alarms.Suppressed},
		{"G to A, not B: the on-delay starts anew", "low", []func(*bench){up("low"), s3(true), func(b *bench) { b.say("low", true, 5) }, s3(false), func(b *bench) { b.say("low", true, 2) }}, alarms.Normal},
		{"G to B after the on-delay", "low", []func(*bench){up("low"), s3(true), s3(false), up("low")}, alarms.ActiveUnacked},
		{"F and G: shelf ends under the rule", "low", []func(*bench){up("low"), shelve("low"), s3(true), func(b *bench) { b.say("low", true, 61) }}, alarms.Suppressed},
		{"B to H: out of service", "low", []func(*bench){up("low"), serve(alarms.TakeOut, "low")}, alarms.OutOfService},
		{"H stays for a day", "low", []func(*bench){up("low"), serve(alarms.TakeOut, "low"), func(b *bench) { b.now += 24 * time.Hour; b.Tick(b.now) }}, alarms.OutOfService},
		{"H to B: back while active", "low", []func(*bench){up("low"), serve(alarms.TakeOut, "low"), serve(alarms.PutBack, "low")}, alarms.ActiveUnacked},
		{"H to A: back while normal", "low", []func(*bench){up("low"), serve(alarms.TakeOut, "low"), down("low"), serve(alarms.PutBack, "low")}, alarms.Normal},
		{"C to B: high, seen, still there after 10 min", "root", []func(*bench){up("root"), ack("root"), func(b *bench) { b.say("root", true, 600) }}, alarms.ActiveUnacked},
		{"C stays before 10 min", "root", []func(*bench){up("root"), ack("root"), func(b *bench) { b.say("root", true, 599) }}, alarms.ActiveAcked},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, alarms.Options{})
			for _, s := range tc.steps {
				s(b)
			}
			if got := b.name(tc.key); got != tc.want {
				t.Errorf("state = %s; want %s", got, tc.want)
			}
			last := alarms.Normal
			for i, tr := range b.rec.list {
				if tr.State.Key != tc.key {
					continue
				}
				if tr.From != last {
					t.Errorf("record %d starts from %s; the one before ended in %s", i, tr.From, last)
				}
				last = tr.To
			}
			if last != tc.want {
				t.Errorf("the journal ends in %s; want %s", last, tc.want)
			}
		})
	}
}

func TestDelaysRunOnTheFindingsOwnTimes(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		at     []float64 // seconds of findings, all bad
		active bool
	}{
		{"on time", []float64{0, 1, 2}, true},
		{"just short", []float64{0, 1, 1.999}, false},
		{"a hole freezes the delay", []float64{0, 1, 9}, false},
		{"and it goes on after the hole", []float64{0, 1, 9, 10}, true},
		{"a slow rhythm is no hole", []float64{0, 10, 20}, true},
		{"one finding alone", []float64{5}, false},
		{"time standing still", []float64{1, 1, 1, 1, 1}, false},
		{"an older finding changes nothing", []float64{3, 1, 2, 3}, false},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, alarms.Options{})
			for _, s := range tc.at {
				b.Find(findings.Finding{Key: "low", At: time.Duration(s * float64(sec)), Active: true})
			}
			st := b.state("low")
			if st.Active != tc.active {
				t.Errorf("active = %v; want %v", st.Active, tc.active)
			}
			if want := time.Duration(tc.at[0] * float64(sec)); st.Active && st.Onset != want {
				t.Errorf("onset = %v; want %v, when it first crossed", st.Onset, want)
			}
		})
	}
}

// A check that tells each bad reading and says at ticks that it is over: the on-delay ends with a reading, and the off-delay
// is as long as for one that tells both at ticks.
func TestQuickFindingsGoBackToTicks(t *testing.T) {
	b := newBench(t, alarms.Options{})
	b.say("kid", false, 1)
	for at := 1370 * time.Millisecond; at < 5*sec; at += 100 * time.Millisecond {
		b.Find(findings.Finding{Key: "kid", At: at, Active: true})
		if want := at >= 3370*time.Millisecond; b.state("kid").Active != want {
			t.Fatalf("at %v active is %v; the delay of 2 s began at 1.37 s", at, !want)
		}
		if at%sec > 900*time.Millisecond {
			b.now = at.Truncate(sec) + sec
			b.Find(findings.Finding{Key: "kid", At: b.now, Active: b.now < 5*sec})
			b.Tick(b.now)
		}
	}
	for b.state("kid").Active {
		b.say("kid", false, 1)
	}
	if b.now != 8*sec {
		t.Errorf("cleared at %v; it was over at 5 s, and the off-delay is 3 s", b.now)
	}
}

func TestDeadbandHoldsOnBothSides(t *testing.T) {
	t.Parallel()
	kpa := units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1e3}
	for _, tc := range []struct {
		sense           findings.Sense
		over, in, clear float64
	}{
		{findings.Below, 495e3, 519e3, 520e3},
		{findings.Above, 505e3, 481e3, 480e3},
	} {
		b := newBench(t, alarms.Options{})
		say := func(v float64, n int) {
			for range n {
				b.now += sec
				b.Find(findings.Finding{Key: "root", At: b.now, Sense: tc.sense, Value: findings.Measure{SI: v, Unit: kpa}, Limit: findings.Measure{SI: 500e3, Unit: kpa}})
			}
		}
		say(500e3, 5)
		if b.state("root").Active {
			t.Errorf("sense %d: active at the limit itself", tc.sense)
		}
		say(tc.over, 3)
		if !b.state("root").Active {
			t.Errorf("sense %d: not active past the limit", tc.sense)
		}
		say(tc.in, 60)
		if !b.state("root").Active {
			t.Errorf("sense %d: cleared inside the deadband", tc.sense)
		}
		say(tc.clear, 4)
		if b.state("root").Active {
			t.Errorf("sense %d: still active beyond the deadband", tc.sense)
		}
	}
}

// The floor is three standard deviations of the signal's noise: uniform noise of half width 10 has 10/sqrt(3) = 5.8,
// so a signal has to come back by 17. A mean 12 under the limit is not far enough, one 30 under it is.
func TestNoisyChannelCannotChatterThroughItsDeadband(t *testing.T) {
	t.Parallel()
	run := func(noise time.Duration, back float64) bool {
		b := newBench(t, alarms.Options{Rows: []alarms.Row{{Key: "x", Priority: alarms.Low}}, Noise: noise})
		seed := uint32(1)
		say := func(mean, width float64, n int) {
			for range n {
				seed = seed*1664525 + 1013904223
				v := mean + (float64(seed)/float64(math.MaxUint32)*2-1)*width
				b.now += 100 * time.Millisecond
				b.Find(findings.Finding{Key: "x", At: b.now, Sense: findings.Above, Value: findings.Measure{SI: v}, Limit: findings.Measure{SI: 500}})
			}
		}
		say(480, 10, 1000)
		say(505, 1, 1)
		say(back, 1, 1)
		return b.state("x").Active
	}
	for _, tc := range []struct {
		noise time.Duration
		back  float64
		want  bool
	}{{0, 488, true}, {-1, 488, false}, {0, 470, false}} {
		if got := run(tc.noise, tc.back); got != tc.want {
			t.Errorf("noise span %v, back at %v: active = %v; want %v", tc.noise, tc.back, got, tc.want)
		}
	}
}

func TestLosingSightIsNotReturningToNormal(t *testing.T) {
	t.Parallel()
	for name, f := range map[string]findings.Finding{
		"unseen":       {Sight: findings.Unseen, Needs: "a tank sensor"},
		"not a number": {Sense: findings.Above, Value: findings.Measure{SI: math.NaN()}},
		"infinite":     {Sense: findings.Below, Limit: findings.Measure{SI: math.Inf(1)}},
	} {
		b := newBench(t, alarms.Options{})
		b.say("low", true, 3)
		for range 100 {
			b.now += sec
			f.Key, f.At = "low", b.now
			b.Find(f)
			b.Tick(b.now)
		}
		if st := b.state("low"); !st.Active || st.Sight != findings.Unseen || st.Needs != f.Needs || !st.Value.IsZero() {
			t.Errorf("%s: %+v; want active, unseen, and no value", name, st)
		}
		if b.Sum().Unseen != 1 {
			t.Errorf("%s: Sum().Unseen = %d; want 1", name, b.Sum().Unseen)
		}
		b.say("low", false, 5)
		if b.state("low").Active {
			t.Errorf("%s: still active after it was seen to be normal", name)
		}
	}
}

func TestStartUpHoldKeepsQuiet(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{Hold: 10 * sec})
	b.say("low", true, 9)
	if len(b.rec.list) != 0 {
		t.Fatalf("%d transitions in the hold", len(b.rec.list))
	}
	b.say("low", true, 3)
	if st := b.state("low"); !st.Active || st.Onset != 10*sec {
		t.Errorf("after the hold: active %v, onset %v; want true, 10s", st.Active, st.Onset)
	}
}

func TestUnacknowledgedHighSoundsEveryMinute(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.say("root", true, 3)
	for i, want := range []uint32{1, 2, 3} {
		if got := b.state("root").Announce; got != want {
			t.Errorf("after %d min it has sounded %d times; want %d", i, got, want)
		}
		b.say("root", true, 60)
	}
	b.must(alarms.Ack, "root", alarms.Operate, 0)
	before := b.state("root").Announce
	b.say("root", true, 300)
	if got := b.state("root").Announce; got != before {
		t.Errorf("it sounded %d times after it was seen", got-before)
	}
}

// What the sounder is told: the loudest of what has sounded, once, repeats as they come, and nothing that is silent.
func TestSoundedIsTheLoudestOnce(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	for _, tc := range []struct {
		what string
		do   func()
		want alarms.Priority
	}{
		{"nothing yet", func() {}, 0},
		{"low, then high, within one look", func() { b.say("low", true, 3); b.say("root", true, 3) }, alarms.High},
		{"asked already", func() {}, 0},
		{"a kid in the root's group", func() { b.say("kid", true, 3) }, 0},
		{"a note", func() { b.say("note", true, 3) }, 0},
		{"a minute later the high one again", func() { b.say("root", true, 60) }, alarms.High},
		{"seen", func() { b.must(alarms.Ack, "root", alarms.Operate, 0); b.say("root", true, 90) }, 0},
	} {
		tc.do()
		if got := b.Sounded(); got != tc.want {
			t.Errorf("%s: %v; want %v", tc.what, got, tc.want)
		}
	}
}

func TestChatterIsDampedAndSaysSo(t *testing.T) {
	t.Parallel()
	zero := time.Duration(0)
	b := newBench(t, alarms.Options{Overrides: []alarms.Override{{Key: "low", OnDelay: &zero, OffDelay: &zero}}})
	for range 3 {
		b.say("low", true, 1)
		b.say("low", false, 5)
	}
	if !b.state("low").Damped {
		t.Fatal("three times within a minute, and not damped")
	}
	if last := b.rec.list[len(b.rec.list)-1]; !strings.HasPrefix(last.Reason, "damped") {
		t.Errorf("the journal's last word is %q; want that it is damped", last.Reason)
	}
	if !b.state("low").Active {
		t.Error("cleared after 5 s; a damped row without off-delay waits 10 s")
	}
	b.say("low", false, 31*60)
	if b.state("low").Damped {
		t.Error("still damped after 31 min")
	}
}

func TestGroupIsAnnouncedByItsRoot(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	both := func(root, kid bool, n int) {
		for range n {
			b.now += sec
			b.Find(findings.Finding{Key: "kid", At: b.now, Active: kid})
			b.Find(findings.Finding{Key: "root", At: b.now, Active: root})
			b.Tick(b.now)
		}
	}
	both(true, false, 20)
	both(true, true, 3)
	kid, root := b.state("kid"), b.state("root")
	if !kid.Silent || kid.Group != "root" || root.Group != "root" || !root.FirstOut || kid.FirstOut || kid.Announce != 0 {
		t.Errorf("kid %+v\nroot %+v; want the kid silent in the root's group, the root first", kid, root)
	}
	if got := b.Sum(); got.FirstOut != "root" || got.Announced != 1 || got.Highest != alarms.High {
		t.Errorf("Sum() = %+v", got)
	}
	both(false, true, 5)
	if kid = b.state("kid"); kid.Silent || kid.Group != "" || kid.Announce != 1 {
		t.Errorf("root gone, kid %+v; want it to speak for itself, once", kid)
	}
	b2 := newBench(t, alarms.Options{})
	b2.say("root", true, 40)
	for range 4 {
		b2.now += sec
		b2.Find(findings.Finding{Key: "kid", At: b2.now, Active: true})
	}
	if kid = b2.state("kid"); kid.Group != "" || kid.Silent {
		t.Errorf("a kid that starts 41 s after its root: %+v; want it alone", kid)
	}
}

// Whoever is refused must know what to do instead; the words come from here, as they are, to the page.
func TestARefusalSaysTheWayOut(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.say("root", true, 3)
	b.say("low", true, 3)
	b.Suppress(alarms.S3, "", true, b.now)
	for name, c := range map[string]struct {
		a    alarms.Answer
		says string
	}{
		"seen while hidden":    {b.cmd(alarms.Ack, "low", alarms.Operate, 0), "look at the alarms again"},
		"put off while hidden": {b.cmd(alarms.Shelve, "low", alarms.Operate, sec), "nothing to put off"},
		"a high one":           {b.cmd(alarms.Shelve, "root", alarms.Operate, sec), "acknowledge it"},
		"not put off":          {b.cmd(alarms.Unshelve, "root", alarms.Operate, 0), "look at the alarms again"},
		"no such alarm":        {b.cmd(alarms.Ack, "nosuch", alarms.Operate, 0), "load the page again"},
		"nothing there":        {b.cmd(alarms.Ack, "latch", alarms.Operate, 0), "look at the alarms again"},
		"who may only look":    {b.cmd(alarms.Ack, "root", alarms.View, 0), "pair it"},
	} {
		if c.a.OK || !strings.Contains(c.a.Error, c.says) {
			t.Errorf("%s: %+v; want it refused with %q", name, c.a, c.says)
		}
	}
}

// hmi.md 1.6: a child whose onset is at most 30 s after its active root's belongs to it; as far the other way, since a cause
// may be found a little later than its work.
func TestGroupsTakeHalfAMinute(t *testing.T) {
	t.Parallel()
	for after, grouped := range map[int]bool{-31: false, -30: true, -1: true, 0: true, 30: true, 31: false, 60: false} {
		b := newBench(t, alarms.Options{})
		for s := 1; s <= 200; s++ {
			b.now += sec
			b.Find(findings.Finding{Key: "root", At: b.now, Active: s >= 100})
			b.Find(findings.Finding{Key: "kid", At: b.now, Active: s >= 100+after})
			b.Tick(b.now)
		}
		kid, root := b.state("kid"), b.state("root")
		if gap := kid.Onset - root.Onset; gap != time.Duration(after)*sec {
			t.Fatalf("onsets are %v apart; want %d s", gap, after)
		}
		if got := kid.Group == "root"; got != grouped || kid.Silent != grouped || root.Group != kid.Group {
			t.Errorf("a child %d s after its root: in its group %v, silent %v; want %v", after, got, kid.Silent, grouped)
		}
	}
}

// hmi.md 1.2: what leaves suppression starts its on-delay again, also where the rule came and went between two findings.
func TestADelayBeginsAnewAfterARule(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.say("kid", true, 2) // one of its two seconds
	b.Suppress(alarms.S3, "", true, b.now)
	b.Suppress(alarms.S3, "", false, b.now)
	b.say("kid", true, 2)
	if got := b.name("kid"); got != alarms.Normal {
		t.Errorf("a second after the rule: %s; want normal, its delay of 2 s runs anew", got)
	}
	b.say("kid", true, 1)
	if got := b.state("kid"); got.Name() != alarms.ActiveUnacked || got.Onset != 3*sec {
		t.Errorf("two seconds after it: %s since %v; want active since the first finding after the rule, 3 s", got.Name(), got.Onset)
	}
}

func TestFloodSoundsHighOnly(t *testing.T) {
	t.Parallel()
	zero := time.Duration(0)
	b := newBench(t, alarms.Options{Overrides: []alarms.Override{{Key: "low", OnDelay: &zero}}})
	for i := range 11 {
		b.now += sec
		b.Find(findings.Finding{Key: "low", Where: string(rune('a' + i)), At: b.now, Active: true})
		if got, want := b.Sum().Flood, i == 10; got != want {
			t.Fatalf("after %d announcements flood = %v; want %v", i+1, got, want)
		}
	}
	for _, s := range b.States(nil) {
		if !s.Silent {
			t.Errorf("%s in a flood is not silent", s.Where)
		}
	}
	b.say("root", true, 3)
	if st := b.state("root"); st.Silent || st.Announce == 0 {
		t.Errorf("a high one in a flood: %+v; want it heard", st)
	}
	b.Tick(b.now + 11*time.Minute)
	if b.Sum().Flood {
		t.Error("still a flood after 11 min")
	}
}

func TestRolesAndLimitsOfCommands(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		verb alarms.Verb
		key  findings.Key
		role alarms.Role
		d    time.Duration
		want string // part of the sentence; empty: done
	}{
		{"a viewer acknowledges nothing", alarms.Ack, "low", alarms.View, 0, "may only look"},
		{"an operator shelves for 30 min", alarms.Shelve, "low", alarms.Operate, 30 * time.Minute, ""},
		{"not longer", alarms.Shelve, "low", alarms.Operate, 31 * time.Minute, "at most 30 min"},
		{"not without an end", alarms.Shelve, "low", alarms.Operate, 0, "how long"},
		{"never high", alarms.Shelve, "root", alarms.Operate, time.Minute, "high"},
		{"service may", alarms.Shelve, "root", alarms.Service, 12 * time.Hour, ""},
		{"for 12 h at most", alarms.Shelve, "low", alarms.Service, 12*time.Hour + 1, "at most 720 min"},
		{"an operator resets nothing", alarms.Reset, "latch", alarms.Operate, 0, "service"},
		{"an active latch stays", alarms.Reset, "latch", alarms.Service, 0, "still holds"},
		{"nothing to reset", alarms.Reset, "low", alarms.Service, 0, "not latched"},
		{"an operator takes nothing out", alarms.TakeOut, "low", alarms.Operate, 0, "service"},
		{"in service already", alarms.PutBack, "low", alarms.Service, 0, "already"},
		{"not on the shelf", alarms.Unshelve, "low", alarms.Operate, 0, "not put off"},
		{"no such alarm", alarms.Ack, "tank-lo", alarms.Operate, 0, "no alarm"},
		{"nothing there yet", alarms.Ack, "note", alarms.Operate, 0, "so far"},
		{"no such verb", "silence", "low", alarms.Operate, 0, "no command"},
		{"care has its own list", alarms.CareDone, "low", alarms.Operate, 0, "care list"},
		{"a note", alarms.Note, "low", alarms.Operate, 0, ""},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, alarms.Options{})
			for _, k := range []findings.Key{"root", "low", "latch"} {
				b.say(k, true, 3)
			}
			n := len(b.rec.list)
			a := b.cmd(tc.verb, tc.key, tc.role, tc.d)
			if a.OK != (tc.want == "") || !strings.Contains(a.Error, tc.want) {
				t.Errorf("answer %+v; want %q", a, tc.want)
			}
			if len(b.rec.list) != n+1 {
				t.Fatalf("%d records; want one, of what was done or refused", len(b.rec.list)-n)
			}
			if r := b.rec.list[n]; tc.want != "" && !strings.HasPrefix(r.Reason, "refused") {
				t.Errorf("record says %q; want that it was refused", r.Reason)
			}
		})
	}
}

func TestRepeatedAndStaleCommands(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.say("low", true, 3)
	c := alarms.Command{ID: "1", Verb: alarms.Ack, Key: "low", Role: alarms.Operate, By: "ann"}
	first := b.Command(b.now, c)
	b.say("low", false, 4)
	b.say("low", true, 3)
	if again := b.Command(b.now, c); again != first || b.name("low") != alarms.ActiveUnacked {
		t.Errorf("repeat: %+v and %s; want the first answer %+v and no effect", again, b.name("low"), first)
	}
	b.now += 25 * time.Hour
	if b.Command(b.now, c); b.name("low") != alarms.ActiveAcked {
		t.Error("the id is still known after a day")
	}
	c.ID, c.Age = "2", 31*sec
	if a := b.Command(b.now, c); a.OK || !strings.Contains(a.Error, "31 s ago") {
		t.Errorf("a command 31 s old: %+v", a)
	}
	if a := b.Command(b.now, alarms.Command{Verb: alarms.Ack, Key: "low"}); a.OK || a.Error == "" {
		t.Errorf("a command without id: %+v", a)
	}
}

func TestRestartKeepsWhatPeopleMustNotLose(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	for _, k := range []findings.Key{"root", "kid", "low", "latch"} {
		b.say(k, true, 3)
	}
	b.must(alarms.Ack, "root", alarms.Operate, 0)
	b.must(alarms.Shelve, "low", alarms.Operate, 10*time.Minute)
	b.must(alarms.TakeOut, "latch", alarms.Service, 0)
	b.say("root", true, 60)
	saved := b.Save()

	c := newBench(t, alarms.Options{})
	rec := &record{}
	c.Engine = alarms.New(alarms.Options{Rows: rows(), Hold: -1}, rec)
	c.Restore(saved)
	if again := c.Save(); again.Seq != saved.Seq || len(again.Alarms) != 4 { // root: how long it has been active
		t.Errorf("saved again before the first instant: %+v", again)
	}
	c.now = 7 * sec
	c.Tick(c.now)
	for k, want := range map[findings.Key]alarms.StateName{
		"root": alarms.Normal, "kid": alarms.ReturnedUnacked, "low": alarms.Shelved, "latch": alarms.OutOfService,
	} {
		if got := c.name(k); got != want {
			t.Errorf("%s after the restart: %s; want %s", k, got, want)
		}
	}
	if got, want := c.state("low").ShelvedUntil, 7*sec+9*time.Minute; got != want {
		t.Errorf("shelved until %v; want %v: ten minutes less the one it ran", got, want)
	}
	if st := c.state("latch"); st.By != "ann" || !st.Latched {
		t.Errorf("latch: %+v; want it latched, and who took it out", st)
	}
	if len(rec.list) != 2 || rec.list[0].Seq != saved.Seq+1 || rec.list[0].Reason != "restarted" {
		t.Errorf("records after the restart: %+v; want root and kid, numbered on", rec.list)
	}
}

func TestFaultedSensorHidesWhatIsComputedFromIt(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{Rows: alarms.Catalogue()})
	say := func(key findings.Key, where string, on bool, n int) {
		for range n {
			b.now += sec
			b.Find(findings.Finding{Key: key, Where: where, At: b.now, Active: on})
		}
	}
	say("tank-high", "", true, 5)
	say("rank-off-target", "front rank", true, 20)
	say("pressure-fault", "tank", true, 4)
	if got := b.name("tank-high"); got != alarms.Suppressed {
		t.Errorf("tank-high with a faulted tank sensor: %s", got)
	}
	if got := b.name("rank-off-target"); got != alarms.ActiveUnacked {
		t.Errorf("rank-off-target with a faulted tank sensor: %s", got)
	}
	if st := b.state("pressure-fault"); st.Priority != alarms.High {
		t.Errorf("tank sensor fault while planting: %v; want high", st.Priority)
	}
	say("sensor-supply-off", "5 V", true, 3)
	if got := b.name("pressure-fault"); got != alarms.Suppressed {
		t.Errorf("pressure-fault with its supply off: %s", got)
	}
	say("sensor-supply-off", "5 V", false, 5)
	say("pressure-fault", "tank", true, 4)
	b.Suppress(alarms.S3, "", true, b.now)
	say("pressure-fault", "tank", false, 20)
	say("pressure-fault", "tank", true, 4)
	if st := b.state("pressure-fault"); st.Priority != alarms.Medium {
		t.Errorf("tank sensor fault with the planter raised: %v; want medium", st.Priority)
	}
}

func TestFaultedSensorHidesTheRankItIsFedTo(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{Rows: alarms.Catalogue(), Feeds: map[string][]string{"front": {"front rank"}}})
	for range 20 {
		b.now += sec
		for _, where := range []string{"front rank", "rear rank"} {
			b.Find(findings.Finding{Key: "rank-off-target", Where: where, At: b.now, Active: true})
		}
		b.Find(findings.Finding{Key: "pressure-fault", Where: "front", At: b.now, Active: true})
		b.Find(findings.Finding{Key: "pressure-fault", Where: "rear", At: b.now})
	}
	got := map[string]alarms.StateName{}
	for _, s := range b.States(nil) {
		got[s.Where] = s.Name()
	}
	if got["front rank"] != alarms.Suppressed || got["rear rank"] != alarms.ActiveUnacked || got["front"] != alarms.ActiveUnacked {
		t.Errorf("states %v; want the front rank alone suppressed", got)
	}
}

func TestRailHidesOnlyWhatItFeeds(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{Rows: alarms.Catalogue(), Feeds: map[string][]string{"rail 2": {"load_3"}}})
	for range 5 {
		b.now += sec
		for _, where := range []string{"load_3", "load_4"} {
			b.Find(findings.Finding{Key: "load-fault", Where: where, At: b.now, Active: true})
		}
		b.Find(findings.Finding{Key: "sensor-supply-off", Where: "rail 2", At: b.now, Active: true})
	}
	got := map[string]alarms.StateName{}
	for _, s := range b.States(nil) {
		got[s.Where] = s.Name()
	}
	if got["load_3"] != alarms.Suppressed || got["load_4"] != alarms.ActiveUnacked {
		t.Errorf("states %v; want load_3 suppressed and load_4 active", got)
	}
}

func TestPriorityRisesWithinAnEpisode(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{Rows: alarms.Catalogue()})
	flow := units.Unit{Code: "L/min", Dim: units.FlowRate, Factor: 1.0 / 60000}
	b.say("air-leak", true, 2)
	if st := b.state("air-leak"); st.Priority != alarms.Low || !st.Active {
		t.Fatalf("unsized leak: %+v; want low", st)
	}
	b.must(alarms.Ack, "air-leak", alarms.Operate, 0)
	b.Find(findings.Finding{Key: "air-leak", At: b.now + sec, Active: true, Value: findings.Measure{SI: 3e-4, Unit: flow}, Limit: findings.Measure{SI: 2e-4, Unit: flow}})
	if st := b.state("air-leak"); st.Priority != alarms.Medium || !st.Unacked {
		t.Errorf("sized over its limit: %+v; want medium and unacknowledged", st)
	}
}

func TestUnknownFindingIsCounted(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.Find(findings.Finding{Key: "no-such"})
	if got := b.Sum().Unknown; got != 1 {
		t.Errorf("Unknown = %d; want 1", got)
	}
}

func TestNotesAreSilentAndCountedApart(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{})
	b.say("note", true, 2)
	if s := b.Sum(); s.Notes != 1 || s.Active != 0 || s.Unacked != 0 || s.Highest != 0 || s.Announced != 0 {
		t.Errorf("Sum() = %+v; want one note and nothing else", s)
	}
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	b := newBench(t, alarms.Options{Rows: alarms.Catalogue()})
	i := 0
	step := func() {
		i++
		b.now += 100 * time.Millisecond
		b.Find(findings.Finding{Key: "tank-low", At: b.now, Sense: findings.Below, Value: findings.Measure{SI: 7e5 + float64(i%7)}, Limit: findings.Measure{SI: 5e5}})
		b.Find(findings.Finding{Key: "load-fault", Where: "load_3", At: b.now, Active: true})
		b.Find(findings.Finding{Key: "can-silent", At: b.now, Sight: findings.Unseen, Needs: "a link"})
		b.Tick(b.now)
	}
	for range 100 {
		step()
	}
	buf := make([]alarms.State, 0, 16)
	if n := testing.AllocsPerRun(1000, func() { step(); buf = b.States(buf[:0]); _ = b.Sum() }); n != 0 {
		t.Errorf("%v allocations a step; want 0", n)
	}
}

func BenchmarkFind(b *testing.B) {
	e := alarms.New(alarms.Options{}, nil)
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += 100 * time.Millisecond
		e.Find(findings.Finding{Key: "tank-low", At: at, Sense: findings.Below, Value: findings.Measure{SI: 7e5}, Limit: findings.Measure{SI: 5e5}})
	}
}

func TestLateCauseIsFirstOutAndExplainsWhatFollowed(t *testing.T) {
	t.Parallel()
	b := newBench(t, alarms.Options{Rows: []alarms.Row{
		{Key: "leak", Priority: alarms.Low, Children: []findings.Key{"short"}},
		{Key: "short", Priority: alarms.High},
	}})
	say := func(leak findings.Finding, short bool, n int) {
		for range n {
			b.now += sec
			leak.Key, leak.At = "leak", b.now
			b.Find(leak)
			b.Find(findings.Finding{Key: "short", At: b.now, Active: short})
			b.Tick(b.now)
		}
	}
	say(findings.Finding{}, false, 20)
	began := b.now
	say(findings.Finding{}, false, 300)
	say(findings.Finding{Active: true, Since: began}, false, 60)
	if leak := b.state("leak"); leak.Onset != began {
		t.Errorf("onset %s of a leak found late; want %s, when it began", leak.Onset, began)
	}
	say(findings.Finding{Active: true, Since: began, Explains: true}, true, 5)
	leak, short := b.state("leak"), b.state("short")
	if !leak.FirstOut || short.Group != "leak" {
		t.Errorf("leak %+v\nshort %+v; want one group, the leak first", leak, short)
	}
	if short.Silent || short.Announce != 1 {
		t.Errorf("short %+v; want it heard: the cause that was heard is quieter", short)
	}
	if got := b.Sum(); got.FirstOut != "leak" || got.Highest != alarms.High {
		t.Errorf("Sum() = %+v", got)
	}
	say(findings.Finding{Active: true, Since: began}, true, 5)
	if short = b.state("short"); short.Group != "" {
		t.Errorf("short %+v; want it alone: it began long after a leak that does not explain it", short)
	}
}

// Of two people who acknowledge at once both are told yes, and the journal names the first.
func TestTwoPeopleAcknowledgeAtOnce(t *testing.T) {
	b := newBench(t, alarms.Options{})
	b.say("root", true, 3)
	for i, who := range []string{"cab", "yard"} {
		if a := b.Command(b.now, alarms.Command{ID: who, Verb: alarms.Ack, Key: "root", Role: alarms.Operate, By: who, Via: "tablet"}); !a.OK {
			t.Errorf("%s, number %d: %q; want yes", who, i+1, a.Error)
		}
	}
	var by []string
	for _, r := range b.rec.list {
		if r.To == alarms.ActiveAcked {
			by = append(by, r.Actor)
		}
	}
	if !slices.Equal(by, []string{"cab"}) {
		t.Errorf("acknowledged by %v; want the cab alone, once", by)
	}
}
