// SPDX-License-Identifier: Apache-2.0

package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
)

// ErrCommandsGone means that a log's commands were removed: a replay would be of a day that never was.
var ErrCommandsGone = errors.New("command log deleted")

// Row is an entry with its place in the log.
type Row struct {
	Seq         int64
	Entry       Entry
	Calibration int64 // id of the calibration that a reading was made with; 0: none is known
}

// Gap is a place where readings were thinned out because the disk was too slow.
type Gap struct {
	Seq   int64 // of the entry that follows
	Lost  int64
	Since time.Duration // boot time of the first one that is missing
}

// Calibration is one row of how a channel's numbers were made. What was not written down is empty.
type Calibration struct {
	ID           int64    `json:"id"`
	Channel      *int64   `json:"channel,omitempty"`
	Coefficients string   `json:"coefficients,omitempty"`
	Who          string   `json:"who,omitempty"`
	At           string   `json:"at,omitempty"`
	Instrument   string   `json:"instrument,omitempty"`
	Uncertainty  *float64 `json:"uncertainty,omitempty"`
	ValidFrom    string   `json:"valid_from,omitempty"`
}

// Facts are what a log says of itself.
type Facts struct {
	Started  string // RFC 3339; empty where the clock was not set
	Clock    string // quality of the clock then, in words
	Entries  int64  // how many were written
	Commands int64
	Closed   bool // the box stopped in order
}

// Boot reads one recorded boot back in the order in which it entered the spine. One goroutine owns it.
type Boot struct {
	path  string
	f     *file
	temp  string // folder of a copy; removed by Close
	wal   bool   // a -wal file stands beside it
	table *readings.Table
	snap  Snapshot

	facts  Facts
	gaps   []Gap
	tables []Calibration

	all    []Row // everything but readings
	few    []Row // what of it Next has not given yet
	rows   *sql.Rows
	ahead  Row // the next reading
	more   bool
	last   int64 // number of the last entry given
	broken bool  // the file is torn, not only short of what was never recorded
	odd    bool  // it holds what no box writes
	lost   []string
}

// OpenBoot opens a recorded boot for reading; the file is never changed. A log whose commands are gone is refused with
// an error wrapping ErrCommandsGone. A torn file is opened as far as it is whole; Lost says, once Next has returned
// io.EOF, what is missing.
func OpenBoot(path string) (*Boot, error) {
	head, size, err := look(path)
	switch {
	case errors.Is(err, io.EOF):
		return nil, fmt.Errorf("%s is empty: nothing was written before the box lost power (%w)", path, ErrCorrupt)
	case err != nil:
		return nil, fmt.Errorf("recorded boot: %w", err)
	}
	ctx := context.Background()
	b := &Boot{path: path}
	_, err = os.Stat(path + "-wal")
	b.wal = err == nil
	if want, _ := headerSize(head); want > size {
		err = fmt.Errorf("%s is %w: it ends after %d of %d bytes", path, ErrCorrupt, size, want)
	} else {
		err = b.open(ctx, path)
	}
	if err != nil && (errors.Is(err, ErrCorrupt) || errors.Is(err, ErrReadOnly)) {
		// A copy can be given what a cut or a read-only disk withholds: a full length, and a place for SQLite's files.
		if cerr := b.copyAside(); cerr != nil {
			return nil, errors.Join(err, cerr)
		}
		if again := b.open(ctx, filepath.Join(b.temp, "boot.db")); again != nil {
			return nil, errors.Join(fmt.Errorf("%s cannot be read: %w", path, again), b.Close())
		}
		err = nil
	}
	if err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// copyAside copies the file, filled up to the length it says it has, and its -wal file into a folder of their own.
func (b *Boot) copyAside() error {
	var err error
	if b.temp, err = os.MkdirTemp("", "airhold-boot-"); err != nil {
		return err
	}
	to := filepath.Join(b.temp, "boot.db")
	if err := copyFile(b.path, to); err != nil {
		return err
	}
	if b.wal {
		if err := copyFile(b.path+"-wal", to+"-wal"); err != nil {
			return err
		}
	}
	return b.fillUp(to)
}

// fillUp gives a copy the length it says it has, with pages that SQLite knows to be none.
func (b *Boot) fillUp(path string) error {
	head, size, err := look(path)
	if err != nil {
		return err
	}
	want, page := headerSize(head)
	if want <= size || want > mostBytes {
		return nil
	}
	b.broken = true
	b.note(fmt.Sprintf("the file ends after %d of %d bytes", size, want))
	// A page of which a part is missing must not be read as if that part were zero.
	if err := os.Truncate(path, size/page*page); err != nil {
		return err
	}
	return os.Truncate(path, want)
}

func copyFile(from, to string) error {
	in, err := os.Open(from) //nolint:gosec // the user names the file
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()                                     // only read
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) //nolint:gosec // in a folder of our own
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// mostBytes is the largest recorded boot that is copied: a week of 500 readings a second is about half of it.
const mostBytes = 1 << 34

// headerSize returns how long an SQLite file says it is, and its page size: page size at byte 16, pages at byte 28,
// big-endian (SQLite "Database File Format", section 1.3); 0 for what is no such file.
func headerSize(data []byte) (size, page int64) {
	if len(data) < 100 || string(data[:15]) != "SQLite format 3" {
		return 0, 0
	}
	page = int64(data[16])<<8 | int64(data[17])
	if page == 1 {
		page = 65536
	}
	if page < 512 {
		return 0, 0
	}
	return page * (int64(data[28])<<24 | int64(data[29])<<16 | int64(data[30])<<8 | int64(data[31])), page
}

// look returns the first 100 bytes of a file and its length.
func look(path string) (head []byte, size int64, err error) {
	f, err := os.Open(path) //nolint:gosec // the user names the file
	if err != nil {
		return nil, 0, err
	}
	defer func() { _ = f.Close() }() // only read
	head = make([]byte, 100)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err != nil {
		return nil, 0, err
	}
	return head[:n], st.Size(), nil
}

func (b *Boot) open(ctx context.Context, path string) error {
	b.all, b.gaps, b.tables, b.ahead = nil, nil, nil, Row{}
	more := "&mode=ro"
	if !b.wal {
		more = "&immutable=1" // nobody writes to it: no file of SQLite's own needs to stand beside it
	}
	f, err := connect(ctx, path, more)
	if err != nil {
		return err
	}
	if err := b.load(ctx, f); err != nil {
		return errors.Join(err, f.close())
	}
	b.f = f
	return nil
}

// load reads everything but the readings.
func (b *Boot) load(ctx context.Context, f *file) error {
	empty, err := f.check(ctx, bootKind())
	if err != nil {
		return err
	}
	if empty {
		return fmt.Errorf("%s holds no recording (%w)", b.path, ErrCorrupt)
	}
	for _, step := range []func(context.Context, *file) error{b.loadMeta, b.loadChannels, b.loadCommands, b.loadFew, b.loadCalibration} {
		if err := step(ctx, f); err != nil {
			return err
		}
	}
	slices.SortFunc(b.all, func(x, y Row) int { return cmp.Compare(x.Seq, y.Seq) })
	b.few = b.all
	return b.query(ctx, f, 0)
}

// query begins the readings at a number.
func (b *Boot) query(ctx context.Context, f *file, from int64) error {
	var err error
	b.rows, err = f.conn.QueryContext(ctx, "SELECT seq, at, channel, quality, value, volts, raw, calibration_id FROM readings WHERE seq >= ? ORDER BY seq", from)
	if err != nil {
		return explain(b.path, err)
	}
	b.advance()
	return nil
}

// SkipTo goes on with the entry of that number, whatever was given before.
func (b *Boot) SkipTo(seq int64) error {
	if err := b.rows.Close(); err != nil {
		return explain(b.path, err)
	}
	i, _ := slices.BinarySearchFunc(b.all, seq, func(r Row, seq int64) int { return cmp.Compare(r.Seq, seq) })
	b.few = b.all[i:]
	b.ahead, b.last = Row{}, seq-1
	return b.query(context.Background(), b.f, seq)
}

func (b *Boot) loadMeta(ctx context.Context, f *file) error {
	b.snap = Snapshot{}
	err := each(ctx, f, "SELECT key, value FROM meta", func(r *sql.Rows) error {
		var key string
		var value any
		if err := r.Scan(&key, &value); err != nil {
			return err
		}
		n, _ := value.(int64)
		text, _ := value.(string)
		switch key {
		case "boot":
			b.snap.Boot = text
		case "number":
			b.snap.Number = n
		case "software":
			b.snap.Software = text
		case "simulated":
			b.snap.Simulated = n == 1
		case "started":
			b.facts.Started = text
		case "clk":
			b.facts.Clock = text
		case "entries":
			b.facts.Entries = n
		case "commands":
			b.facts.Commands = n
		case "closed":
			b.facts.Closed = n == 1
		}
		return nil
	})
	if err != nil {
		return err
	}
	return each(ctx, f, "SELECT name, value FROM snapshot", func(r *sql.Rows) error {
		var name string
		var value []byte
		if err := r.Scan(&name, &value); err != nil {
			return err
		}
		switch name {
		case "machine":
			b.snap.Machine = value
		case "alarms":
			return json.Unmarshal(value, &b.snap.Alarms)
		case "learned":
			return json.Unmarshal(value, &b.snap.Learned)
		}
		return nil
	})
}

func (b *Boot) loadChannels(ctx context.Context, f *file) error {
	var infos []readings.Info
	err := each(ctx, f, `SELECT id, quantity, reference, unit, dim, factor, "offset", low, high, source, plug, wired FROM channels ORDER BY channel`, func(r *sql.Rows) error {
		var in readings.Info
		if err := r.Scan(&in.ID, &in.Quantity, &in.Reference, &in.Unit.Code, &in.Unit.Dim, &in.Unit.Factor, &in.Unit.Offset, &in.Low, &in.High, &in.Source, &in.Plug, &in.Wired); err != nil {
			return err
		}
		infos = append(infos, in)
		return nil
	})
	b.table = readings.NewTable(infos)
	return err
}

// loadCommands reads the commands and compares their number with what the log says it wrote.
func (b *Boot) loadCommands(ctx context.Context, f *file) error {
	var tables int64
	if err := f.conn.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'commands'").Scan(&tables); err != nil {
		return explain(b.path, err)
	}
	there, last := int64(0), int64(0)
	if tables > 0 {
		err := each(ctx, f, "SELECT seq, at, command FROM commands", func(r *sql.Rows) error {
			n := Row{Entry: Entry{Kind: IsCommand, Command: new(alarms.Command)}}
			var text []byte
			if err := r.Scan(&n.Seq, &n.Entry.At, &text); err != nil {
				return err
			}
			if err := json.Unmarshal(text, n.Entry.Command); err != nil {
				return fmt.Errorf("command %d: %w", n.Seq, err)
			}
			there++
			return b.add(n, &last)
		})
		if err != nil {
			return b.torn(err)
		}
	}
	if there != b.facts.Commands || tables == 0 {
		return fmt.Errorf("%s: %d commands of people were recorded, %d are there: without them this is not the recorded boot; take an untouched copy (%w)", b.path, b.facts.Commands, there, ErrCommandsGone)
	}
	return nil
}

func (b *Boot) loadFew(ctx context.Context, f *file) error {
	for _, t := range []struct {
		q    string
		scan func(r *sql.Rows, n *Row) error
	}{
		{"SELECT seq, at FROM ticks", func(r *sql.Rows, n *Row) error {
			n.Entry.Kind = IsTick
			return r.Scan(&n.Seq, &n.Entry.At)
		}},
		{"SELECT seq, at, boot, utc_s, utc_ns, quality FROM clock", func(r *sql.Rows, n *Row) error {
			n.Entry.Kind = IsClock
			var s, ns sql.NullInt64
			var q uint8
			if err := r.Scan(&n.Seq, &n.Entry.At, &n.Entry.Clock.Boot, &s, &ns, &q); err != nil {
				return err
			}
			n.Entry.Clock.Quality = clock.Quality(q)
			if s.Valid {
				n.Entry.Clock.UTC = time.Unix(s.Int64, ns.Int64).UTC()
			}
			return nil
		}},
		{"SELECT seq, at, heard, source, spn, fmi, count, gone FROM faults", func(r *sql.Rows, n *Row) error {
			n.Entry.Kind = IsFault
			v := &n.Entry.Fault
			return r.Scan(&n.Seq, &n.Entry.At, &v.At, &v.Source, &v.SPN, &v.FMI, &v.Count, &v.Gone)
		}},
	} {
		last := int64(0)
		err := each(ctx, f, t.q, func(r *sql.Rows) error {
			var n Row
			if err := t.scan(r, &n); err != nil {
				return err
			}
			return b.add(n, &last)
		})
		if err := b.torn(err); err != nil {
			return err
		}
	}
	return b.torn(each(ctx, f, "SELECT seq, lost, since FROM gaps ORDER BY seq", func(r *sql.Rows) error {
		var g Gap
		if err := r.Scan(&g.Seq, &g.Lost, &g.Since); err != nil {
			return err
		}
		b.gaps = append(b.gaps, g)
		return nil
	}))
}

func (b *Boot) loadCalibration(ctx context.Context, f *file) error {
	return b.torn(each(ctx, f, "SELECT id, channel, coefficients, who, at, instrument, uncertainty, valid_from FROM calibration ORDER BY id", func(r *sql.Rows) error {
		var c Calibration
		var text [5]sql.NullString
		if err := r.Scan(&c.ID, &c.Channel, &text[0], &text[1], &text[2], &text[3], &c.Uncertainty, &text[4]); err != nil {
			return err
		}
		c.Coefficients, c.Who, c.At, c.Instrument, c.ValidFrom = text[0].String, text[1].String, text[2].String, text[3].String, text[4].String
		b.tables = append(b.tables, c)
		return nil
	}))
}

// add keeps an entry. Numbers of one table rise; where they do not, its pages lead in a circle.
func (b *Boot) add(n Row, last *int64) error {
	if n.Seq <= *last {
		return ErrCorrupt
	}
	*last = n.Seq
	b.all = append(b.all, n)
	return nil
}

// torn notes damage and goes on; any other error it hands back. In the first look at the file itself damage is handed
// back too, so that the copy is tried.
func (b *Boot) torn(err error) error {
	if err == nil || b.temp == "" || (!b.broken && !errors.Is(err, ErrCorrupt)) {
		return err
	}
	b.broken = true
	b.note("part of the log is damaged")
	return nil
}

func (b *Boot) note(s string) {
	if !slices.Contains(b.lost, s) {
		b.lost = append(b.lost, s)
	}
}

// Table returns the boot's channels.
func (b *Boot) Table() *readings.Table { return b.table }

// Snapshot returns what the box knew when the boot began.
func (b *Boot) Snapshot() Snapshot { return b.snap }

// Facts returns what the log says of itself.
func (b *Boot) Facts() Facts { return b.facts }

// Gaps returns where readings were thinned out.
func (b *Boot) Gaps() []Gap { return b.gaps }

// Calibrations returns how the channels' numbers were made, as far as it was written down.
func (b *Boot) Calibrations() []Calibration { return b.tables }

// Clock returns the boot's clock samples.
func (b *Boot) Clock() []clock.Sample {
	var out []clock.Sample
	for i := range b.all {
		if e := &b.all[i].Entry; e.Kind == IsClock {
			out = append(out, e.Clock)
		}
	}
	return out
}

// Torn reports whether the file was found damaged so far, which is more than that its last second is missing.
func (b *Boot) Torn() bool { return b.broken || b.odd }

const damagedReadings = "the end of the readings is damaged"

// advance reads one reading ahead.
func (b *Boot) advance() {
	b.more = b.rows.Next()
	if !b.more {
		if err := b.rows.Err(); err != nil {
			b.broken = true
			b.note(damagedReadings)
		}
		return
	}
	r := &b.ahead.Entry.Reading
	var value, volts any
	var made sql.NullInt64
	before := b.ahead.Seq
	if err := b.rows.Scan(&b.ahead.Seq, &r.At, &r.Channel, &r.Quality, &value, &volts, &r.Raw, &made); err != nil || b.ahead.Seq <= before {
		b.more, b.broken = false, true
		b.note(damagedReadings)
		return
	}
	var ok1, ok2 bool
	r.Value, ok1 = value.(float64)
	r.Volts, ok2 = volts.(float64)
	if !ok1 || !ok2 || math.IsNaN(r.Value) {
		r.Quality = readings.NotAvailable
		b.odd = true
		b.note("a reading holds no number; it is given as not available")
	}
	b.ahead.Entry.Kind, b.ahead.Entry.At, b.ahead.Calibration = IsReading, r.At, made.Int64
}

// Next gives the next entry; io.EOF at the end, and at the place up to which a torn log is whole.
func (b *Boot) Next(e *Entry) error {
	var n Row
	err := b.NextRow(&n)
	if err == nil {
		*e = n.Entry
	}
	return err
}

// NextRow is Next with the entry's place.
func (b *Boot) NextRow(n *Row) error {
	switch {
	case b.more && (len(b.few) == 0 || b.ahead.Seq < b.few[0].Seq):
		*n = b.ahead
		b.advance()
	case len(b.few) > 0:
		*n, b.few = b.few[0], b.few[1:]
	default:
		return b.end()
	}
	if n.Seq != b.last+1 {
		if b.broken {
			return b.end() // beyond the first hole of a torn log nothing is in order any more
		}
		b.note(fmt.Sprintf("entries %d to %d are missing", b.last+1, n.Seq-1))
	}
	b.last = n.Seq
	return nil
}

// end puts together what is missing.
func (b *Boot) end() error {
	b.few, b.more = nil, false
	if b.last < b.facts.Entries {
		b.note(fmt.Sprintf("%d entries were recorded, the log ends at %d", b.facts.Entries, b.last))
	}
	var thinned int64
	for _, g := range b.gaps {
		thinned += g.Lost
	}
	if thinned > 0 {
		b.note(fmt.Sprintf("%d readings were not recorded because the disk was too slow", thinned))
	}
	switch {
	case b.facts.Closed:
	case b.wal:
		b.note("the log was not closed: the box still records, or it stopped without warning, and then up to its last second is missing")
	default:
		b.note("the box lost power while recording, and the -wal file that belongs to it is not beside it: the last entries may be in there")
	}
	return io.EOF
}

// Lost says in words what of the boot is missing; complete once Next has returned io.EOF, empty when nothing is.
func (b *Boot) Lost() []string { return b.lost }

// Close ends reading and removes what was copied.
func (b *Boot) Close() error {
	var err error
	if b.rows != nil {
		err = b.rows.Close()
	}
	if b.f != nil {
		err = errors.Join(err, b.f.close())
	}
	if b.temp != "" {
		err = errors.Join(err, os.RemoveAll(b.temp))
	}
	return err
}
