// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"airhold/bus"
)

// forgetful is a disk that keeps nothing but what was synced, and loses its power after so many operations. What a power
// cut leaves is decided by crash: of each file everything up to its last sync, then any number of the later writes in
// their order, the next one torn at any byte; and perhaps zeros where the length had been noted but not the data. A
// file's name is kept when the folder was synced after it was made, else by chance. This is the model of POSIX files on
// a journaling file system; it does not have lost syncs (a disk that lies).
type forgetful struct {
	fuse  int // operations until the power goes
	files map[string]*forgetfulFile
}

type forgetfulFile struct {
	disk    *forgetful
	named   bool // the folder was synced
	kept    []byte
	pending []change
	now     []byte // as the program sees it
}

type change struct {
	off  int64
	data []byte // nil: truncated at off
}

var errPower = errors.New("the power is gone")

func newForgetful(fuse int) *forgetful {
	return &forgetful{fuse: fuse, files: map[string]*forgetfulFile{}}
}

// burn counts one operation.
func (d *forgetful) burn() error {
	d.fuse--
	if d.fuse < 0 {
		return errPower
	}
	return nil
}

func (d *forgetful) create(name string) (file, error) {
	if err := d.burn(); err != nil {
		return nil, err
	}
	if _, there := d.files[name]; there {
		return nil, os.ErrExist
	}
	f := &forgetfulFile{disk: d}
	d.files[name] = f
	return f, nil
}

func (d *forgetful) settle() error {
	if err := d.burn(); err != nil {
		return err
	}
	for _, f := range d.files {
		f.named = true
	}
	return nil
}

func (d *forgetful) remove(name string) error {
	if err := d.burn(); err != nil {
		return err
	}
	delete(d.files, name)
	return nil
}

func (d *forgetful) room() (free, total int64, err error) { return 1 << 40, 1 << 41, nil }

func (f *forgetfulFile) apply(content []byte, c change) []byte {
	if c.data == nil {
		return content[:min(int64(len(content)), c.off)]
	}
	if need := int(c.off) + len(c.data); need > len(content) {
		content = append(content, make([]byte, need-len(content))...)
	}
	copy(content[c.off:], c.data)
	return content
}

func (f *forgetfulFile) WriteAt(p []byte, off int64) (int, error) {
	c := change{off, slices.Clone(p)}
	err := f.disk.burn() // the write that the power cut meets may have reached the disk in part
	if f.disk.fuse >= -1 {
		f.pending = append(f.pending, c)
	}
	if err != nil {
		return 0, err
	}
	f.now = f.apply(f.now, c)
	return len(p), nil
}

func (f *forgetfulFile) Truncate(size int64) error {
	if err := f.disk.burn(); err != nil {
		return err
	}
	f.pending = append(f.pending, change{off: size})
	f.now = f.apply(f.now, change{off: size})
	return nil
}

func (f *forgetfulFile) Sync() error {
	if err := f.disk.burn(); err != nil {
		return err
	}
	f.kept = append(f.kept[:0], f.now...)
	f.pending = nil
	return nil
}

func (f *forgetfulFile) Close() error { return nil }

// fate is what a power cut does to what was not synced.
type fate int

const (
	worst fate = iota // all of it is gone
	torn              // it ends somewhere
	holes             // it ends somewhere, and sectors before that are zero: the disk wrote them in an order of its own
)

const sector = 512

// crash writes what a power cut leaves into a real folder.
func (d *forgetful) crash(tb testing.TB, dir string, rng *rand.Rand, how fate) {
	tb.Helper()
	for _, name := range slices.Sorted(maps.Keys(d.files)) {
		f := d.files[name]
		if !f.named && (how == worst || rng.IntN(2) == 0) {
			continue
		}
		content := slices.Clone(f.kept)
		if how != worst {
			n := rng.IntN(len(f.pending) + 1)
			for _, c := range f.pending[:n] {
				content = f.apply(content, c)
			}
			if n < len(f.pending) && f.pending[n].data != nil {
				last := f.pending[n]
				whole := len(last.data)
				last.data = last.data[:rng.IntN(whole+1)]
				content = f.apply(content, last)
				if rng.IntN(3) == 0 { // the length was kept, the data not
					content = append(content, make([]byte, whole-len(last.data)+rng.IntN(4096))...)
				}
			}
			for at := (len(f.kept) + sector - 1) / sector * sector; how == holes && at < len(content); at += sector {
				if rng.IntN(20) == 0 {
					clear(content[at:min(at+sector, len(content))])
				}
			}
		}
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o600); err != nil {
			tb.Fatal(err)
		}
	}
}

// outcome is what one power cut cost.
type outcome struct {
	heard, acknowledged, kept uint64
}

const (
	crashRate = 15_300 // frames a second: four links of 500 kbit/s
	crashStep = time.Second / crashRate
)

// cutPower records numbered frames on a forgetful disk until its power goes, and returns what the next start finds.
func cutPower(tb testing.TB, seed uint64, noSync bool, how fate) outcome {
	tb.Helper()
	rng := rand.New(rand.NewPCG(seed, 1))
	dir := tb.TempDir()
	h := newHand()
	h.boot = 0
	disk := newForgetful(3 + rng.IntN(90))
	o := testOptions(h)
	o.disk, o.NoSync = disk, noSync
	o.RotateBytes, o.Ring = 1<<20, 1<<14 // so that the cut meets rotations too
	l := open(tb, dir, o)
	var heard uint64
	for beat := 1; disk.fuse >= 0; beat++ {
		at := time.Duration(beat) * o100
		for ; time.Duration(heard)*crashStep < at; heard++ {
			l.Frame(numbered(heard, time.Duration(heard)*crashStep))
		}
		h.move(o100)
		l.writer.step(at)
		if beat > 10_000 {
			tb.Fatal("the power never went")
		}
	}
	acknowledged := uint64(l.Stats().Synced)
	disk.crash(tb, dir, rng, how)
	again := testOptions(h)
	again.Boot, again.Number = "b", 8
	open(tb, dir, again)
	frames := readBack(tb, dir, "a", how == holes)
	switch {
	case noSync: // whole files may be gone, but what is there was heard
		genuine(tb, frames)
	case how == holes:
		if uint64(len(frames)) < acknowledged {
			tb.Fatalf("%d frames; %d were acknowledged", len(frames), acknowledged)
		}
		inOrder(tb, frames[:acknowledged], crashStep)
		genuine(tb, frames)
	default:
		inOrder(tb, frames, crashStep)
	}
	return outcome{heard, acknowledged, uint64(len(frames))}
}

func genuine(tb testing.TB, frames []bus.Frame) {
	tb.Helper()
	last := int64(-1)
	for i := range frames {
		n := binary.LittleEndian.Uint64(frames[i].Data[:])
		want := numbered(n, time.Duration(n)*crashStep)
		if int64(n) <= last || frames[i].Frame != want.Frame || frames[i].Link != want.Link || frames[i].Boot != want.Boot {
			tb.Fatalf("frame %d is %+v, which was never heard there", i, frames[i])
		}
		last = int64(n)
	}
}

const o100 = 100 * time.Millisecond

// Power cuts at 210 seeded places: no false frame, nothing that was acknowledged is lost, and at most one sync interval
// of what was heard. In a third of them the
// disk keeps not a byte more than it must, in another it leaves holes.
func TestPowerCutCostsAtMostOneSyncInterval(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: many cuts of one recording")
	}
	most := uint64(0)
	for seed := range uint64(210) {
		out := cutPower(t, seed, false, fate(seed%3))
		if out.kept < out.acknowledged {
			t.Fatalf("seed %d: %d frames kept, %d were acknowledged", seed, out.kept, out.acknowledged)
		}
		lost := out.heard - out.kept
		if lost > crashRate { // the interval is one second
			t.Fatalf("seed %d: %d of %d frames lost; one sync interval holds %d", seed, lost, out.heard, crashRate)
		}
		most = max(most, lost)
	}
	t.Logf("at most %d frames lost, %.2f of a sync interval", most, float64(most)/crashRate)
	if most == 0 {
		t.Error("no cut cost anything: the model forgets nothing")
	}
}

// Without syncs the same cuts must cost more, or the test above proves nothing.
func TestPowerCutWithoutSyncCostsMore(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: many cuts of one recording")
	}
	over, most := 0, uint64(0)
	for seed := range uint64(60) {
		out := cutPower(t, seed, true, fate(seed%3))
		lost := out.heard - out.kept
		if lost > crashRate {
			over++
		}
		most = max(most, lost)
	}
	t.Logf("%d of 60 cuts cost more than one sync interval; the worst %.1f intervals", over, float64(most)/crashRate)
	if over < 30 || most < 3*crashRate {
		t.Errorf("%d cuts of 60 cost more than a sync interval, at most %d frames: the syncs make no difference", over, most)
	}
}

// A sync that fails, once, costs nothing that was acknowledged and does not stop the recording.
func TestFailedSyncBeginsAnotherFile(t *testing.T) {
	t.Parallel()
	h := newHand()
	disk := &refusing{disk: folder(t.TempDir())}
	dir := string(disk.disk.(folder))
	o := testOptions(h)
	o.disk = disk
	l := open(t, dir, o)
	var n uint64
	beat := time.Duration(0)
	run := func(beats int) {
		for range beats {
			for range 100 {
				l.Frame(numbered(n, time.Duration(n)*time.Millisecond))
				n++
			}
			beat += o100
			h.move(o100)
			l.writer.step(beat)
		}
	}
	run(5)
	disk.syncs = errors.New("input/output error")
	run(10)
	if s := l.Stats(); s.State == "recording" || s.Err == nil {
		t.Errorf("a disk that refuses to sync: %+v", s)
	}
	disk.syncs = nil
	run(20)
	if s := l.Stats(); s.State != "recording" || s.Err != nil || s.Files < 2 {
		t.Errorf("after the disk has mended: %+v; want recording, in another file", s)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	frames := readBack(t, dir, "a", false)
	inOrder(t, frames, time.Millisecond)
	if uint64(len(frames)) != n {
		t.Errorf("%d frames; want %d", len(frames), n)
	}
}

// refusing is a disk that refuses to sync, to write beyond a size, or to make files.
type refusing struct {
	disk

	syncs error
	full  *fullness
}

type refusingFile struct {
	file

	d *refusing
}

func (d *refusing) create(name string) (file, error) {
	if d.full != nil && d.full.left <= 0 {
		return nil, fmt.Errorf("create %s: %w", name, d.full.err)
	}
	f, err := d.disk.create(name)
	if err != nil {
		return nil, err
	}
	return refusingFile{f, d}, nil
}

func (f refusingFile) Sync() error {
	if f.d.syncs != nil {
		return f.d.syncs
	}
	return f.file.Sync()
}

// fullness is how many bytes still fit.
type fullness struct {
	left int64
	err  error
}

func (f refusingFile) WriteAt(p []byte, off int64) (int, error) {
	full := f.d.full
	if full == nil {
		return f.file.WriteAt(p, off)
	}
	n := min(int64(len(p)), max(0, full.left))
	k, err := f.file.WriteAt(p[:n], off)
	full.left -= int64(k)
	if err == nil && n < int64(len(p)) {
		err = full.err
	}
	return k, err
}

func (f refusingFile) Truncate(size int64) error {
	return f.file.Truncate(size)
}
