// SPDX-License-Identifier: Apache-2.0

//go:build e2e

package story_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"airhold/firmware/rig"
)

// repo is the root of the sources, from this folder.
const repo = "../.."

// TestPageShowsTheTruth starts the demo as the README does, but for its ports, opens the page in Chromium and compares
// each second what a person reads there with what is true on the simulated machine.
func TestPageShowsTheTruth(t *testing.T) {
	bin := build(t)
	for _, c := range []struct {
		name    string
		story   string
		skip    time.Duration
		seconds int
		flags   []string
	}{
		{"as in the README", "planting-day", 0, 10, nil}, // a cold tank before the engine starts
		// Across a headland turn and the compressor's run after it, so that the figures move.
		{"planting", "quiet", 4*time.Minute + 10*time.Second, 95, []string{"--story", "quiet", "--seed", "1", "--skip", "4m10s"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := startDemo(t, bin, c.flags...)
			truth := &truth{t: t, story: c.story, skip: c.skip}
			looks := watch(t, d.page, c.seconds+15)
			low, high := math.Inf(1), math.Inf(-1)
			words := map[string]bool{}
			for range c.seconds {
				l := looks.next()
				truth.compare(&l, d.mono())
				low, high = min(low, l.Figures.Tank.Value), max(high, l.Figures.Tank.Value)
				words[l.Compressor] = true
			}
			t.Logf("tank shown from %.0f to %.0f kPa; compressor %v", low, high, words)
			// A comparison with a figure that stands still would prove little.
			if c.story == "quiet" && (high-low < 50 || !words["running"] || !words["resting"]) {
				t.Errorf("the tank moved %.0f kPa and the compressor was %v; want 50 kPa, running and resting", high-low, words)
			}
			d.kill()
			looks.covered(5 * time.Second)
		})
	}
}

// TestShots takes pictures for people to look at.
func TestShots(t *testing.T) {
	folder := os.Getenv("AIRHOLD_SHOTS")
	if folder == "" {
		folder = t.TempDir()
	}
	folder, err := filepath.Abs(folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		t.Fatal(err)
	}
	bin := build(t)
	for _, c := range []struct{ story, skip, state string }{{"quiet", "4m10s", "holds"}, {"short", "6m", "short"}} {
		t.Run(c.story, func(t *testing.T) {
			d := startDemo(t, bin, "--story", c.story, "--skip", c.skip)
			deadline := time.Now().Add(90 * time.Second)
			for d.now().State != c.state {
				if time.Now().After(deadline) {
					t.Fatalf("the state is %q after 90 s; want %q", d.now().State, c.state)
				}
				time.Sleep(500 * time.Millisecond)
			}
			cmd := node(t, d.page, "shots.mjs", c.story)
			cmd.Env = append(cmd.Env, "AIRHOLD_SHOTS="+folder)
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("shots: %v\n%s", err, out)
			}
			files, err := filepath.Glob(filepath.Join(folder, c.story+"-*.png"))
			if err != nil || len(files) != 4 {
				t.Errorf("%d pictures, %v; want 4", len(files), err)
			}
		})
	}
}

func build(t *testing.T) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "airhold")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", bin, "airhold/cmd/airhold").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	return bin
}

// demo is the running program.
type demo struct {
	t    *testing.T
	page string
	cmd  *exec.Cmd
	errs *lockedBuffer
}

// lockedBuffer takes what the demo says on standard error while the test may read it.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write keeps p.
func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// String returns what was kept.
func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// startDemo runs README's first command on ports of its own.
func startDemo(t *testing.T, bin string, flags ...string) *demo {
	t.Helper()
	d := &demo{t: t, cmd: exec.CommandContext(t.Context(), bin, append([]string{"demo", "--listen", "127.0.0.1:0", "--mqtt", "off"}, flags...)...), errs: &lockedBuffer{}}
	d.cmd.Stderr = d.errs
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.cmd.Process.Kill(); _ = d.cmd.Wait() })
	lines := bufio.NewScanner(out)
	simulated := false
	for lines.Scan() {
		simulated = simulated || strings.Contains(lines.Text(), "SIMULATED")
		if d.page = regexp.MustCompile(`http://[0-9.:]+/`).FindString(lines.Text()); d.page != "" {
			break
		}
	}
	if d.page == "" || !simulated {
		t.Fatalf("the demo does not say where its page is and that it is simulated: %s", d.errs)
	}
	go func() { _, _ = io.Copy(io.Discard, out) }()
	return d
}

func (d *demo) kill() { _ = d.cmd.Process.Kill() }

type now struct {
	Mono      int64  `json:"mono"`
	State     string `json:"state"`
	Simulated bool   `json:"simulated"`
}

func (d *demo) now() now {
	d.t.Helper()
	var n now
	for range 100 {
		q, err := http.NewRequestWithContext(d.t.Context(), http.MethodGet, d.page+"api/now", nil)
		if err != nil {
			d.t.Fatal(err)
		}
		r, err := http.DefaultClient.Do(q)
		if err != nil {
			d.t.Fatalf("%v; the demo said: %s", err, d.errs)
		}
		err = json.NewDecoder(r.Body).Decode(&n)
		_ = r.Body.Close()
		if err == nil && r.StatusCode == http.StatusOK {
			return n
		}
		time.Sleep(100 * time.Millisecond)
	}
	d.t.Fatal("no snapshot in 10 s")
	return n
}

// mono returns the box's time of the newest snapshot.
func (d *demo) mono() time.Duration { return time.Duration(d.now().Mono) * time.Millisecond }

// figure is a number as the page shows it: what stands there, and what it was made from.
type figure struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Text  string  `json:"text"`
}

// look is what can be read off the page.
type look struct {
	Screen     string `json:"screen"`
	Live       bool   `json:"live"`
	Foot       string `json:"foot"`
	Compressor string `json:"compressor"`
	Figures    struct {
		Tank  figure `json:"tank"`
		Front figure `json:"front"`
		Rear  figure `json:"rear"`
	} `json:"figures"`
}

// node makes a command of a script against a page; the scripts' libraries lie with the page's sources.
func node(t *testing.T, url, script string, args ...string) *exec.Cmd {
	t.Helper()
	if _, err := os.Stat(filepath.Join(repo, "firmware/tablet/page/node_modules/playwright-core")); err != nil {
		t.Fatalf("%v; run: npm ci, in firmware/tablet/page", err)
	}
	cmd := exec.CommandContext(t.Context(), "node", append([]string{script}, args...)...)
	cmd.Env = append(os.Environ(), "AIRHOLD_URL="+url)
	return cmd
}

// looks is the browser, looking once a second.
type looks struct {
	t     *testing.T
	lines chan []byte
	errs  *bytes.Buffer
}

func watch(t *testing.T, url string, seconds int) *looks {
	t.Helper()
	cmd := node(t, url, repo+"/firmware/tablet/page/e2e/look.mjs", strconv.Itoa(seconds))
	l := &looks{t: t, lines: make(chan []byte), errs: &bytes.Buffer{}}
	cmd.Stderr = l.errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(l.lines)
		scan := bufio.NewScanner(out)
		scan.Buffer(nil, 1<<20)
		for scan.Scan() {
			l.lines <- bytes.Clone(scan.Bytes())
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		for range l.lines { // let the reader go
		}
		_ = cmd.Wait()
	})
	return l
}

// next returns the next look.
func (l *looks) next() look {
	l.t.Helper()
	select {
	case b, ok := <-l.lines:
		if !ok {
			l.t.Fatalf("the browser has ended: %s", l.errs.String())
		}
		var v look
		if err := json.Unmarshal(b, &v); err != nil {
			l.t.Fatalf("%v in %s", err, b)
		}
		return v
	case <-time.After(40 * time.Second):
		l.t.Fatal("the browser says nothing for 40 s")
	}
	return look{}
}

// covered wants the page to cover itself once the box is gone: old figures must not stand there as if they were live.
func (l *looks) covered(within time.Duration) {
	l.t.Helper()
	deadline := time.Now().Add(within)
	for {
		v := l.next()
		if v.Screen == "cover" && !v.Live && v.Figures.Tank.Unit == "" {
			return
		}
		if time.Now().After(deadline) {
			l.t.Errorf("%v after the box was killed the page still shows %+v; want it covered", within, v)
			return
		}
	}
}

// The bounds of a comparison.
const (
	// A shown figure is the mean of the last second of the last snapshot, which is at most half a second old, drawn within
	// a quarter of a second, and the look and the question for the box's time lie some tenths of a second apart.
	before = 2500 * time.Millisecond
	after  = 1000 * time.Millisecond
	// 0.25 % of a full scale of 1000 kPa, the accuracy class of an industrial pressure sensor (common practice, no source),
	// and three standard deviations of a mean of 20 readings with 0.5 kPa of noise each.
	sensor = 2.5 + 3*0.5/4.47
	// On and off are inferred from the tank's pressure alone, which takes seconds of slope: what the page says must have
	// been so at some time in the last 20 s (common practice, no source: a short run takes about that long).
	inferred = 20 * time.Second
)

// truth runs the same machine a second time, beside the demo.
type truth struct {
	t     *testing.T
	story string
	skip  time.Duration
	rig   *rig.Rig
}

func (tr *truth) compare(l *look, at time.Duration) {
	tr.t.Helper()
	if tr.rig == nil {
		r, err := rig.New(rig.Options{Seed: 1, Story: tr.story, Skip: tr.skip})
		if err != nil {
			tr.t.Fatal(err)
		}
		tr.rig = r
		tr.t.Cleanup(func() { _ = r.Close() })
	}
	if !l.Live || !strings.Contains(l.Foot, "simulated") {
		tr.t.Errorf("at %v: live %v, foot %q; want a live page that says it is simulated", at, l.Live, l.Foot)
	}
	tr.rig.Advance(at + after)
	var tank, front, rear []float64
	for d := max(0, at-before); d <= at+after; d += 100 * time.Millisecond {
		s := tr.rig.Truth(d)
		tank = append(tank, float64(s.Tank)/1000)
		front = append(front, float64(s.Ranks[0].Pressure)/1000)
		rear = append(rear, float64(s.Ranks[1].Pressure)/1000)
	}
	tr.within("tank", at, l.Figures.Tank, tank)
	tr.within("front", at, l.Figures.Front, front)
	tr.within("rear", at, l.Figures.Rear, rear)

	var on, off bool
	for d := max(0, at-inferred); d <= at+after; d += 200 * time.Millisecond {
		if tr.rig.Truth(d).CompressorOn {
			on = true
		} else {
			off = true
		}
	}
	switch l.Compressor {
	case "running":
		if !on {
			tr.t.Errorf("at %v the page says the compressor runs; it has been off for %v", at, inferred)
		}
	case "resting":
		if !off {
			tr.t.Errorf("at %v the page says the compressor rests; it has been on for %v", at, inferred)
		}
	case "not seen":
		if at > 90*time.Second {
			tr.t.Errorf("at %v the compressor is still not seen", at)
		}
	default:
		tr.t.Errorf("at %v the page says the compressor is %q; want running or resting", at, l.Compressor)
	}
}

// within compares a figure with what was true around its second, and with the digits that stand there.
func (tr *truth) within(what string, at time.Duration, f figure, around []float64) {
	tr.t.Helper()
	lo, hi := slices.Min(around)-sensor, slices.Max(around)+sensor
	if f.Unit != "kPa" || f.Value < lo || f.Value > hi {
		tr.t.Errorf("at %v the page shows %s %.2f %q; true is %.2f to %.2f kPa, sensors included", at, what, f.Value, f.Unit, lo, hi)
	}
	digits := regexp.MustCompile(`-?[0-9]+(\.[0-9]+)?`).FindString(f.Text)
	shown, err := strconv.ParseFloat(digits, 64)
	if err != nil || math.Abs(shown-f.Value) > 0.5001 {
		tr.t.Errorf("at %v the digits of %s are %q, made from %.2f; want them rounded to a whole kPa", at, what, f.Text, f.Value)
	}
}
