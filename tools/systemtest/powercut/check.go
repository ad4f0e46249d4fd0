// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"context"
	"encoding/binary"
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
	"airhold/firmware/store"
)

// Found says what is there of the boot that was cut. A file that no boot has begun yet counts as nothing; anything that
// was never recorded is an error wrapping ErrFalse.
func Found(dir string, o Options) (Counts, error) {
	o = o.withDefaults()
	var c Counts
	var errs [3]error
	c.Frames, errs[0] = framesOf(dir, firstBoot, o)
	c.Entries, c.Boots, errs[1] = entriesOf(dir, firstBoot, o)
	return c, errors.Join(errs[:]...)
}

// framesOf counts the raw frames of a boot up to the first that is missing, and compares each with what was recorded.
// Behind it there may be more, where a disk wrote in another order: in what was not safe yet, that is no fault.
func framesOf(dir, boot string, o Options) (int, error) {
	files, err := filepath.Glob(filepath.Join(dir, "boot-"+boot+"-*.pcapng"))
	if err != nil {
		return 0, err
	}
	sealed, err := filepath.Glob(filepath.Join(dir, "boot-"+boot+"-*.pcapng.zst"))
	if err != nil {
		return 0, err
	}
	for _, file := range sealed {
		if !slices.Contains(files, strings.TrimSuffix(file, ".zst")) {
			files = append(files, file)
		}
	}
	slices.Sort(files)
	var seen run
	for _, file := range files {
		if err := seen.read(file, boot, o); err != nil {
			return seen.whole, fmt.Errorf("%s: %w", filepath.Base(file), err)
		}
	}
	return seen.whole, nil
}

// run is how far the frames of a boot are read: they are there up to whole, and the next may not be before next.
type run struct{ whole, next int }

// read reads one file.
func (s *run) read(path, boot string, o Options) error {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return err
	}
	r, err := capture.Open(path)
	if err != nil {
		return unreadable(path, err)
	}
	defer r.Close() //nolint:errcheck // read only
	for {
		var f bus.Frame
		err := r.Next(&f)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		k := int(binary.LittleEndian.Uint32(f.Data[:4]))
		want := frame(boot, k, o)
		if f.Frame != want.Frame || f.Link != want.Link || f.Class != want.Class || !f.UTC.Equal(want.UTC) {
			return fmt.Errorf("behind frame %d stands %v at %v on link %d: %w", s.next-1, f.Frame, f.UTC, f.Link, ErrFalse)
		}
		if k < s.next {
			return fmt.Errorf("frame %d stands behind frame %d: %w", k, s.next-1, ErrFalse)
		}
		if k == s.whole {
			s.whole++
		}
		s.next = k + 1
	}
}

// unreadable lets pass a capture that power took away before its first block was whole.
func unreadable(path string, err error) error {
	b, rerr := os.ReadFile(path) //nolint:gosec // the test's own file
	if rerr != nil {
		return rerr
	}
	const section = 28 // bytes of the first block of a capture without options
	if len(b) < section || !slices.ContainsFunc(b[:section], func(c byte) bool { return c != 0 }) {
		return nil
	}
	return err
}

// entriesOf counts the entries of a boot's log and compares each with what was recorded.
func entriesOf(dir, boot string, o Options) (entries, boots int, err error) {
	path := filepath.Join(dir, "boot-"+boot+".db")
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return 0, 0, nil
	}
	b, err := store.OpenBoot(path)
	if err != nil {
		return 0, 0, nil // a boot that was never begun; what must be there is asked for elsewhere
	}
	defer b.Close() //nolint:errcheck // read only
	switch got := b.Snapshot().Boot; got {
	case boot:
	case "": // its head was not on the medium yet; an entry would be a false one
		if err := b.Next(&store.Entry{}); !errors.Is(err, io.EOF) {
			return 0, 0, fmt.Errorf("the log of boot %s has no head and yet entries: %w", boot, ErrFalse)
		}
		return 0, 0, nil
	default:
		return 0, 0, fmt.Errorf("the log of boot %s says it is of %q: %w", boot, got, ErrFalse)
	}
	for n := 0; ; n++ {
		var e store.Entry
		err := b.Next(&e)
		if errors.Is(err, io.EOF) {
			return n, 1, nil
		}
		if err != nil {
			return n, 1, err
		}
		if want := entry(boot, n, o); e != want {
			return n, 1, fmt.Errorf("entry %d of the log reads %+v, recorded was %+v: %w", n, e, want, ErrFalse)
		}
	}
}

// more is how many frames and entries the next boot records.
const more = 20

// GoOn boots the box once more on what is there: the store opens without having to move a file aside, says what it has
// learned, records a second boot, and both can be read afterwards. What is repaired and sealed then must leave the first
// as it was found. It returns the learned counter.
func GoOn(ctx context.Context, dir string, found Counts, o Options) (learned int, err error) {
	o = o.withDefaults()
	learned, err = nextBoot(ctx, dir, o)
	if err != nil {
		return learned, fmt.Errorf("%w: %w", ErrStuck, err)
	}
	again, err := Found(dir, o)
	again.Learned = found.Learned
	if err != nil || again != found {
		return learned, fmt.Errorf("%w: the first boot now reads %+v instead of %+v: %w", ErrStuck, again, found, errors.Join(err, ErrFalse))
	}
	frames, err := framesOf(dir, secondBoot, o)
	if err != nil || frames != more {
		return learned, fmt.Errorf("%w: the second boot has %d frames of %d: %w", ErrStuck, frames, more, errors.Join(err, ErrLost))
	}
	entries, _, err := entriesOf(dir, secondBoot, o)
	if err != nil || entries != more {
		return learned, fmt.Errorf("%w: the second boot has %d entries of %d: %w", ErrStuck, entries, more, errors.Join(err, ErrLost))
	}
	return learned, nil
}

func nextBoot(ctx context.Context, dir string, o Options) (learned int, err error) {
	if learned, err = nextLog(dir, o); err != nil {
		return learned, err
	}
	raw, err := startFrames(dir, secondBoot, o, func() time.Duration { return more * o.Frames })
	if err != nil {
		return learned, err
	}
	for k := range more {
		f := frame(secondBoot, k, o)
		raw.Frame(&f)
	}
	return learned, errors.Join(raw.Close(), raw.Seal(ctx))
}

func nextLog(dir string, o Options) (learned int, err error) {
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	if notes := st.Notes(); len(notes) > 0 {
		return 0, fmt.Errorf("opening had to put right: %q", notes)
	}
	values, err := st.Learned()
	if err != nil {
		return 0, err
	}
	if text, ok := values[counter]; ok {
		if learned, err = strconv.Atoi(string(text)); err != nil {
			return 0, fmt.Errorf("learned counter: %w", err)
		}
	}
	if err := st.StartBoot(store.Snapshot{Boot: secondBoot, Software: "powercut"}, table()); err != nil {
		return learned, err
	}
	for k := range more {
		st.Append(entry(secondBoot, k, o))
	}
	return learned, nil
}
