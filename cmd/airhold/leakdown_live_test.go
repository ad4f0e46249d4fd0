// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"airhold/firmware/leakdown/session"
	"airhold/firmware/readings"
)

// fakeBox is a box whose machine follows the closed form: each question about the test lets five seconds pass in it.
type fakeBox struct {
	mu     sync.Mutex
	s      *session.Session
	air    shutIn
	now    time.Duration
	fill   time.Duration // when filling began; negative: not yet
	noise  *rand.Rand
	verbs  []string
	onTell func(verb string) // after a command
}

func startBox(t *testing.T, leak float64) (*fakeBox, string) {
	t.Helper()
	none := readings.NoChannel
	b := &fakeBox{air: tightTank(), fill: -1, noise: rand.New(rand.NewPCG(3, 4))}
	b.air.leak = leak
	b.s = session.New(session.Options{
		Tank:    session.Tank{Pressure: 0, Volume: 0.038, Uncertainty: 0.03, FullScale: 1e6, SafeWorking: 1e6, Relief: 9e5},
		Running: none, Drive: none, Speed: none, Lowered: none, Wall: none, Ambient: none, Barometer: none,
	}, nil)
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/test", func(w http.ResponseWriter, _ *http.Request) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.pass(5 * time.Second)
		state := b.s.State()
		if state == nil {
			http.Error(w, "There was no leak-down test since the box started.", http.StatusNotFound)
			return
		}
		_ = json.NewEncoder(w).Encode(state)
	})
	mux.HandleFunc("GET /api/test/curve", func(w http.ResponseWriter, _ *http.Request) {
		b.mu.Lock()
		defer b.mu.Unlock()
		_ = json.NewEncoder(w).Encode(b.s.Curve(200))
	})
	mux.HandleFunc("GET /api/tests/{run}/report", func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.WriteString(w, "<!doctype html>report of "+r.PathValue("run"))
	})
	mux.HandleFunc("POST /api/cmd/{verb}", func(w http.ResponseWriter, r *http.Request) {
		var c struct {
			ID, By string
			Args   map[string]string
		}
		err := json.NewDecoder(r.Body).Decode(&c)
		b.mu.Lock()
		defer b.mu.Unlock()
		verb := r.PathValue("verb")
		b.verbs = append(b.verbs, verb)
		a := b.s.Command(b.now, session.Command{ID: c.ID, Verb: session.Verb(verb), Args: c.Args, By: c.By})
		if err != nil || !a.OK {
			w.WriteHeader(http.StatusConflict)
		}
		_ = json.NewEncoder(w).Encode(map[string]any{"id": c.ID, "ok": a.OK, "error": a.Error})
		if b.onTell != nil {
			b.onTell(verb)
		}
	})
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	return b, server.URL
}

// pass lets time go by: readings ten times a second, a tick each second. Once the test says so the tank is filled, and the
// air shut in at once.
func (b *fakeBox) pass(d time.Duration) {
	if state := b.s.State(); b.fill < 0 && state != nil && state.Step == session.Fill {
		b.fill = b.now
	}
	for end := b.now + d; b.now < end; b.now += 100 * time.Millisecond {
		p := b.air.start - 100
		if t := (b.now - b.fill).Seconds(); b.fill >= 0 && t < 20 {
			p += 5 * t // it takes 20 s to fill, and then the air is shut in
		} else if b.fill >= 0 {
			p = b.air.pressure(t - 20)
		}
		b.s.Read(readings.Reading{At: b.now, Channel: 0, Value: (p + 0.3*b.noise.NormFloat64()) * 1e3})
		if b.now%time.Second == 0 {
			b.s.Tick(b.now)
		}
	}
}

func TestLiveTestByScript(t *testing.T) {
	t.Parallel()
	b, url := startBox(t, 12)
	sheet := filepath.Join(t.TempDir(), "sheet.html")
	lines := jsonLines(t, "leakdown", "--box", url, "--yes", "--by", "Ada", "--report", sheet)
	sum := lines[len(lines)-1]
	if sum["verdict"] != "fail" || sum["zone"] != "tank" || sum["where"] != "tank side" {
		t.Errorf("verdict %v, zone %v, where %v; want fail, tank, tank side", sum["verdict"], sum["zone"], sum["where"])
	}
	if low, _, high := estimated(t, sum, "leak", "L/min"); low > 12 || high < 12 {
		t.Errorf("leak between %v and %v L/min; want 12 within", low, high)
	}
	steps := map[string]bool{}
	for _, l := range of(lines, "state") {
		s, _ := l["state"].(map[string]any)
		steps[s["step"].(string)] = true
		if s["by"] != "Ada" {
			t.Errorf("by = %v; want Ada", s["by"])
		}
	}
	for _, want := range []string{"make_safe", "fill", "isolate", "watch", "result"} {
		if !steps[want] {
			t.Errorf("no state of the step %s", want)
		}
	}
	if updates, _ := sum["updates"].(map[string]any); len(updates) == 0 {
		t.Error("no updates in the summary")
	}
	if text, err := os.ReadFile(sheet); err != nil || !strings.Contains(string(text), "report of ") {
		t.Errorf("report = %q, %v", text, err)
	}
	if b.verbs[0] != "test-start" {
		t.Errorf("first command %s; want test-start", b.verbs[0])
	}
}

func TestLiveTestByHand(t *testing.T) {
	t.Parallel()
	_, url := startBox(t, 12)
	var out, log bytes.Buffer
	answers := "y\nno\n" + strings.Repeat("\n", 40) // one line is refused once, and asked again
	code := run(t.Context(), []string{"leakdown", "--box", url, "--limit", "5 L/min"}, strings.NewReader(answers), &out, &log)
	text := out.String()
	if code != exitOK || log.Len() > 0 {
		t.Fatalf("exit %d: %s", code, log.String())
	}
	at := 0
	for _, want := range []string{
		"Step 1 of 5: make safe", "Parked on level ground", "Enter when seen, q to stop", "Not done, then.", "Nobody near the row units",
		"Next: fill?", "Step 2 of 5: fill", "Step 3 of 5: isolate", "Step 4 of 5: watch", "L/min ANR", "chance of pass",
		"FAIL: the tank side leaks more than 5 L/min ANR.", "Report: " + url + "/api/tests/", "Compressed air can hurt",
	} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("%q does not follow in:\n%s", want, text)
		}
		at += i
	}
	if n := strings.Count(text, "The machine's manual, local rules and licensed practice come first. Airhold only looks"); n > 1 {
		t.Errorf("the same caution stands there %d times", n)
	}
}

// The person breaks off: the box is told, and the command says so.
func TestLiveTestIsStoppedWithTheCommand(t *testing.T) {
	t.Parallel()
	b, url := startBox(t, 0.2)
	ctx, cancel := context.WithCancel(t.Context())
	b.onTell = func(verb string) {
		if verb == "test-step" {
			cancel()
		}
	}
	var out, log bytes.Buffer
	code := run(ctx, []string{"leakdown", "--box", url, "--yes"}, strings.NewReader(""), &out, &log)
	if code != exitFailed || !strings.Contains(log.String(), "The test was stopped; nothing was judged") {
		t.Errorf("exit %d, %q; want %d and that the test was stopped", code, log.String(), exitFailed)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if last := b.verbs[len(b.verbs)-1]; last != "test-stop" {
		t.Errorf("last command %s; want test-stop", last)
	}
	if s := b.s.State(); s.Verdict != "stopped" {
		t.Errorf("verdict %s; want stopped", s.Verdict)
	}
}

func TestLiveTestWithoutAnybodyToAnswerStops(t *testing.T) {
	t.Parallel()
	b, url := startBox(t, 0.2)
	code, out, log := airhold(t, "leakdown", "--box", url)
	if code != exitFailed || !strings.Contains(out, "nobody to answer") || !strings.Contains(log, "was stopped") {
		t.Errorf("exit %d\n%s\n%s", code, out, log)
	}
	if last := b.verbs[len(b.verbs)-1]; last != "test-stop" {
		t.Errorf("last command %s; want test-stop", last)
	}
}

// On a terminal the curve, the interval and the chances stay within the width, in signs it can show.
func TestTheWatchFitsTheTerminal(t *testing.T) {
	t.Parallel()
	b, _ := startBox(t, 5)
	b.s.Command(0, session.Command{ID: "a", Verb: session.Start, Args: map[string]string{}})
	for _, tick := range b.s.State().Ticks {
		b.s.Command(b.now, session.Command{ID: tick.ID, Verb: session.Go, Args: map[string]string{"tick": tick.ID}})
	}
	for i := range 80 {
		if s := b.s.State(); s.CanGo && (s.Step == session.MakeSafe || b.now-b.fill > 40*time.Second) {
			b.s.Command(b.now, session.Command{ID: string(rune('A' + i)), Verb: session.Go, Args: map[string]string{"next": "1"}})
		}
		b.pass(2 * time.Second)
		if s := b.s.State(); s.Step == session.Watch && s.Leak != nil {
			break
		}
	}
	s := b.s.State()
	if s.Leak == nil {
		t.Fatalf("no estimate in step %s: %v", s.Step, s.Reasons)
	}
	for _, width := range []int{narrowest, 80, widest} {
		for _, fine := range []bool{false, true} {
			var out bytes.Buffer
			v := view{shown: shownIn(nil), width: width, fine: fine}
			v.watch(&out, s, b.s.Curve(200))
			text := strings.ReplaceAll(out.String(), "\x1b[K", "")
			for line := range strings.Lines(text) {
				if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > width {
					t.Errorf("width %d: %d letters in %q", width, n, line)
				}
			}
			for _, want := range []string{"now", "limit", "only cooling", "kPa", "leak", "pass", "fail", "Ctrl-C"} {
				if !strings.Contains(text, want) {
					t.Errorf("width %d: no %q in\n%s", width, want, text)
				}
			}
			if !fine && strings.ContainsFunc(text, func(r rune) bool { return r > 126 }) {
				t.Errorf("width %d: not plain:\n%s", width, text)
			}
		}
	}
}
