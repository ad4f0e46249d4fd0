// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"time"
)

// History reads the journal backwards, page by page, and checks its chain while it runs. It reads by a connection of its
// own and never writes, so neither waits for the recorder, nor the recorder for it. Its methods may be called from many
// goroutines.
type History struct {
	mu   sync.Mutex // guards all that follows
	box  *file
	link link
}

// Chain says how far the journal's chain has been checked since the start.
type Chain struct {
	Records int64  // committed now
	Checked int64  // these hold together, from the first on
	Head    string // hash of the last record there is
	Why     string // what does not hold, in words; empty: nothing was found
}

// The pace of checking: so many records at once, and the pause after them. A journal of a season is through in minutes
// and the box does not feel it.
const (
	checkAtOnce = 250
	checkPause  = 200 * time.Millisecond
)

const journalRow = `seq, prev_sha256, sha256, utc, clk, boot_id, mono_ms, kind, actor, role, via, alarm, place, "from", "to", value, "limit", reason, cfg_sha`

// History opens the store's history.
func (s *Store) History() (*History, error) {
	box, err := connect(context.Background(), s.boxPath(), "&mode=ro")
	if err != nil {
		return nil, err
	}
	return &History{box: box, link: link{VerifyResult: VerifyResult{OK: true}}}, nil
}

// Close closes the history's connection.
func (h *History) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.box.close()
}

// Run checks the chain from its first record on, and then what is added, until ctx ends. It tells failed of an error of
// the disk, and goes on.
func (h *History) Run(ctx context.Context, failed func(error)) error {
	beat := time.NewTicker(checkPause) //nolint:forbidigo // a pause of I/O, not the box's time
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
		if err := h.check(ctx); err != nil && ctx.Err() == nil {
			failed(err)
		}
	}
}

// check looks at the next records.
func (h *History) check(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.link.OK {
		return nil
	}
	return h.read(ctx, "WHERE seq > ? ORDER BY seq LIMIT ?", []any{h.link.Records, checkAtOnce}, func(r *Record) bool { return h.link.add(r) })
}

// Chain says how far the chain has been checked.
func (h *History) Chain(ctx context.Context) (Chain, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := Chain{Checked: h.link.Records, Why: h.link.Why}
	_, err := one(ctx, h.box, []any{&c.Records, &c.Head}, "SELECT seq, sha256 FROM journal ORDER BY seq DESC LIMIT 1")
	return c, err
}

// Before gives take at most so many records with a number below before, newest first, each as JSON. An empty alarm means
// all records. since leaves out what is older; records that were written while the clock was not set are always among them.
func (h *History) Before(ctx context.Context, before int64, most int, alarm string, since time.Time, take func(record []byte) error) error {
	where, args := []string{"seq < ?"}, []any{before}
	if alarm != "" {
		where, args = append(where, "alarm = ?"), append(args, alarm)
	}
	if !since.IsZero() {
		// The seconds' fraction is written without its last zeros: by whole seconds text and time have one order.
		where, args = append(where, "(utc = '' OR utc >= ?)"), append(args, stamp(since.Truncate(time.Second))[:len("2006-01-02T15:04:05")])
	}
	var all []Record
	h.mu.Lock()
	err := h.read(ctx, "WHERE "+strings.Join(where, " AND ")+" ORDER BY seq DESC LIMIT ?", append(args, most), func(r *Record) bool {
		all = append(all, *r)
		return true
	})
	h.mu.Unlock()
	if err != nil {
		return err
	}
	for i := range all {
		text, err := json.Marshal(&all[i])
		if err != nil {
			return fmt.Errorf("record %d: %w", all[i].Seq, err)
		}
		if err := take(text); err != nil {
			return err
		}
	}
	return nil
}

// read gives take the records of a question until it returns false.
func (h *History) read(ctx context.Context, which string, args []any, take func(r *Record) bool) error {
	rows, err := h.box.conn.QueryContext(ctx, "SELECT "+journalRow+" FROM journal "+which, args...) //nolint:gosec // which is written in this file
	if err != nil {
		return explain(h.box.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	for rows.Next() {
		var r Record
		if err := r.scan(rows); err != nil {
			return explain(h.box.path, err)
		}
		if !take(&r) {
			return nil
		}
	}
	if err := rows.Err(); err != nil {
		return explain(h.box.path, err)
	}
	return nil
}

// scan reads a row of journalRow.
func (r *Record) scan(rows *sql.Rows) error {
	var utc string
	err := rows.Scan(&r.Seq, &r.Prev, &r.Hash, &utc, &r.Clock, &r.Boot, &r.MonoMS, &r.Kind, &r.Actor, &r.Role, &r.Via,
		&r.Alarm, &r.Where, &r.From, &r.To, &r.Value, &r.Limit, &r.Reason, &r.Config)
	r.UTC = parseStamp(utc)
	return err
}
