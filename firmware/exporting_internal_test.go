// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"errors"
	"log/slog"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/tablet"
)

// recorded is a folder with one boot of so many readings of a tank, 20 ms apart.
func recorded(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{Clock: clock.NewVirtual(time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC), 0), Queue: 2 * n})
	if err != nil {
		t.Fatal(err)
	}
	table := NewTable(config.ExampleMachine())
	if err := s.StartBoot(store.Snapshot{Boot: "b", Software: "test", Machine: config.Example()}, table); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		at := time.Duration(i) * 20 * time.Millisecond
		s.Append(store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{At: at, Channel: table.Find("tank"), Value: 7e5, Volts: 3.3}})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// A disk that fills up while an export is made: it ends in a sentence, gives its room back, leaves the recording as it was,
// and the next one is made once there is room.
func TestAnExportGivesWayToAFullDisk(t *testing.T) {
	t.Parallel()
	dir := recorded(t, 20_000)
	before, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var asks, room atomic.Int64
	room.Store(1)
	e, err := newExporter(exporterOptions{
		dir: dir, machine: "Kettle Ridge 16", log: slog.New(slog.DiscardHandler), commit: func() error { return nil },
		clock:  func() clock.Quality { return clock.Good },
		moving: func() (bool, bool) { return false, true },
		room: func() (int64, error) {
			if asks.Add(1) == 2 { // it was begun; now the disk is full
				room.Store(-1)
			}
			return room.Load(), nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	defer e.stop()
	ended := func() tablet.ExportState {
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if st := e.State(); st.State != "working" {
				return st
			}
		}
		t.Fatal("the export goes on")
		return tablet.ExportState{}
	}
	if _, err := e.Begin(tablet.ExportWish{Format: "csv"}); err != nil && !strings.Contains(err.Error(), "too full") {
		t.Fatal(err)
	}
	if st := ended(); st.State != "failed" || !strings.Contains(st.Error, "too full to go on") || !strings.Contains(st.Error, "Free some space") || st.Bytes != 0 || len(st.Files) != 0 {
		t.Errorf("on a full disk %+v; want it failed, with what to do", st)
	}
	if _, err := os.Stat(e.folder()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("what was made is still there: %v", err)
	}
	if _, err := e.Open(); !errors.Is(err, tablet.ErrNoExport) {
		t.Errorf("half an export is opened: %v", err)
	}
	if _, err := e.Begin(tablet.ExportWish{Format: "csv"}); err == nil || !strings.Contains(err.Error(), "too full to export") {
		t.Errorf("begun on a full disk: %v; want a sentence", err)
	}
	room.Store(1)
	if _, err := e.Begin(tablet.ExportWish{Format: "csv"}); err != nil {
		t.Fatal(err)
	}
	if st := ended(); st.State != "done" || len(st.Files) != 1 || st.Files[0].Readings != 20_000 {
		t.Errorf("with room again %+v; want all 20000 readings", st)
	}
	e.Cancel()
	if after, err := os.ReadDir(dir); err != nil || len(after) != len(before) {
		t.Errorf("the folder holds %v, %v; want what it held: %v", after, err, before)
	}
}
