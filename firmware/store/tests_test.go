// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/store"
)

// Finished leak-down tests outlive the box, newest first; a box.db from before there were any gets room for them.
func TestTestsAreKept(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, "box.db"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.ExecContext(t.Context(), "DROP TABLE tests"); err != nil { // as an earlier version left it
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	look, err := store.Open(dir, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := look.Tests("", 10); err != nil || len(got) != 0 {
		t.Errorf("Tests of an old box.db = %v, %v; want none", got, err)
	}
	if err := look.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	one := store.TestRecord{Run: "a", At: "2026-04-02T12:20:00Z", Zone: "tank", Where: "tank side", Verdict: "pass", JSON: []byte(`{"run":"a"}`)}
	two, three := one, one
	two.Run, two.Zone, two.Where = "b", "front", "front rank"
	three.Run, three.Verdict = "c", "fail"
	for _, r := range []store.TestRecord{one, two, three} {
		s.KeepTest(r)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, c := range []struct {
		zone  string
		limit int
		want  []store.TestRecord
	}{
		{"", 10, []store.TestRecord{three, two, one}},
		{"tank", 10, []store.TestRecord{three, one}},
		{"tank", 1, []store.TestRecord{three}},
		{"rear", 10, nil},
	} {
		got, err := s.Tests(c.zone, c.limit)
		if diff := cmp.Diff(c.want, got); diff != "" || err != nil {
			t.Errorf("Tests(%q, %d): %v (-want +got):\n%s", c.zone, c.limit, err, diff)
		}
	}
}

// What is learned while a commit with nothing learned is under way belongs to the next commit. The race detector watches.
func TestLearnedDuringACommit(t *testing.T) {
	s, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	const rounds, each = 40, 200
	for i := range rounds {
		begin, done := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(done)
			<-begin
			for j := range each {
				runtime.Gosched()
				s.KeepLearned(fmt.Sprintf("signature/%d/%d", i, j), []byte("{}"))
			}
		}()
		s.Event(time.Duration(i)*time.Second, "note", "something for the commit to write")
		close(begin)
		if err := s.Commit(); err != nil {
			t.Fatal(err)
		}
		<-done
		if err := s.Commit(); err != nil { // the next round begins with nothing learned
			t.Fatal(err)
		}
	}
	if got, err := s.Learned(); err != nil || len(got) != rounds*each {
		t.Errorf("learned %d names, %v; want all %d", len(got), err, rounds*each)
	}
}
