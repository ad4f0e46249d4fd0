// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
)

// Endings of the files.
const (
	plainEnd  = ".pcapng"
	sealedEnd = ".pcapng.zst"
	indexEnd  = ".idx"
	workEnd   = ".tmp"
)

func fileName(boot string, seq int64, end string) string {
	return fmt.Sprintf("boot-%s-%04d%s", boot, seq, end)
}

// splitName takes a file's name apart; false when it is none of ours.
func splitName(name string) (boot string, seq int64, end string, ok bool) {
	stem, found := strings.CutPrefix(name, "boot-")
	if !found {
		return "", 0, "", false
	}
	for _, e := range []string{sealedEnd, plainEnd, indexEnd, sealedEnd + workEnd} {
		if s, found := strings.CutSuffix(stem, e); found {
			i := strings.LastIndexByte(s, '-')
			if i < 0 || len(s)-i-1 < 4 || !bootID(s[:i]) {
				return "", 0, "", false
			}
			n, err := strconv.ParseUint(s[i+1:], 10, 31)
			return s[:i], int64(n), e, err == nil
		}
	}
	return "", 0, "", false
}

// File is one file of recorded frames.
type File struct {
	Path   string // of the plain or sealed file; capture.Open reads both
	Boot   string
	Number int64 // of the boot; 0 where no index says it
	Seq    int64 // within the boot, from 1
	Sealed bool
	Size   int64 // as it lies on the disk

	Index *Index // what the index says; nil where there is none that can be read

	// Frames, and the boot times of the first and the last: what the index says of a file that was ended in order, else
	// what counting gave.
	Frames      int64
	First, Last time.Duration
	// Offset is what makes a time stamp of a boot time; 0 where the file does not say.
	Offset time.Duration
}

// Files lists the files of a boot in the order in which they were written; of all boots, by their numbers, where boot is
// empty. A file whose index does not say what it holds is read through.
func Files(dir, boot string) ([]File, error) {
	files, err := list(dir, boot)
	if err != nil {
		return nil, err
	}
	for i := range files {
		if err := files[i].measure(); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// list finds the files and reads what they are, but not what they hold. Where a plain and a sealed file stand side by side, the plain one counts.
func list(dir, boot string) ([]File, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("look for recorded frames: %w", err)
	}
	type key struct {
		boot string
		seq  int64
	}
	found := map[key]File{}
	for _, e := range entries {
		id, seq, end, ok := splitName(e.Name())
		if !ok || end != plainEnd && end != sealedEnd || boot != "" && id != boot || !e.Type().IsRegular() {
			continue
		}
		at := key{id, seq}
		if have, twice := found[at]; twice && !have.Sealed {
			continue
		}
		f := File{Path: filepath.Join(dir, e.Name()), Boot: id, Seq: seq, Sealed: end == sealedEnd}
		if info, err := e.Info(); err == nil {
			f.Size = info.Size()
		}
		found[at] = f
	}
	out := make([]File, 0, len(found))
	for _, f := range found {
		if b, err := readBegin(filepath.Join(dir, fileName(f.Boot, f.Seq, indexEnd))); err == nil {
			f.Number, f.Offset = b.Number, b.Offset
		}
		out = append(out, f)
	}
	numbers := map[string]int64{} // one file of a boot may have lost its index
	for _, f := range out {
		numbers[f.Boot] = max(numbers[f.Boot], f.Number)
	}
	for i := range out {
		out[i].Number = numbers[out[i].Boot]
	}
	slices.SortFunc(out, func(a, b File) int {
		return cmp.Or(cmp.Compare(a.Number, b.Number), cmp.Compare(a.Boot, b.Boot), cmp.Compare(a.Seq, b.Seq))
	})
	return out, nil
}

// measure fills in frames and time span.
func (f *File) measure() error {
	if x, err := ReadIndex(f.indexPath()); err == nil {
		f.Index = x
	}
	if x := f.Index; x != nil && x.Ended {
		f.Frames = x.End.Frames
		found := false
		for _, c := range x.Chunks {
			if c.Frames == 0 {
				continue
			}
			if !found || c.First < f.First {
				f.First = c.First
			}
			f.Last = max(f.Last, c.Last)
			found = true
		}
		return nil
	}
	r, err := capture.Open(f.Path)
	if errors.Is(err, os.ErrNotExist) && !f.Sealed { // sealed meanwhile
		f.Path, f.Sealed = filepath.Join(filepath.Dir(f.Path), fileName(f.Boot, f.Seq, sealedEnd)), true
		r, err = capture.Open(f.Path)
	}
	if err != nil {
		return fmt.Errorf("read recorded frames: %w", err)
	}
	buf := make([]bus.Frame, 256)
	for {
		n, err := r.Batch(buf)
		for i := range buf[:n] {
			b := &buf[i]
			if f.Frames == 0 || b.Boot < f.First {
				f.First = b.Boot
			}
			f.Last = max(f.Last, b.Boot)
			f.Frames++
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return errors.Join(fmt.Errorf("%s: %w", f.Path, err), r.Close())
		}
	}
	f.Offset = r.Section().BootOffset
	return r.Close()
}

func (f *File) indexPath() string {
	return filepath.Join(filepath.Dir(f.Path), fileName(f.Boot, f.Seq, indexEnd))
}

// lastNumber is the highest number of a boot's files, 0 where there is none: a number is never used again.
func lastNumber(dir, boot string) (int64, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, fmt.Errorf("look for recorded frames: %w", err)
	}
	last := int64(0)
	for _, e := range entries {
		if id, seq, _, ok := splitName(e.Name()); ok && id == boot {
			last = max(last, seq)
		}
	}
	return last, nil
}
