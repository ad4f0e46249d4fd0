// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/store"
	"airhold/firmware/tablet"
	"airhold/sensors/units"
)

// barn is a box that keeps a care list behind the real gate and the real rules for commands. Its machine, its people and
// its dates are invented.
type barn struct {
	mu     sync.Mutex
	list   *care.Care
	engine *alarms.Engine
	known  []findings.Learned
	at     time.Duration
	told   []alarms.Command
}

var barnDay = time.Date(2026, time.April, 27, 12, 0, 0, 0, time.UTC)

func startBarn(t *testing.T) (*barn, string) {
	t.Helper()
	b := &barn{engine: alarms.New(alarms.Options{}, nil), known: []findings.Learned{
		{Name: "cut-in", Words: "cut-in of the compressor", Value: findings.Measure{SI: 661.4e3, Unit: units.Preferred(units.Pressure), Reference: units.Gauge}, Text: "from 14 starts"},
		{Name: "signature/front", Words: "how the air of the front rank cools after a charge", Text: "from 3 clean tests"},
		{Name: "test/last", Words: "the box's own"},
	}}
	b.list = care.New(care.Options{UTC: func(at time.Duration) (time.Time, bool) { return barnDay.Add(at), true }}, deaf{})
	for range 3 { // three working days of eight hours
		for range 8 * 360 {
			b.at += 10 * time.Second
			b.list.Tick(b.at, care.Inputs{Working: true, WorkSeen: true, RunSeen: true, RunTime: b.at / 10})
		}
		b.at += 16 * time.Hour
		b.list.Tick(b.at, care.Inputs{WorkSeen: true, RunSeen: true, RunTime: b.at / 10})
	}
	s, err := tablet.New(tablet.Options{Commands: b, Care: b, Snapshot: b, Clock: stopped{}, Assets: fstest.MapFS{"index.html": {Data: []byte("x")}}})
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(s.Handler())
	t.Cleanup(server.Close)
	return b, server.URL
}

type stopped struct{}

func (stopped) Boot() time.Duration  { return 0 }
func (stopped) Sample() clock.Sample { return clock.Sample{UTC: barnDay} }

func (b *barn) Now() ([]byte, bool) { return []byte(`{"simulated":true}`), true }
func (b *barn) Alarms() []byte      { return []byte("[]") }

func (b *barn) Care() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	text, err := json.Marshal(b.list.Sheet())
	if err != nil {
		panic(err)
	}
	return text
}

func (b *barn) Learned() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	text, err := tablet.LearnedJSON(append(b.list.Learned(), b.known...))
	if err != nil {
		panic(err)
	}
	return text
}

func (b *barn) Do(_ context.Context, c alarms.Command) (alarms.Answer, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.told = append(b.told, c)
	b.at += time.Second
	return b.engine.Beside(b.at, c, func() string {
		if c.Verb == alarms.Forget {
			i := slices.IndexFunc(b.known, func(k findings.Learned) bool { return k.Name == c.Where })
			if i < 0 && !b.list.Forget(c.Where) {
				return "nothing was learned under that name"
			}
			if i >= 0 {
				b.known = slices.Delete(b.known, i, i+1)
			}
			return ""
		}
		if err := b.list.Tell(b.at, c.Where, c.Args["answer"], c.By, c.Why); err != nil {
			return err.Error()
		}
		return ""
	}), nil
}

// follows checks that the words stand in the text in that order.
func follows(t *testing.T, text string, words ...string) {
	t.Helper()
	at := 0
	for _, want := range words {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("%q does not follow in:\n%s", want, text)
		}
		at += i + len(want)
	}
}

// What a tired person needs at five in the morning, in that order: is anything due, what, why; what is asked; what can hurt;
// what to type.
func TestCareAtFiveInTheMorning(t *testing.T) {
	t.Parallel()
	_, url := startBarn(t)
	code, out, log := airhold(t, "care", "--box", url)
	if code != exitOK || log != "" {
		t.Fatalf("exit %d: %s", code, log)
	}
	follows(t, out,
		"5 due: drain, oil-level, bag-inspection, filter-change, oil-change", "SIMULATED",
		"DUE", "drain           Drain the tank", "3 working days and none on record", "every 2 working days", "nothing on record",
		"Look over bags and fittings", "not on record for this season",
		"Not due", "leak-test",
		"Asked once", "oil-change      Was the compressor's oil changed for this season?",
		"Before you begin", "drain: Parked on level ground, engine off", "stand to its side", "Eye protection", "manual, local rules",
		"airhold care done drain")
	for line := range strings.Lines(out) {
		if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 120 {
			t.Errorf("%d letters in a line: %s", n, line)
		}
	}
	if strings.Count(out, "Parked on level ground, engine off, key out: the compressor") != 3 { // drain, oil, filter
		t.Errorf("the same caution stands there more than once:\n%s", out)
	}
}

func TestCareIsRecordedAtTheBox(t *testing.T) {
	t.Parallel()
	b, url := startBarn(t)
	code, out, log := airhold(t, "care", "done", "drain", "--note", "half a cup", "--by", "Ada", "--box", url)
	if code != exitOK || log != "" {
		t.Fatalf("exit %d: %s", code, log)
	}
	follows(t, out, "Recorded: Drain the tank, by Ada.", "Still due: look at oil")
	if c := b.told[0]; c.Role != alarms.Operate || c.Via != "cli" || c.By != "Ada" || c.Why != "half a cup" {
		t.Errorf("the box was told %+v", c)
	}
	lines := jsonLines(t, "care", "done", "Oil", "level", "--box", url)
	if len(lines) != 1 || lines[0]["recorded"] != "oil-level" || lines[0]["event"] != "summary" {
		t.Errorf("lines %v; want the summary", lines)
	}
	if code, out, _ := airhold(t, "care", "answer", "oil-change", "not-done", "--box", url, "--by", "Ada"); code != exitOK || !strings.Contains(out, "not done for this season") {
		t.Errorf("answer: exit %d, %s", code, out)
	}
	if code, out, _ := airhold(t, "care", "--box", url, "answer", "filter-change", "unknown"); code != exitOK || !strings.Contains(out, "not known whether") {
		t.Errorf("answer: exit %d, %s", code, out)
	}
	code, out, _ = airhold(t, "care", "history", "--box", url)
	if lines := strings.Split(strings.TrimSpace(out), "\n"); code != exitOK || len(lines) != 3 || !strings.Contains(lines[1], "Look at the compressor's oil") ||
		!strings.Contains(lines[2], "Drain the tank, by Ada (half a cup), at ") {
		t.Errorf("history: exit %d\n%s", code, out)
	}
	code, out, log = airhold(t, "care", "done", "oyl", "--box", url)
	if code != exitFailed || out != "" || !strings.Contains(log, `there is no care item "oyl"; there are drain, oil-level`) {
		t.Errorf("a wrong item: exit %d, %q, %q", code, out, log)
	}
}

func TestCareForScripts(t *testing.T) {
	t.Parallel()
	_, url := startBarn(t)
	lines := jsonLines(t, "care", "--box", url)
	sum := lines[len(lines)-1]
	if len(of(lines, "care")) != 7 || len(of(lines, "question")) != 3 || sum["event"] != "summary" || sum["simulated"] != true || sum["clock"] != true {
		t.Fatalf("lines %v", lines)
	}
	if got := fmt.Sprint(sum["due"]); got != "[drain oil-level bag-inspection filter-change oil-change]" {
		t.Errorf("due = %s", got)
	}
	if got := fmt.Sprint(sum["ask"]); got != "[bag-inspection filter-change oil-change]" {
		t.Errorf("ask = %s", got)
	}
	for _, it := range of(lines, "care") {
		for _, field := range []string{"item", "words", "matter", "why", "every", "caution"} {
			if text, _ := it[field].(string); text == "" {
				t.Errorf("%v lacks %q", it, field)
			}
		}
	}
	if _, _, log := airhold(t, "care", "done", "drain", "--box", url); log != "" {
		t.Fatal(log)
	}
	lines = jsonLines(t, "care", "history", "--box", url)
	if len(lines) != 2 || lines[0]["event"] != "record" || lines[0]["item"] != "drain" {
		t.Fatalf("lines %v", lines)
	}
	if run, _ := lines[0]["run"].(map[string]any); run["unit"] != "h" || run["value"] == nil {
		t.Errorf("run time %v; want hours", lines[0]["run"])
	}
	if at, _ := lines[0]["at"].(string); !strings.HasPrefix(at, "2026-04-30T12:00:0") {
		t.Errorf("at %q; want the box's own time", at)
	}
}

func TestLearnedAtTheBox(t *testing.T) {
	t.Parallel()
	b, url := startBarn(t)
	code, out, log := airhold(t, "learned", "--box", url)
	if code != exitOK || log != "" {
		t.Fatalf("exit %d: %s", code, log)
	}
	follows(t, out, "SIMULATED", "care-season", "cut-in", "cut-in of the compressor: 661 kPa (from 14 starts)", "signature/front", "front rank cools", "from 3 clean tests", "airhold learned forget NAME")
	if strings.Contains(out, "test/last") {
		t.Errorf("the box's own name is shown:\n%s", out)
	}
	lines := jsonLines(t, "learned", "--box", url)
	if n := len(of(lines, "learned")); n != 3 || lines[len(lines)-1]["learned"] != 3.0 {
		t.Errorf("lines %v; want three values", lines)
	}
	if code, out, _ := airhold(t, "learned", "forget", "signature/front", "--by", "Ada", "--box", url); code != exitOK || !strings.Contains(out, "Forgotten: signature/front") {
		t.Errorf("forget: exit %d, %s", code, out)
	}
	if c := b.told[0]; c.Verb != alarms.Forget || c.Role != alarms.Service || c.By != "Ada" {
		t.Errorf("the box was told %+v; want forget by service", c)
	}
	if code, _, log := airhold(t, "learned", "forget", "signature/front", "--box", url); code != exitFailed || !strings.Contains(log, "nothing was learned under that name") {
		t.Errorf("forget again: exit %d, %s", code, log)
	}
	if lines := jsonLines(t, "learned", "forget", "cut-in", "--box", url); len(lines) != 1 || lines[0]["forgot"] != "cut-in" {
		t.Errorf("lines %v", lines)
	}
	if _, _, log := airhold(t, "care", "done", "drain", "--box", url); log != "" {
		t.Fatal(log)
	}
	if code, out, _ := airhold(t, "learned", "forget", "care-drain", "--box", url); code != exitOK || !strings.Contains(out, "record before it counts again") || !strings.Contains(out, "drain it soon") {
		t.Errorf("take back: exit %d, %s", code, out)
	}
}

// What answers there may be no box, an older one, or one that is starting.
func TestCareAtAnotherServer(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		answer http.HandlerFunc
		says   string
	}{
		"another server": {http.NotFound, "no airhold box, or an older one"},
		"a page":         {func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("<html>")) }, "no airhold box, or one of another version"},
		"starting": {func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, "The box keeps no care list now.", http.StatusNotFound)
		}, "keeps no care list now"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := httptest.NewServer(c.answer)
			defer server.Close()
			for _, command := range [][]string{{"care"}, {"care", "done", "drain"}, {"learned"}} {
				code, out, log := airhold(t, append(command, "--box", server.URL)...)
				if code != exitFailed || out != "" || !strings.Contains(log, c.says) {
					t.Errorf("airhold %v: exit %d, %q, %q; want %q", command, code, out, log, c.says)
				}
			}
		})
	}
}

const barnFile = `name: bench
tank: {volume: 38 L, safe_working_pressure: 10 bar, relief_setting: 9 bar}
compressors: [{control: switch, delivery: 180 L/min, care: {belt: 50 h}}]
channels: {tank: {quantity: pressure, unit: kPa, source: sim}}
care: {leak_test: {every: off}}
page: {listen: "127.0.0.1:9"}
logging: {dir: %s}
`

// The list of a box that is switched off is read from its folder, and recorded there: list, memory and journal. While a box
// has the folder, nothing is written.
func TestCareWithoutABox(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	machine := filepath.Join(t.TempDir(), "unit.yaml")
	if err := os.WriteFile(machine, fmt.Appendf(nil, barnFile, dir), 0o600); err != nil {
		t.Fatal(err)
	}
	box, err := store.Open(dir, store.Options{Clock: clock.Live{}})
	if err != nil {
		t.Fatal(err)
	}
	code, out, log := airhold(t, "care", "done", "drain", "--machine", machine)
	if code != exitFailed || out != "" || !strings.Contains(log, "one is running with the folder "+dir) {
		t.Errorf("while a box has the folder: exit %d, %q, %q", code, out, log)
	}
	if err := box.Close(); err != nil {
		t.Fatal(err)
	}
	code, out, log = airhold(t, "care", "--machine", machine)
	if code != exitOK || !strings.Contains(log, "No box is running: read from "+dir) {
		t.Fatalf("read: exit %d, %q", code, log)
	}
	follows(t, out, "belt", "every 50 run hours")
	if strings.Contains(out, "leak-test") {
		t.Errorf("the leak test is off in the machine file:\n%s", out)
	}
	code, out, log = airhold(t, "care", "done", "drain", "--note", "in the shed", "--by", "Ada", "--machine", machine)
	if code != exitOK || !strings.Contains(out, "Recorded: Drain the tank, by Ada.") || !strings.Contains(log, "kept in "+dir) {
		t.Fatalf("record: exit %d, %q, %q", code, out, log)
	}
	lines := jsonLines(t, "care", "history", "--machine", machine)
	if len(lines) != 2 || lines[0]["item"] != "drain" || lines[0]["note"] != "in the shed" || lines[0]["by"] != "Ada" || lines[0]["at"] == nil {
		t.Errorf("history %v", lines)
	}
	if _, out, _ := airhold(t, "journal", "--data", dir); !strings.Contains(out, "Drain the tank: done, by Ada (in the shed).") {
		t.Errorf("the journal does not say it: %s", out)
	}
	if code, _, log := airhold(t, "care", "done", "leak-test", "--machine", machine); code != exitFailed || !strings.Contains(log, "not on this machine's care list") {
		t.Errorf("an item that is off: exit %d, %q", code, log)
	}
	// The box that starts next finds it.
	again, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	learned, err := again.Learned()
	if err != nil {
		t.Fatal(err)
	}
	if h := care.New(care.Options{Saved: learned[careKept]}, deaf{}).History(); len(h) != 1 || h[0].Item != "drain" {
		t.Errorf("kept %+v", h)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
}
