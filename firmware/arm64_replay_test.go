// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/store/sealed"
)

// These name to a test binary on another processor what to replay, and where to write what the spine said.
const (
	replayVar = "AIRHOLD_TEST_REPLAY"
	answerVar = "AIRHOLD_TEST_ANSWER"
)

// said keeps everything that a spine says: words and times as they are, numbers unrounded and marked by a tilde.
type said struct{ lines []string }

func (w *said) add(fields ...any) {
	text := make([]string, 0, len(fields))
	for _, f := range fields {
		switch f := f.(type) {
		case float64:
			text = append(text, "~"+strconv.FormatFloat(f, 'x', -1, 64))
		case findings.Measure:
			text = append(text, f.Unit.Code, string(f.Reference))
			for _, v := range []float64{f.SI, f.Low, f.High} {
				text = append(text, "~"+strconv.FormatFloat(v, 'x', -1, 64))
			}
		default:
			text = append(text, fmt.Sprintf("%q", fmt.Sprint(f)))
		}
	}
	w.lines = append(w.lines, strings.Join(text, " "))
}

// Transition keeps a change.
func (w *said) Transition(t alarms.Transition) {
	s := &t.State
	w.add("alarm", int64(t.At), int64(s.Onset), s.Key, s.Where, t.From, t.To, t.Actor, t.Role, t.Via, t.Reason, s.Value, s.Limit)
}

// Run keeps a compressor's run.
func (w *said) Run(r compressor.Run) { w.add("run", int64(r.Start), int64(r.Stop), r.Open) }

// Estimate keeps a leak that was sized.
func (w *said) Estimate(e firmware.Estimate) {
	w.add("estimate", int64(e.At), e.Key, e.Where, e.Leak)
}

// Event keeps an event.
func (w *said) Event(e firmware.Event) { w.add("event", int64(e.At), e.Kind, e.Text) }

// replayAll replays a recorded boot and returns what the spine said, and at the end how much it had learned of the air.
func replayAll(t *testing.T, path string) []string {
	t.Helper()
	w := &said{}
	r, err := firmware.OpenReplay(firmware.ReplayOptions{Log: path, Out: w})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.Run(); err != nil {
		t.Fatal(err)
	}
	if lost := r.Notes(); len(lost) > 0 {
		t.Errorf("the log lost something: %q", lost)
	}
	c := r.Spine().Compressor()
	duty, _ := c.DutyWhole()
	starts, _ := c.StartsPerHour()
	first, last, n := r.Spine().Span()
	w.add("end", int64(first), int64(last), n, int64(c.Covered()), c.RunCount(), duty, c.DutyMax(), starts, r.Spine().Water().State().Liquid)
	return w.lines
}

// TestReplayForAnotherProcessor does nothing by itself: TestArm64RepeatsTheDay runs it in a binary for another processor.
func TestReplayForAnotherProcessor(t *testing.T) {
	path := os.Getenv(replayVar)
	if path == "" {
		return
	}
	text := runtime.GOARCH + "\n" + strings.Join(replayAll(t, path), "\n")
	if err := os.WriteFile(os.Getenv(answerVar), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// The same sealed boot, with commands and a clock step in it, gives the same transitions at the same samples on arm64
// and on amd64, and the numbers in them within 1e-9 (contract 4). Go may join a product and a sum into one rounding on
// arm64 and never does on amd64, so the last bits differ.
func TestArm64RepeatsTheDay(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a test binary for arm64")
	}
	qemu, err := exec.LookPath("qemu-aarch64-static")
	if err != nil || runtime.GOARCH != "amd64" {
		if os.Getenv("CI") != "" {
			t.Fatal("needs an amd64 machine with the Debian package qemu-user-static")
		}
		t.Skip("needs an amd64 machine with the Debian package qemu-user-static")
	}
	s := liveDay(t)
	path := copyBoot(t, s.dir)
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	bin, answer := filepath.Join(dir, "firmware.test"), filepath.Join(dir, "answer")
	build := exec.CommandContext(t.Context(), "go", "test", "-c", "-o", bin, "airhold/firmware")
	build.Env = append(os.Environ(), "GOARCH=arm64", "CGO_ENABLED=0", "GOFLAGS=-buildvcs=false")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", build.Args, err, out)
	}
	run := exec.CommandContext(t.Context(), qemu, bin, "-test.run", "^TestReplayForAnotherProcessor$")
	run.Env = append(os.Environ(), replayVar+"="+filepath.Dir(path), answerVar+"="+answer)
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", run.Args, err, out)
	}
	text, err := os.ReadFile(answer)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Split(string(text), "\n")
	if got[0] != "arm64" {
		t.Fatalf("the other processor was %s", got[0])
	}
	want := replayAll(t, filepath.Dir(path))
	got = got[1:]
	if len(got) != len(want) {
		t.Fatalf("%d lines on arm64, %d on amd64:\n%s\n\n%s", len(got), len(want), strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	numbers, other, worst := 0, 0, 0.0
	for i := range want {
		n, off, err := alike(got[i], want[i])
		if err != nil {
			t.Errorf("%v\narm64 %s\namd64 %s", err, got[i], want[i])
		}
		numbers += n
		worst = max(worst, off)
		if got[i] != want[i] {
			other++
		}
	}
	for _, must := range []string{`"Ada"`, `"Ben"`, `"Cleo"`, `"clock-step"`} {
		if !strings.Contains(strings.Join(want, "\n"), must) {
			t.Errorf("nothing of %s in what the spine said", must)
		}
	}
	if numbers < 50 {
		t.Errorf("only %d numbers were compared", numbers)
	}
	t.Logf("%d lines, %d numbers; %d lines differ in their last bits, by %.2g at most", len(want), numbers, other, worst)
}

// alike compares two lines: words must be the same, numbers within 1e-9 of the larger one.
func alike(a, b string) (numbers int, worst float64, err error) {
	fa, fb := strings.Fields(a), strings.Fields(b)
	if len(fa) != len(fb) {
		return 0, 0, fmt.Errorf("%d and %d fields", len(fa), len(fb))
	}
	for i := range fa {
		na, ok1 := strings.CutPrefix(fa[i], "~")
		nb, ok2 := strings.CutPrefix(fb[i], "~")
		if !ok1 || !ok2 {
			if fa[i] != fb[i] {
				return numbers, worst, fmt.Errorf("%s and %s", fa[i], fb[i])
			}
			continue
		}
		x, err1 := strconv.ParseFloat(na, 64)
		y, err2 := strconv.ParseFloat(nb, 64)
		if err1 != nil || err2 != nil {
			return numbers, worst, fmt.Errorf("%s and %s are not both numbers", na, nb)
		}
		numbers++
		if x == y || math.IsNaN(x) && math.IsNaN(y) {
			continue
		}
		off := math.Abs(x-y) / math.Max(math.Abs(x), math.Abs(y))
		worst = max(worst, off)
		if !(off <= 1e-9) {
			return numbers, worst, fmt.Errorf("%g and %g differ by %.2g", x, y, off)
		}
	}
	return numbers, worst, nil
}

func TestAlikeTellsNumbersApart(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{`"x" ~0x1p+00`, `"x" ~0x1p+00`, true},
		{`"x" ~0x1p+00`, `"x" ~0x1.0000000000001p+00`, true},
		{`"x" ~0x1p+00`, `"x" ~0x1.00000009p+00`, false},
		{`"x" ~0x0p+00`, `"x" ~0x1p-60`, false},
		{`"x" "5"`, `"x" "6"`, false},
		{`"x" "5"`, `"x"`, false},
		{`"x" ~NaN`, `"x" ~0x1p+00`, false},
	} {
		if _, _, err := alike(c.a, c.b); (err == nil) != c.same {
			t.Errorf("alike(%s, %s) = %v; want same %v", c.a, c.b, err, c.same)
		}
	}
}
