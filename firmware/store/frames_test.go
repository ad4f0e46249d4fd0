// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/store"
)

// stopped is a clock that stands still and needs no time to sleep but the test's.
type stopped struct{ at clock.Sample }

func (c stopped) Sample() clock.Sample { return c.at }

func (stopped) Sleep(ctx context.Context, _ time.Duration) error {
	<-ctx.Done()
	return ctx.Err()
}

func rawFrame(i int) *bus.Frame {
	return &bus.Frame{
		Frame: can.Frame{ID: 0x18fef100, IsExtended: true, Length: 8, Data: can.Data{byte(i)}},
		Boot:  time.Duration(i) * time.Millisecond, Link: uint16(i % 2),
	}
}

func TestFramesAreACapture(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	noon := time.Date(2026, 4, 28, 12, 0, 0, 0, time.UTC)
	s := open(t, dir, store.Options{Clock: stopped{clock.Sample{Boot: time.Second, UTC: noon, Quality: clock.Good}}})
	if _, err := s.Frames([]string{"can0"}); err == nil {
		t.Error("frames before a boot; want an error")
	}
	begin(t, s, "a")
	tap, err := s.Frames([]string{"can0", "can1"})
	if err != nil {
		t.Fatal(err)
	}
	write := func(from, n int) {
		for i := from; i < from+n; i++ {
			tap.Write(rawFrame(i))
		}
	}
	write(0, 500)
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	write(500, 500)
	tap.Write(&bus.Frame{Link: 9})
	tap.Dropped(1, 3)
	var last *capture.Reader
	read := func() int {
		r, err := capture.Open(filepath.Join(dir, "boot-a-0001.pcapng"))
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		var f bus.Frame
		n := 0
		for r.Next(&f) == nil {
			want := rawFrame(n)
			if f.Frame != want.Frame || f.Link != want.Link || f.Boot != want.Boot || !f.UTC.Equal(noon.Add(want.Boot-time.Second)) {
				t.Fatalf("frame %d: %+v", n, f)
			}
			n++
		}
		last = r
		return n
	}
	if n := read(); n != 500 {
		t.Errorf("after the first commit: %d frames; want 500", n)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if n := read(); n != 1000 {
		t.Errorf("at the end: %d frames; want 1000", n)
	}
	if st, ok := last.Statistics(1); !ok || st.Received != 503 || st.OSDropped != 3 {
		t.Errorf("statistics of can1: %+v; want 500 recorded and 3 dropped by the kernel", st)
	}
	h := s.Health()
	if h.Frames != 1 || len(h.Raw) != 1 || h.Raw[0].Written != 1000 || h.Raw[0].Synced != 1000 || h.Raw[0].State != "recording" {
		t.Errorf("Health() = %+v; want the one of a link without name dropped, 1000 written and kept", h)
	}
}

// Run records too, and writes what is left when it is stopped.
func TestRunRecordsFrames(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{Clock: stopped{}})
	begin(t, s, "a")
	tap, err := s.Frames([]string{"can0", "can1"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	for i := range 5000 {
		tap.Write(rawFrame(i))
	}
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if h := s.Health(); h.Raw[0].Synced != 5000 {
		t.Errorf("%+v; want 5000 kept", h.Raw[0])
	}
}

// The next start repairs what the last one left torn, and says so in a sentence.
func TestTornFramesAreRepairedAndSaid(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	begin(t, s, "a")
	tap, err := s.Frames([]string{"can0", "can1"})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 100 {
		tap.Write(rawFrame(i))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "boot-a-0001.pcapng")
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, st.Size()-30); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, store.Options{})
	begin(t, s, "b")
	if _, err := s.Frames([]string{"can0"}); err != nil {
		t.Fatal(err)
	}
	if notes := strings.Join(s.Notes(), " "); !strings.Contains(notes, "boot-a-0001.pcapng was torn when the power went: its last ") {
		t.Errorf("Notes() = %q", notes)
	}
	s.Close()
}

// Which boots had alarms, the journal knows: their frames are kept longest.
func TestJournalKnowsWhichBootsHadAlarms(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, id := range []string{"quiet", "loud"} {
		s := open(t, dir, store.Options{})
		begin(t, s, id)
		if id == "loud" {
			s.Transition(alarms.Transition{To: alarms.ActiveUnacked})
		} else {
			s.Event(0, "note", "nothing to see")
		}
		s.Close()
	}
	s := open(t, dir, store.Options{})
	if s.HadAlarms("quiet") || !s.HadAlarms("loud") || s.HadAlarms("never") {
		t.Errorf("HadAlarms: quiet %v, loud %v, never %v; want only loud", s.HadAlarms("quiet"), s.HadAlarms("loud"), s.HadAlarms("never"))
	}
	s.Close()
	if !s.HadAlarms("quiet") {
		t.Error("a closed store said that a boot had no alarms")
	}
}
