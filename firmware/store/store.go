// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/store/rawlog"
)

// Clock is what the store needs of the box's clock: pairs of boot and wall time for the journal, and a pause between
// two commits. A clock that also has SleepApart, like the simulated one, is asked for that: the store never holds a
// simulation up.
type Clock interface {
	Sample() clock.Sample
	Sleep(ctx context.Context, d time.Duration) error
}

// Options are the settings of a Store.
type Options struct {
	Clock Clock         // nil: no wall time in the journal, and no Run
	Log   *slog.Logger  // nil: silent
	Queue int           // readings that may wait for the disk, 16384; from half of it on they are thinned
	Every time.Duration // between two commits, 1 s
	// Raw are settings of the recording of raw frames.
	Raw RawOptions
	// ReadOnly opens the journal and what was saved for looking at, while a box may be writing.
	ReadOnly bool
}

// RawOptions are settings of the recording of raw frames; zero values stand for the defaults named.
type RawOptions struct {
	SyncEvery time.Duration // what a power cut may cost, 0.2 to 10 s; 1 s
	FullAt    float64       // of the disk: above, the oldest sealed files are deleted; 0.85
	Reserve   int64         // bytes left free for the alarms: below, recording stops; 5 % of the disk, at most 256 MiB
}

// Store is the box's memory: box.db with journal, alarm state, learned values and the accepted machine file; and the
// recorder of the present boot. Append, Transition, Event, KeepAlarms and KeepLearned only queue and may be called
// from the spine; Run writes.
type Store struct {
	dir   string
	o     Options
	log   *slog.Logger
	notes []string
	lock  *os.File

	wake chan struct{}

	mu      sync.Mutex // guards what follows: the queues
	queue   []record
	seq     int64
	thin    []uint32 // by channel
	gap     int64
	since   time.Duration
	holes   []Hole // the last of this boot
	journal []item
	alarms  *alarms.Saved
	learned map[string][]byte
	tests   []TestRecord
	taps    []*Tap
	minutes []minuteRow
	begins  begins

	lost    atomic.Int64
	refused atomic.Int64
	failed  atomic.Pointer[error]

	wmu  sync.Mutex // guards what follows: the files
	box  *file
	boot *file
	head chain
	rec  recorder
	done bool

	minutesFile   *file // nil: no minutes are kept
	minutesFailed bool
}

// Open opens or makes the box's files in a folder. A damaged box.db is moved aside, never deleted, and Notes says so.
// Errors name the file and what to do, and wrap one of this package's sentinels.
func Open(dir string, o Options) (*Store, error) {
	if o.Queue <= 0 {
		o.Queue = 1 << 14
	}
	if o.Every <= 0 {
		o.Every = time.Second
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Store{dir: dir, o: o, log: o.Log, wake: make(chan struct{}, 1), learned: map[string][]byte{}}
	ctx := context.Background()
	if o.ReadOnly {
		return s, s.openToLook(ctx)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("the data folder %s cannot be made: %w", dir, err)
	}
	var err error
	if s.lock, err = lock(dir); err != nil {
		return nil, err
	}
	if err := s.openBox(ctx); err != nil {
		return nil, errors.Join(err, unlock(s.lock))
	}
	s.queue = make([]record, 0, o.Queue)
	return s, nil
}

// Dir returns the folder of the files.
func (s *Store) Dir() string { return s.dir }

func (s *Store) boxPath() string { return filepath.Join(s.dir, "box.db") }

func (s *Store) openToLook(ctx context.Context) error {
	path := s.boxPath()
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("no journal in %s: name the box's data folder (%w)", s.dir, err)
	}
	f, err := connect(ctx, path, "&mode=ro")
	if err != nil {
		return err
	}
	if _, err := f.check(ctx, boxKind()); err != nil {
		return errors.Join(err, f.close())
	}
	s.box = f
	return nil
}

func (s *Store) openBox(ctx context.Context) error {
	path := s.boxPath()
	f, err := openFile(ctx, path, boxKind())
	if err == nil {
		if err = f.sound(ctx); err == nil {
			s.box = f
			return s.readyBox(ctx)
		}
		err = errors.Join(err, f.close())
	}
	if !errors.Is(err, ErrCorrupt) {
		return err
	}
	to, merr := aside(path)
	if merr != nil {
		return errors.Join(err, merr)
	}
	s.notes = append(s.notes, fmt.Sprintf("%s was damaged and is now kept as %s; a new one was begun. Alarm journal, shelved alarms and learned values start anew.", path, to))
	s.log.ErrorContext(ctx, "damaged file moved aside", slog.String("file", path), slog.String("kept_as", to), slog.Any("error", err))
	if s.box, err = openFile(ctx, path, boxKind()); err != nil {
		return err
	}
	if err = s.readyBox(ctx); err != nil {
		return err
	}
	s.enqueue(item{kind: "store", reason: "the journal before was damaged and is kept as " + filepath.Base(to)})
	return nil
}

// readyBox adds what earlier versions had not, and reads where the journal ends.
func (s *Store) readyBox(ctx context.Context) error {
	if err := s.box.exec(ctx, testsSQL); err != nil {
		return err
	}
	return s.readHead(ctx)
}

// Notes returns what opening had to put right, in sentences for a person.
func (s *Store) Notes() []string { return s.notes }

// Health says how the store does.
type Health struct {
	Err     error          // why the last commit failed; nil while all is well
	Queued  int            // entries that wait for the disk
	Lost    int64          // readings that were thinned out because the disk was too slow
	Refused int64          // readings whose value was no number
	Holes   []Hole         // where readings are missing, the last hundred
	Frames  int64          // raw frames that were dropped because the disk was too slow, or could not be written down
	Raw     []rawlog.Stats // how the recording of raw frames does, where there is one
}

// Health may be called from any goroutine.
func (s *Store) Health() Health {
	h := Health{Lost: s.lost.Load(), Refused: s.refused.Load()}
	if p := s.failed.Load(); p != nil {
		h.Err = *p
	}
	s.mu.Lock()
	h.Queued = len(s.queue) + len(s.journal)
	h.Holes = slices.Clone(s.holes)
	s.mu.Unlock()
	h.health(s.rawLogs())
	return h
}

// KeepAlarms queues the alarms' state for the next commit; the newest one counts.
func (s *Store) KeepAlarms(a alarms.Saved) {
	s.mu.Lock()
	s.alarms = &a
	s.mu.Unlock()
}

// KeepLearned queues a learned value for the next commit; the newest one counts. A nil value forgets the name.
func (s *Store) KeepLearned(name string, value []byte) {
	s.mu.Lock()
	s.learned[name] = value
	s.mu.Unlock()
}

// Alarms returns the alarms' state as it was last committed; the zero Saved where there is none.
func (s *Store) Alarms() (alarms.Saved, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var out alarms.Saved
	var text []byte
	ok, err := s.row(context.Background(), "SELECT value FROM saved WHERE name = 'alarms'", &text)
	if err != nil || !ok {
		return out, err
	}
	if err := json.Unmarshal(text, &out); err != nil {
		return alarms.Saved{}, fmt.Errorf("%s: saved alarm state: %w", s.box.path, err)
	}
	return out, nil
}

// row reads one row, and reports whether there was one.
func (s *Store) row(ctx context.Context, q string, into ...any) (bool, error) {
	rows, err := s.box.conn.QueryContext(ctx, q)
	if err != nil {
		return false, explain(s.box.path, err)
	}
	ok := rows.Next()
	if ok {
		err = rows.Scan(into...)
	}
	if err = errors.Join(err, rows.Err(), rows.Close()); err != nil {
		return false, explain(s.box.path, err)
	}
	return ok, nil
}

// Learned returns all learned values as they were last committed, by name.
func (s *Store) Learned() (map[string][]byte, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	out := map[string][]byte{}
	err := each(context.Background(), s.box, "SELECT name, value FROM learned", func(r *sql.Rows) error {
		var name string
		var value []byte
		err := r.Scan(&name, &value)
		out[name] = value
		return err
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// AcceptMachine keeps a copy of a machine file that was accepted, at once. The same text again is not kept twice.
func (s *Store) AcceptMachine(text []byte) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var sum string
	ok, err := s.row(context.Background(), "SELECT sha256 FROM machine ORDER BY id DESC LIMIT 1", &sum)
	if err != nil {
		return err
	}
	now := digest(text)
	if ok && sum == now {
		return nil
	}
	return s.box.exec(context.Background(), "INSERT INTO machine (sha256, accepted, text) VALUES (?, ?, ?)", now, stamp(s.sample().UTC), text)
}

// Machine returns the machine file that was accepted last, and when (zero where the clock was not set); nil where
// there is none.
func (s *Store) Machine() ([]byte, time.Time, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var text []byte
	var at string
	ok, err := s.row(context.Background(), "SELECT text, accepted FROM machine ORDER BY id DESC LIMIT 1", &text, &at)
	if err != nil || !ok {
		return nil, time.Time{}, err
	}
	return text, parseStamp(at), nil
}

// MachineOf returns an accepted machine file by its SHA-256; nil where it is not kept.
func (s *Store) MachineOf(sha256 string) ([]byte, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var text []byte
	_, err := one(context.Background(), s.box, []any{&text}, "SELECT text FROM machine WHERE sha256 = ? ORDER BY id DESC LIMIT 1", sha256)
	return text, err
}

func (s *Store) sample() clock.Sample {
	if s.o.Clock == nil {
		return clock.Sample{}
	}
	return s.o.Clock.Sample()
}

// stamp writes a wall time as the files do; empty for none.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}

func parseStamp(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return time.Time{} // written empty where the clock was not set
	}
	return t
}

// Run commits once a second, and at once when an alarm or a command waits, until ctx ends; then it commits what is
// left. A full or broken disk does not end it: what waits is kept and tried again, and Health says why.
func (s *Store) Run(ctx context.Context) error {
	if s.o.Clock == nil {
		return errors.New("store: Run needs a clock")
	}
	sleep := s.o.Clock.Sleep
	if c, ok := s.o.Clock.(interface {
		SleepApart(ctx context.Context, d time.Duration) error
	}); ok {
		sleep = c.SleepApart
	}
	beat := make(chan struct{})
	var wg sync.WaitGroup
	defer wg.Wait()
	for _, l := range s.rawLogs() {
		wg.Go(func() {
			_ = l.Run(ctx) // Health says what it ends with, and Close tries again
		})
	}
	wg.Go(func() {
		for sleep(ctx, s.o.Every) == nil {
			select {
			case beat <- struct{}{}:
			case <-ctx.Done():
			}
		}
	})
	for {
		select {
		case <-beat:
		case <-s.wake:
		case <-ctx.Done():
			return s.commit(context.WithoutCancel(ctx), false)
		}
		// The error is noted and logged; what waits is tried again at the next beat.
		_ = s.commit(context.WithoutCancel(ctx), false)
	}
}

// Commit writes everything that waits, in one transaction a file, and the raw frames. A caller without Run may call it;
// Run does the same, but leaves the raw frames to their own goroutine.
func (s *Store) Commit() error { return s.commit(context.Background(), true) }

func (s *Store) commit(ctx context.Context, frames bool) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	// The log comes first: a journal must never know more than the log it can be replayed from.
	err := errors.Join(s.commitBoot(ctx), s.commitBox(ctx))
	s.commitMinutes(ctx)
	if frames {
		err = errors.Join(err, s.flushFrames())
	}
	old := s.failed.Load()
	switch {
	case err == nil && old != nil:
		s.failed.Store(nil)
		s.log.InfoContext(ctx, "recording again", slog.String("folder", s.dir), slog.Int64("readings_lost", s.lost.Load()))
	case err != nil && (old == nil || firstLine((*old).Error()) != firstLine(err.Error())):
		s.failed.Store(&err)
		s.log.ErrorContext(ctx, "recording failed, kept in memory", slog.String("folder", s.dir), slog.Any("error", err))
	case err != nil:
		s.failed.Store(&err)
	}
	return err
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

func (s *Store) poke() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Close commits what is left, marks the boot's log as complete and closes the files. Run must have ended.
func (s *Store) Close() error {
	if s.o.ReadOnly {
		return s.box.close()
	}
	err := s.Commit()
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.done {
		return nil
	}
	s.done = true
	if s.boot != nil {
		err = errors.Join(err, s.endBoot(context.Background()))
	}
	return errors.Join(err, s.endMinutes(context.Background()), s.closeFrames(), s.box.close(), unlock(s.lock))
}
