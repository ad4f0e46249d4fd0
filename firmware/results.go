// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"

	"airhold/firmware/leakdown/session"
	"airhold/firmware/publish"
	"airhold/firmware/tablet"
)

// tests is what a box keeps of its leak-down tests. Screens read it from other goroutines.
type tests struct {
	state, curve atomic.Pointer[[]byte]

	mu   sync.Mutex
	done []*session.Result // newest first

	// The spine's goroutine owns what follows.
	told   uint64 // version of the session last said
	said   string // run on whose topic it was said
	step   session.Step
	phase  int
	helped string // what simulated hands did in this step
}

// mostTests is how many finished tests are at hand; the store keeps them all.
const mostTests = 100

// lastTest is the name under which the run that was said last is kept, so that a box that was switched off during a test
// takes that test's word back.
const lastTest = "test/last"

// loadTests brings back what earlier boots have tested.
func (b *Box) loadTests(learned map[string][]byte) error {
	kept, err := b.o.Store.Tests("", mostTests)
	if err != nil {
		return err
	}
	for _, k := range kept {
		var r session.Result
		if err := json.Unmarshal(k.JSON, &r); err != nil {
			b.o.Log.Warn("a kept leak-down test cannot be read", slog.String("run", k.Run), slog.Any("error", err))
			continue
		}
		b.tests.done = append(b.tests.done, &r)
	}
	b.tests.said = string(learned[lastTest])
	return nil
}

// before returns the last judged test of the same place, other than the run itself; nil where there is none.
func (t *tests) before(zone, run string) *session.Result {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, r := range t.done {
		if r.Zone == zone && r.Run != run && r.Leak != nil && (r.Verdict == "pass" || r.Verdict == "fail" || r.Verdict == "undecided") {
			return r
		}
	}
	return nil
}

// find returns a finished test; nil where there is none.
func (t *tests) find(run string) *session.Result {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, r := range t.done {
		if r.Run == run {
			return r
		}
	}
	return nil
}

// zone returns the finished tests of a zone, newest first; an empty zone means all.
func (t *tests) zone(zone string) []*session.Result {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := []*session.Result{}
	for _, r := range t.done {
		if zone == "" || r.Zone == zone {
			out = append(out, r)
		}
	}
	return out
}

// Finished keeps a finished test.
func (v voice) Finished(r *session.Result) {
	b := v.b
	b.tests.mu.Lock()
	b.tests.done = slices.Insert(b.tests.done, 0, r)
	if len(b.tests.done) > mostTests {
		b.tests.done = b.tests.done[:mostTests]
	}
	b.tests.mu.Unlock()
	if !b.keep {
		return
	}
	k, err := testRecord(r)
	if err != nil {
		b.said(err)
		return
	}
	b.o.Store.KeepTest(k)
}

// Learned keeps a learned value.
func (v voice) Learned(name string, value []byte) {
	if v.b.keep {
		v.b.o.Store.KeepLearned(name, value)
	}
}

// testPayload is the state of a test with its stamp.
type testPayload struct {
	publish.Stamp
	*session.State
}

// tellTest says the state of the leak-down test where something is new, and its curve while it is watched.
func (b *Box) tellTest() {
	s := b.spine.Test()
	t := &b.tests
	if s.Version() == t.told && !s.Active() {
		return
	}
	st := s.State()
	if st == nil {
		return
	}
	t.told = s.Version()
	if t.said != st.Run {
		if t.said != "" {
			b.outlet.ForgetTest(t.said)
		}
		t.said = st.Run
		if b.keep {
			b.o.Store.KeepLearned(lastTest, []byte(st.Run))
		}
	}
	b.compare(st)
	if t.helped != "" {
		st.Do = append([]string{t.helped}, st.Do...)
	}
	_, last, _ := b.spine.Span()
	p := testPayload{b.stamp(last), st}
	b.said(b.outlet.Test(st.Run, p))
	if text, err := json.Marshal(p); err == nil {
		t.state.Store(&text)
	}
	c := s.Curve(screenPoints)
	if c == nil {
		t.curve.Store(nil)
		return
	}
	b.said(b.outlet.Curve(st.Run, c))
	if text, err := json.Marshal(c); err == nil {
		t.curve.Store(&text)
	}
}

// screenPoints is how many points a line of a screen's curve has at most.
const screenPoints = 140

// compare sets the last judged test of the same place beside a state.
func (b *Box) compare(st *session.State) {
	before := b.tests.before(st.Zone, st.Run)
	if before == nil {
		return
	}
	shown := *before
	if st.Step != session.Done {
		shown.Curve = nil // drawn beside the result only
	}
	st.Before = &shown
	if st.Result != nil {
		st.Compare = session.Compare(before, st.Result)
	}
}

// lendHands lets simulated hands do what the step asks of a person.
func (b *Box) lendHands() {
	t := &b.tests
	s := b.spine.Test()
	step, phase := s.Step()
	if b.o.Wires.Hands == nil || step == t.step && phase == t.phase {
		return
	}
	t.step, t.phase = step, phase
	t.helped = b.o.Wires.Hands.Help(step, phase)
}

// Test implements tablet.Tests.
func (b *Box) Test() (state, curve []byte) {
	if p := b.tests.state.Load(); p != nil {
		state = *p
	}
	if p := b.tests.curve.Load(); p != nil {
		curve = *p
	}
	return state, curve
}

// History implements tablet.Tests.
func (b *Box) History(zone string) []byte {
	list := b.tests.zone(zone)
	out := make([]session.Result, 0, len(list))
	for _, r := range list {
		shown := *r
		shown.Curve = nil
		out = append(out, shown)
	}
	text, err := json.Marshal(out)
	if err != nil {
		return []byte("[]")
	}
	return text
}

// Result implements tablet.Tests.
func (b *Box) Result(run string) ([]byte, bool) {
	r := b.tests.find(run)
	if r == nil {
		return nil, false
	}
	text, err := json.Marshal(r)
	return text, err == nil
}

// Paper implements tablet.Tests.
func (b *Box) Paper(run, kind string) ([]byte, string, error) {
	r := b.tests.find(run)
	if r == nil {
		return nil, "", fmt.Errorf("%w: %s", tablet.ErrNoTest, run)
	}
	return nil, "", errors.New("this box makes no " + kind)
}
