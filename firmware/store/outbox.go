// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
)

// Outbox hands out the journal's records of alarms, in their order, to screens that may have been away, and keeps what
// each screen has shown. A record is in the journal, with the alarm's state, in one full-sync transaction, and is handed
// out only from there: what was handed out survives a power cut with its number. So there is no second queue that could
// differ from the journal, and none that could overflow.
//
// It reads by a connection of its own and keeps the screens' marks in a file of its own, outbox.db: neither waits for the
// recorder, and the recorder never for them. Its methods may be called from many goroutines.
type Outbox struct {
	mu    sync.Mutex // guards all that follows
	box   *file
	marks *file
	line  string // of the journal; empty until it has a record
	end   int64  // last record looked at
	last  int64  // last record of an alarm up to end
}

const (
	outboxMark = 0x4149526f // "AIRo"
	outboxSQL  = `CREATE TABLE got (tablet TEXT PRIMARY KEY, line TEXT NOT NULL, seq INTEGER NOT NULL, turn INTEGER NOT NULL) WITHOUT ROWID;`

	// mostTablets is how many screens have a mark; of more, the one that was silent longest loses its own.
	mostTablets = 32

	lineDigits = 16 // of the first record's hash
)

// Outbox opens the store's outbox. A damaged outbox.db is moved aside: screens keep their own marks.
func (s *Store) Outbox() (*Outbox, error) {
	ctx := context.Background()
	path := filepath.Join(s.dir, "outbox.db")
	kind := kindOf{outboxMark, 1, outboxSQL, "outbox"}
	marks, err := openSound(ctx, path, kind)
	if errors.Is(err, ErrCorrupt) {
		if _, merr := aside(path); merr != nil {
			return nil, errors.Join(err, merr)
		}
		marks, err = openSound(ctx, path, kind)
	}
	if err != nil {
		return nil, err
	}
	box, err := connect(ctx, s.boxPath(), "&mode=ro")
	if err != nil {
		return nil, errors.Join(err, marks.close())
	}
	return &Outbox{box: box, marks: marks}, nil
}

func openSound(ctx context.Context, path string, k kindOf) (*file, error) {
	f, err := openFile(ctx, path, k)
	if err != nil {
		return nil, err
	}
	if err := f.sound(ctx); err != nil {
		return nil, errors.Join(err, f.close())
	}
	return f, nil
}

// Close closes the outbox's files.
func (o *Outbox) Close() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return errors.Join(o.box.close(), o.marks.close())
}

// one reads a row of numbers or words; false where there is none.
func one(ctx context.Context, f *file, into []any, q string, args ...any) (bool, error) {
	err := f.conn.QueryRowContext(ctx, q, args...).Scan(into...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, explain(f.path, err)
	}
	return true, nil
}

// Head returns which journal the numbers belong to and the number of its last record of an alarm; empty and 0 while
// there is none. A journal that was begun anew, because its file was damaged, is another line.
func (o *Outbox) Head(ctx context.Context) (line string, seq int64, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if err := o.look(ctx); err != nil {
		return "", 0, err
	}
	return o.line, o.last, nil
}

// look brings line, end and last up to what is committed.
func (o *Outbox) look(ctx context.Context) error {
	if o.line == "" {
		var hash string
		if ok, err := one(ctx, o.box, []any{&hash}, "SELECT sha256 FROM journal WHERE seq = 1"); err != nil || !ok {
			return err
		}
		o.line = hash[:min(lineDigits, len(hash))]
	}
	var end int64
	if ok, err := one(ctx, o.box, []any{&end}, "SELECT seq FROM journal ORDER BY seq DESC LIMIT 1"); err != nil || !ok || end == o.end {
		return err
	}
	if _, err := one(ctx, o.box, []any{&o.last}, "SELECT seq FROM journal WHERE seq > ? AND seq <= ? AND kind = 'alarm' ORDER BY seq DESC LIMIT 1", o.end, end); err != nil {
		return err
	}
	o.end = end
	return nil
}

// Since gives take at most so many records of alarms after a number, oldest first: the number, that of the record of an
// alarm before it (0 for the first), and the Record as JSON. All are read before the first is given, so a slow take keeps
// nothing open.
func (o *Outbox) Since(ctx context.Context, after int64, most int, take func(seq, prev int64, record []byte) error) error {
	records, before, err := o.read(ctx, after, most)
	if err != nil {
		return err
	}
	for i := range records {
		text, err := json.Marshal(&records[i])
		if err != nil {
			return fmt.Errorf("alert %d: %w", records[i].Seq, err)
		}
		if err := take(records[i].Seq, before, text); err != nil {
			return err
		}
		before = records[i].Seq
	}
	return nil
}

func (o *Outbox) read(ctx context.Context, after int64, most int) (out []Record, before int64, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if _, err := one(ctx, o.box, []any{&before}, "SELECT seq FROM journal WHERE seq <= ? AND kind = 'alarm' ORDER BY seq DESC LIMIT 1", after); err != nil {
		return nil, 0, err
	}
	rows, err := o.box.conn.QueryContext(ctx, `SELECT seq, sha256, utc, clk, boot_id, mono_ms, kind, actor, role, via, alarm, place, "from", "to", value, "limit", reason
		FROM journal WHERE seq > ? AND kind = 'alarm' ORDER BY seq LIMIT ?`, after, most)
	if err != nil {
		return nil, 0, explain(o.box.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	for rows.Next() {
		var r Record
		var utc string
		if err := rows.Scan(&r.Seq, &r.Hash, &utc, &r.Clock, &r.Boot, &r.MonoMS, &r.Kind, &r.Actor, &r.Role, &r.Via, &r.Alarm, &r.Where, &r.From, &r.To,
			&r.Value, &r.Limit, &r.Reason); err != nil {
			return nil, 0, explain(o.box.path, err)
		}
		r.UTC = parseStamp(utc)
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, 0, explain(o.box.path, err)
	}
	return out, before, nil
}

// Got keeps, at once, that a screen has shown every alert up to a number. An older number than the one that is kept
// changes nothing. Where the screen means something that the box never said, why is a sentence and nothing is kept.
func (o *Outbox) Got(ctx context.Context, tablet, line string, seq int64) (why string, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if err := o.look(ctx); err != nil {
		return "", err
	}
	switch {
	case line != o.line:
		return "These alerts are of a journal that the box no longer keeps. Ask for all there are, from 0.", nil
	case seq < 1 || seq > o.last:
		return fmt.Sprintf("The box never said alert %d: the last one is %d. Ask again for what there is.", seq, o.last), nil
	}
	return "", o.marks.transact(ctx, func() error {
		var was int64
		kept, err := one(ctx, o.marks, []any{&was}, "SELECT seq FROM got WHERE tablet = ? AND line = ?", tablet, line)
		if err != nil || kept && was >= seq {
			return err
		}
		err = o.marks.exec(ctx, "INSERT OR REPLACE INTO got SELECT ?, ?, ?, coalesce(max(turn), 0) + 1 FROM got", tablet, line, seq)
		if err != nil {
			return err
		}
		return o.marks.exec(ctx, "DELETE FROM got WHERE tablet NOT IN (SELECT tablet FROM got ORDER BY turn DESC LIMIT ?)", mostTablets)
	})
}

// Shown returns up to which number a screen has said that it showed the alerts of the present journal; 0 where it never
// did.
func (o *Outbox) Shown(ctx context.Context, tablet string) (seq int64, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if err := o.look(ctx); err != nil {
		return 0, err
	}
	_, err = one(ctx, o.marks, []any{&seq}, "SELECT seq FROM got WHERE tablet = ? AND line = ?", tablet, o.line)
	return seq, err
}
