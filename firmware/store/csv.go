// SPDX-License-Identifier: Apache-2.0

package store

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"

	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// ErrCSV means that a table of recorded readings cannot be used at all.
var ErrCSV = errors.New("no table of recorded readings")

// CSVChannel is one channel to read from a recorded table.
type CSVChannel struct {
	ID       string
	Column   string     // of the table; empty: the one named as the channel
	Unit     units.Unit // in which the column is written
	Channel  readings.Channel
	Required bool // the table is refused when the column is missing
}

// CSVOptions says what to read.
type CSVOptions struct {
	Channels   []CSVChannel
	Headerless []string // what the columns of a table without a header row are, where it has exactly as many; nil: it is refused
}

// Problem is something in a recorded table that could not be read, and what was done about it.
type Problem struct {
	Line   int64
	Column string // empty: the whole row
	Text   string
}

// String gives place and matter in one line.
func (p Problem) String() string {
	if p.Column == "" {
		return fmt.Sprintf("line %d: %s", p.Line, p.Text)
	}
	return fmt.Sprintf("line %d, column %s: %s", p.Line, p.Column, p.Text)
}

const (
	lineMost     = 1 << 20
	problemsKept = 200
)

// CSV reads a table of recorded readings (contract 2), reading by reading, row by row. A cell is a reading or none:
// an empty or a bad one gives nothing, and a bad one is a Problem. Boot time zero is the first row. One goroutine
// owns it; after the header it allocates nothing but problems.
type CSV struct {
	path   string
	closer []func() error

	src   io.Reader
	plain bool // an error of src is the disk's, not the packing's
	buf   []byte
	r, w  int
	err   error // why src ended
	line  int64

	columns []string
	slot    []int32 // by column: index into channels; -1: not wanted
	chans   []CSVChannel
	notes   map[string]string

	odd     *form  // how it is written; nil: as the contract says
	pending []byte // a first row that was read in search of a header
	ended   bool   // that row has a line end

	timed   bool // the first row is known
	wall    bool // times are RFC 3339
	ofDay   bool // times are hours:minutes:seconds
	days    int64
	scale   float64 // seconds for one in the time column
	first   int64
	last    int64
	row     []readings.Reading
	pos     int
	problem []Problem
	count   int64
}

// OpenCSV opens a table, plain or packed by gzip or zstd, and reads its header and its first row. What makes the table
// useless is an error wrapping ErrCSV, in words for a person.
func OpenCSV(path string, o CSVOptions) (*CSV, error) {
	f, err := os.Open(path) //nolint:gosec // the user names the file
	if err != nil {
		return nil, fmt.Errorf("recorded readings: %w", err)
	}
	c, err := newCSV(path, f, o)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	c.closer = append(c.closer, f.Close)
	return c, nil
}

func newCSV(path string, src io.Reader, o CSVOptions) (*CSV, error) {
	c := &CSV{path: path, notes: map[string]string{}, buf: make([]byte, 1<<16)}
	if err := c.unpack(src); err != nil {
		return nil, err
	}
	if err := c.header(o); err != nil {
		return nil, errors.Join(err, c.Close())
	}
	c.row = make([]readings.Reading, 0, len(c.chans))
	if err := c.fill(); err != nil && !errors.Is(err, io.EOF) {
		return nil, errors.Join(err, c.Close())
	}
	return c, nil
}

// unpack looks at the first bytes: 1f 8b is gzip (RFC 1952), 28 b5 2f fd is zstd (RFC 8878).
func (c *CSV) unpack(src io.Reader) error {
	b := bufio.NewReaderSize(src, 1<<16)
	head, err := b.Peek(4)
	if err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: %w", c.path, err)
	}
	switch {
	case bytes.HasPrefix(head, []byte{0x1f, 0x8b}):
		z, err := gzip.NewReader(b)
		if err != nil {
			return c.refuse("its packing (gzip) is broken at the start: %v", err)
		}
		c.src = z
		c.closer = append(c.closer, z.Close)
	case bytes.HasPrefix(head, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		z, err := zstd.NewReader(b, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(1<<27))
		if err != nil {
			return c.refuse("its packing (zstd) is broken at the start: %v", err)
		}
		c.src = z
		c.closer = append(c.closer, func() error { z.Close(); return nil })
	default:
		c.src, c.plain = b, true
	}
	return nil
}

func (c *CSV) refuse(format string, a ...any) error {
	return refusal(c.path + ": " + fmt.Sprintf(format, a...))
}

// refusal is an ErrCSV whose words are for a person alone.
type refusal string

func (r refusal) Error() string { return string(r) }

func (refusal) Is(target error) bool { return target == ErrCSV }

func (c *CSV) say(column, format string, a ...any) {
	c.count++
	if len(c.problem) < problemsKept {
		c.problem = append(c.problem, Problem{c.line, column, fmt.Sprintf(format, a...)})
	}
}

// next returns the next line without its end; ended is false for a last line that has none. At the end it returns
// io.EOF.
func (c *CSV) next() (text []byte, ended bool, err error) {
	for seen := 0; ; {
		if i := bytes.IndexByte(c.buf[c.r+seen:c.w], '\n'); i >= 0 {
			text = c.buf[c.r : c.r+seen+i]
			c.r += seen + i + 1
			c.line++
			return bytes.TrimSuffix(text, []byte{'\r'}), true, nil
		}
		if c.err != nil {
			return c.tail()
		}
		seen = c.w - c.r
		if c.w == len(c.buf) {
			if err := c.room(); err != nil {
				return nil, false, err
			}
		}
		n, err := c.src.Read(c.buf[c.w:])
		c.w += n
		c.err = err
	}
}

// room moves what is unread to the front, or makes the buffer larger.
func (c *CSV) room() error {
	if c.r == 0 {
		if len(c.buf) >= lineMost {
			return c.refuse("line %d is longer than %d bytes; a recorded table has one row a line", c.line+1, lineMost)
		}
		c.buf = append(c.buf, make([]byte, len(c.buf))...)
		return nil
	}
	c.w = copy(c.buf, c.buf[c.r:c.w])
	c.r = 0
	return nil
}

// tail gives the last line, or the reason there is none.
func (c *CSV) tail() ([]byte, bool, error) {
	text := c.buf[c.r:c.w]
	c.r = c.w
	switch {
	case errors.Is(c.err, io.EOF):
	case c.plain:
		return nil, false, fmt.Errorf("%s: after line %d: %w", c.path, c.line, c.err)
	default:
		c.line++
		c.say("", "the packed file ends or breaks here (%v); everything before it was read", c.err)
		c.err = io.EOF
		return nil, false, io.EOF
	}
	if len(text) == 0 {
		return nil, false, io.EOF
	}
	c.line++
	return bytes.TrimSuffix(text, []byte{'\r'}), false, nil
}

// header reads notes and column names.
func (c *CSV) header(o CSVOptions) error {
	for {
		text, ended, err := c.next()
		if errors.Is(err, io.EOF) {
			return c.refuse("it has no header row; the first row names the columns, the first of them \"time\"")
		}
		if err != nil {
			return err
		}
		if c.line == 1 {
			if err := c.encoding(text); err != nil {
				return err
			}
			text = bytes.TrimPrefix(text, []byte("\ufeff"))
		}
		trimmed := bytes.TrimSpace(text)
		if len(trimmed) == 0 {
			continue
		}
		if trimmed[0] == '#' {
			c.note(string(trimmed[1:]))
			continue
		}
		return c.begin(trimmed, ended, o)
	}
}

// encoding refuses what is no text in UTF-8.
func (c *CSV) encoding(text []byte) error {
	switch {
	case bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}):
		return c.refuse("it is written in UTF-16; save it as UTF-8")
	case bytes.IndexByte(text, 0) >= 0:
		return c.refuse("it is no text file; recorded readings are CSV, plain or packed as .gz or .zst")
	}
	return nil
}

// note keeps key=value pairs; a value runs to the next key.
func (c *CSV) note(text string) {
	key := ""
	for word := range strings.FieldsSeq(text) {
		if k, v, ok := strings.Cut(word, "="); ok && k != "" {
			key = k
			c.notes[key] = strings.TrimRight(v, ",;")
		} else if key != "" {
			c.notes[key] = strings.TrimSpace(c.notes[key] + " " + strings.TrimRight(word, ",;"))
		}
	}
}

// begin takes the first row: the header, or, where a caller knows what the columns are, the first row of readings.
func (c *CSV) begin(text []byte, ended bool, o CSVOptions) error {
	if bytes.IndexByte(text, '\r') >= 0 {
		return c.refuse("line %d: its lines end in a carriage return alone; save it with the line ends of Windows or Unix", c.line)
	}
	sep := separator(text, true)
	cells := split(nil, text, sep)
	if looksLikeTime(cells[0]) {
		sep = separator(text, false)
		cells = split(nil, text, sep)
		if o.Headerless == nil || len(cells) != len(o.Headerless) {
			hint := ""
			if o.Headerless != nil {
				hint = fmt.Sprintf("; without one only %d columns can be read, %s, and it has %d", len(o.Headerless), strings.Join(o.Headerless, " and "), len(cells))
			}
			return c.refuse("line %d: there is no header row; the first row names the columns, the first of them \"time\"%s", c.line, hint)
		}
		c.pending, c.ended = bytes.Clone(text), ended
		c.columns = slices.Clone(o.Headerless)
		c.say("", "there is no header row; its columns were read as %s", strings.Join(c.columns, " and "))
	} else {
		for _, cell := range cells {
			c.columns = append(c.columns, strings.TrimSpace(string(cell)))
		}
	}
	if err := c.name(o); err != nil {
		return err
	}
	return c.look(sep)
}

// looksLikeTime reports whether a cell is a value, not a name: it begins as a number does.
func looksLikeTime(cell []byte) bool {
	cell = bytes.TrimLeft(cell, "+-.,")
	return len(cell) > 0 && cell[0] >= '0' && cell[0] <= '9'
}

// name finds the channels' columns.
func (c *CSV) name(o CSVOptions) error {
	scale, ok := timeScale(c.columns[0])
	if !ok {
		return c.refuse("line %d: the first column is %q; it has to be \"time\" (RFC 3339, or seconds)", c.line, c.columns[0])
	}
	c.scale = scale
	c.slot = make([]int32, len(c.columns))
	for i := range c.slot {
		c.slot[i] = -1
	}
	var missing []string
	for _, ch := range o.Channels {
		if ch.Column == "" {
			ch.Column = ch.ID
		}
		at := slices.Index(c.columns[1:], ch.Column) + 1
		if at == 0 {
			var err error
			if at, err = c.headed(&ch); err != nil {
				return err
			}
		}
		switch {
		case at == 0:
			if ch.Required {
				return c.refuse("line %d: channel %s wants column %q, which is not there; %s", c.line, ch.ID, ch.Column, c.offer(ch.Column))
			}
			missing = append(missing, ch.Column)
			continue
		case slices.Contains(c.columns[at+1:], ch.Column):
			return c.refuse("line %d: column %q stands there twice; rename one of them", c.line, ch.Column)
		case c.slot[at] >= 0:
			return c.refuse("channels %s and %s both want column %q", c.chans[c.slot[at]].ID, ch.ID, ch.Column)
		case ch.Unit.IsZero():
			return c.refuse("channel %s has no unit for column %q", ch.ID, ch.Column)
		}
		c.slot[at] = int32(len(c.chans)) //nolint:gosec // a machine file has tens of channels
		c.chans = append(c.chans, ch)
	}
	if len(c.chans) == 0 {
		if len(missing) == 0 {
			return c.refuse("no channel was asked for")
		}
		return c.refuse("line %d: none of its columns is a channel; wanted %s; %s", c.line, strings.Join(missing, ", "), c.offer(missing[0]))
	}
	return nil
}

// offer lists the columns and names the nearest.
func (c *CSV) offer(want string) string {
	there := c.columns[1:]
	if len(there) == 0 {
		return "it has no column but time"
	}
	s := "columns are " + strings.Join(there, ", ")
	if best := Nearest(want, there); best != "" {
		s += fmt.Sprintf("; did you mean %q?", best)
	}
	return s
}

// Nearest returns the name that was probably meant: the one that differs from want in the fewest letters, whatever their case;
// empty where none is like it.
func Nearest(want string, there []string) string {
	best, least := "", max(2, len(want)/3)+1
	for _, name := range there {
		if d := distance(strings.ToLower(want), strings.ToLower(name)); d < least {
			best, least = name, d
		}
	}
	return best
}

// distance is how many letters have to be changed, put in or taken out (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := corner
			if a[i] != b[j] {
				cost++
			}
			corner = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// Next gives the next reading; io.EOF at the end. A disk that cannot be read is an error; a file that ends early is a
// Problem.
func (c *CSV) Next(e *Entry) error {
	for c.pos >= len(c.row) {
		if err := c.fill(); err != nil {
			return err
		}
	}
	r := &c.row[c.pos]
	e.Kind, e.At, e.Reading = IsReading, r.At, *r // the rest of an entry is large, and means nothing here
	c.pos++
	return nil
}

// fill reads rows until one holds a time.
func (c *CSV) fill() error {
	c.row, c.pos = c.row[:0], 0
	if text := c.pending; text != nil {
		c.pending = nil
		if c.takeAny(text, c.ended) {
			return nil
		}
	}
	for {
		text, ended, err := c.next()
		if err != nil {
			return err
		}
		if len(text) == 0 || text[0] == '#' {
			continue
		}
		if c.takeAny(text, ended) {
			return nil
		}
	}
}

func (c *CSV) takeAny(text []byte, ended bool) bool {
	if c.odd != nil {
		return c.takeOdd(text, ended)
	}
	return c.take(text, ended)
}

// take reads one row, and reports whether it was used.
func (c *CSV) take(text []byte, ended bool) bool {
	if !c.whole(bytes.Count(text, []byte{','})+1, ended, text[len(text)-1] == ',') {
		return false
	}
	cell, rest := cut(text)
	at, ok := c.when(cell)
	if !ok {
		return false
	}
	for i := 1; i < len(c.slot) && rest != nil; i++ {
		cell, rest = cut(rest)
		slot := c.slot[i]
		if slot < 0 || len(cell) == 0 {
			continue
		}
		v, ok := parseFloat(cell)
		if !ok {
			c.bad(i, cell)
			continue
		}
		if !c.keep(i, at, v) {
			c.bad(i, cell)
		}
	}
	return true
}

// whole looks at the number of a row's cells and at its end, and reports whether the row can be used.
func (c *CSV) whole(cells int, ended, emptyEnd bool) bool {
	if cells != len(c.columns) {
		if cells < len(c.columns) && !ended {
			c.say("", "the last row is torn: it has %d cells of %d and no end; it was left out", cells, len(c.columns))
			return false
		}
		c.say("", "the row has %d cells, the header %d; cells without a column are left out, missing ones are no reading", cells, len(c.columns))
	} else if !ended && c.slot[len(c.slot)-1] >= 0 && !emptyEnd {
		c.say(c.columns[len(c.columns)-1], "the last row has no line end; if the recording was cut off there, its last cell may be short")
	}
	return true
}

// keep adds a reading to the row, and reports whether its value can be.
func (c *CSV) keep(column int, at time.Duration, v float64) bool {
	ch := &c.chans[c.slot[column]]
	si := ch.Unit.SI(v)
	if math.IsInf(si, 0) {
		return false
	}
	c.row = append(c.row, readings.Reading{At: at, Value: si, Channel: ch.Channel})
	return true
}

func (c *CSV) bad(column int, cell []byte) {
	c.say(c.columns[column], "%s is no number; taken as no reading", strconv.Quote(string(cell[:min(len(cell), 40)])))
}

// when reads a row's time as boot time.
func (c *CSV) when(cell []byte) (time.Duration, bool) {
	ns, wall, ok := parseTime(cell)
	ofDay := false
	if !ok {
		ns, ofDay = parseOfDay(cell)
		ok = ofDay
	} else if c.scale != 1 && !wall {
		ns = int64(math.Round(float64(ns) * c.scale))
	}
	switch {
	case !ok && bytes.Count(cell, []byte{':'}) == 1 && len(cell) < 10:
		c.say("time", "%s may be hours:minutes or minutes:seconds; write hh:mm:ss or seconds; the row was left out", strconv.Quote(string(cell)))
		return 0, false
	case !ok:
		c.say("time", "%s is no time; write RFC 3339 with its zone (2026-04-28T14:07:03Z) or seconds; the row was left out", strconv.Quote(string(cell[:min(len(cell), 40)])))
		return 0, false
	case !c.timed:
		c.timed, c.wall, c.ofDay, c.first, c.last = true, wall, ofDay, ns, ns
		if ofDay {
			c.say("time", "times are hours:minutes:seconds; they were read as time since the first row")
		}
	case wall != c.wall || ofDay != c.ofDay:
		c.say("time", "%q is written another way than the first row's time; the row was left out", cell)
		return 0, false
	}
	if ofDay {
		if ns += c.days; ns < c.last-23*3600*nano { // past midnight
			c.days += 24 * 3600 * nano
			ns += 24 * 3600 * nano
		}
	}
	if ns < c.last {
		c.say("time", "time runs backwards by %v; the row was left out; sort the rows, or part the file there", time.Duration(c.last-ns))
		return 0, false
	}
	c.last = ns
	return time.Duration(ns - c.first), true
}

// Notes returns the key=value pairs of the lines before the header.
func (c *CSV) Notes() map[string]string { return c.notes }

// Problems returns what could not be read so far: the first 200 of them. ProblemCount counts all.
func (c *CSV) Problems() []Problem { return c.problem }

// ProblemCount returns how many problems there were so far.
func (c *CSV) ProblemCount() int64 { return c.count }

// HasClock returns the wall time of the first row, and false where the table counts seconds.
func (c *CSV) HasClock() (time.Time, bool) {
	if !c.timed || !c.wall {
		return time.Time{}, false
	}
	return time.Unix(0, c.first).UTC(), true
}

// Close closes the file.
func (c *CSV) Close() error {
	var err error
	for _, f := range slices.Backward(c.closer) {
		err = errors.Join(err, f())
	}
	c.closer = nil
	return err
}
