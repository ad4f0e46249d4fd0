// SPDX-License-Identifier: Apache-2.0

package powercut_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/tools/systemtest/powercut"
)

// logOf makes a log by the structures in the kernel's drivers/md/dm-log-writes.c: a first sector with magic number,
// version, count and sector size, then a sector for each entry (place, length, flags, length of a mark) and its data.
func logOf(count int, entries ...[]byte) []byte {
	le := binary.LittleEndian
	b := make([]byte, 512)
	le.PutUint64(b, 0x6a736677736872)
	le.PutUint64(b[8:], 1)
	le.PutUint64(b[16:], uint64(count))
	le.PutUint32(b[24:], 512)
	for _, e := range entries {
		b = append(b, e...) //nolint:makezero // a log grows behind its first sector
	}
	return b
}

func logEntry(sector, sectors, flags uint64, data ...byte) []byte {
	le := binary.LittleEndian
	b := make([]byte, 512+(len(data)+511)/512*512)
	le.PutUint64(b, sector)
	le.PutUint64(b[8:], sectors)
	le.PutUint64(b[16:], flags)
	if flags&8 != 0 {
		le.PutUint64(b[24:], uint64(len(data)))
	}
	copy(b[512:], data)
	return b
}

func fill(c byte, sectors int) []byte { return bytes.Repeat([]byte{c}, 512*sectors) }

func writeFile(t *testing.T, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "writes.log")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestReadWriteLog(t *testing.T) {
	whole := logOf(4,
		logEntry(3, 2, 0, fill('a', 2)...),
		logEntry(0, 0, 1),
		logEntry(0, 0, 8, []byte("a mark")...),
		logEntry(1, 1, 2, fill('b', 1)...),
		logEntry(4, 2, 4),
		logEntry(0, 1, 0, fill('c', 1)...), // behind the last flush: not counted in the head yet
	)
	got, err := powercut.ReadWriteLog(writeFile(t, append(bytes.Clone(whole), make([]byte, 2048)...)))
	if err != nil {
		t.Fatal(err)
	}
	want := []powercut.Write{
		{Offset: 1536, Size: 1024, Data: fill('a', 2)},
		{Flush: true},
		{Offset: 512, Size: 512, Data: fill('b', 1), Lasts: true},
		{Offset: 2048, Size: 1024, Drop: true},
		{Offset: 0, Size: 512, Data: fill('c', 1)},
	}
	if len(got) != len(want) {
		t.Fatalf("%d writes, want %d", len(got), len(want))
	}
	for i, w := range want {
		g := got[i]
		if g.Offset != w.Offset || g.Size != w.Size || !bytes.Equal(g.Data, w.Data) || g.Flush != w.Flush || g.Lasts != w.Lasts || g.Drop != w.Drop {
			t.Errorf("write %d: %+v", i, g)
		}
	}
	if got, err := powercut.ReadWriteLog(writeFile(t, whole[:len(whole)-100])); err != nil || len(got) != 4 {
		t.Errorf("cut in the last entry: %d writes, %v; want 4", len(got), err)
	}
	for name, b := range map[string][]byte{
		"empty":       nil,
		"magic":       make([]byte, 1024),
		"sector size": func() []byte { b := logOf(0); b[24] = 7; return b }(),
		"flags":       logOf(1, logEntry(0, 0, 0x100)),
		"too few":     logOf(3, logEntry(0, 0, 1)),
		"huge":        logOf(1, logEntry(0, 1<<40, 0)),
	} {
		if _, err := powercut.ReadWriteLog(writeFile(t, b)); !errors.Is(err, powercut.ErrWriteLog) {
			t.Errorf("%s: %v, want ErrWriteLog", name, err)
		}
	}
	if _, err := powercut.ReadWriteLog(filepath.Join(t.TempDir(), "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

// The disk's sectors are named by the write that was there last; '-' is the content from before.
func TestCut(t *testing.T) {
	writes := []powercut.Write{
		{Offset: 0, Size: 1024, Data: fill('a', 2)},
		{Flush: true},
		{Offset: 512, Size: 1024, Data: fill('b', 2)},
		{Offset: 2048, Size: 512, Data: fill('c', 1), Lasts: true},
		{Offset: 0, Size: 512, Drop: true},
		{Flush: true},
		{Offset: 0, Size: 512, Data: fill('d', 1)},
	}
	for _, fate := range []powercut.Fate{powercut.Kept, powercut.Lost} {
		disk, err := powercut.NewDisk(fill('-', 5), writes)
		if err != nil {
			t.Fatal(err)
		}
		state := make([]byte, 5*512)
		for n, want := range map[powercut.Fate][]string{
			powercut.Kept: {"-----", "aa---", "aa---", "abb--", "abb-c", "0bb-c", "0bb-c", "dbb-c"},
			powercut.Lost: {"-----", "-----", "aa---", "aa---", "aa--c", "aa--c", "0bb-c", "0bb-c"},
		}[fate] {
			if err := disk.Cut(state, n, fate, 1); err != nil {
				t.Fatal(err)
			}
			var got []byte
			for i := range 5 {
				c := state[512*i]
				if c == 0 {
					c = '0'
				}
				got = append(got, c)
			}
			if string(got) != want {
				t.Errorf("%v after %d: %s, want %s", fate, n, got, want)
			}
		}
		if err := disk.Cut(state, 0, fate, 1); err == nil {
			t.Error("a disk goes backward")
		}
	}
	if _, err := powercut.NewDisk(fill('-', 1), writes); !errors.Is(err, powercut.ErrWriteLog) {
		t.Errorf("a write behind the disk's end: %v", err)
	}
}

// Over many seeds a jumble does everything it may and nothing it must not: a write is there, not there or there in part,
// in any order with the next, while what was flushed stays. The first 4096 bytes, ext4's superblock, are not torn.
func TestJumble(t *testing.T) {
	const head = 8
	writes := []powercut.Write{
		{Offset: 512 * head, Size: 512, Data: fill('a', 1)},
		{Flush: true},
		{Offset: 512 * (head + 1), Size: 1024, Data: fill('b', 2)},
		{Offset: 512 * (head + 3), Size: 512, Data: fill('c', 1)},
		{Offset: 0, Size: 512 * head, Data: fill('s', head)},
	}
	seen := map[string]bool{}
	for seed := range uint64(200) {
		disk, err := powercut.NewDisk(fill('-', head+4), writes)
		if err != nil {
			t.Fatal(err)
		}
		state := make([]byte, (head+4)*512)
		if err := disk.Cut(state, len(writes), powercut.Jumbled, seed); err != nil {
			t.Fatal(err)
		}
		for i := range head {
			if state[512*i] != state[0] {
				t.Fatalf("seed %d: the superblock is torn", seed)
			}
		}
		seen["head "+string(state[:1])] = true
		state = state[512*head:]
		seen[string([]byte{state[0], state[512], state[1024], state[1536]})] = true
	}
	for _, want := range []string{"head -", "head s", "a---", "abb-", "a--c", "ab--", "a-bc", "abbc"} {
		if !seen[want] {
			t.Errorf("%s never happens", want)
		}
	}
	for state := range seen {
		if state[0] != 'a' && state[0] != 'h' {
			t.Errorf("%s: a flushed write is gone", state)
		}
	}
}

// By hand: two commits a second apart; what was synced with the first counts from the write at which it was said.
func TestDemand(t *testing.T) {
	at := func(ms int) time.Duration { return time.Duration(ms) * time.Millisecond }
	frames := func(n int) powercut.Counts { return powercut.Counts{Frames: n} }
	var story powercut.Story
	for ms := 0; ms <= 3000; ms += 10 {
		b := powercut.Beat{At: at(ms), Writes: ms / 1000 * 10, Offered: frames(ms)}
		if ms >= 1000 {
			b.Synced, b.Took = frames(990), at(20)
		}
		if ms >= 2000 {
			b.Synced = frames(1990)
		}
		story = append(story, b)
	}
	for _, c := range []struct {
		writes    int
		safe, due int
	}{
		{0, 0, 0},      // up to 990 ms: nothing was said, and all is younger than a second
		{9, 0, 0},      // the same
		{10, 990, 860}, // up to 1990 ms; 1000 ms, the commit's 20, the pause's 10 and 100 for a busy machine before: 860
		{19, 990, 860},
		{20, 1990, 1860},
	} {
		safe, due := story.Demand(c.writes, time.Second)
		if safe.Frames != c.safe || due.Frames != c.due {
			t.Errorf("after %d writes %d are safe and %d due, want %d and %d", c.writes, safe.Frames, due.Frames, c.safe, c.due)
		}
	}
	if safe, due := (powercut.Story{}).Demand(5, time.Second); safe != (powercut.Counts{}) || due != safe {
		t.Error("a story without beats demands something")
	}
}

func TestJudge(t *testing.T) {
	want := powercut.Counts{Frames: 10, Entries: 5, Learned: 2, Boots: 1}
	if err := powercut.Judge(want, want, want); err != nil {
		t.Error(err)
	}
	for name, found := range map[string]powercut.Counts{
		"frames":  {Frames: 9, Entries: 5, Learned: 2, Boots: 1},
		"entries": {Frames: 10, Entries: 4, Learned: 2, Boots: 1},
		"learned": {Frames: 10, Entries: 5, Learned: 1, Boots: 1},
		"boots":   {Frames: 10, Entries: 5, Learned: 2},
	} {
		if err := powercut.Judge(found, want, powercut.Counts{}); !errors.Is(err, powercut.ErrLost) || errors.Is(err, powercut.ErrLate) {
			t.Errorf("%s short of what is safe: %v", name, err)
		}
		if err := powercut.Judge(found, powercut.Counts{}, want); errors.Is(err, powercut.ErrLost) || !errors.Is(err, powercut.ErrLate) {
			t.Errorf("%s short of what is due: %v", name, err)
		}
	}
}

// worked lets the recorder work in a plain folder for a moment, and returns it with what was recorded.
func worked(t *testing.T) (string, powercut.Counts) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "data")
	var last powercut.Beat
	n := 0
	o := powercut.Options{Every: 200 * time.Millisecond}
	ctx, stop := context.WithTimeout(t.Context(), 700*time.Millisecond)
	defer stop()
	err := powercut.Work(ctx, dir, o, func() (int, error) { n++; return n, nil }, func(b powercut.Beat) error { last = b; return nil })
	if err != nil {
		t.Fatal(err)
	}
	if last.Synced.Frames != last.Offered.Frames || last.Synced.Frames < 100 || last.Synced.Entries < 10 || last.Synced.Learned == 0 {
		t.Fatalf("in the end: %+v", last)
	}
	return dir, last.Synced
}

func TestFindsWhatWasRecorded(t *testing.T) {
	dir, want := worked(t)
	found, err := powercut.Found(dir, powercut.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if found.Learned, err = powercut.GoOn(t.Context(), dir, found, powercut.Options{}); err != nil {
		t.Fatal(err)
	}
	if found != want {
		t.Errorf("found %+v, recorded %+v", found, want)
	}
	if found, err := powercut.Found(t.TempDir(), powercut.Options{}); err != nil || found != (powercut.Counts{}) {
		t.Errorf("in an empty folder %+v, %v", found, err)
	}
}

// changeFrames writes the captured frames of a folder anew.
func changeFrames(t *testing.T, dir string, change func([]bus.Frame) []bus.Frame) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "boot-cut-1-*.pcapng"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%v, %v", files, err)
	}
	r, err := capture.Open(files[0])
	if err != nil {
		t.Fatal(err)
	}
	var all []bus.Frame
	for {
		var f bus.Frame
		if r.Next(&f) != nil {
			break
		}
		all = append(all, f)
	}
	var b bytes.Buffer
	w, err := capture.NewPcapngWriter(&b, r.Links())
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatal(err)
	}
	for _, f := range change(all) {
		if err := w.Write(&f); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Flush(), os.WriteFile(files[0], b.Bytes(), 0o600)); err != nil {
		t.Fatal(err)
	}
}

// A frame that is missing ends what is there; that what comes behind it is genuine too does not count.
func TestFrameLeftOut(t *testing.T) {
	dir, _ := worked(t)
	changeFrames(t, dir, func(f []bus.Frame) []bus.Frame { return slices.Delete(f, 50, 51) })
	if found, err := powercut.Found(dir, powercut.Options{}); err != nil || found.Frames != 50 {
		t.Errorf("found %d frames, %v; want 50", found.Frames, err)
	}
}

// Damage of each kind is seen: a frame that was changed, repeated or moved in time, and an entry that nobody recorded.
func TestDamageIsSeen(t *testing.T) {
	for name, change := range map[string]func([]bus.Frame) []bus.Frame{
		"changed":  func(f []bus.Frame) []bus.Frame { f[50].Data[7] ^= 1; return f },
		"repeated": func(f []bus.Frame) []bus.Frame { return append(f, f[0]) },
		"moved":    func(f []bus.Frame) []bus.Frame { f[50].UTC = f[50].UTC.Add(time.Millisecond); return f },
	} {
		t.Run(name, func(t *testing.T) {
			dir, _ := worked(t)
			changeFrames(t, dir, change)
			if _, err := powercut.Found(dir, powercut.Options{}); !errors.Is(err, powercut.ErrFalse) {
				t.Errorf("Found = %v, want ErrFalse", err)
			}
		})
	}
	t.Run("an entry", func(t *testing.T) {
		dir := t.TempDir()
		st, err := store.Open(dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := st.StartBoot(store.Snapshot{Boot: "cut-1"}, readings.NewTable([]readings.Info{{ID: "tank"}})); err != nil {
			t.Fatal(err)
		}
		st.Append(store.Entry{Kind: store.IsReading, Reading: readings.Reading{Value: 7}})
		if err := st.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := powercut.Found(dir, powercut.Options{}); !errors.Is(err, powercut.ErrFalse) {
			t.Errorf("Found = %v, want ErrFalse", err)
		}
	})
	t.Run("box.db", func(t *testing.T) {
		dir, want := worked(t)
		if err := os.WriteFile(filepath.Join(dir, "box.db"), bytes.Repeat([]byte{0x55}, 8192), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := powercut.GoOn(t.Context(), dir, want, powercut.Options{}); !errors.Is(err, powercut.ErrStuck) {
			t.Errorf("GoOn = %v, want ErrStuck", err)
		}
	})
}
