// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"flag"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

var seedFlag = flag.Uint64("seed", 0, "seed of the random test; 0: a fixed list of seeds")

// model is the slow reference: it keeps every sample of its item and works the condition out anew from all of them,
// and it walks the named states by their letters instead of by fields.
type model struct {
	row     alarms.Row
	samples []sample

	cond    bool
	letter  byte // A, B, C, D, or E (latched and seen), e (latched, not seen): what would be shown
	ruled   bool
	out     bool
	until   time.Duration // end of the shelf; 0: not on it
	seen    time.Duration // when it was acknowledged
	hits    []time.Duration
	damped  time.Duration // until
	restart int           // samples before this one do not count for the delays
}

type sample struct {
	at    time.Duration
	bad   bool
	blind bool
}

func (m *model) hidden() bool { return m.out || m.ruled || m.until > 0 }

func (m *model) find(s sample) {
	m.samples = append(m.samples, s)
	if m.ruled {
		m.restart = len(m.samples)
		return
	}
	if s.blind || s.bad == m.cond {
		return
	}
	// The stretch that speaks against the condition, back to the last sample that spoke for it.
	var held time.Duration
	for i := len(m.samples) - 1; i > m.restart; i-- {
		a, b := m.samples[i-1], m.samples[i]
		if !a.blind && a.bad != s.bad {
			break
		}
		if !a.blind && !b.blind && b.at-a.at <= 2*time.Second {
			held += b.at - a.at
		}
	}
	need := m.row.OnDelay
	if m.cond {
		need = m.row.OffDelay
		if s.at < m.damped {
			need = max(2*need, 10*time.Second)
		}
	}
	if held < need {
		return
	}
	m.cond = s.bad
	m.restart = len(m.samples) - 1
	if m.cond {
		m.hits = append(m.hits, s.at)
		if n := len(m.hits); n >= 3 && s.at-m.hits[n-3] <= time.Minute {
			m.damped = s.at + 30*time.Minute
		}
	}
	m.step(s.at)
}

// step moves the letter after the condition changed.
func (m *model) step(time.Duration) {
	quiet := m.out || m.until > 0
	switch {
	case m.cond && quiet:
		m.letter = 'C'
	case m.cond:
		m.letter = 'B'
	case m.letter == 'B' && m.row.Latching:
		m.letter = 'e'
	case m.letter == 'C' && m.row.Latching:
		m.letter = 'E'
	case m.letter == 'B':
		m.letter = 'D'
	case m.letter == 'C':
		m.letter = 'A'
	}
}

func (m *model) rule(on bool) {
	if on && !m.ruled {
		switch {
		case m.row.Latching && m.letter == 'B':
			m.letter = 'e'
		case m.row.Latching && m.letter == 'C':
			m.letter = 'E'
		case m.letter == 'B' || m.letter == 'C' || m.letter == 'D':
			m.letter = 'A'
		}
		m.cond = false
	}
	if m.ruled != on {
		m.restart = len(m.samples)
	}
	m.ruled = on
}

func (m *model) reveal() {
	if m.cond && !m.hidden() {
		m.letter = 'B'
	}
}

func (m *model) tick(at time.Duration) {
	if m.until > 0 && at >= m.until {
		m.until = 0
		m.reveal()
	}
	if m.letter == 'C' && !m.hidden() && m.row.Priority == alarms.High && at-m.seen >= 10*time.Minute {
		m.letter = 'B'
	}
}

// hush is what shelving and taking out do to the acknowledgement.
func (m *model) hush() {
	switch m.letter {
	case 'B':
		m.letter = 'C'
	case 'D':
		m.letter = 'A'
	case 'e':
		m.letter = 'E'
	}
}

func (m *model) do(at time.Duration, c alarms.Command) bool {
	service := c.Role == alarms.Service
	switch c.Verb {
	case alarms.Ack:
		if m.hidden() {
			return false
		}
		if m.letter == 'B' {
			m.seen = at
		}
		m.hush()
	case alarms.Shelve:
		if m.out || m.ruled || (!service && (m.row.Priority == alarms.High || c.For > 30*time.Minute)) || c.For > 12*time.Hour {
			return false
		}
		m.until = at + c.For
		m.hush()
	case alarms.Unshelve:
		if m.until == 0 {
			return false
		}
		m.until = 0
		m.reveal()
	case alarms.Reset:
		if !service || m.cond || (m.letter != 'e' && m.letter != 'E') {
			return false
		}
		m.letter = 'A'
	case alarms.TakeOut:
		if !service || m.out {
			return false
		}
		m.out = true
		m.hush()
	case alarms.PutBack:
		if !service || !m.out {
			return false
		}
		m.out = false
		m.reveal()
	case alarms.CareDone, alarms.Forget, alarms.Note, alarms.TestStart, alarms.TestStep, alarms.TestStop:
	}
	return true
}

func (m *model) name() alarms.StateName {
	switch {
	case m.out:
		return alarms.OutOfService
	case m.ruled:
		return alarms.Suppressed
	case m.until > 0:
		return alarms.Shelved
	}
	return map[byte]alarms.StateName{
		'A': alarms.Normal, 'B': alarms.ActiveUnacked, 'C': alarms.ActiveAcked, 'D': alarms.ReturnedUnacked,
		'E': alarms.LatchedAcked, 'e': alarms.LatchedUnacked,
	}[m.letter]
}

func TestRandomHistoriesAgreeWithTheSlowModel(t *testing.T) {
	t.Parallel()
	seeds := []uint64{*seedFlag}
	if *seedFlag == 0 {
		seeds = nil
		for s := range uint64(150) {
			seeds = append(seeds, s+1)
		}
	}
	visited := map[alarms.StateName]int{}
	for _, seed := range seeds {
		history(t, seed, visited)
	}
	for _, want := range []alarms.StateName{
		alarms.Normal, alarms.ActiveUnacked, alarms.ActiveAcked, alarms.ReturnedUnacked, alarms.LatchedAcked,
		alarms.LatchedUnacked, alarms.Shelved, alarms.Suppressed, alarms.OutOfService,
	} {
		if *seedFlag == 0 && visited[want] < 100 {
			t.Errorf("the histories were in %s %d times; too few to mean anything", want, visited[want])
		}
	}
}

func history(t *testing.T, seed uint64, visited map[alarms.StateName]int) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 7))
	all := []alarms.Row{
		{Key: "h", Priority: alarms.High, OnDelay: 2 * sec, OffDelay: 3 * sec, Suppressors: []alarms.Suppressor{alarms.S3, alarms.S4}},
		{Key: "l", Priority: alarms.Low, OnDelay: 0, OffDelay: 5 * sec, Suppressors: []alarms.Suppressor{alarms.S3}},
		{Key: "k", Priority: alarms.Medium, OnDelay: 4 * sec, OffDelay: 0, Latching: true, Suppressors: []alarms.Suppressor{alarms.S4}},
	}
	rec := &record{}
	e := alarms.New(alarms.Options{Rows: all, Hold: -1, Noise: -1}, rec)
	models := map[findings.Key]*model{}
	bad := map[findings.Key]bool{}
	for _, row := range all {
		models[row.Key] = &model{row: row, letter: 'A'}
		e.Find(findings.Finding{Key: row.Key})
		models[row.Key].find(sample{})
	}
	holds := map[alarms.Suppressor]bool{}
	verbs := []alarms.Verb{alarms.Ack, alarms.Ack, alarms.Ack, alarms.Shelve, alarms.Unshelve, alarms.Reset, alarms.TakeOut, alarms.PutBack, alarms.PutBack}
	at, gapped := time.Duration(0), false
	for step := range 1500 {
		// A hole now and then, never two in a row: two equal ones would be a new rhythm.
		at += sec
		if r.IntN(40) == 0 && !gapped {
			at += time.Duration(4+r.IntN(9)) * sec
			gapped = true
		} else {
			gapped = false
		}
		for _, row := range all {
			if r.IntN(8) == 0 {
				bad[row.Key] = !bad[row.Key]
			}
			s := sample{at: at, bad: bad[row.Key], blind: r.IntN(30) == 0}
			f := findings.Finding{Key: row.Key, At: at, Active: s.bad}
			if s.blind {
				f.Sight = findings.Unseen
			}
			e.Find(f)
			models[row.Key].find(s)
		}
		e.Tick(at)
		for _, m := range models {
			m.tick(at)
		}
		if r.IntN(60) == 0 {
			s := []alarms.Suppressor{alarms.S3, alarms.S4}[r.IntN(2)]
			holds[s] = !holds[s]
			e.Suppress(s, "", holds[s], at)
			for _, m := range models {
				m.rule(slices.ContainsFunc(m.row.Suppressors, func(s alarms.Suppressor) bool { return holds[s] }))
			}
		}
		if r.IntN(6) == 0 {
			c := alarms.Command{
				ID: time.Duration(step).String(), Verb: verbs[r.IntN(len(verbs))], Key: all[r.IntN(len(all))].Key, By: "ann",
				Role: []alarms.Role{alarms.Operate, alarms.Service}[r.IntN(2)], For: time.Duration(1+r.IntN(45)) * time.Minute / 10,
			}
			if got, want := e.Command(at, c).OK, models[c.Key].do(at, c); got != want {
				t.Fatalf("seed %d step %d: %s %s by %s done = %v; the model says %v", seed, step, c.Verb, c.Key, c.Role, got, want)
			}
		}
		states := e.States(nil)
		if len(states) != len(all) || states[0].Key != "h" || states[1].Key != "l" || states[2].Key != "k" {
			t.Fatalf("seed %d step %d: order of states changed", seed, step)
		}
		for i := range states {
			s := &states[i]
			visited[s.Name()]++
			if got, want := s.Name(), models[s.Key].name(); got != want {
				t.Fatalf("seed %d step %d: %s is %s; the model says %s", seed, step, s.Key, got, want)
			}
			invariants(t, seed, step, s)
		}
	}
	last := map[findings.Key]alarms.StateName{}
	for i, tr := range rec.list {
		if tr.Seq != uint64(i+1) {
			t.Fatalf("seed %d: record %d has number %d", seed, i, tr.Seq)
		}
		if from, ok := last[tr.State.Key]; ok && from != tr.From {
			t.Fatalf("seed %d: record %d of %s starts from %s; the one before ended in %s", seed, i, tr.State.Key, tr.From, from)
		}
		last[tr.State.Key] = tr.To
		if tr.To != tr.State.Name() {
			t.Fatalf("seed %d: record %d says %s beside a state that is %s", seed, i, tr.To, tr.State.Name())
		}
	}
}

func invariants(t *testing.T, seed uint64, step int, s *alarms.State) {
	t.Helper()
	switch {
	case s.Visibility == alarms.IsSuppressed && (s.Rule == "" || s.Active):
		t.Fatalf("seed %d step %d: %s is suppressed without a rule, or active: %+v", seed, step, s.Key, s)
	case s.Visibility == alarms.IsShelved && (s.ShelvedUntil == 0 || s.Unacked || s.By == ""):
		t.Fatalf("seed %d step %d: %s is shelved without end or name: %+v", seed, step, s.Key, s)
	case s.Visibility == alarms.IsOutOfService && s.By == "":
		t.Fatalf("seed %d step %d: %s is out of service by nobody: %+v", seed, step, s.Key, s)
	case s.Latched && s.Key != "k":
		t.Fatalf("seed %d step %d: %s latched although its row does not", seed, step, s.Key)
	case s.Active && s.Key == "k" && !s.Latched:
		t.Fatalf("seed %d step %d: %s is active and not latched", seed, step, s.Key)
	case s.Active && s.Onset > s.Since && s.Visibility == alarms.Shown:
		t.Fatalf("seed %d step %d: %s began at %v, before its onset %v", seed, step, s.Key, s.Since, s.Onset)
	}
}
