// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"time"

	"airhold/firmware/clock"
	"airhold/sensors/units"
)

// MinuteSpan is how long a minute of the boot clock is.
const MinuteSpan = time.Minute

// Series says what one column of the minutes of a boot is: first the boot's channels, in the order of its table, then what
// the checks worked out.
type Series struct {
	ID        string          `json:"id"`
	Channel   bool            `json:"channel"`
	Unit      units.Unit      `json:"unit"`
	Reference units.Reference `json:"reference,omitempty"`
}

// Tally is what one series did in a minute, SI. Without a good reading Min, Max and Mean mean nothing.
type Tally struct {
	Count uint32 // good readings
	Bad   uint32 // readings of another quality
	Min   float64
	Max   float64
	Mean  float64
}

// Add takes one good value.
func (t *Tally) Add(v float64) {
	if t.Count == 0 {
		t.Min, t.Max, t.Mean = v, v, 0
	}
	t.Count++
	t.Min, t.Max = min(t.Min, v), max(t.Max, v)
	t.Mean += (v - t.Mean) / float64(t.Count)
}

// Minute is the summary of one minute of the boot clock.
type Minute struct {
	Number  int64          // whole minutes of the boot clock at its begin
	Tallies []Tally        // by series
	Clock   []clock.Sample // of the wall clock: a few, and both sides of each jump
}

const (
	minutesMark = 0x4149526d // "AIRm"
	minutesSQL  = `
CREATE TABLE boots (number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, series TEXT NOT NULL, whole INTEGER NOT NULL);
CREATE TABLE minutes (boot INTEGER NOT NULL, minute INTEGER NOT NULL, seq INTEGER NOT NULL, tallies BLOB NOT NULL, PRIMARY KEY (boot, minute)) WITHOUT ROWID;
CREATE TABLE clock (boot INTEGER NOT NULL, at INTEGER NOT NULL, utc_s INTEGER, utc_ns INTEGER, quality INTEGER NOT NULL, PRIMARY KEY (boot, at)) WITHOUT ROWID;
`
	// mostMinutes is how many minutes are kept: 400 days without a pause. Of more, whole boots go, the oldest first.
	mostMinutes = 400 * 24 * 60
	// waitingMinutes is how many may wait for a disk that fails; the raw log has what of them is dropped.
	waitingMinutes = 600
	// lookBack is how many minutes back the recorder knows where in the log they began.
	lookBack = 8
)

func minutesKind() kindOf { return kindOf{minutesMark, 1, minutesSQL, "file of minutes"} }

func minutesPath(dir string) string { return filepath.Join(dir, "minutes.db") }

// minuteRow is a minute that waits for the disk.
type minuteRow struct {
	minute, seq int64
	tallies     []byte
	clock       []clock.Sample
}

// begins remembers which entry of the log was the first of each of the last minutes.
type begins struct {
	minute [lookBack]int64
	seq    [lookBack]int64
	last   int64
}

// tick notes the entry of a tick where it begins a minute.
func (b *begins) tick(at time.Duration, seq int64) {
	m := int64(at / MinuteSpan)
	if m == b.last {
		return
	}
	b.last = m
	b.minute[m%lookBack], b.seq[m%lookBack] = m, seq
}

// of returns the entry with which a minute began; 0 where nobody knows.
func (b *begins) of(minute int64) int64 {
	if minute >= 0 && b.minute[minute%lookBack] == minute {
		return b.seq[minute%lookBack]
	}
	return 0
}

// StartMinutes begins to keep minutes of the present boot, in minutes.db beside the logs: it outlives a boot's sealing and
// the deletion of old recordings, and a season is one short read of it. It is called once, after StartBoot. A damaged file
// is moved aside; the minutes of earlier boots can then be made again from their logs.
func (s *Store) StartMinutes(series []Series) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	ctx := context.Background()
	f, err := openMinutes(ctx, s.dir)
	if err != nil {
		return err
	}
	text, err := json.Marshal(series)
	if err == nil {
		err = f.exec(ctx, "INSERT INTO boots VALUES (?, ?, ?, 0)", s.rec.number, s.rec.id, string(text))
	}
	if err == nil {
		err = f.trim(ctx)
	}
	if err != nil {
		return errors.Join(err, f.close())
	}
	s.minutesFile = f
	return nil
}

func openMinutes(ctx context.Context, dir string) (*file, error) {
	path := minutesPath(dir)
	f, err := openSound(ctx, path, minutesKind())
	if errors.Is(err, ErrCorrupt) {
		if _, merr := aside(path); merr != nil {
			return nil, errors.Join(err, merr)
		}
		f, err = openSound(ctx, path, minutesKind())
	}
	return f, err
}

// trim removes the oldest boots while there are too many minutes.
func (f *file) trim(ctx context.Context) error {
	for {
		var n, first int64
		if err := f.conn.QueryRowContext(ctx, "SELECT count(*), coalesce(min(boot), 0) FROM minutes").Scan(&n, &first); err != nil {
			return explain(f.path, err)
		}
		if n <= mostMinutes {
			return nil
		}
		for _, q := range []string{"DELETE FROM minutes WHERE boot <= ?", "DELETE FROM clock WHERE boot <= ?", "DELETE FROM boots WHERE number <= ?"} {
			if err := f.exec(ctx, q, first); err != nil {
				return err
			}
		}
	}
}

// KeepMinute queues a minute for the next commit, from the spine's goroutine. Nothing of m is kept.
func (s *Store) KeepMinute(m *Minute) {
	row := minuteRow{minute: m.Number, tallies: packTallies(nil, m.Tallies), clock: append([]clock.Sample(nil), m.Clock...)}
	s.mu.Lock()
	row.seq = s.begins.of(m.Number)
	if len(s.minutes) >= waitingMinutes {
		s.minutes = append(s.minutes[:0], s.minutes[1:]...)
	}
	s.minutes = append(s.minutes, row)
	s.mu.Unlock()
}

// commitMinutes writes the minutes that wait. A failure is said once and is no failure of the log: the log has it all.
func (s *Store) commitMinutes(ctx context.Context) {
	s.mu.Lock()
	batch := s.minutes
	s.minutes = nil
	s.mu.Unlock()
	if len(batch) == 0 || s.minutesFile == nil {
		return
	}
	err := s.minutesFile.keep(ctx, s.rec.number, batch, nil)
	if err != nil {
		s.mu.Lock()
		s.minutes = append(batch, s.minutes...)
		s.mu.Unlock()
	}
	if (err != nil) != s.minutesFailed {
		s.minutesFailed = err != nil
		if err != nil {
			s.log.WarnContext(ctx, "minutes for the trends are not written, kept in memory", slog.Any("error", err))
		}
	}
}

func (f *file) keep(ctx context.Context, boot int64, batch []minuteRow, samples []clock.Sample) error {
	return f.transact(ctx, func() error {
		for i := range batch {
			r := &batch[i]
			if err := f.exec(ctx, "INSERT OR REPLACE INTO minutes VALUES (?, ?, ?, ?)", boot, r.minute, r.seq, r.tallies); err != nil {
				return err
			}
			if err := f.keepClock(ctx, boot, r.clock); err != nil {
				return err
			}
		}
		return f.keepClock(ctx, boot, samples)
	})
}

func (f *file) keepClock(ctx context.Context, boot int64, samples []clock.Sample) error {
	for _, c := range samples {
		var sec, ns any
		if !c.UTC.IsZero() {
			sec, ns = c.UTC.Unix(), c.UTC.Nanosecond()
		}
		if err := f.exec(ctx, "INSERT OR REPLACE INTO clock VALUES (?, ?, ?, ?, ?)", boot, int64(c.Boot), sec, ns, int64(c.Quality)); err != nil {
			return err
		}
	}
	return nil
}

// endMinutes marks the boot's minutes as whole and closes their file.
func (s *Store) endMinutes(ctx context.Context) error {
	f := s.minutesFile
	if f == nil {
		return nil
	}
	s.minutesFile = nil
	var err error
	if !s.minutesFailed {
		err = f.exec(ctx, "UPDATE boots SET whole = 1 WHERE number = ?", s.rec.number)
	}
	return errors.Join(err, f.close())
}

// packTallies writes tallies one after the other: of each series that has any, how many series were passed over, good and
// bad readings twice the number plus whether all were one value, then that value, or least, greatest and mean.
func packTallies(b []byte, all []Tally) []byte {
	skipped := uint64(0)
	for i := range all {
		t := &all[i]
		if t.Count == 0 && t.Bad == 0 {
			skipped++
			continue
		}
		b = binary.AppendUvarint(b, skipped)
		skipped = 0
		same := uint64(0)
		if t.Min == t.Max {
			same = 1
		}
		b = binary.AppendUvarint(b, uint64(t.Count)<<1|same)
		b = binary.AppendUvarint(b, uint64(t.Bad))
		if t.Count == 0 {
			continue
		}
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(t.Min))
		if same == 0 {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(t.Max))
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(t.Mean))
		}
	}
	return b
}

var errTallies = errors.New("a kept minute cannot be read")

// unpackTallies is the way back; series beyond into are passed over.
func unpackTallies(b []byte, into []Tally) error {
	clear(into)
	number := func() (uint64, bool) {
		v, n := binary.Uvarint(b)
		if n <= 0 {
			return 0, false
		}
		b = b[n:]
		return v, true
	}
	value := func() (float64, bool) {
		if len(b) < 8 {
			return 0, false
		}
		v := math.Float64frombits(binary.LittleEndian.Uint64(b))
		b = b[8:]
		return v, true
	}
	for at := uint64(0); len(b) > 0; at++ {
		skipped, ok1 := number()
		count, ok2 := number()
		bad, ok3 := number()
		if !ok1 || !ok2 || !ok3 || skipped > math.MaxUint16 || count>>1 > math.MaxUint32 || bad > math.MaxUint32 {
			return errTallies
		}
		at += skipped
		t := Tally{Count: uint32(count >> 1), Bad: uint32(bad)}
		if t.Count > 0 {
			var ok bool
			if t.Min, ok = value(); !ok {
				return errTallies
			}
			t.Max, t.Mean = t.Min, t.Min
			if count&1 == 0 {
				if t.Max, ok = value(); !ok {
					return errTallies
				}
				if t.Mean, ok = value(); !ok {
					return errTallies
				}
			}
		}
		if at < uint64(len(into)) {
			into[at] = t
		}
	}
	return nil
}

// Minutes reads kept minutes, by a connection of its own: the recorder never waits for it. One goroutine owns it.
type Minutes struct{ f *file }

// OpenMinutes opens the minutes of a data folder for reading. Where none were kept the error wraps fs.ErrNotExist.
func OpenMinutes(ctx context.Context, dir string) (*Minutes, error) {
	path := minutesPath(dir)
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("no minutes are kept in %s: %w", dir, err)
	}
	f, err := connect(ctx, path, "&mode=ro")
	if err != nil {
		return nil, err
	}
	empty, err := f.check(ctx, minutesKind())
	if err == nil && empty {
		err = fmt.Errorf("no minutes are kept in %s yet (%w)", dir, fs.ErrNotExist)
	}
	if err != nil {
		return nil, errors.Join(err, f.close())
	}
	return &Minutes{f}, nil
}

// Close closes the connection.
func (m *Minutes) Close() error { return m.f.close() }

// BootMinutes says which minutes of a boot are kept.
type BootMinutes struct {
	Number int64
	ID     string
	Series []Series
	Whole  bool  // nothing is missing at the end
	First  int64 // minute of the boot clock; of a boot without minutes First is above Last
	Last   int64
	Clock  []clock.Sample
}

// Boots lists the boots of which minutes are kept, in the order in which they were.
func (m *Minutes) Boots(ctx context.Context) ([]BootMinutes, error) {
	var out []BootMinutes
	err := each(ctx, m.f, `SELECT number, id, series, whole, coalesce((SELECT min(minute) FROM minutes WHERE boot = number), 0),
		coalesce((SELECT max(minute) FROM minutes WHERE boot = number), -1) FROM boots ORDER BY number`, func(r *sql.Rows) error {
		var b BootMinutes
		var text []byte
		if err := r.Scan(&b.Number, &b.ID, &text, &b.Whole, &b.First, &b.Last); err != nil {
			return err
		}
		out = append(out, b)
		return json.Unmarshal(text, &out[len(out)-1].Series)
	})
	if err != nil {
		return nil, err
	}
	at := 0
	return out, each(ctx, m.f, "SELECT boot, at, utc_s, utc_ns, quality FROM clock ORDER BY boot, at", func(r *sql.Rows) error {
		var number int64
		c, err := scanClock(r, &number)
		if err != nil {
			return err
		}
		for at < len(out) && out[at].Number < number {
			at++
		}
		if at < len(out) && out[at].Number == number {
			out[at].Clock = append(out[at].Clock, c)
		}
		return nil
	})
}

func scanClock(r *sql.Rows, before ...any) (c clock.Sample, err error) {
	var s, ns sql.NullInt64
	var q uint8
	err = r.Scan(append(before, &c.Boot, &s, &ns, &q)...)
	c.Quality = clock.Quality(q)
	if s.Valid {
		c.UTC = time.Unix(s.Int64, ns.Int64).UTC()
	}
	return c, err
}

// Rows gives the minutes of a boot, both ends inside; the tallies are by series and hold until take returns.
func (m *Minutes) Rows(ctx context.Context, b *BootMinutes, from, to int64, take func(minute int64, all []Tally)) error {
	all := make([]Tally, len(b.Series))
	rows, err := m.f.conn.QueryContext(ctx, "SELECT minute, tallies FROM minutes WHERE boot = ? AND minute BETWEEN ? AND ? ORDER BY minute", b.Number, from, to)
	if err != nil {
		return explain(m.f.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	var packed sql.RawBytes
	for rows.Next() {
		var minute int64
		if err := rows.Scan(&minute, &packed); err != nil {
			return explain(m.f.path, err)
		}
		if err := unpackTallies(packed, all); err != nil {
			return fmt.Errorf("%s, minute %d of boot %s: %w (%w)", m.f.path, minute, b.ID, err, ErrCorrupt)
		}
		take(minute, all)
	}
	if err := rows.Err(); err != nil {
		return explain(m.f.path, err)
	}
	return nil
}

// SeqAt returns the entry of a boot's log from which on nothing of a minute, or of a later one, can stand; 1 where nobody
// knows.
func (m *Minutes) SeqAt(ctx context.Context, boot, minute int64) (int64, error) {
	var seq int64
	_, err := one(ctx, m.f, []any{&seq}, "SELECT seq FROM minutes WHERE boot = ? AND minute < ? AND seq > 0 ORDER BY minute DESC LIMIT 1", boot, minute)
	return max(1, seq), err
}

// AddMinutes keeps minutes and clock samples of a boot that is over, which its log gave, and marks the boot as whole.
// Series count only for a boot of which nothing is kept yet.
func AddMinutes(ctx context.Context, dir string, b *BootMinutes, more []Minute, samples []clock.Sample) error {
	f, err := openMinutes(ctx, dir)
	if err != nil {
		return err
	}
	text, err := json.Marshal(b.Series)
	if err == nil {
		err = f.exec(ctx, "INSERT OR IGNORE INTO boots VALUES (?, ?, ?, 0)", b.Number, b.ID, string(text))
	}
	batch := make([]minuteRow, len(more))
	for i := range more {
		batch[i] = minuteRow{minute: more[i].Number, tallies: packTallies(nil, more[i].Tallies)}
	}
	if err == nil {
		err = f.keep(ctx, b.Number, batch, samples)
	}
	if err == nil {
		err = f.exec(ctx, "UPDATE boots SET whole = 1 WHERE number = ?", b.Number)
	}
	return errors.Join(err, f.close())
}
