// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// limit lets SQLite itself say that the disk is full: a file may grow to so many pages and no further.
func limit(t *testing.T, f *file, pages int) {
	t.Helper()
	if err := f.exec(context.Background(), fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
		t.Fatal(err)
	}
}

func fullBox(t *testing.T, queue int) (*Store, string) {
	t.Helper()
	dir := t.TempDir()
	s, err := Open(dir, Options{Queue: queue})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	tab := readings.NewTable([]readings.Info{{ID: "a", Unit: units.Unit{Code: "1", Factor: 1}}, {ID: "b", Unit: units.Unit{Code: "1", Factor: 1}}})
	if err := s.StartBoot(Snapshot{Boot: "x"}, tab); err != nil {
		t.Fatal(err)
	}
	limit(t, s.boot, 1)
	limit(t, s.box, 1)
	return s, filepath.Join(dir, "boot-x.db")
}

func TestFullDiskLosesNothingThatFitsTheQueue(t *testing.T) {
	t.Parallel()
	s, path := fullBox(t, 1<<14)
	for i := range 2000 {
		at := time.Duration(i)
		s.Append(Entry{Kind: IsReading, At: at, Reading: readings.Reading{At: at, Value: float64(i)}})
		if i%100 == 0 {
			s.Append(Entry{Kind: IsCommand, At: at, Command: &alarms.Command{ID: "c"}})
			s.Transition(alarms.Transition{At: at, To: alarms.ActiveUnacked})
			s.Event(at, "note", strings.Repeat("words ", 200))
		}
	}
	s.KeepAlarms(alarms.Saved{Seq: 5})
	s.KeepLearned("n", []byte("1"))
	for range 3 {
		err := s.Commit()
		if !errors.Is(err, ErrDiskFull) || !strings.Contains(err.Error(), "free some space") {
			t.Fatalf("Commit on a full disk = %v; want ErrDiskFull", err)
		}
	}
	if h := s.Health(); !errors.Is(h.Err, ErrDiskFull) || h.Lost != 0 || h.Queued != 2000+3*20 {
		t.Errorf("Health() = %+v; want the error, nothing lost, all queued", h)
	}
	s.KeepAlarms(alarms.Saved{Seq: 6})
	limit(t, s.boot, 1<<20)
	limit(t, s.box, 1<<20)
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	if h := s.Health(); h.Err != nil || h.Queued != 0 {
		t.Errorf("after space was freed: %+v", h)
	}
	if a, err := s.Alarms(); err != nil || a.Seq != 6 {
		t.Errorf("kept alarms %+v, %v; want the newest", a, err)
	}
	if l, err := s.Learned(); err != nil || string(l["n"]) != "1" {
		t.Errorf("learned %q, %v", l, err)
	}
	if v, err := s.Verify(); err != nil || !v.OK || v.Records != 40 {
		t.Errorf("Verify() = %+v, %v", v, err)
	}
	entries, lost := readBack(t, s, path)
	if len(entries) != 2020 || len(lost) != 0 {
		t.Errorf("%d entries, lost %q; want 2020 and nothing", len(entries), lost)
	}
}

func readBack(t *testing.T, s *Store, path string) ([]Entry, []string) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := OpenBoot(path)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var out []Entry
	var e Entry
	for b.Next(&e) == nil {
		out = append(out, e)
	}
	return out, b.Lost()
}

func TestStalledDiskThinsReadingsOnly(t *testing.T) {
	t.Parallel()
	s, path := fullBox(t, 1000)
	for i := range 10000 {
		at := time.Duration(i)
		s.Append(Entry{Kind: IsReading, At: at, Reading: readings.Reading{At: at, Channel: readings.Channel(i % 2)}})
		if i%10 == 0 {
			s.Append(Entry{Kind: IsTick, At: at})
		}
		if i%100 == 0 {
			s.Append(Entry{Kind: IsCommand, At: at, Command: &alarms.Command{ID: "c"}})
			s.Append(Entry{Kind: IsClock, At: at})
			s.Append(Entry{Kind: IsFault, At: at})
		}
	}
	lost := s.Health().Lost
	limit(t, s.boot, 1<<20)
	limit(t, s.box, 1<<20)
	s.Append(Entry{Kind: IsTick, At: 1e6})
	entries, words := readBack(t, s, path)
	count := map[Kind]int64{}
	channels := map[readings.Channel]int{}
	last, reading := time.Duration(0), time.Duration(0)
	for _, e := range entries {
		count[e.Kind]++
		if e.Kind == IsReading {
			channels[e.Reading.Channel]++
			reading = e.At
		}
		if e.At < last {
			t.Fatalf("entries out of order at %v", e.At)
		}
		last = e.At
	}
	if count[IsTick] != 1001 || count[IsCommand] != 100 || count[IsClock] != 100 || count[IsFault] != 100 {
		t.Errorf("kept %v; want every tick, command, clock sample and fault", count)
	}
	if lost == 0 || count[IsReading]+lost != 10000 {
		t.Errorf("%d readings kept and %d said to be lost; want 10000 together", count[IsReading], lost)
	}
	// 1.13 entries a step fill 1000 places in 885 steps; thinned, the readings reach twice as far.
	if reading < 1500 {
		t.Errorf("the last reading kept is of step %d; thinning should stretch the queue beyond 1500", reading)
	}
	if d := channels[0] - channels[1]; d < -2 || d > 2 {
		t.Errorf("thinning favours a channel: %v", channels)
	}
	if holes := s.Health().Holes; len(holes) != 1 || holes[0].Lost != lost || holes[0].From < 400 || holes[0].To != 1e6 {
		t.Errorf("holes %+v; want one of %d readings, from where half the queue was full to the next entry that was kept", holes, lost)
	}
	if want := fmt.Sprintf("%d readings were not recorded", lost); !strings.Contains(strings.Join(words, " "), want) {
		t.Errorf("Lost() = %q; want %q", words, want)
	}
}

func TestEntryOfUnknownKindIsAnError(t *testing.T) {
	t.Parallel()
	s, _ := fullBox(t, 10)
	limit(t, s.boot, 1<<20)
	s.Append(Entry{Kind: 99})
	if err := s.Commit(); err == nil || !strings.Contains(err.Error(), "unknown kind 99") {
		t.Errorf("Commit = %v", err)
	}
	s.queue = s.queue[:0]
}
