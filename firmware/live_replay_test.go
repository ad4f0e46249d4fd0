// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	_ "modernc.org/sqlite" // the log's files, to take something away from them

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/rig"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

// written keeps what a spine says in the journal's own words, one line a record, without what only a wall clock knows.
type written struct{ lines []string }

// Transition writes a change down as the journal does.
func (w *written) Transition(t alarms.Transition) {
	w.lines = append(w.lines, strings.Join([]string{
		ms(t.At), "alarm", string(t.State.Key), t.State.Where, string(t.From), string(t.To), t.Actor, string(t.Role), t.Via, t.Reason,
		measure(t.State.Value), measure(t.State.Limit),
	}, "|"))
}

// Run is not in the journal.
func (*written) Run(compressor.Run) {}

// Estimate is not in the journal.
func (*written) Estimate(firmware.Estimate) {}

// Event writes an event down.
func (w *written) Event(e firmware.Event) {
	w.lines = append(w.lines, strings.Join([]string{ms(e.At), e.Kind, "", "", "", "", "", "", "", e.Text, "", ""}, "|"))
}

func ms(d time.Duration) string { return strconv.FormatInt(d.Milliseconds(), 10) }

func measure(m findings.Measure) string {
	if m.IsZero() {
		return ""
	}
	b, err := json.Marshal(m)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

func journalLines(records []store.Record) []string {
	out := make([]string, 0, len(records))
	for i := range records {
		r := &records[i]
		out = append(out, strings.Join([]string{
			strconv.FormatInt(r.MonoMS, 10), r.Kind, r.Alarm, r.Where, r.From, r.To, r.Actor, r.Role, r.Via,
			r.Reason, r.Value, r.Limit,
		}, "|"))
	}
	return out
}

// liveDay is the first quarter of an hour of the story of faults with people in it: two acknowledgements, a shelve that
// runs out, and a wall clock that jumps a day ahead between them.
func liveDay(t *testing.T) *stand {
	t.Helper()
	ack := func(key findings.Key, where, by string) func(*stand) {
		return func(s *stand) {
			s.do(alarms.Command{ID: "ack-" + string(key), Verb: alarms.Ack, Key: key, Where: where, By: by})
		}
	}
	return play(t, standOptions{story: "faults", whole: true, script: []cue{
		{4 * time.Minute, ack("pressure-fault", "tank", "Ada")},
		{10*time.Minute + 1500*time.Millisecond, ack("can-silent", "can0", "Ben")},
		{11 * time.Minute, func(s *stand) { s.clock.Step(24 * time.Hour) }},
		{14 * time.Minute, func(s *stand) {
			s.do(alarms.Command{ID: "shelve", Verb: alarms.Shelve, Key: "tank-low", For: time.Minute, By: "Cleo", Why: "known, parts are ordered"})
		}},
		{15*time.Minute + 30*time.Second, func(*stand) {}},
	}})
}

func TestReplayWritesTheLiveJournal(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: a quarter of an hour of a box; shorter ones run under the detector")
	}
	s := liveDay(t)
	records := journal(t, s.dir)
	live := journalLines(records)

	count := map[string]int{}
	for i := range records {
		r := &records[i]
		if r.Actor != "" {
			count[r.Actor]++
		}
		count[r.Kind]++
	}
	for _, want := range []string{"Ada", "Ben", "Cleo", "clock-step", "alarm"} {
		if count[want] == 0 {
			t.Errorf("nothing of %q in the live journal:\n%s", want, strings.Join(live, "\n"))
		}
	}

	t.Run("same", func(t *testing.T) {
		w := &written{}
		r, err := firmware.OpenReplay(firmware.ReplayOptions{Log: s.dir, Out: w})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if err := r.Run(); err != nil {
			t.Fatal(err)
		}
		if lost := r.Notes(); len(lost) > 0 {
			t.Errorf("the log lost something: %q", lost)
		}
		if diff := cmp.Diff(live, w.lines); diff != "" {
			t.Errorf("the replay's journal is not the live one (-live +replay):\n%s", diff)
		}
	})

	t.Run("sealed", func(t *testing.T) {
		path := copyBoot(t, s.dir)
		plain := readBoot(t, path)
		if err := sealed.Seal(t.Context(), path); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there (%v); want only the sealed files", path, err)
		}
		w := &written{}
		r, err := firmware.OpenReplay(firmware.ReplayOptions{Log: filepath.Dir(path), Out: w})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if err := r.Run(); err != nil {
			t.Fatal(err)
		}
		if lost := r.Notes(); len(lost) > 0 {
			t.Errorf("the sealed log lost something: %q", lost)
		}
		if diff := cmp.Diff(live, w.lines); diff != "" {
			t.Errorf("the sealed boot's journal is not the live one (-live +sealed):\n%s", diff)
		}
		again := readBoot(t, filepath.Dir(path))
		if len(plain.entries) != len(again.entries) {
			t.Fatalf("%d entries were recorded, %d are sealed", len(plain.entries), len(again.entries))
		}
		for i := range plain.entries {
			// == of floats would take minus zero for zero; a text of their bits does not.
			if a, b := bitsOf(&plain.entries[i]), bitsOf(&again.entries[i]); a != b {
				t.Fatalf("entry %d is sealed as\n%s\nwant\n%s", i, b, a)
			}
		}
		if diff := cmp.Diff(plain.snap, again.snap); diff != "" {
			t.Errorf("the snapshot differs (-recorded +sealed):\n%s", diff)
		}
	})

	// A check that cannot fail is none: without any one of the commands the journal must come out different.
	boot := readBoot(t, s.dir)
	for skip := 1; skip <= 3; skip++ {
		t.Run(fmt.Sprintf("without command %d", skip), func(t *testing.T) {
			if got := boot.without(t, skip); slices.Equal(live, got) {
				t.Errorf("the journal is the same without command %d: it does not tell what people did", skip)
			}
		})
	}

	for name, q := range map[string]string{
		"commands emptied":    "DELETE FROM commands",
		"commands dropped":    "DROP TABLE commands",
		"one command deleted": "DELETE FROM commands WHERE seq = (SELECT min(seq) FROM commands)",
	} {
		t.Run(name, func(t *testing.T) {
			path := copyBoot(t, s.dir)
			change(t, path, q)
			_, err := firmware.OpenReplay(firmware.ReplayOptions{Log: path, Out: &written{}})
			if !errors.Is(err, store.ErrCommandsGone) {
				t.Errorf("OpenReplay = %v; want it refused because commands are gone", err)
			}
		})
	}
}

// recorded is a boot's log in memory.
type recorded struct {
	snap    store.Snapshot
	table   *readings.Table
	entries []store.Entry
	lost    []string // what is missing, a sentence each
}

func readBoot(t *testing.T, dir string) *recorded {
	t.Helper()
	path, err := sealed.Find(dir)
	if err != nil {
		t.Fatal(err)
	}
	b, err := sealed.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	r := &recorded{snap: b.About().Snapshot, table: b.About().Table}
	for {
		var e store.Entry
		err := b.Next(&e)
		if errors.Is(err, io.EOF) {
			r.lost = b.Lost()
			return r
		}
		if err != nil {
			t.Fatal(err)
		}
		r.entries = append(r.entries, e)
	}
}

// bitsOf writes an entry down with the bits of its numbers.
func bitsOf(e *store.Entry) string {
	r := &e.Reading
	command, err := json.Marshal(e.Command)
	return fmt.Sprintf("%d %d | %d %x %x %d %d %d | %s %v | %d %v %d | %+v", e.Kind, e.At, r.At, math.Float64bits(r.Value), math.Float64bits(r.Volts),
		r.Raw, r.Channel, r.Quality, command, err, e.Clock.Boot, e.Clock.UTC, e.Clock.Quality, e.Fault)
}

// without gives a spine all entries but the n-th command, and returns the journal.
func (r *recorded) without(t *testing.T, n int) []string {
	t.Helper()
	m, problems := config.Parse("snapshot", r.snap.Machine)
	if m == nil {
		t.Fatal(problems)
	}
	w := &written{}
	sp, err := firmware.NewSpine(firmware.SpineOptions{Machine: m, Table: r.table, Out: w, Saved: &r.snap.Alarms})
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.entries {
		if r.entries[i].Kind == store.IsCommand {
			if n--; n == 0 {
				continue
			}
		}
		sp.Apply(&r.entries[i])
	}
	return w.lines
}

// copyBoot copies the recorded boot of a folder elsewhere.
func copyBoot(t *testing.T, dir string) string {
	t.Helper()
	path, err := sealed.Find(dir)
	if err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(t.TempDir(), filepath.Base(path))
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + end)
		if errors.Is(err, os.ErrNotExist) && end != "" {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to+end, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

func change(t *testing.T, path, q string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.ExecContext(t.Context(), q); err != nil {
		t.Fatal(err)
	}
}

// TestClosedBootsAreSealed has a box begin a second boot in the folder of the first: the first becomes Parquet while the
// second is recorded, and the second stays as it is.
func TestClosedBootsAreSealed(t *testing.T) {
	t.Parallel()
	short := []cue{{at: 20 * time.Second, do: func(*stand) {}}}
	one := play(t, standOptions{story: rig.ShopStory, script: short})
	there := func(name string) bool {
		_, err := os.Stat(filepath.Join(one.dir, name))
		return err == nil
	}
	two := newStand(t, standOptions{story: rig.ShopStory, dir: one.dir, boot: "second", rate: 1})
	two.start()
	for range 600 {
		if !there("boot-test.db") {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	two.stop()
	if there("boot-test.db") || !there("boot-test.readings.parquet") || !there("boot-test.events.parquet") {
		t.Error("the first boot is not sealed after half a minute of the second")
	}
	if !there("boot-second.db") || there("boot-second.readings.parquet") {
		t.Error("the boot that is recorded was touched")
	}
}
