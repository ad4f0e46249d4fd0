// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
)

// drive is a log whose beats a test makes.
type drive struct {
	t    testing.TB
	l    *Log
	h    *hand
	beat time.Duration
	n    uint64
}

const each = time.Millisecond

// run makes beats of 100 ms with 100 frames each.
func (d *drive) run(beats int) {
	d.t.Helper()
	for range beats {
		for range 100 {
			d.l.Frame(numbered(d.n, time.Duration(d.n)*each))
			d.n++
		}
		d.quiet(1)
	}
}

func (d *drive) quiet(beats int) {
	for range beats {
		d.beat += o100
		d.h.move(o100)
		d.l.writer.step(d.beat)
	}
}

func drove(tb testing.TB, dir string, set func(o *Options)) *drive {
	tb.Helper()
	h := newHand()
	o := testOptions(h)
	if set != nil {
		set(&o)
	}
	return &drive{t: tb, l: open(tb, dir, o), h: h}
}

func (d *drive) all(dir string) []bus.Frame {
	d.t.Helper()
	if err := d.l.Close(); err != nil {
		d.t.Fatal(err)
	}
	frames := readBack(d.t, dir, "a")
	inOrder(d.t, frames, each)
	if uint64(len(frames)) != d.n {
		d.t.Errorf("%d frames; want %d", len(frames), d.n)
	}
	return frames
}

func TestRotation(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		set   func(o *Options)
		do    func(d *drive)
		files int
	}{
		{"by size", func(o *Options) { o.RotateBytes = 48_000 }, func(d *drive) { d.run(35) }, 4},
		{"by age", func(o *Options) { o.RotateEvery = time.Second }, func(d *drive) { d.run(35) }, 4},
		{"clock set forward by years", nil, func(d *drive) { d.run(5); d.h.step(9 * 365 * 24 * time.Hour); d.run(5) }, 2},
		{"clock set back by years", nil, func(d *drive) { d.run(5); d.h.step(-30 * 365 * 24 * time.Hour); d.run(5) }, 2},
		{"clock moved by less than half a second", nil, func(d *drive) { d.run(5); d.h.step(400 * time.Millisecond); d.run(5) }, 1},
		{"quiet bus begins no file", func(o *Options) { o.RotateEvery = time.Second }, func(d *drive) { d.quiet(100); d.run(3); d.quiet(50) }, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			d := drove(t, dir, tt.set)
			tt.do(d)
			d.all(dir)
			files, err := Files(dir, "a")
			if err != nil || len(files) != tt.files {
				t.Fatalf("%d files, %v; want %d", len(files), err, tt.files)
			}
			for i, f := range files {
				if want := fmt.Sprintf("boot-a-%04d.pcapng", i+1); filepath.Base(f.Path) != want || f.Number != 7 || f.Seq != int64(i+1) || f.Frames == 0 || !f.Index.Ended {
					t.Errorf("file %d is %+v; want %s, boot 7, ended in order", i, f, want)
				}
			}
		})
	}
}

// A clock that steps moves nothing recorded: boot times go on, and each file says its own offset.
func TestClockStepKeepsBootTimes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.h.step(-56 * 365 * 24 * time.Hour) // 1970, as without a battery
	d.run(5)
	d.h.step(56 * 365 * 24 * time.Hour)
	d.run(5)
	frames := d.all(dir)
	first, last := frames[0], frames[len(frames)-1]
	if jump := last.UTC.Sub(first.UTC) - (last.Boot - first.Boot); jump != 56*365*24*time.Hour {
		t.Errorf("wall time moves by %v against boot time; want 56 years", jump)
	}
	x, err := ReadIndex(filepath.Join(dir, "boot-a-0001.idx"))
	if err != nil || len(x.Clocks) == 0 || x.Clocks[0].Quality != clock.Good || x.Clocks[0].Wall.Year() != 1970 {
		t.Errorf("clock of the first file: %+v, %v", x, err)
	}
}

func TestIndexTellsTheFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.l.Offset(250*time.Millisecond, 777, clock.Coarse)
	d.l.Dropped(1, 9)
	d.run(60)
	d.l.Frame(&bus.Frame{Frame: can.Frame{ID: 0x204, Length: 8, Data: can.Data{6: 17, 7: 131}}, Class: bus.Error, Boot: 6 * time.Second, Link: 2})
	if err := d.l.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	x, err := ReadIndex(filepath.Join(dir, "boot-a-0001.idx"))
	if err != nil {
		t.Fatal(err)
	}
	if b := x.Begin; b.Boot != "a" || b.Number != 7 || b.Seq != 1 || b.Software != "airhold test" || b.Machine != "00ff" || len(b.Links) != 4 || b.Links[3] != "can3" {
		t.Errorf("begin %+v", b)
	}
	if !x.Ended || x.End.Bytes != int64(len(data)) || x.End.Frames != 6001 || x.Torn != 0 {
		t.Errorf("end %+v, torn %d; want %d bytes, 6001 frames", x.End, x.Torn, len(data))
	}
	// CRC32C of every chunk, against the standard library over the bytes of the file.
	at, sum := int64(0), int64(0)
	last := time.Duration(-1)
	for i, c := range x.Chunks {
		want := crc32.Checksum(data[c.Offset:c.Offset+c.Length], crc32.MakeTable(crc32.Castagnoli))
		if c.Offset != at || c.CRC32C != want || c.Length != chunkSize && i != len(x.Chunks)-1 || c.First <= last || c.Last < c.First {
			t.Errorf("chunk %d: %+v; want offset %d, CRC32C %08x", i, c, at, want)
		}
		at += c.Length
		sum += c.Frames
		last = c.Last
	}
	if at != int64(len(data)) || sum != 6001 {
		t.Errorf("chunks cover %d bytes and %d frames; want %d, 6001", at, sum, len(data))
	}
	gnss := false
	for _, c := range x.Clocks {
		gnss = gnss || c.Boot == 250*time.Millisecond && c.GNSS == 777 && c.GNSSQuality == clock.Coarse && c.Wall.IsZero()
		if !c.Wall.IsZero() && !c.Wall.Equal(d.h.wall.Add(c.Boot)) {
			t.Errorf("clock %+v; want wall time of boot time", c)
		}
	}
	if !gnss || len(x.Clocks) < 7 {
		t.Errorf("%d clock marks, GNSS offset %v; want one a second and the offset", len(x.Clocks), gnss)
	}
	final := map[uint16]Counters{}
	for _, c := range x.Counters {
		final[c.Link] = c
	}
	if c := final[1]; c.Recorded != 1500 || c.Kernel != 9 || c.Full != 0 {
		t.Errorf("counters of can1: %+v", c)
	}
	if c := final[2]; c.Recorded != 1501 || c.Errors != 1 || c.Transmit != 17 || c.Receive != 131 {
		t.Errorf("counters of can2: %+v; want the error counters of its error frame", c)
	}
	// The file itself says the same.
	r, err := capture.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	var f bus.Frame
	for err == nil {
		err = r.Next(&f)
	}
	s, ok := r.Statistics(1)
	if !ok || s.Recorded != 1500 || s.Received != 1509 || s.Dropped != 9 || s.OSDropped != 9 {
		t.Errorf("statistics of can1 in the file: %+v", s)
	}
}

// CRC32C against the worked example of RFC 3720 appendix B.4: 32 bytes of zeros give 8a9136aa.
func TestCheckSumIsCRC32C(t *testing.T) {
	t.Parallel()
	if got := crc32.Checksum(make([]byte, 32), castagnoli()); got != 0x8a9136aa {
		t.Errorf("CRC32C of 32 zeros = %08x; want 8a9136aa", got)
	}
}

// An index cut anywhere, or with any byte changed, gives no record that was not written.
func TestIndexCutAndChanged(t *testing.T) {
	t.Parallel()
	b := appendBegin(nil, &Begin{Boot: "a", Number: 3, Seq: 1, Links: []string{"can0"}})
	ends := []int{len(b)}
	for i := range 5 {
		b = appendChunk(b, &Chunk{Offset: int64(i) * chunkSize, Length: chunkSize, Frames: int64(i)})
		ends = append(ends, len(b))
	}
	for cut := range b {
		want := 0
		for i, e := range ends {
			if e <= cut {
				want = i + 1
			}
		}
		x, err := ParseIndex(b[:cut])
		if want == 0 {
			if !errors.Is(err, errNoIndex) {
				t.Fatalf("cut at %d: %v; want errNoIndex", cut, err)
			}
			continue
		}
		if err != nil || len(x.Chunks) != want-1 || x.Whole != int64(ends[want-1]) || x.Torn != int64(cut-ends[want-1]) {
			t.Fatalf("cut at %d: %d chunks, whole %d, torn %d, %v; want %d", cut, len(x.Chunks), x.Whole, x.Torn, err, want-1)
		}
	}
	for at := range b {
		broken := bytes.Clone(b)
		broken[at] ^= 0x40
		if x, err := ParseIndex(broken); err == nil && len(x.Chunks) == 5 {
			t.Fatalf("byte %d changed and nobody saw it", at)
		}
	}
}

func FuzzIndex(f *testing.F) {
	b := appendBegin(nil, &Begin{Boot: "a", Links: []string{"can0"}})
	b = appendClock(appendChunk(b, &Chunk{Length: 5}), &ClockMark{Boot: 7, Wall: time.Unix(1, 2)})
	f.Add(appendEnd(appendGap(appendCounters(b, &Counters{Link: 1}), &Gap{Frames: 3}), &End{Bytes: 9}))
	f.Fuzz(func(t *testing.T, data []byte) {
		x, err := ParseIndex(data)
		if err == nil && x.Whole+x.Torn != int64(len(data)) {
			t.Fatalf("%d whole and %d torn of %d", x.Whole, x.Torn, len(data))
		}
	})
}

// While the disk is full nothing written is lost, what fits the ring waits, the rest is counted and stands as a gap, and
// recording goes on when there is room.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	disk := &refusing{disk: folder(dir)}
	d := drove(t, dir, func(o *Options) { o.disk, o.Ring = disk, 1000 })
	d.run(10)
	disk.full = &fullness{left: 1234, err: &os.PathError{Op: "write", Err: syscall.ENOSPC}}
	d.run(30) // 3000 frames into a ring of 1000
	s := d.l.Stats()
	if !strings.Contains(s.State, "disk is full") || !errors.Is(s.Err, syscall.ENOSPC) || s.Dropped == 0 || s.Waiting != 1000 {
		t.Errorf("on a full disk: %+v", s)
	}
	before := readRaw(t, filepath.Join(dir, "boot-a-0001.pcapng"))
	if len(before) < 1000 {
		t.Errorf("%d frames in the file; want the 1000 from before", len(before))
	}
	if st, err := os.Stat(filepath.Join(dir, "boot-a-0001.pcapng")); err != nil || st.Size() != s.Bytes || st.Size() == 0 {
		t.Errorf("the file ends in a piece of a write: %v, %v; want %d bytes", st, err, s.Bytes)
	}
	disk.full = nil
	heard := d.n
	d.run(20)
	if err := d.l.Close(); err != nil {
		t.Fatal(err)
	}
	s = d.l.Stats()
	if s.State != "recording" || s.Gaps != 1 || uint64(s.Written)+uint64(s.Dropped) != d.n {
		t.Errorf("after room was made: %+v; want one gap and %d frames in all", s, d.n)
	}
	frames := readBack(t, dir, "a")
	if int64(len(frames)) != s.Written {
		t.Errorf("%d frames in the file; want %d", len(frames), s.Written)
	}
	var missing uint64
	for i := 1; i < len(frames); i++ {
		a, b := binary.LittleEndian.Uint64(frames[i-1].Data[:]), binary.LittleEndian.Uint64(frames[i].Data[:])
		if b <= a {
			t.Fatalf("frame %d behind %d", b, a)
		}
		missing += b - a - 1
	}
	if missing != uint64(s.Dropped) {
		t.Errorf("%d frames are missing; %d were said to be", missing, s.Dropped)
	}
	x, err := ReadIndex(filepath.Join(dir, "boot-a-0001.idx"))
	if err != nil || len(x.Gaps) == 0 {
		t.Fatalf("no gap in the index: %v", err)
	}
	var told int64
	for _, g := range x.Gaps {
		told += g.Frames
		if g.From < time.Second || g.To >= time.Duration(heard)*each+o100 || g.From > g.To {
			t.Errorf("gap %+v; want it inside the time of the full disk", g)
		}
	}
	if told != s.Dropped {
		t.Errorf("gaps tell of %d frames; want %d", told, s.Dropped)
	}
}

func readRaw(t *testing.T, path string) []bus.Frame {
	t.Helper()
	r, err := capture.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out []bus.Frame
	var f bus.Frame
	for r.Next(&f) == nil {
		out = append(out, f)
	}
	return out
}

// A disk that is full before the first file is tried again, and leaves no stump of a file.
func TestFullBeforeTheFirstFile(t *testing.T) {
	t.Parallel()
	for _, left := range []int64{0, 100, 400} {
		dir := t.TempDir()
		disk := &refusing{disk: folder(dir), full: &fullness{left: left, err: syscall.ENOSPC}}
		d := drove(t, dir, func(o *Options) { o.disk = disk })
		d.run(10)
		disk.full = nil
		d.run(10)
		d.all(dir)
	}
}

// lean is a disk of which little is free.
type lean struct {
	disk

	free, total int64
}

func (d *lean) room() (free, total int64, err error) { return d.free, d.total, nil }

func TestRecordingStopsBeforeTheAlarmsStarve(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	disk := &lean{folder(dir), 100 << 20, 1000 << 20}
	d := drove(t, dir, func(o *Options) { o.disk, o.Reserve, o.Ring = disk, 50<<20, 500 })
	d.run(20)
	disk.free = 49 << 20
	d.quiet(15)
	at := d.n
	size := dirSize(t, dir)
	d.run(30)
	s := d.l.Stats()
	if !strings.Contains(s.State, "kept for the alarms") || s.Waiting != 500 || s.Dropped != int64(d.n-at)-500 {
		t.Errorf("with little room: %+v", s)
	}
	if grown := dirSize(t, dir) - size; grown != 0 {
		t.Errorf("%d bytes were written all the same", grown)
	}
	disk.free = 51 << 20 // above the mark, but not by a quarter
	d.quiet(15)
	if s := d.l.Stats(); s.State == "recording" {
		t.Error("recording went on at once: it would go on and off")
	}
	disk.free = 80 << 20
	d.run(20)
	if err := d.l.Close(); err != nil {
		t.Fatal(err)
	}
	s = d.l.Stats()
	if s.State != "recording" || s.Files != 2 || s.Gaps == 0 {
		t.Errorf("after room was made: %+v; want another file and the gap", s)
	}
	if got := len(readBack(t, dir, "a")); int64(got)+s.Dropped != int64(d.n) {
		t.Errorf("%d frames and %d dropped of %d", got, s.Dropped, d.n)
	}
	x, err := ReadIndex(filepath.Join(dir, "boot-a-0002.idx"))
	if err != nil || len(x.Gaps) != 1 || x.Gaps[0].Frames != s.Dropped {
		t.Errorf("the second file's index does not tell the gap: %+v, %v", x, err)
	}
}

func dirSize(t *testing.T, dir string) int64 {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var sum int64
	for _, e := range entries {
		if info, err := e.Info(); err == nil {
			sum += info.Size()
		}
	}
	return sum
}

// Without a setting a twentieth of a small disk is left free, and 256 MiB of a big one.
func TestReserve(t *testing.T) {
	t.Parallel()
	for total, want := range map[int64]int64{64 << 20: 64 << 20 / 20, 16 << 30: 256 << 20, 1 << 40: 256 << 20} {
		if got := (&Options{}).reserve(total); got != want {
			t.Errorf("of %d MiB %d are left free; want %d", total>>20, got, want)
		}
	}
	if got := (&Options{Reserve: 5}).reserve(1 << 40); got != 5 {
		t.Errorf("the setting of 5 bytes gives %d", got)
	}
}

// A file that was sealed between listing and reading is found.
func TestFileSealedMeanwhile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(3)
	if err := d.l.Flush(); err != nil {
		t.Fatal(err)
	}
	files, err := list(dir, "a")
	if err != nil {
		t.Fatal(err)
	}
	again := drove(t, dir, func(o *Options) { o.Boot = "b" })
	if err := again.l.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := files[0].measure(); err != nil || files[0].Frames != 300 || !files[0].Sealed {
		t.Errorf("%+v, %v; want 300 frames of the sealed file", files[0], err)
	}
}

func TestRefusedFramesAreCounted(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	for _, f := range []bus.Frame{{Link: 9}, {Frame: can.Frame{Length: 9}}, {Frame: can.Frame{ID: 0x800}}, {Boot: -1}} {
		d.l.Frame(&f)
	}
	d.run(1)
	d.all(dir)
	if s := d.l.Stats(); s.Refused != 4 || s.Written != 100 || s.Synced != 100 {
		t.Errorf("%+v; want 4 refused, 100 written and synced", s)
	}
}

// A start repairs what the one before left, says how many bytes went, and never writes to an old file again.
func TestRestartRepairsAndBeginsAnew(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(20)
	if err := d.l.Flush(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "boot-a-0001.pcapng")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	torn := append(bytes.Clone(data[:len(data)-20]), make([]byte, 512)...)
	if err := os.WriteFile(path, torn, 0o600); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(dir, "boot-a-0002.pcapng")
	if err := os.WriteFile(empty, make([]byte, 300), 0o600); err != nil {
		t.Fatal(err)
	}
	stump := filepath.Join(dir, "boot-a-0001.pcapng.zst.tmp")
	if err := os.WriteFile(stump, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	again := drove(t, dir, func(o *Options) { o.Boot = "b" })
	notes := strings.Join(again.l.Stats().Notes, "\n")
	if !strings.Contains(notes, "its last 540 bytes were no whole frame") || !strings.Contains(notes, "boot-a-0002.pcapng held no frame yet when the power went (300 bytes)") {
		t.Errorf("notes %q", notes)
	}
	if exists(dir, "boot-a-0002.pcapng") || exists(dir, "boot-a-0001.pcapng.zst.tmp") {
		t.Error("an empty file or an unfinished seal was left")
	}
	mended, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(mended, data[:len(data)-48]) {
		t.Errorf("the repaired file has %d bytes, %v; want the %d of its whole frames", len(mended), err, len(data)-48)
	}
	again.run(5)
	if err := again.l.Close(); err != nil {
		t.Fatal(err)
	}
	inOrder(t, readBack(t, dir, "a"), each)
	inOrder(t, readBack(t, dir, "b"), each)
	// The same boot id again, as after a crash of the program alone: the numbers go on.
	third := drove(t, dir, func(o *Options) { o.Boot = "b" })
	third.run(1)
	if err := third.l.Close(); err != nil || !exists(dir, "boot-b-0002.pcapng") || len(third.l.Stats().Notes) != 0 {
		t.Errorf("third start: %v, notes %q", err, third.l.Stats().Notes)
	}
	if files, err := Files(dir, ""); err != nil || len(files) != 3 || files[0].Boot != "a" {
		t.Errorf("Files of all boots: %d, %v; want 3", len(files), err)
	}
}

func TestRepairLeavesWholeFilesAlone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(3)
	d.all(dir)
	path := filepath.Join(dir, "boot-a-0001.pcapng")
	before, _ := os.ReadFile(path)
	cut, err := Repair(path)
	after, _ := os.ReadFile(path)
	if cut != 0 || err != nil || !bytes.Equal(before, after) {
		t.Errorf("Repair = %d, %v; want an untouched file", cut, err)
	}
	if _, err := Repair(filepath.Join(dir, "none.pcapng")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Repair(missing) = %v", err)
	}
}

// A recording cut at every byte of its last 64 KiB, with nothing behind and with zeros behind, keeps every whole block
// and gives no false frame. The blocks are walked by their length fields alone (draft-ietf-opsawg-pcapng section 3.1).
func TestCutAtEveryByteOfTheLast64KiB(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(14)
	whole := d.all(dir)
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	frames, at := 0, 0 // whole frames before the cut, and where the block begins that it is in
	next := func() int { return at + int(binary.LittleEndian.Uint32(data[at+4:])) }
	buf := make([]bus.Frame, 512)
	damaged := make([]byte, 0, len(data)+4096)
	for cut := 4; cut <= len(data); cut++ {
		for at < cut && next() <= cut {
			if binary.LittleEndian.Uint32(data[at:]) == 6 {
				frames++
			}
			at = next()
		}
		if cut < len(data)-chunkSize {
			continue
		}
		for _, zeros := range []int{0, 4096} {
			if zeros > 0 && cut%5 != 0 {
				continue
			}
			damaged = append(append(damaged[:0], data[:cut]...), make([]byte, zeros)...)
			want, end := frames, at
			for zeros > 0 && end < len(data) { // what was cut off may itself have been zeros
				size := int(binary.LittleEndian.Uint32(data[end+4:]))
				if end+size > len(data) || end+size > len(damaged) || !bytes.Equal(damaged[end:end+size], data[end:end+size]) {
					break
				}
				if binary.LittleEndian.Uint32(data[end:]) == 6 {
					want++
				}
				end += size
			}
			r, err := capture.NewReader(bytes.NewReader(damaged))
			if err != nil {
				t.Fatal(err)
			}
			got := 0
			for {
				n, err := r.Batch(buf)
				for i := range buf[:n] {
					if got+i >= len(whole) || buf[i] != whole[got+i] {
						t.Fatalf("cut at %d, %d zeros: frame %d is false: %+v", cut, zeros, got+i, buf[i])
					}
				}
				got += n
				if err != nil {
					break
				}
			}
			if got != want || r.Whole() != int64(end) {
				t.Fatalf("cut at %d, %d zeros: %d frames, whole up to %d; want %d, %d", cut, zeros, got, r.Whole(), want, end)
			}
		}
	}
}

// tshark agrees with our reader at cuts, before and after the repair.
func TestTsharkAgreesAtCuts(t *testing.T) {
	t.Parallel()
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("tshark is missing: apt-get install tshark")
		}
		t.Skip("tshark is missing: apt-get install tshark")
	}
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(15)
	d.all(dir)
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	count := func(path string) int {
		out, err := exec.CommandContext(t.Context(), tshark, "-n", "-r", path, "-T", "fields", "-e", "frame.interface_name", "-e", "frame.time_epoch").Output()
		var exit *exec.ExitError
		if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 2) { // 2: "cut short in the middle of a packet"
			t.Fatalf("tshark: %v", err)
		}
		n := bytes.Count(out, []byte("\n"))
		for i, line := range bytes.Split(bytes.TrimSpace(out), []byte("\n")) {
			ns := d.h.wall.UnixNano() + int64(i)*int64(each)
			if want := fmt.Sprintf("can%d\t%d.%09d", i%4, ns/1e9, ns%1e9); n > 0 && string(line) != want {
				t.Fatalf("tshark reads frame %d as %q; want %q", i, line, want)
			}
		}
		return n
	}
	for i, cut := range []int{len(data), len(data) - 1, len(data) - 4*150 - 7, len(data) - 40_003, len(data) - 65_536} {
		path := filepath.Join(dir, "cut"+strconv.Itoa(i)+".pcapng")
		if err := os.WriteFile(path, data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		ours := len(readRaw(t, path))
		if theirs := count(path); theirs != ours {
			t.Errorf("cut at %d: tshark counts %d frames, we %d", cut, theirs, ours)
		}
		if _, err := Repair(path); err != nil {
			t.Fatal(err)
		}
		if theirs := count(path); theirs != ours {
			t.Errorf("cut at %d and repaired: tshark counts %d frames, we %d", cut, theirs, ours)
		}
	}
}

// Two recordings in one file, the first torn anywhere in its last blocks: the repair keeps both and cuts nothing whole.
func TestSplicedFilesRepair(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(2)
	d.all(dir)
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "spliced.pcapng")
	for cut := len(data) - 900; cut <= len(data); cut += 7 {
		for _, tail := range []int{0, 31} {
			spliced := append(append(bytes.Clone(data[:cut]), data...), bytes.Repeat([]byte{6, 0, 0}, tail)...)
			if err := os.WriteFile(path, spliced, 0o600); err != nil {
				t.Fatal(err)
			}
			before := len(readRaw(t, path))
			gone, err := Repair(path)
			after := readRaw(t, path)
			if err != nil || gone != int64(3*tail) || len(after) != before || before < 200 {
				t.Fatalf("cut at %d, %d behind: %d bytes went, %d then %d frames, %v", cut, tail, gone, before, len(after), err)
			}
			for i := range after {
				n := binary.LittleEndian.Uint64(after[i].Data[:])
				if n >= d.n || after[i].Frame != numbered(n, 0).Frame || after[i].Boot != time.Duration(n)*each {
					t.Fatalf("cut at %d: frame %d is false: %+v", cut, i, after[i])
				}
			}
		}
	}
}

func TestSealing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, func(o *Options) { o.RotateBytes = 150_000 })
	d.run(100)
	if err := d.l.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	if s := d.l.Stats(); s.Sealed != 3 || exists(dir, "boot-a-0001.pcapng") || !exists(dir, "boot-a-0001.pcapng.zst") || !exists(dir, "boot-a-0001.idx") {
		t.Errorf("%+v; want three sealed files, their indexes and no plain ones", s)
	}
	if !exists(dir, "boot-a-0004.pcapng") || exists(dir, "boot-a-0004.pcapng.zst") {
		t.Error("the file being written was sealed")
	}
	d.all(dir)
	files, err := Files(dir, "a")
	if err != nil || len(files) != 4 || !files[0].Sealed || files[3].Sealed {
		t.Fatalf("%+v, %v", files, err)
	}
	for i, f := range files {
		if x := f.Index; x.Chunks[0].First != f.First || f.Last <= f.First || i > 0 && f.First != files[i-1].Last+each {
			t.Errorf("file %d spans %v to %v", i, f.First, f.Last)
		}
		if got := readRaw(t, f.Path); int64(len(got)) != f.Frames || got[0].Boot != f.First || got[len(got)-1].Boot != f.Last {
			t.Errorf("file %d holds %d frames; its index says %d", i, len(got), f.Frames)
		}
	}
}

// A seal that does not unpack to the same is thrown away, and the plain file stays.
func TestBadSealIsThrownAway(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(30)
	d.all(dir)
	d.l.keeper.compare = func(ctx context.Context, sealed, plain *os.File) error {
		if _, err := sealed.WriteAt([]byte{1, 2, 3}, 3000); err != nil {
			return err
		}
		return verify(ctx, sealed, plain)
	}
	err := d.l.Seal(t.Context())
	if err == nil || !exists(dir, "boot-a-0001.pcapng") || exists(dir, "boot-a-0001.pcapng.zst") || exists(dir, "boot-a-0001.pcapng.zst.tmp") {
		t.Errorf("Seal = %v; want an error, the plain file and nothing else", err)
	}
}

// Sealing waits for room: the sealed file stands beside the plain one for a while.
func TestSealingWaitsForRoom(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	disk := &lean{folder(dir), 2 << 20, 100 << 20}
	d := drove(t, dir, func(o *Options) { o.disk, o.Reserve, o.FullAt = disk, 1<<20, 1 })
	d.run(30)
	d.all(dir)
	disk.free = 1<<20 + 1000
	if err := d.l.Seal(t.Context()); err != nil || !exists(dir, "boot-a-0001.pcapng") {
		t.Errorf("Seal without room: %v; want the plain file left", err)
	}
	disk.free = 2 << 20
	if err := d.l.Seal(t.Context()); err != nil || exists(dir, "boot-a-0001.pcapng") {
		t.Errorf("Seal with room: %v; want it sealed", err)
	}
}

// A crash between the rename and the deletion leaves both: the plain one counts and is sealed again.
func TestSealedTwice(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(20)
	d.all(dir)
	if err := os.WriteFile(filepath.Join(dir, "boot-a-0001.pcapng.zst"), []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	again := drove(t, dir, func(o *Options) { o.Boot = "b" })
	if got := len(readBack(t, dir, "a")); got != 2000 {
		t.Errorf("%d frames beside a broken seal; want 2000", got)
	}
	if err := again.l.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := len(readBack(t, dir, "a")); got != 2000 || exists(dir, "boot-a-0001.pcapng") {
		t.Errorf("%d frames after sealing; want 2000, sealed", got)
	}
}

// A stretch of the disk that changed under a complete file is found by its check sum, said, and kept.
func TestFailingDiskIsNoticedWhenSealing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(30)
	if err := d.l.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "boot-a-0001.pcapng")
	data, _ := os.ReadFile(path)
	data[chunkSize+100] ^= 1
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := d.l.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	notes := strings.Join(d.l.Stats().Notes, "\n")
	if !strings.Contains(notes, "1 stretches of 64 KiB are not what was written, the first at byte 65536") {
		t.Errorf("notes %q", notes)
	}
	r, err := capture.Open(filepath.Join(dir, "boot-a-0001.pcapng.zst"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
}

// On a full disk the oldest sealed files go, those of boots with alarms last, the file being written never.
func TestDiskBudget(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for i, boot := range []string{"old", "alarm", "new"} {
		d := drove(t, dir, func(o *Options) { o.Boot, o.Number, o.RotateBytes = boot, int64(i+1), 48_000 })
		d.run(25)
		if err := d.l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	disk := &sized{disk: folder(dir), dir: dir, t: t, total: 1 << 30, used: 1 << 29}
	d := drove(t, dir, func(o *Options) {
		o.Boot, o.Number, o.disk, o.RotateBytes, o.Reserve, o.FullAt = "present", 4, disk, 48_000, 1, 0.85
		o.Alarmed = func(boot string) bool { return boot == "alarm" }
	})
	d.run(25)
	if err := d.l.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	names := func() string {
		files, err := Files(dir, "")
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		for _, f := range files {
			fmt.Fprintf(&b, "%s%d ", f.Boot, f.Seq)
		}
		return strings.TrimSpace(b.String())
	}
	if got, want := names(), "old1 old2 old3 alarm1 alarm2 alarm3 new1 new2 new3 present1 present2 present3"; got != want {
		t.Fatalf("files %s; want %s", got, want)
	}
	// Each step makes the disk so full that one more file has to go.
	for _, want := range []string{
		"old2 old3 alarm1 alarm2 alarm3 new1 new2 new3 present1 present2 present3",
		"old3 alarm1 alarm2 alarm3 new1 new2 new3 present1 present2 present3",
		"alarm1 alarm2 alarm3 new1 new2 new3 present1 present2 present3",
		"alarm1 alarm2 alarm3 new2 new3 present1 present2 present3",
		"alarm1 alarm2 alarm3 new3 present1 present2 present3",
		"alarm1 alarm2 alarm3 present1 present2 present3",
		"alarm1 alarm2 alarm3 present2 present3",
		"alarm1 alarm2 alarm3 present3",
		"alarm2 alarm3 present3",
		"alarm3 present3",
		"present3",
		"present3", // it is being written
	} {
		disk.used = int64(0.85*float64(disk.total)) + 1 - dirSize(t, dir)
		if err := d.l.Seal(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := names(); got != want {
			t.Fatalf("files %s; want %s", got, want)
		}
	}
	if s := d.l.Stats(); s.Deleted != 11 {
		t.Errorf("%d deleted; want 11", s.Deleted)
	}
	if exists(dir, "boot-old-0001.idx") {
		t.Error("the index of a deleted file was left")
	}
}

// sized is a disk on which other things use some room.
type sized struct {
	disk

	t           *testing.T
	dir         string
	total, used int64
}

func (d *sized) room() (free, total int64, err error) {
	return d.total - d.used - dirSize(d.t, d.dir), d.total, nil
}

func TestOptionsAreChecked(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(o *Options){
		"boot":     func(o *Options) { o.Boot = "../x" },
		"no links": func(o *Options) { o.Links = nil },
		"no clock": func(o *Options) { o.Clock = nil },
		"too fast": func(o *Options) { o.SyncEvery = 100 * time.Millisecond },
		"too slow": func(o *Options) { o.SyncEvery = 11 * time.Second },
		"full":     func(o *Options) { o.FullAt = 85 },
	} {
		o := testOptions(newHand())
		set(&o)
		if _, err := Open(t.TempDir(), o); err == nil {
			t.Errorf("%s: taken; want an error", name)
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none"), testOptions(newHand())); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a folder that is not there: %v", err)
	}
}

func TestNames(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"boot-a-0001.pcapng": "a 1 .pcapng", "boot-a-0001-12345.pcapng.zst": "a-0001 12345 .pcapng.zst", "boot-a-0009.idx": "a 9 .idx",
		"boot-a-0001.pcapng.zst.tmp": "a 1 .pcapng.zst.tmp",
		"boot-a.pcapng":              "", "boot-a-001.pcapng": "", "boot-A-0001.pcapng": "", "a-0001.pcapng": "", "boot-a-00x1.pcapng": "",
		"boot--0001.pcapng": "", "boot-a-0001.db": "", "boot-a-99999999999.pcapng": "",
	} {
		got := ""
		if boot, seq, end, ok := splitName(name); ok {
			got = fmt.Sprintf("%s %d %s", boot, seq, end)
		}
		if got != want {
			t.Errorf("splitName(%s) = %q; want %q", name, got, want)
		}
	}
}

// The live loop: frames from several goroutines, a rotation, a stop, and everything is there.
func TestRun(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	h := newHand()
	o := testOptions(h)
	o.RotateBytes = 200_000
	l := open(t, dir, o)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- l.Run(ctx) }()
	const per = 5000
	ready := make(chan struct{})
	for link := range uint16(4) {
		go func() {
			for i := range uint64(per) {
				f := numbered(i, time.Duration(i))
				f.Link = link
				l.Frame(f)
			}
			ready <- struct{}{}
		}()
	}
	for range 4 {
		<-ready
	}
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	frames := readBack(t, dir, "a")
	next := [4]uint64{}
	for i := range frames {
		f := &frames[i]
		if n := binary.LittleEndian.Uint64(f.Data[:]); n != next[f.Link] {
			t.Fatalf("link %d: frame %d; want %d", f.Link, n, next[f.Link])
		}
		next[f.Link]++
	}
	if s := l.Stats(); len(frames) != 4*per || s.Written != 4*per || s.Synced != 4*per || s.Waiting != 0 {
		t.Errorf("%d frames, %+v; want %d", len(frames), s, 4*per)
	}
}

func TestNoAllocationPerFrame(t *testing.T) {
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(20) // buffers have grown
	f := numbered(1, 1)
	if n := testing.AllocsPerRun(5000, func() { d.l.Frame(f) }); n != 0 {
		t.Errorf("Frame: %v allocations; want 0", n)
	}
	const batch = 1530
	n := testing.AllocsPerRun(50, func() {
		for range batch {
			d.l.Frame(f)
		}
		d.quiet(1)
	})
	if n > 30 { // a beat has a handful of its own, whatever the number of frames
		t.Errorf("a beat with %d frames: %v allocations; want a few", batch, n)
	}
	t.Logf("%v allocations a beat of %d frames", n, batch)
}

func TestStrangerThanPcapng(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "boot-x-0001.pcapng")
	for _, data := range [][]byte{nil, {1, 2}, make([]byte, 5000), binary.LittleEndian.AppendUint32(nil, 0xa1b2c3d4), []byte("(1.0) can0 123#\n")} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if cut, err := Repair(path); err != nil || cut != int64(len(data)) {
			t.Errorf("Repair of %d bytes that are no pcapng = %d, %v", len(data), cut, err)
		}
	}
}
