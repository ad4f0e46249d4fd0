// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/store"
)

// A journal of 100,000 records, as of many seasons: each page is there at once, from any place and for the rarest alarm,
// while the recorder goes on writing; and the chain is checked to its end beside that.
func TestLongJournalIsReadInPages(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: one long journal, written and read by one goroutine")
	}
	const n = 100_000
	s, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	raise := func(i int) {
		key := "tank-low"
		if i%5000 == 7 {
			key = "tank-high"
		}
		s.Transition(alarms.Transition{From: alarms.Normal, To: alarms.ActiveUnacked, Reason: strconv.Itoa(i), State: alarms.State{Key: findings.Key(key)}})
	}
	for i := 1; i <= n; i++ {
		raise(i)
	}
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	h, err := s.History()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = h.Close() }()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		for i := n + 1; ctx.Err() == nil; i++ {
			raise(i)
			if err := s.Commit(); err != nil {
				done <- err
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
		done <- nil
	}()
	var slowest time.Duration
	for _, c := range []struct {
		before int64
		alarm  string
		since  time.Time
		want   int
	}{{math.MaxInt64, "", time.Time{}, 50}, {n / 2, "", time.Time{}, 50}, {30, "", time.Time{}, 29}, {math.MaxInt64, "tank-high", time.Time{}, 20}, {math.MaxInt64, "", time.Now().Add(-time.Hour), 50}} {
		began := time.Now()
		var got []int64
		err := h.Before(ctx, c.before, 50, c.alarm, c.since, func(text []byte) error {
			var r store.Record
			if err := json.Unmarshal(text, &r); err != nil {
				return err
			}
			got = append(got, r.Seq)
			return nil
		})
		slowest = max(slowest, time.Since(began))
		if err != nil || len(got) < c.want || len(got) > 50 {
			t.Fatalf("before %d of %q: %d records, %v; want %d", c.before, c.alarm, len(got), err, c.want)
		}
		for i := range got {
			if got[i] >= c.before || i > 0 && got[i] >= got[i-1] {
				t.Fatalf("before %d of %q: %v is not newest first", c.before, c.alarm, got)
			}
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	t.Logf("slowest page of 50 from %d records, while records were written: %v", n, slowest)
}

// What is checked is told, and a record that was changed is named.
func TestChainIsCheckedWhileTheBoxRuns(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 600 {
		s.Event(0, "start", strconv.Itoa(i))
	}
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	upTo := func(want store.Chain) {
		t.Helper()
		h, err := s.History()
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- h.Run(ctx, func(err error) { t.Error(err) }) }()
		var c store.Chain
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
			if c, err = h.Chain(ctx); err != nil || c.Checked >= want.Checked && c.Why == want.Why {
				break
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		c.Head = ""
		if c != want {
			t.Errorf("Chain() = %+v; want %+v", c, want)
		}
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}
	upTo(store.Chain{Records: 600, Checked: 600})
	tamper(t, filepath.Join(dir, "box.db"), "UPDATE journal SET reason = 'something else' WHERE seq = 300")
	upTo(store.Chain{Records: 600, Checked: 299, Why: "record 300 was changed after it was written"})
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
