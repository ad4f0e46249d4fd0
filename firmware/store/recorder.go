// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/readings"
)

// Snapshot is what the box knew when a boot began: with it and the entries, a replay repeats the boot.
type Snapshot struct {
	Boot     string // id of the boot
	Number   int64  // counted up by the box, so that boots have an order without a clock
	Software string
	Machine  []byte // the machine file, byte for byte
	Alarms   alarms.Saved
	Learned  map[string][]byte
	// Simulated says that the machine is an invented one: what is made of the recording says so too.
	Simulated bool
	// Calibrations are how the numbers of the wired channels are made, at most one for each; their ids are given by the store.
	Calibrations []Calibration
}

// record is an entry that waits, with the gap before it.
type record struct {
	entry Entry
	seq   int64
	lost  int64
	since time.Duration
}

// recorder is the writer's side of the present boot.
type recorder struct {
	id       string
	number   int64
	software string
	machine  string // SHA-256 of the machine file
	commands int64
	entries  int64
	insert   map[Kind]*sql.Stmt

	calibration []any // id by channel; nil: none is known
}

// bootID reports whether an id can stand in a file name as it is.
func bootID(id string) bool {
	for _, c := range id {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return id != "" && len(id) <= 64
}

// StartBoot begins the log of this boot, boot-<id>.db, with its channels and its snapshot, on disk when it returns.
// Number is set by the store. It is called once, before the first Append.
func (s *Store) StartBoot(snap Snapshot, table *readings.Table) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.boot != nil {
		return fmt.Errorf("boot %s is being recorded already", s.rec.id)
	}
	if !bootID(snap.Boot) {
		return fmt.Errorf("boot id %q: only small letters, digits and '-' can stand in a file name", snap.Boot)
	}
	path := filepath.Join(s.dir, "boot-"+snap.Boot+".db")
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s exists: a boot id is used once", path)
	}
	ctx := context.Background()
	if _, err := s.row(ctx, "SELECT value FROM meta WHERE key = 'boots'", &snap.Number); err != nil {
		return err
	}
	snap.Number++
	if err := s.box.exec(ctx, "INSERT OR REPLACE INTO meta VALUES ('boots', ?)", snap.Number); err != nil {
		return err
	}
	f, err := openFile(ctx, path, bootKind())
	if err != nil {
		return err
	}
	numberCalibrations(snap.Calibrations)
	rec := recorder{id: snap.Boot, number: snap.Number, software: snap.Software, machine: digest(snap.Machine), calibration: make([]any, table.Len())}
	for _, c := range snap.Calibrations {
		if c.Channel != nil && *c.Channel >= 0 && *c.Channel < int64(table.Len()) {
			rec.calibration[*c.Channel] = c.ID
		}
	}
	if err := errors.Join(s.writeSnapshot(ctx, f, snap, table), rec.prepare(ctx, f)); err != nil {
		return errors.Join(err, f.close())
	}
	s.boot, s.rec = f, rec
	s.mu.Lock()
	s.thin = make([]uint32, table.Len())
	s.mu.Unlock()
	return nil
}

// calibrationOf is the id of a channel's calibration; nil: none is known.
func (r *recorder) calibrationOf(c readings.Channel) any {
	if c < 0 || int(c) >= len(r.calibration) {
		return nil
	}
	return r.calibration[c]
}

// numberCalibrations gives each calibration its id.
func numberCalibrations(all []Calibration) {
	for i := range all {
		all[i].ID = int64(i) + 1
	}
}

func (s *Store) writeSnapshot(ctx context.Context, f *file, snap Snapshot, table *readings.Table) error {
	saved, err := json.Marshal(snap.Alarms)
	if err != nil {
		return fmt.Errorf("snapshot of the alarms: %w", err)
	}
	learned, err := json.Marshal(snap.Learned)
	if err != nil {
		return fmt.Errorf("snapshot of learned values: %w", err)
	}
	now := s.sample()
	err = f.transact(ctx, func() error {
		if err := f.exec(ctx, "INSERT INTO meta VALUES ('boot', ?), ('number', ?), ('software', ?), ('started', ?), ('clk', ?), ('entries', 0), ('commands', 0), ('closed', 0)",
			snap.Boot, snap.Number, snap.Software, stamp(now.UTC), now.Quality.String()); err != nil {
			return err
		}
		if snap.Simulated {
			if err := f.exec(ctx, "INSERT INTO meta VALUES ('simulated', 1)"); err != nil {
				return err
			}
		}
		machine := snap.Machine
		if machine == nil {
			machine = []byte{}
		}
		if err := f.exec(ctx, "INSERT INTO snapshot VALUES ('machine', ?), ('alarms', ?), ('learned', ?)", machine, saved, learned); err != nil {
			return err
		}
		for i := range table.Len() {
			in := table.Info(readings.Channel(i))
			if err := f.exec(ctx, "INSERT INTO channels VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)", i, in.ID, string(in.Quantity), string(in.Reference),
				in.Unit.Code, in.Unit.Dim, in.Unit.Factor, in.Unit.Offset, in.Low, in.High, in.Source, in.Plug, in.Wired); err != nil {
				return err
			}
		}
		for _, c := range snap.Calibrations {
			if err := f.exec(ctx, "INSERT INTO calibration VALUES (?,?,?,?,?,?,?,?)", c.ID, c.Channel, c.Coefficients, c.Who, c.At, c.Instrument,
				c.Uncertainty, c.ValidFrom); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	// The tables and the snapshot go into the main file at once, so that they outlive a lost -wal file.
	return f.exec(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
}

func (r *recorder) prepare(ctx context.Context, f *file) error {
	r.insert = map[Kind]*sql.Stmt{}
	for kind, q := range map[Kind]string{
		IsReading: "INSERT INTO readings (seq, at, channel, quality, value, volts, raw, calibration_id) VALUES (?,?,?,?,?,?,?,?)",
		IsTick:    "INSERT INTO ticks VALUES (?,?)",
		IsCommand: "INSERT INTO commands VALUES (?,?,?)",
		IsClock:   "INSERT INTO clock VALUES (?,?,?,?,?,?)",
		IsFault:   "INSERT INTO faults VALUES (?,?,?,?,?,?,?,?)",
	} {
		st, err := f.conn.PrepareContext(ctx, q)
		if err != nil {
			return explain(f.path, err)
		}
		r.insert[kind] = st
	}
	return nil
}

// Append queues one entry, from the spine's goroutine; it never waits for the disk. While the disk stalls and the
// queue is more than half full, readings are thinned, channel by channel, and the log says how many are missing
// where; everything else is always kept. A reading that is no number is refused and counted: the log holds no NaN.
// Steady state allocates nothing.
func (s *Store) Append(e Entry) {
	if e.Kind == IsReading && !finite(e.Reading.Value, e.Reading.Volts) {
		s.refused.Add(1)
		return
	}
	s.mu.Lock()
	n := len(s.queue)
	if e.Kind == IsReading && !s.admit(n, e.Reading.Channel) {
		if s.gap == 0 {
			s.since = e.At
		}
		s.gap++
		s.mu.Unlock()
		s.lost.Add(1)
		s.poke()
		return
	}
	s.seq++
	if e.Kind == IsTick {
		s.begins.tick(e.At, s.seq)
	}
	s.queue = append(s.queue, record{e, s.seq, s.gap, s.since})
	if s.gap > 0 {
		s.hole(s.since, e.At)
	}
	s.gap = 0
	s.mu.Unlock()
	if e.Kind == IsCommand || n == s.o.Queue/4 {
		s.poke()
	}
}

// Hole is a time of which readings are missing in the log, because the disk was too slow.
type Hole struct {
	From, To time.Duration // of the boot clock
	Lost     int64         // readings
}

const (
	maxHoles  = 100
	holeApart = time.Second // thinning leaves out one reading in two: what is nearer is one hole
)

// hole keeps for people where readings are missing; the caller has the lock.
func (s *Store) hole(from, to time.Duration) {
	if n := len(s.holes); n > 0 && from-s.holes[n-1].To <= holeApart {
		h := &s.holes[n-1]
		h.To, h.Lost = max(h.To, to), h.Lost+s.gap
		return
	}
	s.holes = append(s.holes[max(0, len(s.holes)-maxHoles+1):], Hole{from, to, s.gap})
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// admit decides whether a reading may enter a queue with n entries: every one up to half, every second one of its
// channel up to three quarters, every tenth above, none when it is full.
func (s *Store) admit(n int, c readings.Channel) bool {
	every := uint32(1)
	switch most := s.o.Queue; {
	case n >= most:
		return false
	case n >= most-most/4:
		every = 10
	case n >= most/2:
		every = 2
	}
	if every == 1 || int(c) >= len(s.thin) || c < 0 {
		return true
	}
	s.thin[c]++
	return s.thin[c]%every == 0
}

// retryWith is how many entries a disk is tried with after it has failed: a dead one must not be given everything that
// waits, second after second.
const retryWith = 256

// commitBoot writes the entries that wait. Without a boot they are dropped: there is no log yet.
func (s *Store) commitBoot(ctx context.Context) error {
	if s.failed.Load() != nil {
		if err := s.commitEntries(ctx, retryWith); err != nil {
			return err
		}
	}
	return s.commitEntries(ctx, math.MaxInt)
}

// commitEntries writes at most so many of the entries that wait, the oldest first, in one transaction.
func (s *Store) commitEntries(ctx context.Context, most int) error {
	s.mu.Lock()
	batch := s.queue[:min(most, len(s.queue))]
	s.mu.Unlock()
	if len(batch) == 0 {
		return nil
	}
	if s.boot != nil {
		r := s.rec
		err := s.boot.transact(ctx, func() error { return r.write(ctx, s.boot, batch) })
		if err != nil {
			return err
		}
		s.rec = r
	}
	s.mu.Lock()
	rest := copy(s.queue, s.queue[len(batch):])
	clear(s.queue[rest:])
	s.queue = s.queue[:rest]
	s.mu.Unlock()
	return nil
}

func (r *recorder) write(ctx context.Context, f *file, batch []record) error {
	for i := range batch {
		b := &batch[i]
		if b.lost > 0 {
			if err := f.exec(ctx, "INSERT INTO gaps VALUES (?,?,?)", b.seq, b.lost, int64(b.since)); err != nil {
				return err
			}
		}
		if err := r.one(ctx, f, b); err != nil {
			return err
		}
		r.entries = b.seq
	}
	return f.exec(ctx, "UPDATE meta SET value = CASE key WHEN 'entries' THEN ? ELSE ? END WHERE key IN ('entries', 'commands')", r.entries, r.commands)
}

func (r *recorder) one(ctx context.Context, f *file, b *record) error {
	e := &b.entry
	var err error
	switch e.Kind {
	case IsReading:
		v := &e.Reading
		_, err = r.insert[IsReading].ExecContext(ctx, b.seq, int64(v.At), int64(v.Channel), int64(v.Quality), v.Value, v.Volts, int64(v.Raw),
			r.calibrationOf(v.Channel))
	case IsTick:
		_, err = r.insert[IsTick].ExecContext(ctx, b.seq, int64(e.At))
	case IsCommand:
		var text []byte
		if text, err = json.Marshal(e.Command); err != nil {
			return fmt.Errorf("log command: %w", err)
		}
		r.commands++
		_, err = r.insert[IsCommand].ExecContext(ctx, b.seq, int64(e.At), string(text))
	case IsClock:
		var s, ns any
		if !e.Clock.UTC.IsZero() {
			s, ns = e.Clock.UTC.Unix(), e.Clock.UTC.Nanosecond()
		}
		_, err = r.insert[IsClock].ExecContext(ctx, b.seq, int64(e.At), int64(e.Clock.Boot), s, ns, int64(e.Clock.Quality))
	case IsFault:
		v := &e.Fault
		_, err = r.insert[IsFault].ExecContext(ctx, b.seq, int64(e.At), int64(v.At), int64(v.Source), int64(v.SPN), int64(v.FMI), int64(v.Count), v.Gone)
	default:
		return fmt.Errorf("log an entry of unknown kind %d", e.Kind)
	}
	if err != nil {
		return explain(f.path, err)
	}
	return nil
}

// endBoot marks the log as complete and folds its -wal file into it.
func (s *Store) endBoot(ctx context.Context) error {
	var err error
	for _, st := range s.rec.insert {
		err = errors.Join(err, st.Close())
	}
	return errors.Join(err,
		s.boot.exec(ctx, "UPDATE meta SET value = 1 WHERE key = 'closed'"),
		s.boot.exec(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"),
		s.boot.close())
}
