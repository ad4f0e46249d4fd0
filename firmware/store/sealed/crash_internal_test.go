// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

type noClock struct{ clock.Live }

func (noClock) Sample() clock.Sample { return clock.Sample{} }

// recording writes a small boot as a power cut leaves it, with its -wal file.
func recording(t *testing.T, dir string) string {
	t.Helper()
	from := t.TempDir()
	s, err := store.Open(from, store.Options{Clock: noClock{}, Queue: 1 << 15})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	table := readings.NewTable([]readings.Info{{ID: "tank", Quantity: units.QPressure, Unit: units.Preferred(units.Pressure)}})
	if err := s.StartBoot(store.Snapshot{Boot: "c", Machine: []byte("x")}, table); err != nil {
		t.Fatal(err)
	}
	for i := range 3000 {
		at := time.Duration(i) * time.Millisecond
		e := store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{At: at, Value: float64(i)}}
		if i%10 == 0 {
			e = store.Entry{Kind: store.IsTick, At: at}
		}
		s.Append(e)
	}
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(filepath.Join(from, "boot-c.db"+end))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "boot-c.db"+end), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "boot-c.db")
}

// content is all entries of the boot of a folder, in words.
func content(t *testing.T, dir string) string {
	t.Helper()
	path, err := Find(dir)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var b strings.Builder
	var row store.Row
	for {
		err := r.NextRow(&row)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%d %d %d %v\n", row.Seq, row.Entry.Kind, row.Entry.At, row.Entry.Reading)
	}
	fmt.Fprintf(&b, "%q", r.Lost())
	return b.String()
}

func folder(t *testing.T, dir string) []string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range list {
		if !strings.HasSuffix(e.Name(), "-shm") { // SQLite's own, made anew whenever the -wal file is read
			out = append(out, e.Name())
		}
	}
	return out
}

var sealedFiles = []string{"boot-c" + endEvents, "boot-c" + endReadings}

// Power may go at each step that changes a file. After it the boot can be read as before, and the next start seals it.
func TestSealingSurvivesACutAtEachStep(t *testing.T) {
	t.Parallel()
	var steps []string
	d := realDisk()
	d.step = func(name string) error { steps = append(steps, name); return nil }
	dir := t.TempDir()
	path := recording(t, dir)
	want := content(t, dir)
	if err := sealOn(t.Context(), path, d); err != nil {
		t.Fatal(err)
	}
	if len(steps) < 10 {
		t.Fatalf("sealing has the steps %q; want one before each change", steps)
	}
	for at := range steps {
		t.Run(fmt.Sprint(at, " ", steps[at]), func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := recording(t, dir)
			d, n := realDisk(), 0
			d.step = func(string) error {
				if n++; n > at {
					return errCut
				}
				return nil
			}
			if err := sealOn(t.Context(), path, d); !errors.Is(err, errCut) {
				t.Fatalf("Seal = %v; want it cut", err)
			}
			if got := content(t, dir); got != want {
				t.Errorf("after the cut the boot reads otherwise; %q", folder(t, dir))
			}
			Folder(t.Context(), dir, "present", discard())
			if got := folder(t, dir); !slices.Equal(got, sealedFiles) {
				t.Errorf("after the next start the folder holds %q; want %q", got, sealedFiles)
			}
			if got := content(t, dir); got != want {
				t.Error("sealed after the cut, the boot reads otherwise")
			}
		})
	}
}

// short is a disk that is full after so many bytes, all files together.
type short struct {
	io.WriteCloser

	left *int
}

func (s short) Write(p []byte) (int, error) {
	if len(p) > *s.left {
		n, _ := s.WriteCloser.Write(p[:*s.left])
		*s.left = 0
		return n, &os.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}
	}
	*s.left -= len(p)
	return s.WriteCloser.Write(p)
}

func TestFullDiskKeepsTheRecording(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := recording(t, dir)
	want, before := content(t, dir), folder(t, dir)
	for room := 0; ; room += 3001 {
		d := realDisk()
		left := room
		d.create = func(path string) (io.WriteCloser, error) {
			f, err := realDisk().create(path)
			return short{f, &left}, err
		}
		err := sealOn(t.Context(), path, d)
		if err == nil {
			if room == 0 {
				t.Fatal("sealed without a byte of room")
			}
			break
		}
		if !errors.Is(err, store.ErrDiskFull) || !strings.Contains(err.Error(), "free some space") {
			t.Errorf("with %d bytes of room: %v; want word that the disk is full", room, err)
		}
		if got := folder(t, dir); !slices.Equal(got, before) {
			t.Errorf("with %d bytes of room the folder holds %q; want %q", room, got, before)
		}
	}
	if got := content(t, dir); got != want || !slices.Equal(folder(t, dir), sealedFiles) {
		t.Errorf("sealed at last, the boot reads otherwise, or the folder holds more: %q", folder(t, dir))
	}
}

// flip changes one byte on its way to the disk, as a bad card does.
type flip struct {
	io.WriteCloser

	at *int
}

func (f flip) Write(p []byte) (int, error) {
	q := slices.Clone(p)
	if *f.at >= 0 && *f.at < len(q) {
		q[*f.at] ^= 0x20
	}
	*f.at -= len(q)
	return f.WriteCloser.Write(q)
}

func TestWhatDoesNotReadBackIsNotBelieved(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := recording(t, dir)
	before := folder(t, dir)
	for at := 4; ; at += 997 {
		d := realDisk()
		left := at
		d.create = func(path string) (io.WriteCloser, error) {
			f, err := realDisk().create(path)
			if strings.Contains(path, endEvents) {
				return f, err
			}
			return flip{f, &left}, err
		}
		err := sealOn(t.Context(), path, d)
		if left >= 0 && at > 5000 {
			break // the file has no such byte
		}
		if err == nil {
			t.Fatalf("byte %d was written wrong, and the recording is gone", at)
		}
		if got := folder(t, dir); !slices.Equal(got, before) {
			t.Fatalf("byte %d was written wrong: the folder holds %q; want %q", at, got, before)
		}
	}
}

func TestSealedFilesOfAnotherRecordingAreMovedAside(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := recording(t, dir)
	if err := Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	recording(t, dir) // again, without its last entries
	if err := os.Truncate(path+"-wal", 40_000); err != nil {
		t.Fatal(err)
	}
	b, err := store.OpenBoot(path)
	if err != nil {
		t.Fatal(err)
	}
	b.Close()
	want := content(t, dir)
	if err := Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	if got := content(t, dir); got != want {
		t.Error("what was sealed is not the recording")
	}
	for _, end := range []string{endEvents, endReadings} {
		if _, err := os.Stat(filepath.Join(dir, "boot-c"+end+".damaged-1")); err != nil {
			t.Errorf("the files that were there before are gone: %v", err)
		}
	}
}

func TestStopLeavesTheRecording(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := recording(t, dir)
	before := folder(t, dir)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Seal(ctx, path); !errors.Is(err, context.Canceled) {
		t.Errorf("Seal = %v; want it stopped", err)
	}
	if got := folder(t, dir); !slices.Equal(got, before) {
		t.Errorf("the folder holds %q; want %q", got, before)
	}
}

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }
