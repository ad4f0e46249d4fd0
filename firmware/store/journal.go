// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// Record is one line of the journal.
type Record struct {
	Seq    int64     `json:"seq"`
	Prev   string    `json:"prev_sha256"`
	Hash   string    `json:"sha256"`
	UTC    time.Time `json:"utc,omitzero"` // zero where the clock was not set
	Clock  string    `json:"clk"`
	Boot   string    `json:"boot_id"`
	MonoMS int64     `json:"mono_ms"`
	Kind   string    `json:"kind"` // "alarm", or the kind of an event
	Actor  string    `json:"actor,omitempty"`
	Role   string    `json:"role,omitempty"`
	Via    string    `json:"via,omitempty"`
	Alarm  string    `json:"alarm,omitempty"`
	Where  string    `json:"where,omitempty"`
	From   string    `json:"from,omitempty"`
	To     string    `json:"to,omitempty"`
	Value  string    `json:"value,omitempty"` // a Measure as JSON
	Limit  string    `json:"limit,omitempty"`
	Reason string    `json:"reason,omitempty"`
	Config string    `json:"cfg_sha,omitempty"` // SHA-256 of the machine file
}

// sum hashes the record with everything but its own hash: every field with its length before it, so that no two
// different records read alike.
func (r *Record) sum() string {
	h := sha256.New()
	for _, f := range []string{
		strconv.FormatInt(r.Seq, 10), r.Prev, stamp(r.UTC), r.Clock, r.Boot, strconv.FormatInt(r.MonoMS, 10), r.Kind,
		r.Actor, r.Role, r.Via, r.Alarm, r.Where, r.From, r.To, r.Value, r.Limit, r.Reason, r.Config,
	} {
		h.Write(strconv.AppendInt(nil, int64(len(f)), 10)) // a hash never returns an error
		h.Write([]byte{':'})
		h.Write([]byte(f))
	}
	return hex.EncodeToString(h.Sum(nil))
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// item is a record that waits to be numbered and written.
type item struct {
	at     time.Duration
	kind   string
	tr     alarms.Transition // for an alarm
	reason string            // for an event
}

// chain is the end of the journal.
type chain struct {
	seq  int64
	hash string
}

// Transition queues a change of an alarm's state; it implements alarms.Journal. It never waits for the disk, and what
// it takes is never dropped: the queue grows while the disk stalls.
func (s *Store) Transition(t alarms.Transition) {
	s.enqueue(item{at: t.At, kind: "alarm", tr: t})
}

// Event queues a record about anything else, with its boot time: a start, a stop, a step of the clock, a command that
// was no alarm's. The kind is one word.
func (s *Store) Event(at time.Duration, kind, text string) {
	s.enqueue(item{at: at, kind: kind, reason: text})
}

func (s *Store) enqueue(it item) {
	s.mu.Lock()
	s.journal = append(s.journal, it)
	s.mu.Unlock()
	s.poke()
}

// record writes an item out in full.
func (s *Store) record(it *item) (Record, error) {
	now := s.sample()
	r := Record{
		Seq: s.head.seq + 1, Prev: s.head.hash, Clock: now.Quality.String(), Boot: s.rec.id, MonoMS: it.at.Milliseconds(),
		Kind: it.kind, Reason: it.reason, Config: s.rec.machine,
	}
	if !now.UTC.IsZero() {
		r.UTC = now.UTC.Add(it.at - now.Boot).UTC()
	}
	if it.kind != "alarm" {
		r.hash()
		return r, nil
	}
	t := &it.tr
	r.Actor, r.Role, r.Via, r.Reason = t.Actor, string(t.Role), t.Via, t.Reason
	r.Alarm, r.Where, r.From, r.To = string(t.State.Key), t.State.Where, string(t.From), string(t.To)
	for _, m := range []struct {
		from findings.Measure
		to   *string
	}{{t.State.Value, &r.Value}, {t.State.Limit, &r.Limit}} {
		if m.from.IsZero() {
			continue
		}
		text, err := json.Marshal(m.from)
		if err != nil {
			return r, fmt.Errorf("journal %s: %w", r.Alarm, err)
		}
		*m.to = string(text)
	}
	r.hash()
	return r, nil
}

func (r *Record) hash() { r.Hash = r.sum() }

// commitBox writes the journal and what is to be kept, in one transaction.
func (s *Store) commitBox(ctx context.Context) error {
	s.mu.Lock()
	batch, saved, learned, tests := s.journal, s.alarms, s.learned, s.tests
	s.alarms, s.tests = nil, nil
	s.learned = map[string][]byte{} // also after an empty one: what is learned meanwhile is the next commit's
	s.mu.Unlock()
	if len(batch) == 0 && saved == nil && len(learned) == 0 && len(tests) == 0 {
		return nil
	}
	old := s.head
	err := s.box.transact(ctx, func() error {
		if err := s.writeJournal(ctx, batch); err != nil {
			return err
		}
		if err := s.writeTests(ctx, tests); err != nil {
			return err
		}
		return s.writeKept(ctx, saved, learned)
	})
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.head = old
		if s.alarms == nil {
			s.alarms = saved
		}
		s.tests = append(tests, s.tests...)
		for k, v := range learned {
			if _, newer := s.learned[k]; !newer {
				s.learned[k] = v
			}
		}
		return err
	}
	rest := copy(s.journal, s.journal[len(batch):])
	clear(s.journal[rest:])
	s.journal = s.journal[:rest]
	return nil
}

func (s *Store) writeJournal(ctx context.Context, batch []item) error {
	for i := range batch {
		r, err := s.record(&batch[i])
		if err != nil {
			return err
		}
		err = s.box.exec(ctx, "INSERT INTO journal VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
			r.Seq, r.Prev, r.Hash, stamp(r.UTC), r.Clock, r.Boot, r.MonoMS, r.Kind, r.Actor, r.Role, r.Via, r.Alarm, r.Where, r.From, r.To, r.Value, r.Limit, r.Reason, r.Config)
		if err != nil {
			return err
		}
		s.head = chain{r.Seq, r.Hash}
	}
	if len(batch) == 0 {
		return nil
	}
	return s.box.exec(ctx, "INSERT OR REPLACE INTO meta VALUES ('journal_records', ?), ('journal_head', ?)", s.head.seq, s.head.hash)
}

func (s *Store) writeKept(ctx context.Context, saved *alarms.Saved, learned map[string][]byte) error {
	if saved != nil {
		text, err := json.Marshal(saved)
		if err != nil {
			return fmt.Errorf("save alarm state: %w", err)
		}
		if err := s.box.exec(ctx, "INSERT OR REPLACE INTO saved VALUES ('alarms', ?)", text); err != nil {
			return err
		}
	}
	for name, value := range learned {
		q, args := "INSERT OR REPLACE INTO learned VALUES (?, ?)", []any{name, value}
		if value == nil {
			q, args = "DELETE FROM learned WHERE name = ?", args[:1]
		}
		if err := s.box.exec(ctx, q, args...); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) readHead(ctx context.Context) error {
	_, err := s.row(ctx, "SELECT seq, sha256 FROM journal ORDER BY seq DESC LIMIT 1", &s.head.seq, &s.head.hash)
	return err
}

// Head returns number and hash of the journal's last committed record, for the summaries that leave the box: whoever
// keeps them can tell later that the end was cut off.
func (s *Store) Head() (seq int64, sha256 string) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return s.head.seq, s.head.hash
}

// RecordOf returns the number of the committed record with a hash; 0 where there is none.
func (s *Store) RecordOf(sha256 string) (seq int64, err error) {
	err = s.eachRecord(func(r *Record) bool {
		if r.Hash == sha256 {
			seq = r.Seq
		}
		return seq == 0
	})
	return seq, err
}

// ReadJournal returns the committed records since a wall time, oldest first; the zero time means all. Records that
// were written while the clock was not set are always among them.
func (s *Store) ReadJournal(since time.Time) ([]Record, error) {
	var out []Record
	err := s.eachRecord(func(r *Record) bool {
		if r.UTC.IsZero() || !r.UTC.Before(since) {
			out = append(out, *r)
		}
		return true
	})
	return out, err
}

func (s *Store) eachRecord(take func(r *Record) bool) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return each(context.Background(), s.box, "SELECT "+journalRow+" FROM journal ORDER BY seq", func(rows *sql.Rows) error {
		var r Record
		if err := r.scan(rows); err != nil {
			return err
		}
		if !take(&r) {
			return errEnough
		}
		return nil
	})
}

// VerifyResult is what checking the chain found.
type VerifyResult struct {
	Records int64  // that hold together, from the first on
	OK      bool   // all of them do
	Broken  int64  // number of the first record that does not
	Why     string // in words
	Head    string // hash of the last record that holds
}

// Verify walks the journal's chain from its first record. A chain that does not hold is a result, not an error.
// What it cannot see alone is a journal whose end was cut off together with the file's own note of it: compare Head
// with a summary that left the box.
func (s *Store) Verify() (VerifyResult, error) {
	l := link{VerifyResult: VerifyResult{OK: true}}
	err := s.eachRecord(l.add)
	v := l.VerifyResult
	if err != nil || !v.OK {
		return v, err
	}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	var n int64
	var head string
	for _, m := range []struct {
		q    string
		into any
	}{
		{"SELECT value FROM meta WHERE key = 'journal_records'", &n},
		{"SELECT value FROM meta WHERE key = 'journal_head'", &head},
	} {
		if _, err := s.row(context.Background(), m.q, m.into); err != nil {
			return v, err
		}
	}
	switch {
	case n > v.Records:
		l.fail(v.Records+1, fmt.Sprintf("the file's own note says %d records; those after %d are gone", n, v.Records))
	case n != v.Records || head != v.Head:
		l.fail(v.Records, "the last record is not the one the file's own note names")
	}
	return l.VerifyResult, nil
}

// link is the end of a chain that is being checked.
type link struct{ VerifyResult }

// add checks the next record; false where the chain does not hold.
func (l *link) add(r *Record) bool {
	want := l.Records + 1
	switch {
	case r.Seq != want:
		l.fail(want, fmt.Sprintf("record %d is missing; the next one there is %d", want, r.Seq))
	case r.Prev != l.Head:
		l.fail(r.Seq, fmt.Sprintf("record %d does not follow from the one before it", r.Seq))
	case r.Hash != r.sum():
		l.fail(r.Seq, fmt.Sprintf("record %d was changed after it was written", r.Seq))
	default:
		l.Records, l.Head = r.Seq, r.Hash
	}
	return l.OK
}

func (l *link) fail(seq int64, why string) { l.OK, l.Broken, l.Why = false, seq, why }
