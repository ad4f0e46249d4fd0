// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

// judged keeps what leak-down tests leave behind.
type judged struct {
	results []string
	learned []string
}

// Finished keeps a result as JSON.
func (j *judged) Finished(r *session.Result) {
	text, err := json.Marshal(r)
	if err != nil {
		text = []byte(err.Error())
	}
	j.results = append(j.results, string(text))
}

// Learned keeps what was learned.
func (j *judged) Learned(name string, value []byte) {
	j.learned = append(j.learned, name+" "+string(value))
}

// test sends a command of the leak-down test.
func (s *stand) test(id string, v alarms.Verb, pairs ...string) {
	s.t.Helper()
	args := map[string]string{}
	for i := 0; i+1 < len(pairs); i += 2 {
		args[pairs[i]] = pairs[i+1]
	}
	s.do(alarms.Command{ID: id, Verb: v, Args: args, By: "Ada"})
}

// begin starts a test and ticks all its lines.
func begin(id string, pairs ...string) func(*stand) {
	return func(s *stand) {
		s.test(id, alarms.TestStart, pairs...)
		for _, tick := range []string{"park", "key", "down", "clear", "eyes", "spray"} {
			s.test(id+tick, alarms.TestStep, "tick", tick)
		}
	}
}

func goOn(id string) func(*stand) {
	return func(s *stand) { s.test(id, alarms.TestStep, "next", "1") }
}

// state asks for the test over HTTP as the page's fallback and the command line do.
func (s *stand) state() (st session.State) {
	s.t.Helper()
	code, body := s.get("/api/test")
	if code != http.StatusOK {
		s.t.Errorf("GET /api/test = %d %s", code, body)
		return st
	}
	if err := json.Unmarshal(body, &st); err != nil {
		s.t.Errorf("/api/test: %v in %s", err, body)
	}
	return st
}

// TestGuidedTestLive runs two leak-down tests on the whole box, with the simulated hands that the demo lends: the tank,
// sound; then again with a leak of 5 L/min. What was judged live must be what a replay of the log judges, to the byte,
// and must hold the rig's truth; history, comparison, journal, report and what was learned must be there.
func TestGuidedTestLive(t *testing.T) {
	var during, first, second session.State
	var home nowShown
	var truth, there float64 // m3/s, and the absolute pressure it was true at
	var paper, picture, list []byte
	var kinds [2]int
	at := func(m, sec int) time.Duration { return time.Duration(m)*time.Minute + time.Duration(sec)*time.Second }
	s := play(t, standOptions{story: rig.ShopStory, whole: true, script: []cue{
		{at(0, 20), begin("a", "zone", "tank")},
		{at(0, 50), goOn("a-fill")}, // the engine has run down by then
		{at(2, 15), goOn("a-isolate")},
		{at(2, 45), func(s *stand) { home, during = s.fresh(), s.state() }},
		{at(6, 0), func(s *stand) { s.fresh(); first = s.state() }},
		{at(6, 10), func(s *stand) {
			if err := s.rig.SetLeak("tank side", 5e-3/60); err != nil {
				s.t.Error(err)
			}
		}},
		{at(6, 20), begin("b", "zone", "tank")},
		{at(6, 30), goOn("b-fill")},
		{at(8, 20), goOn("b-isolate")},
		{at(8, 40), func(s *stand) {
			x := s.rig.Truth(s.clock.Boot())
			truth = float64(x.Flow.Leak("tank side") + x.Flow.Leak("front fill valve") + x.Flow.Leak("rear fill valve"))
			there = float64(x.Tank) + float64(x.Barometer)
		}},
		{at(13, 0), func(s *stand) {
			s.fresh()
			second = s.state()
			_, list = s.get("/api/tests?zone=tank")
			kinds[0], paper = s.get("/api/tests/" + second.Run + "/report")
			kinds[1], picture = s.get("/api/tests/" + second.Run + "/curve.png")
		}},
	}})

	if home.Do == "" || !strings.HasPrefix(home.Do, "Leak-down test, ") {
		t.Errorf("home says %q during the test; want the test and its seconds", home.Do)
	}
	if during.Step != session.Watch || !during.HeldBack || during.Seconds < 20 || during.Leak == nil {
		t.Errorf("during the watch: step %q, held back %v, %.0f s, leak %v", during.Step, during.HeldBack, during.Seconds, during.Leak)
	}
	if first.Verdict != "pass" || second.Verdict != "fail" {
		t.Fatalf("verdicts %q %q, %q %q; want pass, then fail", first.Verdict, first.Reasons, second.Verdict, second.Reasons)
	}
	truth *= (second.Result.Start.SI + 98e3) / there // a choked leak goes with the absolute pressure, and the estimate is of the start's
	if l := second.Result.Leak; truth < l.Low || truth > l.High {
		t.Errorf("the leak %.3g to %.3g m3/s does not hold the true %.3g", l.Low, l.High, truth)
	}
	if second.Before == nil || second.Before.Run != first.Run || !strings.Contains(second.Compare, "worse") {
		t.Errorf("before %+v, compare %q; want the first test, worse", second.Before, second.Compare)
	}
	if n := strings.Count(string(list), `"run"`); n != 2 || strings.Index(string(list), second.Run) > strings.Index(string(list), first.Run) {
		t.Errorf("/api/tests has %d tests: %.200s; want two, the newest first", n, list)
	}
	if kinds != [2]int{http.StatusOK, http.StatusOK} || !strings.Contains(string(paper), "Kettle Ridge 16") || !strings.HasPrefix(string(picture), "\x89PNG") {
		t.Errorf("report and picture: %v, %.80q, %.8q", kinds, paper, picture)
	}

	records := journal(t, s.dir)
	live := journalLines(records)
	for _, want := range []string{"test-start", "test-step", "test-verdict"} {
		if !slices.ContainsFunc(records, func(r store.Record) bool { return r.Kind == want }) {
			t.Errorf("no %s in the journal", want)
		}
	}
	kept, err := store.Open(s.dir, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer kept.Close()
	tests, err := kept.Tests("tank", 10)
	if err != nil || len(tests) != 2 {
		t.Fatalf("the store has %d tests, %v; want 2", len(tests), err)
	}
	learned, err := kept.Learned()
	if err != nil || len(learned["signature/tank"]) == 0 {
		t.Errorf("learned %v, %v; want the tank's signature", learned, err)
	}

	var j judged
	w := &written{}
	r, err := firmware.OpenReplay(firmware.ReplayOptions{Log: s.dir, Out: w, Memory: &j})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.Run(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(live, w.lines); diff != "" {
		t.Errorf("the replay's journal is not the live one (-live +replay):\n%s", diff)
	}
	if len(j.results) != 2 {
		t.Fatalf("the replay judged %d tests; want 2", len(j.results))
	}
	for i := range j.results {
		// The log's machine file is a real machine's; only the live box was told that it is simulated.
		liveResult := strings.Replace(string(tests[1-i].JSON), `,"simulated":true`, "", 1)
		if diff := cmp.Diff(liveResult, j.results[i]); diff != "" {
			t.Errorf("test %d: the replay's result is not the live one (-live +replay):\n%s", i+1, diff)
		}
	}
}

// A box that goes on with another boot's data knows its tests, and takes back the word of one that never ended.
func TestTestsOutliveABoot(t *testing.T) {
	at := func(m, sec int) time.Duration { return time.Duration(m)*time.Minute + time.Duration(sec)*time.Second }
	one := play(t, standOptions{story: rig.ShopStory, script: []cue{
		{at(0, 20), begin("a")},
		{at(0, 50), goOn("a-fill")}, // the engine has run down by then
		{at(2, 40), goOn("a-isolate")},
		{at(6, 0), func(s *stand) { s.state() }},
		{at(6, 10), begin("b")}, // and the box is switched off
		{at(6, 20), func(*stand) {}},
	}})
	var list []byte
	two := play(t, standOptions{story: rig.ShopStory, dir: one.dir, boot: "second", script: []cue{
		{at(0, 10), func(s *stand) { _, list = s.get("/api/tests") }},
	}})
	if n := strings.Count(string(list), `"run"`); n != 1 || !strings.Contains(string(list), `"pass"`) {
		t.Errorf("after a restart /api/tests is %.300s; want the one that was finished", list)
	}
	if !slices.ContainsFunc(journal(t, two.dir), func(r store.Record) bool {
		return r.Kind == "test-void" && strings.Contains(r.Reason, "switched off")
	}) {
		t.Error("the journal does not say that the second test never ended")
	}
}

// A machine file with nothing but a tank, a compressor and the tank's channel gives a box that can be asked for a test.
func TestTestOnABareMachine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bare.yaml")
	text := `name: Bare
tank: {volume: 38 L, safe_working_pressure: 10 bar, relief_setting: 9 bar, channel: tank}
compressors:
  - {name: compressor, control: switch}
channels:
  tank: {quantity: pressure, unit: kPa, source: {csv: {column: tank, unit: kPa}}}
`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m, problems, err := config.Load(path)
	if m == nil {
		t.Fatal(problems, err)
	}
	var j judged
	w := &written{}
	sp, err := firmware.NewSpine(firmware.SpineOptions{Machine: m, Table: firmware.NewTable(m), Out: w, Memory: &j})
	if err != nil {
		t.Fatal(err)
	}
	a := sp.Apply(&store.Entry{Kind: store.IsCommand, At: time.Second, Command: &alarms.Command{
		ID: "a", Verb: alarms.TestStart, By: "Ada", Role: alarms.Operate,
	}})
	if !a.OK || sp.Test().State().Where != "tank side" {
		t.Errorf("test-start = %+v; want a test of the tank side", a)
	}
	for _, c := range []struct {
		name string
		c    alarms.Command
		want string
	}{
		{"only looking", alarms.Command{ID: "b", Verb: alarms.TestStop, Role: alarms.View}, "may only look"},
		{"too old", alarms.Command{ID: "c", Verb: alarms.TestStop, Role: alarms.Operate, Age: time.Minute}, "60 s ago"},
		{"without an id", alarms.Command{Verb: alarms.TestStop, Role: alarms.Operate}, "no id"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := sp.Apply(&store.Entry{Kind: store.IsCommand, At: 2 * time.Second, Command: &c.c})
			if a.OK || !strings.Contains(a.Error, c.want) {
				t.Errorf("answer = %+v; want a refusal with %q", a, c.want)
			}
		})
	}
}
