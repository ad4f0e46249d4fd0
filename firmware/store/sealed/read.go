// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
)

// The endings of a sealed boot's two files.
const (
	endReadings = ".readings.parquet"
	endEvents   = ".events.parquet"
)

// stem is the path of a boot's files without their endings.
func stem(path string) string {
	for _, end := range []string{endReadings, endEvents, ".db"} {
		if s, ok := strings.CutSuffix(path, end); ok {
			return s
		}
	}
	return path
}

// table is one Parquet file that is open for reading.
type table struct {
	path string
	file *os.File
	pq   *parquet.File
}

// openTable opens a file. The library takes what it reads for granted and may panic over a damaged file: that is an
// error like any other.
func openTable(path string) (t *table, err error) {
	f, err := os.Open(path) //nolint:gosec // the user names the file
	if err != nil {
		return nil, fmt.Errorf("sealed boot: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close())
		}
	}()
	defer rescue(path, &err)
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	pq, err := parquet.OpenFile(f, st.Size(), parquet.SkipBloomFilters(true), parquet.SkipPageIndex(true), parquet.ReadBufferSize(64<<10))
	if err != nil {
		return nil, fmt.Errorf("%s is %w: its index, which stands at the end, cannot be read (%w); take an untouched copy", path, store.ErrCorrupt, err)
	}
	if err := plausible(pq, f, st.Size()); err != nil {
		return nil, fmt.Errorf("%s is %w: %w", path, store.ErrCorrupt, err)
	}
	return &table{path, f, pq}, nil
}

// The most that a column of a row group, and one page of it, of ours unpack to, with plenty to spare: the library makes
// room for as much as a damaged file asks for.
const (
	mostUnpacked = 512 << 20
	mostPage     = 64 << 20
)

// plausible looks at the sizes that a file's index and the heads of its pages say, before anyone makes room for them.
func plausible(pq *parquet.File, src io.ReaderAt, size int64) error {
	m := pq.Metadata()
	for i := range m.RowGroups {
		g := &m.RowGroups[i]
		for k := range g.Columns {
			c := &g.Columns[k].MetaData
			if g.NumRows < 0 || c.NumValues < 0 || c.TotalCompressedSize < 0 || c.TotalCompressedSize > size || c.TotalUncompressedSize < 0 || c.TotalUncompressedSize > mostUnpacked {
				return fmt.Errorf("its index says that column %d of row group %d is of %d values in %d bytes, %d unpacked", k, i, c.NumValues, c.TotalCompressedSize, c.TotalUncompressedSize)
			}
			from := c.DataPageOffset
			if c.DictionaryPageOffset > 0 {
				from = min(from, c.DictionaryPageOffset)
			}
			if err := plausiblePages(io.NewSectionReader(src, from, c.TotalCompressedSize), g.NumRows); err != nil {
				return fmt.Errorf("column %d of row group %d: %w", k, i, err)
			}
		}
	}
	return nil
}

// plausiblePages walks from the head of one page to that of the next. A column has a value a row, or none.
func plausiblePages(src *io.SectionReader, rows int64) error {
	in := bufio.NewReaderSize(src, 4096)
	var protocol thrift.CompactProtocol
	for at := int64(0); at < src.Size(); {
		counted := &countedReader{in: in}
		var head format.PageHeader
		if err := thrift.NewDecoder(protocol.NewReader(counted)).Decode(&head); err != nil {
			return fmt.Errorf("the head of a page cannot be read: %w", err)
		}
		packed := int64(head.CompressedPageSize)
		v2 := &head.DataPageHeaderV2.V
		most := int64(max(head.DataPageHeader.V.NumValues, head.DictionaryPageHeader.V.NumValues, v2.NumValues, v2.NumNulls, v2.NumRows))
		if most > rows || most < 0 {
			return fmt.Errorf("a page says that it has %d values of %d rows", most, rows)
		}
		if packed < 0 || head.UncompressedPageSize < 0 || head.UncompressedPageSize > mostPage || at+counted.n+packed > src.Size() {
			return fmt.Errorf("a page says that it has %d bytes, %d unpacked", packed, head.UncompressedPageSize)
		}
		at += counted.n + packed
		if _, err := src.Seek(at, io.SeekStart); err != nil {
			return err
		}
		in.Reset(src)
	}
	return nil
}

// countedReader counts what is read.
type countedReader struct {
	in *bufio.Reader
	n  int64
}

func (c *countedReader) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	c.n += int64(n)
	return n, err
}

// ReadByte reads one byte.
func (c *countedReader) ReadByte() (byte, error) {
	b, err := c.in.ReadByte()
	if err == nil {
		c.n++
	}
	return b, err
}

// rescue turns a panic over a damaged file into an error.
func rescue(path string, err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("%s is %w: %v", path, store.ErrCorrupt, p)
	}
}

func (t *table) close() error { return t.file.Close() }

// cursor reads the rows of a table one after the other.
type cursor[T any] struct {
	path string
	r    *parquet.GenericReader[T]
	rows []T
	at   int
	end  bool
}

const cursorRows = 2048

func newCursor[T any](t *table) (c *cursor[T], err error) {
	defer rescue(t.path, &err) // the library panics over a schema that a damaged file has
	return &cursor[T]{path: t.path, r: parquet.NewGenericReader[T](t.pq), rows: make([]T, 0, cursorRows)}, nil
}

// peek returns the next row, nil at the end. The row holds until the next take.
func (c *cursor[T]) peek() (row *T, err error) {
	if c.at < len(c.rows) {
		return &c.rows[c.at], nil
	}
	if c.end {
		return nil, nil //nolint:nilnil // the end is no error
	}
	defer rescue(c.path, &err)
	c.at, c.rows = 0, c.rows[:cursorRows]
	clear(c.rows)
	n, err := c.r.Read(c.rows)
	c.rows = c.rows[:n]
	if errors.Is(err, io.EOF) {
		c.end, err = true, nil
	}
	if err != nil {
		c.rows, c.end = c.rows[:0], true
		return nil, fmt.Errorf("%s is %w: %w", c.path, store.ErrCorrupt, err)
	}
	if n == 0 {
		c.end = true
		return nil, nil //nolint:nilnil // the end is no error
	}
	return &c.rows[0], nil
}

func (c *cursor[T]) take() { c.at++ }

// skip goes to the first row whose number is not below seq; number tells a row's.
func (c *cursor[T]) skip(seq int64, number func(*T) int64) (err error) {
	defer rescue(c.path, &err)
	low, high := int64(0), c.r.NumRows()
	for low < high {
		middle := low + (high-low)/2
		if err := c.to(middle); err != nil {
			return err
		}
		row, err := c.peek()
		if err != nil {
			return err
		}
		if row != nil && number(row) < seq {
			low = middle + 1
		} else {
			high = middle
		}
	}
	return c.to(low)
}

func (c *cursor[T]) to(row int64) error {
	c.at, c.rows, c.end = 0, c.rows[:0], row >= c.r.NumRows()
	if c.end {
		return nil
	}
	if err := c.r.SeekToRow(row); err != nil {
		return fmt.Errorf("%s is %w: %w", c.path, store.ErrCorrupt, err)
	}
	return nil
}

// Boot reads a sealed boot back in the order in which it entered the spine. One goroutine owns it.
type Boot struct {
	about    *About
	readings *table
	events   *table
	few      *cursor[Event]
	many     *cursor[recorded]
	words    map[string]readings.Quality
	last     string // channel word that was looked up last
	channel  readings.Channel

	sums   [2]*sum // of readings and events, while nothing was skipped
	gaps   []store.Gap
	lost   []string
	broken bool
	done   bool
}

// OpenBoot opens a sealed boot by the path of either of its files.
func OpenBoot(path string) (*Boot, error) {
	if !strings.HasSuffix(path, endReadings) && !strings.HasSuffix(path, endEvents) {
		return nil, fmt.Errorf("%s is not one of a sealed boot's two files, which end in %s and %s; a boot that was exported as CSV can be replayed with --readings", path, endEvents, endReadings)
	}
	b := &Boot{words: qualities(), sums: [2]*sum{newSum(), newSum()}}
	var err error
	if b.events, err = openTable(stem(path) + endEvents); err != nil {
		return nil, err
	}
	if b.readings, err = openTable(stem(path) + endReadings); err != nil {
		return nil, errors.Join(err, b.events.close())
	}
	if err := b.begin(); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

func (b *Boot) begin() error {
	var err error
	if b.about, err = readAbout(b.events.pq.Lookup); err != nil {
		return fmt.Errorf("%s: %w", b.events.path, err)
	}
	if id, _ := b.readings.pq.Lookup(keyBoot); id != b.about.Snapshot.Boot {
		return fmt.Errorf("%s is of boot %s, %s of boot %q: they do not belong together (%w)", b.events.path, b.about.Snapshot.Boot, b.readings.path, id, store.ErrCorrupt)
	}
	if b.few, err = newCursor[Event](b.events); err != nil {
		return err
	}
	if b.many, err = newCursor[recorded](b.readings); err != nil {
		return err
	}
	b.lost = append(b.lost, b.about.Lost...)
	if b.about.Samples, err = b.survey(); err != nil {
		return err
	}
	b.about.Offsets = NewOffsets(b.about.Samples)
	return nil
}

// survey reads the events once for the clock, the gaps and the number of commands.
func (b *Boot) survey() ([]clock.Sample, error) {
	var samples []clock.Sample
	var commands int64
	c, err := newCursor[Event](b.events)
	if err != nil {
		return nil, err
	}
	for {
		row, err := c.peek()
		if err != nil || row == nil {
			if err == nil && commands != b.about.Facts.Commands {
				err = fmt.Errorf("%s: %d commands of people were recorded, %d are there: without them this is not the recorded boot; take an untouched copy (%w)",
					b.events.path, b.about.Facts.Commands, commands, store.ErrCommandsGone)
			}
			return samples, err
		}
		c.take()
		var r store.Row
		switch row.Kind {
		case kindCommand:
			commands++
		case kindClock:
			if err := row.entry(&r); err != nil {
				return nil, fmt.Errorf("%s is %w: %w", b.events.path, store.ErrCorrupt, err)
			}
			samples = append(samples, r.Entry.Clock)
		case kindGap:
			g, err := row.gap()
			if err != nil {
				return nil, fmt.Errorf("%s is %w: %w", b.events.path, store.ErrCorrupt, err)
			}
			b.gaps = append(b.gaps, g)
		}
	}
}

// About returns what the files say of the boot.
func (b *Boot) About() *About { return b.about }

// Next gives the next entry; io.EOF at the end, and at the place up to which damaged files are whole.
func (b *Boot) Next(e *store.Entry) error {
	var r store.Row
	err := b.NextRow(&r)
	if err == nil {
		*e = r.Entry
	}
	return err
}

// NextRow is Next with the entry's place.
func (b *Boot) NextRow(r *store.Row) error {
	if b.done {
		return io.EOF
	}
	for {
		event, err1 := b.few.peek()
		reading, err2 := b.many.peek()
		if err := errors.Join(err1, err2); err != nil {
			return b.end(err)
		}
		switch {
		case reading != nil && (event == nil || reading.Seq < event.Seq):
			b.many.take()
			if err := b.restore(reading, r); err != nil {
				return b.end(err)
			}
			b.add(func() { b.sums[0].reading(r) })
			return nil
		case event == nil:
			return b.end(nil)
		}
		b.few.take()
		b.add(func() { b.sums[1].event(event) })
		if event.Kind == kindGap {
			continue
		}
		if err := event.entry(r); err != nil {
			return b.end(fmt.Errorf("%s is %w: %w", b.events.path, store.ErrCorrupt, err))
		}
		return nil
	}
}

func (b *Boot) add(f func()) {
	if b.sums[0] != nil {
		f()
	}
}

func (b *Boot) restore(row *recorded, r *store.Row) error {
	q, ok1 := b.words[row.Quality]
	ok2 := true
	if row.Channel != b.last || row.Channel == "" {
		b.channel, ok2 = channelOf(row.Channel, b.about.Table)
		b.last = row.Channel
	}
	if !ok1 || !ok2 {
		return fmt.Errorf("%s is %w: reading %d is of channel %q and quality %q, which it does not know", b.readings.path, store.ErrCorrupt, row.Seq, row.Channel, row.Quality)
	}
	*r = store.Row{Seq: row.Seq, Calibration: row.Calibration}
	r.Entry.Kind = store.IsReading
	v := &r.Entry.Reading
	v.Channel, v.Quality, v.Value, v.Volts, v.Raw = b.channel, q, row.SI, row.Volts, row.Raw
	v.At = time.Duration(row.At)
	r.Entry.At = v.At
	return nil
}

// end notes damage, compares the checksums, and says that this is all.
func (b *Boot) end(err error) error {
	b.done = true
	if err != nil {
		b.broken = true
		b.lost = append(b.lost, err.Error()+"; what comes before was read")
		return io.EOF
	}
	if b.sums[0] == nil {
		return io.EOF
	}
	for i, t := range []*table{b.readings, b.events} {
		rows, crc, err := expected(t.pq.Lookup)
		switch {
		case err != nil:
			b.broken = true
			b.lost = append(b.lost, fmt.Sprintf("%s: %v", t.path, err))
		case rows != b.sums[i].rows || crc != b.sums[i].crc:
			b.broken = true
			b.lost = append(b.lost, fmt.Sprintf("%s was changed after it was sealed: %d rows with checksum %x, sealed were %d with %x", t.path, b.sums[i].rows, b.sums[i].crc, rows, crc))
		}
	}
	return io.EOF
}

// SkipTo goes on with the entry of that number, whatever was given before. The checksums are not compared then.
func (b *Boot) SkipTo(seq int64) error {
	b.sums = [2]*sum{}
	b.done = false
	return errors.Join(b.many.skip(seq, func(r *recorded) int64 { return r.Seq }), b.few.skip(seq, func(e *Event) int64 { return e.Seq }))
}

// Lost says in words what of the boot is missing; complete once Next has returned io.EOF, empty when nothing is.
func (b *Boot) Lost() []string { return b.lost }

// Close closes the files.
func (b *Boot) Close() error { return errors.Join(b.readings.close(), b.events.close()) }
