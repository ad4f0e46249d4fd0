// SPDX-License-Identifier: Apache-2.0

package sealed_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

// TestExpireDeletesOldBootsOnly seals three boots of different ages, one without any time, and deletes by age.
func TestExpireDeletesOldBootsOnly(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	now := time.Date(2026, time.May, 20, 12, 0, 0, 0, time.UTC)
	day := 24 * time.Hour
	for _, b := range []struct {
		id  string
		age time.Duration
		q   clock.Quality
	}{{"old", 40 * day, clock.Good}, {"old-1", 20 * day, clock.Coarse}, {"lost", 0, clock.Unset}, {"older", 90 * day, clock.Good}} {
		all := []store.Entry{
			{Kind: store.IsTick, At: time.Second},
			{Kind: store.IsClock, At: 2 * time.Second, Clock: clock.Sample{Boot: 2 * time.Second, UTC: now.Add(-b.age), Quality: b.q}},
		}
		if err := sealed.Seal(t.Context(), record(t, dir, b.id, all, true)); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"boot-old-0001.pcapng.zst", "boot-old-0001.idx", "boot-old-1-0001.pcapng.zst", "box.db", "boot-old.db.damaged-1"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	expire := func(keep time.Duration, q clock.Quality) []string {
		return sealed.Expire(t.Context(), dir, keep, clock.Sample{UTC: now, Quality: q}, slog.New(slog.DiscardHandler))
	}
	if gone := slices.Concat(expire(0, clock.Good), expire(day, clock.Coarse), expire(50*day, clock.Good)); len(gone) > 0 {
		t.Errorf("deleted %q: without a limit, without a clock, or younger than the limit", gone)
	}
	if gone := expire(30*day, clock.Good); !slices.Equal(gone, []string{"old"}) {
		t.Errorf("deleted %q at 30 days; want the old one", gone)
	}
	// The next is old enough now; behind it stands one of unknown age, and what is behind that stays.
	if gone := expire(10*day, clock.Good); !slices.Equal(gone, []string{"old-1"}) {
		t.Errorf("deleted %q at 10 days; want old-1", gone)
	}
	want := []string{
		"boot-lost.events.parquet", "boot-lost.readings.parquet", "boot-old.db.damaged-1", "boot-older.events.parquet",
		"boot-older.readings.parquet",
	}
	if left := names(t, dir); !slices.Equal(left, want) {
		t.Errorf("left %q, want %q", left, want)
	}
}
