// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"airhold/bus/capture"
)

// lean is a disk of which little is free.
type lean struct {
	disk

	free, total int64
}

func (d *lean) room() (free, total int64, err error) { return d.free, d.total, nil }

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
	if got := len(readBack(t, dir, "a", false)); got != 2000 {
		t.Errorf("%d frames beside a broken seal; want 2000", got)
	}
	if err := again.l.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := len(readBack(t, dir, "a", false)); got != 2000 || exists(dir, "boot-a-0001.pcapng") {
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

// What a person has exported goes by itself: no recording is deleted to make room for it.
func TestExportsCostNoRecording(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	const total = 100 << 20
	disk := &lean{folder(dir), 50 << 20, total}
	d := drove(t, dir, func(o *Options) { o.disk, o.FullAt = disk, 0.85 })
	d.run(30)
	d.all(dir)
	if err := d.l.Seal(t.Context()); err != nil || !exists(dir, "boot-a-0001.pcapng.zst") {
		t.Fatalf("Seal: %v", err)
	}
	out := filepath.Join(dir, ExportFolder)
	if err := os.Mkdir(out, 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(out, "boot-a.csv"), make([]byte, 5<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	disk.free = 12 << 20 // 88 % full, 83 % without the export
	if err := d.l.Seal(t.Context()); err != nil || !exists(dir, "boot-a-0001.pcapng.zst") {
		t.Errorf("an export of 5 MiB cost a recording (%v)", err)
	}
	if err := os.RemoveAll(out); err != nil {
		t.Fatal(err)
	}
	if err := d.l.Seal(t.Context()); err != nil || exists(dir, "boot-a-0001.pcapng.zst") {
		t.Errorf("without it the disk is too full, and the recording is still there (%v)", err)
	}
}
