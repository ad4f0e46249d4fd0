// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/store"
)

var (
	crashSeed   = flag.Uint64("crash-seed", 0, "seed of the outbox's crash points; 0 draws one")
	crashPoints = flag.Int("crash-points", 1000, "how many crash points of the outbox are tried")
)

// handed is an alert as a tablet gets it.
type handed struct {
	line      string
	seq, prev int64
	number    string // which change it is, by the machine's own count
}

// since reads what an outbox hands out after a number.
func since(t *testing.T, o *store.Outbox, after int64, most int) []handed {
	t.Helper()
	line, _, err := o.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var out []handed
	err = o.Since(t.Context(), after, most, func(seq, prev int64, record []byte) error {
		var r store.Record
		if err := json.Unmarshal(record, &r); err != nil {
			return err
		}
		out = append(out, handed{line, seq, prev, r.Reason})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// tablet is a screen that keeps, in one step, what it has shown and up to which number.
type tablet struct {
	name   string
	line   string
	cursor int64
	shown  []string
	absent bool
}

// hear is what a tablet does with an alert that was said: it shows it once, after all before it.
func (b *tablet) hear(t *testing.T, o *store.Outbox, a handed) {
	t.Helper()
	if a.line == b.line && a.seq <= b.cursor {
		return
	}
	if a.line != b.line || a.prev != b.cursor {
		b.ask(t, o)
		return
	}
	b.show(a)
}

// ask is how a tablet gets what it missed.
func (b *tablet) ask(t *testing.T, o *store.Outbox) {
	t.Helper()
	for {
		got := since(t, o, b.cursor, 3)
		if len(got) == 0 {
			return
		}
		for _, a := range got {
			if b.line != "" && a.line != b.line {
				t.Fatalf("%s: the line changed from %s to %s although no journal was lost", b.name, b.line, a.line)
			}
			b.show(a)
		}
	}
}

func (b *tablet) show(a handed) {
	b.line, b.cursor = a.line, a.seq
	b.shown = append(b.shown, a.number)
}

func (b *tablet) confirm(t *testing.T, o *store.Outbox) {
	t.Helper()
	if b.cursor == 0 {
		return
	}
	if why, err := o.Got(t.Context(), b.name, b.line, b.cursor); why != "" || err != nil {
		t.Errorf("%s: Got(%d) = %q, %v; want it kept", b.name, b.cursor, why, err)
	}
}

// crashed makes the folder that a power cut inside the last transaction leaves. Of what was not yet synced, any of the
// 512-byte sectors may be there, up to any length: first of the write-ahead log, and, once that is whole, of the file that
// SQLite then moves the log into. Where nothing is moved the cut is in the log. Source of the model: "Atomic Commit In
// SQLite", section 2, and "Write-Ahead Logging", section 2.2 (sqlite.org), from memory.
func crashed(t *testing.T, dice *rand.Rand, before, after map[string][]byte) (dir string, moved bool) {
	t.Helper()
	dir = quickDir(t)
	mix := func(old, now []byte) []byte {
		long := min(len(old), len(now)) + dice.IntN(max(len(old), len(now))-min(len(old), len(now))+1)
		if len(now) < len(old) || dice.IntN(2) == 0 {
			long = max(len(old), len(now))
		}
		cut := make([]byte, long)
		copy(cut, old)
		odds := 1 + dice.IntN(2)*dice.IntN(8)
		for at := 0; at < long; at += 512 {
			if end := min(at+512, long, len(now)); at < end && dice.IntN(odds) == 0 {
				copy(cut[at:end], now[at:end])
			}
		}
		return cut
	}
	files := maps.Clone(before)
	const base, wal = "box.db", "box.db-wal"
	if moved = !bytes.Equal(before[base], after[base]); moved && dice.IntN(2) == 0 {
		files[wal], files[base] = after[wal], mix(before[base], after[base])
	} else {
		files[wal] = mix(before[wal], after[wal])
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, moved
}

// quickDir is a folder in memory where there is one: what the disk keeps is played here, so nothing waits for a real one.
func quickDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "airhold-outbox-") //nolint:usetesting // its folders are on a disk
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// onDisk reads what would survive; the index of the write-ahead log is memory, and is made anew.
func onDisk(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.db*"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range files {
		if strings.HasSuffix(f, "-shm") {
			continue
		}
		b, err := os.ReadFile(f)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(f)] = b
	}
	return out
}

// world is a machine that raises alerts, a box that forgets at each crash what was not on its disk, and three tablets.
type world struct {
	t       *testing.T
	dice    *rand.Rand
	dir     string
	box     *store.Store
	out     *store.Outbox
	raised  int // the machine's own count; what the disk did not keep is raised again
	said    int64
	tablets []*tablet
}

func (w *world) open() {
	w.t.Helper()
	var err error
	if w.box, err = store.Open(w.dir, store.Options{}); err != nil {
		w.t.Fatal(err)
	}
	if w.out, err = w.box.Outbox(); err != nil {
		w.t.Fatal(err)
	}
	if n := w.box.Notes(); len(n) > 0 {
		w.t.Fatalf("a power cut damaged the box's file: %q", n)
	}
	saved, err := w.box.Alarms()
	if err != nil {
		w.t.Fatal(err)
	}
	_, w.said, err = w.out.Head(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	w.raised = int(saved.Seq)
	// What the alarms are restored to and what is handed out are of one moment, or an alert could be missing for good.
	if all := since(w.t, w.out, max(0, w.said-1), 1); w.raised > 0 && (len(all) != 1 || all[0].number != strconv.Itoa(w.raised)) {
		w.t.Fatalf("the state says %d changes, the last alert is %+v", w.raised, all)
	}
}

// work raises alerts and lets the recorder write them.
func (w *world) work() {
	w.t.Helper()
	for range 1 + w.dice.IntN(3) {
		w.raised++
		w.box.Transition(alarms.Transition{
			At: time.Duration(w.raised) * time.Second, From: alarms.Normal, To: alarms.ActiveUnacked, Reason: strconv.Itoa(w.raised),
			State: alarms.State{Key: "air-leak", Where: "front rank", Active: true, Unacked: true},
		})
		if w.dice.IntN(3) == 0 {
			w.box.Event(time.Duration(w.raised)*time.Second, "data-back", strings.Repeat("long ", w.dice.IntN(8_000))) // fills the log, so that SQLite moves it
		}
	}
	w.box.KeepAlarms(alarms.Saved{Seq: uint64(w.raised)})
	if err := w.box.Commit(); err != nil {
		w.t.Fatal(err)
	}
}

// say tells the tablets what is new, over a way that may lose or repeat anything.
func (w *world) say() {
	w.t.Helper()
	for _, a := range since(w.t, w.out, w.said, 100) {
		w.said = a.seq
		for _, b := range w.tablets {
			for range w.dice.IntN(3) { // lost, once, twice
				if !b.absent {
					b.hear(w.t, w.out, a)
				}
			}
		}
	}
	for _, b := range w.tablets {
		if !b.absent && w.dice.IntN(3) == 0 {
			b.confirm(w.t, w.out)
		}
		if w.dice.IntN(6) == 0 {
			b.absent = !b.absent
		}
	}
}

func (w *world) close() {
	w.t.Helper()
	if err := errors.Join(w.out.Close(), w.box.Close()); err != nil {
		w.t.Fatal(err)
	}
}

// Over 1,000 power cuts at drawn moments no tablet misses an alert, and none shows one twice: also one that is away, one
// that loses half of what is said, and one that hears things twice.
func TestOutboxOverPowerCuts(t *testing.T) {
	t.Parallel()
	seed := *crashSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d (again with -crash-seed)", seed)
	w := &world{t: t, dice: rand.New(rand.NewPCG(seed, 6)), dir: quickDir(t)}
	for i := range 3 {
		w.tablets = append(w.tablets, &tablet{name: fmt.Sprintf("tablet-%d", i)})
	}
	w.open()
	moves, undone, points := 0, 0, *crashPoints
	if testing.Short() {
		points = min(points, 100)
	}
	for range points {
		for range w.dice.IntN(3) {
			w.work()
			w.say()
		}
		before := onDisk(t, w.dir)
		w.work()
		had := w.raised
		dir, moved := crashed(t, w.dice, before, onDisk(t, w.dir))
		if moved {
			moves++
		}
		w.close()
		if err := os.RemoveAll(w.dir); err != nil {
			t.Fatal(err)
		}
		w.dir = dir
		w.open()
		if w.raised < had {
			undone++
		}
	}
	w.work()
	for _, b := range w.tablets {
		b.ask(t, w.out)
		b.confirm(t, w.out)
		if seq, err := w.out.Shown(t.Context(), b.name); err != nil || seq != b.cursor {
			t.Errorf("%s: the box keeps %d, %v; want %d", b.name, seq, err, b.cursor)
		}
		lost, twice := 0, 0
		count := map[string]int{}
		for i, n := range b.shown {
			count[n]++
			if i > 0 && len(b.shown[i-1]) == len(n) && b.shown[i-1] > n {
				t.Errorf("%s showed %s after %s", b.name, n, b.shown[i-1])
			}
		}
		for n := 1; n <= w.raised; n++ {
			switch c := count[strconv.Itoa(n)]; {
			case c == 0:
				lost++
			case c > 1:
				twice++
			}
		}
		if lost > 0 || twice > 0 || len(b.shown) != w.raised {
			t.Errorf("%s showed %d of %d alerts: %d lost, %d twice", b.name, len(b.shown), w.raised, lost, twice)
		}
	}
	t.Logf("%d power cuts: %d took the last transaction back, %d while the log was moved into the file; %d alerts, %d tablets",
		points, undone, moves, w.raised, len(w.tablets))
	if undone < points/10 || undone > points*9/10 {
		t.Errorf("%d of %d power cuts took their transaction back; want some of each kind", undone, points)
	}
	w.close()
}

// fresh is an outbox of a journal with one event and so many alerts.
func fresh(t *testing.T, dir string, alerts int) *world {
	t.Helper()
	w := &world{t: t, dice: rand.New(rand.NewPCG(1, 1)), dir: dir}
	w.open()
	w.box.Event(0, "store", "a beginning")
	for range alerts {
		w.raised++
		w.box.Transition(alarms.Transition{From: alarms.Normal, To: alarms.ActiveUnacked, Reason: strconv.Itoa(w.raised), State: alarms.State{Key: "tank-low"}})
	}
	w.box.KeepAlarms(alarms.Saved{Seq: uint64(w.raised)})
	if err := w.box.Commit(); err != nil {
		t.Fatal(err)
	}
	return w
}

func TestOutboxRefusesWhatItNeverSaid(t *testing.T) {
	t.Parallel()
	w := fresh(t, t.TempDir(), 3)
	defer w.close()
	line, last, err := w.out.Head(t.Context())
	if err != nil || len(line) != 16 || last != 4 {
		t.Fatalf("Head = %q, %d, %v; want 16 digits and 4: three alerts after an event", line, last, err)
	}
	for name, c := range map[string]struct {
		line string
		seq  int64
		want string
	}{
		"another journal": {"0123456789abcdef", 2, "no longer keeps"},
		"no number":       {line, 0, "never said alert 0"},
		"to come":         {line, last + 1, "never said alert 5"},
	} {
		if why, err := w.out.Got(t.Context(), "a", c.line, c.seq); err != nil || !strings.Contains(why, c.want) {
			t.Errorf("%s: Got = %q, %v; want a sentence with %q", name, why, err, c.want)
		}
	}
	if seq, err := w.out.Shown(t.Context(), "a"); err != nil || seq != 0 {
		t.Errorf("Shown = %d, %v; want 0: nothing was kept", seq, err)
	}
	for _, c := range []struct{ say, want int64 }{{3, 3}, {2, 3}, {4, 4}} { // a late word of an earlier number takes nothing back
		if why, err := w.out.Got(t.Context(), "a", line, c.say); why != "" || err != nil {
			t.Errorf("Got(%d) = %q, %v", c.say, why, err)
		}
		if seq, err := w.out.Shown(t.Context(), "a"); err != nil || seq != c.want {
			t.Errorf("Shown after Got(%d) = %d, %v; want %d", c.say, seq, err, c.want)
		}
	}
}

// The marks are bounded: of more tablets than there is room for, the one that was silent longest is forgotten.
func TestOutboxKeepsTheLastTablets(t *testing.T) {
	t.Parallel()
	w := fresh(t, t.TempDir(), 2)
	defer w.close()
	line, last, err := w.out.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	const most = 32
	for i := range most {
		if why, err := w.out.Got(t.Context(), fmt.Sprintf("t%d", i), line, last-1); why != "" || err != nil {
			t.Fatal(why, err)
		}
	}
	for _, name := range []string{"t0", "new"} { // t0 speaks again, so t1 is now the most silent
		if why, err := w.out.Got(t.Context(), name, line, last); why != "" || err != nil {
			t.Fatal(why, err)
		}
	}
	for name, want := range map[string]int64{"t0": last, "t1": 0, "t2": last - 1, "new": last} {
		if seq, err := w.out.Shown(t.Context(), name); err != nil || seq != want {
			t.Errorf("Shown(%s) = %d, %v; want %d", name, seq, err, want)
		}
	}
}

// A journal that was damaged and begun anew is another line, and marks of the old one mean nothing in it.
func TestOutboxOfANewJournal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := fresh(t, dir, 5)
	old, last, err := w.out.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if why, err := w.out.Got(t.Context(), "a", old, last); why != "" || err != nil {
		t.Fatal(why, err)
	}
	w.close()
	for _, name := range []string{"box.db", "outbox.db"} {
		if err := os.WriteFile(filepath.Join(dir, name), bytes.Repeat([]byte("damaged "), 4096), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	box, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, err := box.Outbox()
	if err != nil {
		t.Fatal(err)
	}
	w.box, w.out = box, out
	defer w.close()
	if line, seq, err := out.Head(t.Context()); err != nil || line != "" || seq != 0 {
		t.Errorf("Head of an empty journal = %q, %d, %v", line, seq, err)
	}
	box.Transition(alarms.Transition{From: alarms.Normal, To: alarms.ActiveUnacked, Reason: "1", State: alarms.State{Key: "tank-low"}})
	if err := box.Commit(); err != nil {
		t.Fatal(err)
	}
	line, seq, err := out.Head(t.Context())
	if err != nil || line == "" || line == old || seq == 0 {
		t.Errorf("Head = %q, %d, %v; want another line than %q", line, seq, err, old)
	}
	if seq, err := out.Shown(t.Context(), "a"); err != nil || seq != 0 {
		t.Errorf("Shown = %d, %v; want 0", seq, err)
	}
}
