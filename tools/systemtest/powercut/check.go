// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
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

// framesOf counts the raw frames of a boot and compares each with what was recorded.
func framesOf(dir, boot string, o Options) (int, error) {
	files, err := filepath.Glob(filepath.Join(dir, "boot-"+boot+"*.pcapng*"))
	if err != nil {
		return 0, err
	}
	slices.Sort(files)
	n := 0
	for _, file := range files {
		if n, err = framesIn(file, boot, n, o); err != nil {
			return n, fmt.Errorf("%s: %w", filepath.Base(file), err)
		}
	}
	return n, nil
}

// framesIn reads one file, whose first frame is number n, and returns the number of the next.
func framesIn(path, boot string, n int, o Options) (int, error) {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return n, err
	}
	r, err := capture.Open(path)
	if err != nil {
		return n, unreadable(path, err)
	}
	defer r.Close() //nolint:errcheck // read only
	for {
		var f bus.Frame
		err := r.Next(&f)
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		want := frame(boot, n, o)
		// The recorder chooses whether the file's times are of the wall clock or of the boot clock.
		onTime := f.UTC.Equal(want.UTC) || f.UTC.Equal(time.Unix(0, int64(want.Boot)))
		if f.Frame != want.Frame || f.Link != want.Link || f.Class != want.Class || !onTime {
			return n, fmt.Errorf("frame %d reads %v at %v on link %d, recorded was %v at %v on link %d: %w",
				n, f.Frame, f.UTC, f.Link, want.Frame, want.UTC, want.Link, ErrFalse)
		}
		n++
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
// learned, records a second boot, and both can be read afterwards. The first must be as it was found. It returns the
// learned counter.
func GoOn(dir string, found Counts, o Options) (learned int, err error) {
	o = o.withDefaults()
	learned, err = nextBoot(dir, o)
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

func nextBoot(dir string, o Options) (learned int, err error) {
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
	tap, err := st.Frames(links())
	if err != nil {
		return learned, err
	}
	for k := range more {
		f := frame(secondBoot, k, o)
		tap.Write(&f)
		st.Append(entry(secondBoot, k, o))
	}
	return learned, nil
}
