// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
)

// testsSQL is run at each start: a box.db of an earlier version has no such table yet.
const testsSQL = `CREATE TABLE IF NOT EXISTS tests (
	id INTEGER PRIMARY KEY, run TEXT NOT NULL UNIQUE, at TEXT NOT NULL, zone TEXT NOT NULL, place TEXT NOT NULL, verdict TEXT NOT NULL, result BLOB NOT NULL
)`

// TestRecord is a finished leak-down test.
type TestRecord struct {
	Run     string // id
	At      string // RFC 3339; empty where the clock was not set
	Zone    string
	Where   string
	Verdict string
	JSON    []byte // the whole result
}

// KeepTest queues a finished leak-down test for the next commit. A second one with the same run takes the first one's
// place.
func (s *Store) KeepTest(t TestRecord) {
	s.mu.Lock()
	s.tests = append(s.tests, t)
	s.mu.Unlock()
	s.poke()
}

// Tests returns finished leak-down tests as they were last committed, newest first: at most limit of a zone, of all where
// the zone is empty.
func (s *Store) Tests(zone string, limit int) ([]TestRecord, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	ctx := context.Background()
	var tables int64
	if _, err := s.row(ctx, "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'tests'", &tables); err != nil || tables == 0 {
		return nil, err
	}
	var out []TestRecord
	err := each(ctx, s.box, "SELECT run, at, zone, place, verdict, result FROM tests ORDER BY id DESC", func(r *sql.Rows) error {
		if len(out) >= limit {
			return errEnough
		}
		var t TestRecord
		if err := r.Scan(&t.Run, &t.At, &t.Zone, &t.Where, &t.Verdict, &t.JSON); err != nil {
			return err
		}
		if zone == "" || t.Zone == zone {
			out = append(out, t)
		}
		return nil
	})
	return out, err
}

func (s *Store) writeTests(ctx context.Context, batch []TestRecord) error {
	for _, t := range batch {
		err := s.box.exec(ctx, "INSERT OR REPLACE INTO tests (run, at, zone, place, verdict, result) VALUES (?, ?, ?, ?, ?, ?)",
			t.Run, t.At, t.Zone, t.Where, t.Verdict, t.JSON)
		if err != nil {
			return err
		}
	}
	return nil
}
