// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"airhold/bus/capture"
)

// keeper seals complete files and keeps the disk's budget, in a goroutine of its own: neither may hold the writer up.
type keeper struct {
	dir  string
	o    *Options
	wake chan struct{}
	// compare is verify; a test puts in its place one that spoils the sealed file first.
	compare func(ctx context.Context, sealed, plain *os.File) error

	mu      sync.Mutex     // guards what follows
	own     map[int64]bool // complete files of this boot
	notes   []string
	sealed  int64
	deleted int64

	one sync.Mutex // a turn at a time
}

// budgetEvery is how often the disk is looked at while nothing rotates.
const budgetEvery = 30 * time.Second

// add hands over complete files of this boot.
func (k *keeper) add(ended []int64) {
	if len(ended) == 0 {
		return
	}
	k.mu.Lock()
	if k.own == nil {
		k.own = map[int64]bool{}
	}
	for _, seq := range ended {
		k.own[seq] = true
	}
	k.mu.Unlock()
	select {
	case k.wake <- struct{}{}:
	default:
	}
}

func (k *keeper) run(ctx context.Context) {
	beat := time.NewTicker(budgetEvery) //nolint:forbidigo // the disk's time, not the box's
	defer beat.Stop()
	for {
		if err := k.turn(ctx); err != nil && ctx.Err() == nil {
			k.note(ctx, err.Error())
		}
		select {
		case <-beat.C:
		case <-k.wake:
		case <-ctx.Done():
			return
		}
	}
}

// turn seals what is complete, oldest first, and deletes what the budget has no room for.
func (k *keeper) turn(ctx context.Context) error {
	k.one.Lock()
	defer k.one.Unlock()
	files, err := list(k.dir, "")
	if err != nil {
		return err
	}
	var all error
	for i := range files {
		f := &files[i]
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if f.Sealed || f.Boot == k.o.Boot && !k.complete(f.Seq) {
			continue
		}
		if free, total, err := k.o.disk.room(); err == nil && free < k.o.reserve(total)+f.Size {
			continue // sealing needs room before it gives some
		}
		if err := k.seal(ctx, f); err != nil {
			all = errors.Join(all, err)
			continue
		}
		f.Sealed = true
		f.Path = filepath.Join(k.dir, fileName(f.Boot, f.Seq, sealedEnd))
	}
	return errors.Join(all, k.budget(ctx, files))
}

func (k *keeper) complete(seq int64) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.own[seq]
}

// seal compresses one file, compares the result with it as the disk has it, and only then deletes it.
func (k *keeper) seal(ctx context.Context, f *File) error {
	sealed := filepath.Join(k.dir, fileName(f.Boot, f.Seq, sealedEnd))
	work := sealed + workEnd
	if err := k.pack(ctx, f, work); err != nil {
		return errors.Join(fmt.Errorf("seal %s: %w", filepath.Base(f.Path), err), removeIfThere(work))
	}
	err := os.Rename(work, sealed)
	if err == nil {
		err = k.o.disk.settle()
	}
	if err == nil {
		err = os.Remove(f.Path)
	}
	if err == nil {
		err = k.o.disk.settle()
	}
	if err != nil {
		return fmt.Errorf("seal %s: %w", filepath.Base(f.Path), err)
	}
	k.mu.Lock()
	k.sealed++
	k.mu.Unlock()
	return nil
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// pack writes the sealed form to work and verifies it.
func (k *keeper) pack(ctx context.Context, f *File, work string) error {
	if err := removeIfThere(work); err != nil {
		return err
	}
	plain, err := os.Open(f.Path)
	if err != nil {
		return err
	}
	defer plain.Close()                                                   //nolint:errcheck // only read
	out, err := os.OpenFile(work, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640) //nolint:gosec // the folder is the user's choice
	if err != nil {
		return err
	}
	var check checker
	if x, err := ReadIndex(f.indexPath()); err == nil {
		check.index = x
	}
	_, err = capture.Seal(out, interruptible{ctx, plain}, check.chunk)
	if err == nil {
		err = out.Sync()
	}
	if err == nil {
		forget(out)
		forget(plain)
		err = k.compare(ctx, out, plain)
	}
	if err = errors.Join(err, out.Close()); err != nil {
		return err
	}
	if check.wrong > 0 {
		k.note(ctx, fmt.Sprintf("%s: %d stretches of 64 KiB are not what was written, the first at byte %d; the disk may be failing. They are kept as they are.",
			filepath.Base(f.Path), check.wrong, check.first))
	}
	return nil
}

func verify(ctx context.Context, sealed, plain *os.File) error {
	for _, f := range []*os.File{sealed, plain} {
		if _, err := f.Seek(0, 0); err != nil {
			return err
		}
	}
	return capture.VerifySeal(interruptible{ctx, sealed}, plain)
}

// interruptible ends reading when the program does: sealing a file takes a second or more.
type interruptible struct {
	ctx  context.Context //nolint:containedctx // an io.Reader has no other place for it, and it lives for one call
	file *os.File
}

func (r interruptible) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.file.Read(p)
}

// checker compares the chunks of a file with the check sums of its index.
type checker struct {
	index *Index
	at    int64
	next  int
	wrong int
	first int64
}

func (c *checker) chunk(b []byte) {
	at := c.at
	c.at += int64(len(b))
	if c.index == nil || c.next >= len(c.index.Chunks) {
		return
	}
	want := &c.index.Chunks[c.next]
	c.next++
	if want.Offset == at && want.Length == int64(len(b)) && crc32.Checksum(b, castagnoli()) != want.CRC32C {
		if c.wrong == 0 {
			c.first = at
		}
		c.wrong++
	}
}

// ExportFolder is the folder beside the recordings in which a box makes files for a person to fetch. They go again by
// themselves, so no recording is deleted to make room for them.
const ExportFolder = "page-export"

// Room is what of a folder's disk a file that can be made again may still take: the reserve that is kept for the log twice
// over, so that the recording of frames never stops for it. It may be negative.
func Room(dir string, reserve int64) (int64, error) {
	free, total, err := diskRoom(dir)
	if err != nil {
		return 0, err
	}
	o := Options{Reserve: reserve}
	return free - 2*o.reserve(total), nil
}

// passing is the size of the files that go by themselves.
func (k *keeper) passing() (sum int64) {
	entries, err := os.ReadDir(filepath.Join(k.dir, ExportFolder))
	if err != nil {
		return 0
	}
	for _, e := range entries {
		if info, err := e.Info(); err == nil {
			sum += info.Size()
		}
	}
	return sum
}

// budget deletes the oldest sealed files while the disk is fuller than it should be. Those of other boots go first, and
// those of boots with alarms last.
func (k *keeper) budget(ctx context.Context, files []File) error {
	var sealed []File
	for _, f := range files {
		if f.Sealed {
			sealed = append(sealed, f)
		}
	}
	alarmed := map[string]bool{}
	rank := func(f *File) int {
		n := 0
		if f.Boot == k.o.Boot {
			n = 1
		}
		if alarmed[f.Boot] {
			n += 2
		}
		return n
	}
	asked := false
	for len(sealed) > 0 {
		free, total, err := k.o.disk.room()
		if err != nil {
			return err
		}
		if float64(total-free-k.passing()) < k.o.FullAt*float64(total) {
			return nil
		}
		if !asked {
			asked = true
			for _, f := range sealed {
				if _, known := alarmed[f.Boot]; !known && k.o.Alarmed != nil {
					alarmed[f.Boot] = k.o.Alarmed(f.Boot)
				}
			}
			slices.SortStableFunc(sealed, func(a, b File) int { return cmp.Compare(rank(&a), rank(&b)) })
		}
		f := sealed[0]
		sealed = sealed[1:]
		err = errors.Join(os.Remove(f.Path), removeIfThere(f.indexPath()), k.o.disk.settle())
		if err != nil {
			return fmt.Errorf("make room on the disk: %w", err)
		}
		k.mu.Lock()
		k.deleted++
		k.mu.Unlock()
		k.o.Log.WarnContext(ctx, "recorded frames deleted for room", slog.String("file", filepath.Base(f.Path)))
	}
	return nil
}

func (k *keeper) note(ctx context.Context, words string) {
	k.mu.Lock()
	known := slices.Contains(k.notes, words) || len(k.notes) >= maxNotes
	if !known {
		k.notes = append(slices.Clip(k.notes), words)
	}
	k.mu.Unlock()
	if !known {
		k.o.Log.WarnContext(ctx, "recorded frames", slog.String("note", words))
	}
}

func (k *keeper) stats(s *Stats) {
	k.mu.Lock()
	defer k.mu.Unlock()
	s.Notes = append(slices.Clip(s.Notes), k.notes...)
	s.Sealed, s.Deleted = k.sealed, k.deleted
}
