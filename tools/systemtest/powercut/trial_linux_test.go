// SPDX-License-Identifier: Apache-2.0

package powercut_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"airhold/tools/systemtest/powercut"
)

var (
	cuts = flag.Int("cuts", 40, "places at which power goes, each with every fate; 0 is after each write")
	span = flag.Duration("span", 5*time.Second, "how long the recorder works")
	seed = flag.Uint64("seed", 1, "of the jumbles")
)

// job is what the recorder's process is to do, in its environment.
const job = "AIRHOLD_POWERCUT_JOB"

type task struct {
	Folder  string
	Log     string
	Span    time.Duration
	Options powercut.Options
	NoSync  bool
}

func TestMain(m *testing.M) {
	if text, ok := os.LookupEnv(job); ok {
		if err := work(text); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// work is the recorder's process: it records and tells each beat in a line.
func work(text string) error {
	var do task
	if err := json.Unmarshal([]byte(text), &do); err != nil {
		return err
	}
	if do.NoSync {
		if err := powercut.IgnoreSyncs(); err != nil {
			return err
		}
	}
	ctx, stop := context.WithTimeout(context.Background(), do.Span)
	defer stop()
	out := bufio.NewWriter(os.Stdout)
	lines := json.NewEncoder(out)
	disk := powercut.Recording{Log: do.Log}
	tell := func(b powercut.Beat) error { return lines.Encode(b) }
	err := powercut.Work(ctx, do.Folder, do.Options, disk.Written, tell)
	return errors.Join(err, out.Flush())
}

// pace is quicker than the box's, so that much happens in little time: at 48 bytes a frame a file is full, and is sealed,
// after 1.4 s.
func pace() powercut.Options {
	return powercut.Options{Every: 500 * time.Millisecond, Rotate: 128 << 10}
}

// need skips with what is missing, or fails where a skip must not go unseen.
func need(t *testing.T) {
	t.Helper()
	var missing []string
	for program, from := range powercut.Programs() {
		if _, err := exec.LookPath(program); err != nil {
			missing = append(missing, fmt.Sprintf("%s (package %s)", program, from))
		}
	}
	if os.Geteuid() != 0 {
		missing = append(missing, "root, to mount a disk")
	}
	for _, device := range []string{"/dev/loop-control", "/dev/fuse"} {
		if _, err := os.Stat(device); err != nil {
			missing = append(missing, device)
		}
	}
	if len(missing) == 0 {
		return
	}
	slices.Sort(missing)
	words := "power cuts are not tried here: missing are " + strings.Join(missing, ", ")
	if os.Getenv("CI") != "" {
		t.Fatal(words)
	}
	t.Skip(words)
}

// folder returns a folder in memory where there is one.
func folder(t *testing.T) string {
	t.Helper()
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		dir, err := os.MkdirTemp("/dev/shm", "airhold-powercut-") //nolint:usetesting // a disk's folder may be slow
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.RemoveAll(dir) })
		return dir
	}
	return t.TempDir()
}

// recorded is a day of the recorder, with all that its disk was told.
type recorded struct {
	before []byte
	writes []powercut.Write
	story  powercut.Story
}

// record lets the recorder work in a process of its own on a logged disk.
func record(t *testing.T, nosync bool) recorded {
	t.Helper()
	r, err := powercut.StartRecording(t.Context(), folder(t))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := r.End(); err != nil {
			t.Errorf("end of the recording: %v", err)
		}
	}()
	do, err := json.Marshal(task{Folder: filepath.Join(r.Folder, "data"), Log: r.Log, Span: *span, Options: pace(), NoSync: nosync})
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Env = append(os.Environ(), job+"="+string(do))
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the recorder's process: %v: %s", err, complaints.Bytes())
	}
	var story powercut.Story
	for lines := json.NewDecoder(bytes.NewReader(out)); lines.More(); {
		var b powercut.Beat
		if err := lines.Decode(&b); err != nil {
			t.Fatal(err)
		}
		story = append(story, b)
	}
	n, err := r.Written()
	if err != nil {
		t.Fatal(err)
	}
	writes, err := powercut.ReadWriteLog(r.Log)
	if err != nil {
		t.Fatal(err)
	}
	return recorded{before: r.Before, writes: writes[:n], story: story}
}

// outcome is what the states of a recording came to.
type outcome struct {
	states   int
	sealed   int // states with a sealed file in them
	failures []error
}

func (o outcome) count(kind error) int {
	n := 0
	for _, err := range o.failures {
		if errors.Is(err, kind) {
			n++
		}
	}
	return n
}

// try looks at states of a recording: cuts spread over it, each with every fate.
func try(t *testing.T, r recorded) outcome {
	t.Helper()
	var mu sync.Mutex
	var all outcome
	var wg sync.WaitGroup
	for _, fate := range powercut.Fates() {
		dir := folder(t)
		disk, err := powercut.NewDisk(bytes.Clone(r.before), r.writes)
		if err != nil {
			t.Fatal(err)
		}
		wg.Go(func() {
			state := make([]byte, len(r.before))
			for _, n := range places(len(r.writes)) {
				sealed := false
				err := disk.Cut(state, n, fate, *seed)
				if err == nil {
					sealed, err = look(t.Context(), dir, state, r.story, n)
				}
				mu.Lock()
				all.states++
				if sealed {
					all.sealed++
				}
				if err != nil {
					all.failures = append(all.failures, fmt.Errorf("cut after write %d, the rest %v: %w", n, fate, err))
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return all
}

// places are the cuts to try.
func places(writes int) []int {
	n := *cuts
	if n <= 0 || n > writes {
		n = writes
	}
	at := make([]int, 0, n)
	for i := 1; i <= n; i++ {
		at = append(at, writes*i/n)
	}
	return at
}

// look mounts a state and judges what is there; sealed says whether a sealed file is.
func look(ctx context.Context, dir string, state []byte, story powercut.Story, n int) (sealed bool, err error) {
	image, mounted := filepath.Join(dir, "state.raw"), filepath.Join(dir, "state")
	if err := errors.Join(os.WriteFile(image, state, 0o600), os.MkdirAll(mounted, 0o700)); err != nil {
		return false, err
	}
	if err := powercut.Mount(image, mounted); err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, powercut.Unmount(mounted)) }()
	data := filepath.Join(mounted, "data")
	o := pace()
	files, err := filepath.Glob(filepath.Join(data, "*.zst"))
	if err != nil {
		return false, err
	}
	sealed = len(files) > 0
	found, err := powercut.Found(data, o)
	if err != nil {
		return sealed, err
	}
	safe, due := story.Demand(n, o.Every)
	learned, err := powercut.GoOn(ctx, data, found, o)
	found.Learned = learned
	return sealed, errors.Join(powercut.Judge(found, safe, due), err)
}

func TestPowerCuts(t *testing.T) {
	need(t)
	t.Parallel()
	begun := time.Now()
	r := record(t, false)
	took := time.Since(begun)
	last := r.story[len(r.story)-1]
	t.Logf("recorded %d frames and %d entries in %d writes, %v", last.Synced.Frames, last.Synced.Entries, len(r.writes), took.Round(time.Millisecond))
	begun = time.Now()
	got := try(t, r)
	t.Logf("%d states in %v, %d of them with sealed files", got.states, time.Since(begun).Round(time.Millisecond), got.sealed)
	if got.states < 100 || got.sealed == 0 {
		t.Errorf("%d states, %d with sealed files; want at least 100, some of them with", got.states, got.sealed)
	}
	for i, err := range got.failures {
		if i == 10 {
			t.Errorf("and %d more", len(got.failures)-i)
			break
		}
		t.Error(err)
	}
}

func TestWithoutSyncsItIsCaught(t *testing.T) {
	need(t)
	t.Parallel()
	r := record(t, true)
	got := try(t, r)
	t.Logf("%d states of %d writes: %d with a safe record lost, %d with more than an interval lost, %d false, %d stuck", got.states, len(r.writes), got.count(powercut.ErrLost), got.count(powercut.ErrLate), got.count(powercut.ErrFalse), got.count(powercut.ErrStuck))
	if got.count(powercut.ErrLost) == 0 || got.count(powercut.ErrLate) == 0 {
		t.Errorf("a recorder that does not sync passes: %v", got.failures)
	}
}
