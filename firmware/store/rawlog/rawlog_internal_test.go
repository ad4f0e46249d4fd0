// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
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
	frames := readBack(d.t, dir, "a", false)
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
	frames := readBack(t, dir, "a", false)
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
	if len(s.Lately) != len(x.Gaps) || s.Lately[0] != x.Gaps[0] {
		t.Errorf("Stats tell of gaps %+v; the index of %+v", s.Lately, x.Gaps)
	}
	if told != s.Dropped {
		t.Errorf("gaps tell of %d frames; want %d", told, s.Dropped)
	}
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
	if got := len(readBack(t, dir, "a", false)); int64(got)+s.Dropped != int64(d.n) {
		t.Errorf("%d frames and %d dropped of %d", got, s.Dropped, d.n)
	}
	x, err := ReadIndex(filepath.Join(dir, "boot-a-0002.idx"))
	if err != nil || len(x.Gaps) != 1 || x.Gaps[0].Frames != s.Dropped {
		t.Errorf("the second file's index does not tell the gap: %+v, %v", x, err)
	}
}

// A full disk is told of as it begins and once a minute; the log's own lines may be what fills it.
func TestAGapThatLastsIsToldOfOnceAMinute(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	disk := &lean{folder(dir), 100 << 20, 1000 << 20}
	var log strings.Builder
	d := drove(t, dir, func(o *Options) {
		o.disk, o.Reserve, o.Ring, o.Log = disk, 50<<20, 500, slog.New(slog.NewTextHandler(&log, nil))
	})
	d.run(20)
	disk.free = 49 << 20
	d.run(3 * 600) // three minutes
	if n := strings.Count(log.String(), "frames were not recorded"); n != 3 {
		t.Errorf("three minutes of a full disk are told of %d times; want 3\n%.600s", n, log.String())
	}
	disk.free = 80 << 20
	d.run(20)
	disk.free = 49 << 20
	d.run(50)
	if n := strings.Count(log.String(), "frames were not recorded"); n != 4 {
		t.Errorf("a gap that begins is told of at once: %d lines; want 4", n)
	}
	if err := d.l.Close(); err != nil {
		t.Fatal(err)
	}
	if s := d.l.Stats(); s.Dropped == 0 || s.Gaps != 2 {
		t.Errorf("%+v; want both gaps counted", s)
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
	frames := readBack(t, dir, "a", false)
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
