// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"airhold/config"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/publish"
	"airhold/firmware/report"
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

// takeBack takes back the word of a test that was under way when the box was switched off: it will never end.
func (b *Box) takeBack() {
	run := b.tests.said
	if run == "" || b.tests.find(run) != nil {
		return
	}
	b.outlet.ForgetTest(run)
	b.tests.said = ""
	b.o.Store.KeepLearned(lastTest, nil)
	b.o.Store.Event(b.o.Clock.Boot(), "test-void", "The box was switched off before the leak-down test "+run+" was done: it does not count.")
}

// before returns the last judged test of the same place before a run; nil where there is none.
func (t *tests) before(zone, run string) *session.Result {
	t.mu.Lock()
	defer t.mu.Unlock()
	older := t.done
	if i := slices.IndexFunc(older, func(r *session.Result) bool { return r.Run == run }); i >= 0 {
		older = older[i+1:]
	}
	for _, r := range older {
		if r.Zone == zone && r.Leak != nil && (r.Verdict == "pass" || r.Verdict == "fail" || r.Verdict == "undecided") {
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
	in := b.reportInput(r)
	var out bytes.Buffer
	if kind == "curve.png" {
		if err := report.CurvePNG(&out, in, pngWidth, pngHeight); err != nil {
			return nil, "", fmt.Errorf("the picture of test %s: %w", run, err)
		}
		return out.Bytes(), "image/png", nil
	}
	if err := report.HTML(&out, in); err != nil {
		return nil, "", fmt.Errorf("the report of test %s: %w", run, err)
	}
	return out.Bytes(), "text/html; charset=utf-8", nil
}

// The size of a curve's picture, px.
const pngWidth, pngHeight = 1200, 700

// reportInput gathers what the report tells of a finished test.
func (b *Box) reportInput(r *session.Result) report.Input {
	in := report.Input{
		Machine: b.o.Machine.Name, Simulated: b.o.Simulated || r.Simulated, By: r.By, Software: "airhold " + b.o.Software, Sure: r.Sure,
		Now: *r, Before: b.tests.before(r.Zone, r.Run),
	}
	if t, err := time.Parse(time.RFC3339, r.At); err == nil {
		in.When = t.Local()
	}
	if in.Before != nil {
		in.Compare = session.Compare(in.Before, r)
	}
	for _, old := range b.tests.zone(r.Zone) {
		if old.Run != r.Run {
			in.History = append(in.History, *old)
		}
	}
	for _, st := range r.Steps {
		at, err := time.Parse(time.RFC3339, st.At)
		if err != nil {
			at = time.Time{} // done without a clock
		}
		in.Steps = append(in.Steps, report.Step{Words: st.Words, At: at.Local(), Note: st.Note})
	}
	m := b.o.Machine
	ids := []string{m.Tank.Channel}
	for _, k := range m.Ranks {
		if k.Pressure != "" && (k.Name == r.Zone || r.Phases > 1) {
			ids = append(ids, k.Pressure)
		}
	}
	for _, id := range append(ids, m.Tank.Wall, "ambient", "barometer") {
		if c, ok := m.Channel(id); ok {
			in.Instruments = append(in.Instruments, instrument(c))
		}
	}
	return in
}

// instrument tells of a channel what the machine file tells of it.
func instrument(c config.Channel) report.Instrument {
	i := report.Instrument{Channel: c.ID, Sensor: sensorWords(c)}
	i.Calibrate(c.Calibrated.Date, c.Calibrated.Reference, c.Calibrated.Uncertainty, c.Calibrated.Unit)
	return i
}

// sensorWords describe a channel's sensor as far as the machine file does.
func sensorWords(c config.Channel) string {
	t := c.ADC.Transducer
	if c.Kind != config.FromADC || t.High <= t.Low {
		return sourceWords(c)
	}
	return fmt.Sprintf("%g to %g %s, %s, %s", findings.Round(c.Unit.From(t.Low)), findings.Round(c.Unit.From(t.High)), report.UnitWords(c.Unit), t.Kind, sourceWords(c))
}
