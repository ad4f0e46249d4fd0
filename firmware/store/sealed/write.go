// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"hash"
	"hash/crc64"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"airhold/firmware/store"
)

// disk is what sealing asks of the file system; a test lends one that fails.
type disk struct {
	create func(path string) (io.WriteCloser, error)
	step   func(name string) error // called before each step that changes a file
}

func realDisk() disk {
	return disk{
		create: func(path string) (io.WriteCloser, error) {
			f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640) //nolint:gosec // in the box's own folder
			if err != nil {
				return nil, err
			}
			return f, nil
		},
		step: func(string) error { return nil },
	}
}

// ErrTorn means that a recording is damaged: what is whole of it was sealed, and the recording was kept beside it.
var ErrTorn = errors.New("damaged recording kept")

const tempEnd = ".tmp"

// sealer seals one boot.
type sealer struct {
	disk   disk
	stem   string
	source string
	boot   *store.Boot
	about  *About
	make   *Maker
	sums   [2]*sum
	bytes  map[string]uint64 // checksum of each file's bytes as they were written
}

// Seal seals one closed boot, boot-<id>.db, and then removes the recording. It may be interrupted at any point and called
// again. A recording that is damaged is sealed as far as it is whole and kept under another name: the error then wraps
// ErrTorn. After any other error the recording stays as it was. The caller knows that nobody records to it.
func Seal(ctx context.Context, path string) error { return sealOn(ctx, path, realDisk()) }

func sealOn(ctx context.Context, path string, d disk) error {
	s := &sealer{disk: d, stem: stem(path), source: path, bytes: map[string]uint64{}}
	done, torn, err := s.finished(ctx)
	if err != nil {
		return s.explain(err)
	}
	if !done {
		if torn, err = s.write(ctx); err != nil {
			return s.explain(err)
		}
	}
	return s.explain(s.clear(torn))
}

// finished reports whether the boot had been sealed already, and only its recording was not removed yet. Files that
// differ from the recording are moved aside: the recording is what counts.
func (s *sealer) finished(ctx context.Context) (done, torn bool, err error) {
	for _, end := range []string{endReadings, endEvents} {
		if _, err := os.Stat(s.stem + end); errors.Is(err, fs.ErrNotExist) {
			return false, false, nil
		} else if err != nil {
			return false, false, err
		}
	}
	same, torn, err := s.same(ctx, s.stem)
	if err != nil || same {
		return same, torn, err
	}
	for _, end := range []string{endReadings, endEvents} {
		if err := aside(s.stem + end); err != nil {
			return false, false, err
		}
	}
	return false, false, nil
}

// same compares sealed files with the recording, row by row, and says whether the recording is torn.
func (s *sealer) same(ctx context.Context, stem string) (same, torn bool, err error) {
	b, err := store.OpenBoot(s.source)
	if err != nil {
		return false, false, err
	}
	defer b.Close() //nolint:errcheck // it was only read
	o, err := OpenBoot(stem + endEvents)
	if err != nil {
		return false, false, nil // files that cannot be opened are not the same
	}
	defer o.Close() //nolint:errcheck // it was only read
	want, got := newSum(), newSum()
	m := NewMaker(b.Table(), NewOffsets(b.Clock()))
	for _, side := range []struct {
		next func(*store.Row) error
		sum  *sum
	}{{b.NextRow, want}, {o.NextRow, got}} {
		if err := digest(ctx, side.next, m, side.sum); err != nil {
			return false, false, err
		}
	}
	return want.crc == got.crc && want.rows == got.rows && !o.broken, b.Torn(), nil
}

// digest takes the checksum of all entries.
func digest(ctx context.Context, next func(*store.Row) error, m *Maker, s *sum) error {
	var r store.Row
	var event Event
	for {
		if s.rows%4096 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		err := next(&r)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if r.Entry.Kind == store.IsReading {
			s.reading(&r)
			continue
		}
		if err := m.Event(&event, &r); err != nil {
			return err
		}
		s.event(&event)
	}
}

// write makes both files and gives them their names. It reports whether the recording is torn.
func (s *sealer) write(ctx context.Context) (torn bool, err error) {
	if s.boot, err = store.OpenBoot(s.source); err != nil {
		return false, err
	}
	s.about = aboutPlain(s.boot)
	if id, twice := repeated(s.about); twice {
		return false, errors.Join(fmt.Errorf("two channels are called %q: sealed, they could not be told apart", id), s.boot.Close())
	}
	s.make = NewMaker(s.about.Table, s.about.Offsets)
	s.sums = [2]*sum{newSum(), newSum()}
	err = s.pour(ctx)
	torn = s.boot.Torn()
	if err = errors.Join(err, s.boot.Close()); err == nil {
		err = s.check(ctx)
	}
	if err != nil {
		if !errors.Is(err, errCut) {
			s.drop()
		}
		return false, err
	}
	for _, end := range []string{endEvents, endReadings} {
		if err := s.disk.step("rename " + end); err != nil {
			return false, err
		}
		if err := os.Rename(s.stem+end+tempEnd, s.stem+end); err != nil {
			return false, err
		}
	}
	if err := s.disk.step("sync folder"); err != nil {
		return false, err
	}
	return torn, syncFolder(filepath.Dir(s.stem))
}

// errCut stands for a power cut in tests: nothing is tidied up after it.
var errCut = errors.New("power cut")

func repeated(a *About) (string, bool) {
	for i := range a.Table.Len() {
		id := a.Table.Info(channelAt(i)).ID
		if a.Table.Find(id) != channelAt(i) {
			return id, true
		}
	}
	return "", false
}

// pour copies the recording into the two files under their temporary names.
func (s *sealer) pour(ctx context.Context) error {
	many, err := begin[Reading](s, endReadings)
	if err != nil {
		return err
	}
	few, err := begin[Event](s, endEvents)
	if err != nil {
		return errors.Join(err, many.out.Close())
	}
	if err := s.copy(ctx, many, few); err != nil {
		return errors.Join(err, many.out.Close(), few.out.Close())
	}
	s.about.Lost = s.boot.Lost()
	notes, err := s.about.Notes()
	if err != nil {
		return errors.Join(err, many.out.Close(), few.out.Close())
	}
	for key, value := range notes {
		many.to.Note(key, value)
	}
	err = s.about.startNotes(notes)
	for key, value := range notes {
		few.to.Note(key, value)
	}
	s.sums[0].note(many.to.Note)
	s.sums[1].note(few.to.Note)
	return errors.Join(err, many.finish(s), few.finish(s))
}

// output is one file that is being written.
type output[T any] struct {
	end  string
	out  io.WriteCloser
	crc  hash.Hash64
	buf  *bufio.Writer
	to   *Columns[T]
	rows []T
}

const chunk = 4096

func begin[T any](s *sealer, end string) (*output[T], error) {
	if err := s.disk.step("create " + end); err != nil {
		return nil, err
	}
	out, err := s.disk.create(s.stem + end + tempEnd)
	if err != nil {
		return nil, err
	}
	o := &output[T]{end: end, out: out, crc: crc64.New(crc64.MakeTable(crc64.ECMA)), rows: make([]T, 0, chunk)}
	o.buf = bufio.NewWriterSize(io.MultiWriter(o.crc, out), 1<<18)
	o.to = NewColumns[T](o.buf, nil)
	return o, nil
}

// next returns the place of one more row.
func (o *output[T]) next() (*T, error) {
	if len(o.rows) == cap(o.rows) {
		if err := o.flush(); err != nil {
			return nil, err
		}
	}
	o.rows = o.rows[:len(o.rows)+1]
	return &o.rows[len(o.rows)-1], nil
}

func (o *output[T]) flush() error {
	err := o.to.Write(o.rows)
	o.rows = o.rows[:0]
	return err
}

// finish writes what is left and puts it on the disk.
func (o *output[T]) finish(s *sealer) error {
	err := errors.Join(o.flush(), o.to.Close())
	if err == nil {
		err = o.buf.Flush()
	}
	if err == nil {
		err = s.disk.step("sync " + o.end)
	}
	if f, ok := o.out.(*os.File); ok && err == nil {
		if err = f.Sync(); err == nil {
			forget(f) // so that it is the disk that is read back
		}
	}
	s.bytes[o.end] = o.crc.Sum64()
	return errors.Join(err, o.out.Close())
}

func (s *sealer) copy(ctx context.Context, many *output[Reading], few *output[Event]) error {
	values := make([]float64, chunk)
	gaps := s.boot.Gaps()
	var r store.Row
	commands := int64(0)
	for n := 0; ; n++ {
		if n%chunk == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		err := s.boot.NextRow(&r)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		for len(gaps) > 0 && gaps[0].Seq <= r.Seq {
			if err := s.gap(few, gaps[0]); err != nil {
				return err
			}
			gaps = gaps[1:]
		}
		if r.Entry.Kind == store.IsReading {
			row, err := many.next()
			if err != nil {
				return err
			}
			s.make.Reading(row, &values[len(many.rows)-1], &r)
			s.sums[0].reading(&r)
			continue
		}
		row, err := few.next()
		if err != nil {
			return err
		}
		if err := s.make.Event(row, &r); err != nil {
			return err
		}
		if r.Entry.Kind == store.IsCommand {
			commands++
		}
		s.sums[1].event(row)
	}
	for _, g := range gaps {
		if err := s.gap(few, g); err != nil {
			return err
		}
	}
	s.about.Facts.Commands = commands // of a torn recording only those before the damage
	return nil
}

func (s *sealer) gap(few *output[Event], g store.Gap) error {
	row, err := few.next()
	if err != nil {
		return err
	}
	*row = s.make.gap(g)
	s.sums[1].event(row)
	return nil
}

// check reads the new files back and compares number and bits of what is in them with what was written.
func (s *sealer) check(ctx context.Context) error {
	if err := s.disk.step("check"); err != nil {
		return err
	}
	for _, end := range []string{endEvents, endReadings} {
		if err := s.checkBytes(end); err != nil {
			return err
		}
	}
	events, err := openTable(s.stem + endEvents + tempEnd)
	if err != nil {
		return err
	}
	got := newSum()
	err = s.readEvents(ctx, events, got)
	if err = errors.Join(err, events.close()); err != nil {
		return err
	}
	if err := compare(events.path, got, s.sums[1]); err != nil {
		return err
	}
	many, err := openTable(s.stem + endReadings + tempEnd)
	if err != nil {
		return err
	}
	got = newSum()
	err = s.readReadings(ctx, many, got)
	if err = errors.Join(err, many.close()); err != nil {
		return err
	}
	return compare(many.path, got, s.sums[0])
}

// checkBytes reads a file back byte by byte.
func (s *sealer) checkBytes(end string) error {
	path := s.stem + end + tempEnd
	f, err := os.Open(path) //nolint:gosec // in the box's own folder
	if err != nil {
		return err
	}
	crc := crc64.New(crc64.MakeTable(crc64.ECMA))
	_, err = io.Copy(crc, f)
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if got, want := crc.Sum64(), s.bytes[end]; got != want {
		return fmt.Errorf("%s does not read back as it was written: its bytes have checksum %x, want %x; look at the disk", path, got, want)
	}
	return nil
}

func compare(path string, got, want *sum) error {
	if got.rows != want.rows || got.crc != want.crc {
		return fmt.Errorf("%s does not read back as it was written: %d rows with checksum %x, want %d with %x; look at the disk", path, got.rows, got.crc, want.rows, want.crc)
	}
	return nil
}

func (s *sealer) readEvents(ctx context.Context, t *table, got *sum) error {
	c, err := newCursor[Event](t)
	if err != nil {
		return err
	}
	for {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		row, err := c.peek()
		if err != nil || row == nil {
			return err
		}
		c.take()
		got.event(row)
	}
}

// readReadings also makes the derived columns once more from the recorded ones, and compares.
func (s *sealer) readReadings(ctx context.Context, t *table, got *sum) error {
	c, err := newCursor[Reading](t)
	if err != nil {
		return err
	}
	words := qualities()
	var again Reading
	var value float64
	for {
		if got.rows%chunk == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		row, err := c.peek()
		if err != nil || row == nil {
			return err
		}
		c.take()
		r, ok := row.row(s.about.Table, words)
		if !ok {
			return fmt.Errorf("%s does not read back as it was written: row %d", t.path, row.Seq)
		}
		got.reading(&r)
		s.make.Reading(&again, &value, &r)
		if !again.same(row) {
			return fmt.Errorf("%s does not read back as it was written: row %d is %+v, want %+v", t.path, row.Seq, *row, again)
		}
	}
}

// clear removes the recording, or, where it is torn, keeps it under another name.
func (s *sealer) clear(torn bool) error {
	if torn {
		if err := s.disk.step("keep"); err != nil {
			return err
		}
		to, err := store.Aside(s.source)
		if err != nil {
			return err
		}
		return fmt.Errorf("%s is damaged: what is whole of it was sealed, and it is kept as %s (%w)", s.source, to, ErrTorn)
	}
	for _, more := range []string{"", "-wal", "-shm"} {
		if err := s.disk.step("remove " + more); err != nil {
			return err
		}
		if err := os.Remove(s.source + more); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return syncFolder(filepath.Dir(s.stem))
}

// drop removes what was begun.
func (s *sealer) drop() {
	for _, end := range []string{endReadings, endEvents} {
		_ = os.Remove(s.stem + end + tempEnd) // where it cannot go, the next try writes over it
	}
}

// explain says in words what happened and what became of the recording.
func (s *sealer) explain(err error) error {
	switch {
	case err == nil, errors.Is(err, ErrTorn), errors.Is(err, errCut), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, store.ErrDiskFull):
		return fmt.Errorf("%s was not sealed: no room left on its disk; free some space, the recording stays as it is and will be sealed at the next start (%w: %w)", s.source, store.ErrDiskFull, err)
	default:
		return fmt.Errorf("%s was not sealed and stays as it is: %w", s.source, err)
	}
}

// aside renames a file; nothing is deleted.
func aside(path string) error {
	for n := 1; ; n++ {
		to := fmt.Sprintf("%s.damaged-%d", path, n)
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		return os.Rename(path, to)
	}
}

func syncFolder(dir string) error {
	f, err := os.Open(dir) //nolint:gosec // the box's own folder
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
