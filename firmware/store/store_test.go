// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// still is a clock that stands still; pause says what Sleep does.
type still struct {
	at    clock.Sample
	pause func(ctx context.Context, d time.Duration) error
}

func (s *still) Sample() clock.Sample { return s.at }
func (s *still) Sleep(ctx context.Context, d time.Duration) error {
	return s.pause(ctx, d)
}

func table() *readings.Table {
	return readings.NewTable([]readings.Info{
		{ID: "tank", Quantity: units.QPressure, Reference: units.Gauge, Unit: kpa(), Low: -1e3, High: 1.6e6, Source: "adc main input 0", Plug: "P3", Wired: true},
		{ID: "ambient", Quantity: units.QTemperature, Unit: units.Unit{Code: "Cel", Dim: units.Temperature, Factor: 1, Offset: 273.15}, Source: "can ambient.temperature"},
	})
}

func open(tb testing.TB, dir string, o store.Options) *store.Store {
	tb.Helper()
	s, err := store.Open(dir, o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { s.Close() })
	return s
}

func begin(tb testing.TB, s *store.Store, id string) store.Snapshot {
	tb.Helper()
	snap := store.Snapshot{
		Boot: id, Software: "v0.0.1", Machine: []byte("name: Kettle Ridge 16\n"),
		Alarms:  alarms.Saved{Seq: 7, Alarms: []alarms.SavedAlarm{{Key: "tank-low", Name: alarms.Shelved, Shelved: true, Left: time.Minute, By: "ann"}}},
		Learned: map[string][]byte{"cut_in": []byte("6.1e5")},
	}
	if err := s.StartBoot(snap, table()); err != nil {
		tb.Fatal(err)
	}
	return snap
}

// random makes an entry of any kind; values are any finite bits.
func random(r *rand.Rand, at time.Duration) store.Entry {
	finite := func() float64 {
		for {
			if f := math.Float64frombits(r.Uint64()); !math.IsNaN(f) && !math.IsInf(f, 0) {
				return f
			}
		}
	}
	e := store.Entry{At: at}
	switch r.IntN(10) {
	case 0:
		e.Kind = store.IsTick
	case 1:
		e.Kind = store.IsCommand
		e.Command = &alarms.Command{ID: strconv.FormatUint(r.Uint64(), 10), Verb: alarms.Shelve, Key: "tank-low", Where: "é \"x\"", For: time.Duration(r.Int64N(1e12)), By: "ann", Role: alarms.Operate, Via: "page", Why: "w", Age: 3}
	case 2:
		e.Kind = store.IsClock
		e.Clock = clock.Sample{Boot: at - 5, Quality: clock.Quality(r.IntN(3))}
		if r.IntN(3) > 0 {
			e.Clock.UTC = time.Unix(r.Int64N(1e11), r.Int64N(1e9)).UTC()
		}
	case 3:
		e.Kind = store.IsFault
		e.Fault = readings.MachineFault{At: at, Source: uint8(r.Uint32()), SPN: r.Uint32(), FMI: 3, Count: 126, Gone: r.IntN(2) == 0}
	default:
		e.Kind = store.IsReading
		e.Reading = readings.Reading{At: at, Value: finite(), Volts: finite(), Raw: int32(r.Uint32()), Channel: readings.Channel(r.IntN(2)), Quality: readings.Quality(r.IntN(12))}
		if r.IntN(4) == 0 {
			e.Reading.Value, e.Reading.Volts = math.Copysign(0, -1), float64(r.IntN(5))
		}
	}
	return e
}

// compare reports the first entry that differs; floats are compared by their bits.
func compare(tb testing.TB, what string, want, got []store.Entry) {
	tb.Helper()
	if len(want) != len(got) {
		tb.Errorf("%s: %d entries; want %d", what, len(got), len(want))
		return
	}
	bits := func(e store.Entry) store.Entry {
		e.Reading.Value, e.Reading.Volts, e.Command = 0, 0, nil
		return e
	}
	for i := range want {
		w, g := &want[i], &got[i]
		if bits(*w) != bits(*g) || math.Float64bits(w.Reading.Value) != math.Float64bits(g.Reading.Value) ||
			math.Float64bits(w.Reading.Volts) != math.Float64bits(g.Reading.Volts) || !cmp.Equal(w.Command, g.Command) {
			tb.Errorf("%s: entry %d (-want +got):\n%s", what, i, cmp.Diff(*w, *g))
			return
		}
	}
}

func replay(tb testing.TB, path string) ([]store.Entry, *store.Boot) {
	tb.Helper()
	b, err := store.OpenBoot(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer b.Close()
	var got []store.Entry
	for {
		var e store.Entry
		err := b.Next(&e)
		if errors.Is(err, io.EOF) {
			return got, b
		}
		if err != nil {
			tb.Fatal(err)
		}
		got = append(got, e)
	}
}

func TestEveryEntryComesBackAsItWas(t *testing.T) {
	t.Parallel()
	for seed := range uint64(5) {
		dir := t.TempDir()
		s := open(t, dir, store.Options{})
		snap := begin(t, s, "9f3c")
		r := rand.New(rand.NewPCG(seed, 1))
		var want []store.Entry
		for i := range 2000 {
			e := random(r, time.Duration(i)*time.Millisecond)
			s.Append(e)
			want = append(want, e)
			if r.IntN(200) == 0 {
				if err := s.Commit(); err != nil {
					t.Fatal(err)
				}
			}
		}
		if seed > 0 { // seed 0 reads while the box still writes
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		} else if err := s.Commit(); err != nil {
			t.Fatal(err)
		}
		got, b := replay(t, filepath.Join(dir, "boot-9f3c.db"))
		compare(t, fmt.Sprint("seed ", seed), want, got)
		if lost := b.Lost(); seed > 0 && len(lost) != 0 || seed == 0 && (len(lost) != 1 || !strings.Contains(lost[0], "the log was not closed")) {
			t.Errorf("seed %d: Lost() = %q; want nothing, or that the log was not closed", seed, lost)
		}
		snap.Number = 1
		if diff := cmp.Diff(snap, b.Snapshot()); diff != "" {
			t.Errorf("snapshot (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(table(), b.Table(), cmp.AllowUnexported(readings.Table{}), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("table (-want +got):\n%s", diff)
		}
	}
}

func TestWhatIsNoNumberIsNotLogged(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	begin(t, s, "a")
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		s.Append(store.Entry{Kind: store.IsReading, Reading: readings.Reading{Value: v}})
		s.Append(store.Entry{Kind: store.IsReading, Reading: readings.Reading{Volts: v}})
	}
	s.Append(store.Entry{Kind: store.IsTick, At: 5})
	if got := s.Health().Refused; got != 6 {
		t.Errorf("Refused = %d; want 6", got)
	}
	s.Close()
	if got, b := replay(t, filepath.Join(dir, "boot-a.db")); len(got) != 1 || len(b.Lost()) != 0 {
		t.Errorf("%d entries, lost %q; want the tick alone", len(got), b.Lost())
	}
}

func TestDeletedCommandsAreNoticed(t *testing.T) {
	t.Parallel()
	for name, q := range map[string]string{
		"emptied":      "DELETE FROM commands",
		"one taken":    "DELETE FROM commands WHERE seq = (SELECT min(seq) FROM commands)",
		"table gone":   "DROP TABLE commands",
		"table pruned": "DROP TABLE commands; CREATE TABLE commands (seq INTEGER PRIMARY KEY, at INTEGER, command TEXT)",
	} {
		dir := t.TempDir()
		s := open(t, dir, store.Options{})
		begin(t, s, "a")
		for i := range 3 {
			s.Append(store.Entry{Kind: store.IsTick, At: time.Duration(i)})
			s.Append(store.Entry{Kind: store.IsCommand, Command: &alarms.Command{ID: "x"}})
		}
		s.Close()
		path := filepath.Join(dir, "boot-a.db")
		tamper(t, path, q)
		_, err := store.OpenBoot(path)
		if !errors.Is(err, store.ErrCommandsGone) || !strings.Contains(err.Error(), "3 commands") {
			t.Errorf("%s: OpenBoot = %v; want ErrCommandsGone and how many", name, err)
		}
	}
}

func tamper(tb testing.TB, path, q string) {
	tb.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		tb.Fatal(err)
	}
	defer db.Close()
	if _, err := db.ExecContext(context.Background(), q); err != nil {
		tb.Fatal(err)
	}
}

func TestRemovedReadingsAreSaid(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	begin(t, s, "a")
	for i := range 10 {
		s.Append(store.Entry{Kind: store.IsReading, At: time.Duration(i), Reading: readings.Reading{At: time.Duration(i)}})
	}
	s.Close()
	path := filepath.Join(dir, "boot-a.db")
	tamper(t, path, "DELETE FROM readings WHERE seq IN (4, 5, 10)")
	got, b := replay(t, path)
	want := []string{"entries 4 to 5 are missing", "10 entries were recorded, the log ends at 9"}
	if len(got) != 7 || !slices.Equal(b.Lost(), want) {
		t.Errorf("%d entries, lost %q; want 7 and %q", len(got), b.Lost(), want)
	}
}

// A power cut is a copy of the files at some instant, of which the end of the -wal file may be missing.
func TestPowerCutLosesAtMostWhatWasNotCommitted(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	begin(t, s, "a")
	r := rand.New(rand.NewPCG(9, 9))
	var want []store.Entry
	var committed []int // entries after each commit
	var grown []int64   // size of the -wal file after each commit
	for c := range 12 {
		for range 40 {
			e := random(r, time.Duration(len(want))*time.Millisecond)
			s.Append(e)
			want = append(want, e)
		}
		if err := s.Commit(); err != nil {
			t.Fatal(err)
		}
		st, err := os.Stat(filepath.Join(dir, "boot-a.db-wal"))
		if err != nil {
			t.Fatal(err)
		}
		committed, grown = append(committed, len(want)), append(grown, st.Size())
		if c > 0 && grown[c] <= grown[c-1] {
			t.Fatalf("commit %d did not grow the -wal file: %v", c, grown)
		}
	}
	main, err := os.ReadFile(filepath.Join(dir, "boot-a.db"))
	if err != nil {
		t.Fatal(err)
	}
	wal, err := os.ReadFile(filepath.Join(dir, "boot-a.db-wal"))
	if err != nil {
		t.Fatal(err)
	}
	cuts := []int{0, 1, 31, 32, 33, len(wal)}
	for range 60 {
		cuts = append(cuts, r.IntN(len(wal)))
	}
	for _, g := range grown {
		cuts = append(cuts, int(g), int(g)-1)
	}
	for _, cut := range cuts {
		least := 0
		for i, g := range grown {
			if int64(cut) >= g {
				least = committed[i]
			}
		}
		path := filepath.Join(t.TempDir(), "boot-a.db")
		os.WriteFile(path, main, 0o600)
		os.WriteFile(path+"-wal", wal[:cut], 0o600)
		got, _ := replay(t, path)
		compare(t, fmt.Sprintf("cut at %d of %d", cut, len(wal)), want[:least], got)
	}
	lone := filepath.Join(t.TempDir(), "boot-a.db")
	os.WriteFile(lone, main, 0o600)
	if got, b := replay(t, lone); len(got) != 0 || !strings.Contains(strings.Join(b.Lost(), " "), "-wal file") {
		t.Errorf("without its -wal: %d entries, lost %q; want that the file is missed", len(got), b.Lost())
	}
}

func TestTornFileIsReadAsFarAsItIsWhole(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	begin(t, s, "a")
	var want []store.Entry
	for i := range 20000 {
		at := time.Duration(i) * 100 * time.Millisecond
		e := store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{At: at, Value: float64(i) + 0.5, Volts: 2.5}}
		if i%10 == 0 {
			e = store.Entry{Kind: store.IsTick, At: at}
		}
		if i == 5 {
			e = store.Entry{Kind: store.IsCommand, At: at, Command: &alarms.Command{ID: "1"}}
		}
		s.Append(e)
		want = append(want, e)
		if i%1000 == 0 {
			if err := s.Commit(); err != nil {
				t.Fatal(err)
			}
		}
	}
	s.Close()
	whole, err := os.ReadFile(filepath.Join(dir, "boot-a.db"))
	if err != nil {
		t.Fatal(err)
	}
	some := 0
	for _, part := range []float64{0.2, 0.5, 0.8, 0.95, 0.999} {
		cut := int(float64(len(whole)) * part)
		path := filepath.Join(t.TempDir(), "boot-a.db")
		os.WriteFile(path, whole[:cut], 0o600)
		b, err := store.OpenBoot(path)
		if err != nil {
			if !errors.Is(err, store.ErrCorrupt) {
				t.Errorf("cut at %d: %v; want ErrCorrupt or entries", cut, err)
			}
			continue
		}
		b.Close()
		got, b := replay(t, path)
		if len(got) > 0 {
			some++
		}
		compare(t, fmt.Sprint("cut at ", cut), want[:len(got)], got)
		if lost := strings.Join(b.Lost(), "; "); !strings.Contains(lost, "the file ends after") || !strings.Contains(lost, "20000 entries were recorded") {
			t.Errorf("cut at %d: lost %q; want what is missing", cut, lost)
		}
	}
	if some < 2 {
		t.Errorf("only %d of the cuts gave entries", some)
	}
}

func TestSecondBoxIsKeptOut(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	if _, err := store.Open(dir, store.Options{}); !errors.Is(err, store.ErrInUse) || !strings.Contains(err.Error(), strconv.Itoa(os.Getpid())) {
		t.Errorf("second Open = %v; want ErrInUse and the process", err)
	}
	look := open(t, dir, store.Options{ReadOnly: true})
	if _, err := look.ReadJournal(time.Time{}); err != nil {
		t.Errorf("looking at a running box: %v", err)
	}
	s.Close()
	open(t, dir, store.Options{})
}

func TestFilesThatAreNotOursOrDamaged(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		make func(t *testing.T, path string)
		want error // nil: opened, and the damaged file kept aside
	}{
		{"another program's", func(t *testing.T, path string) {
			t.Helper()
			tamper(t, path, "CREATE TABLE birds (name)")
		}, store.ErrNotOurs},
		{"from the future", func(t *testing.T, path string) {
			t.Helper()
			s := open(t, filepath.Dir(path), store.Options{})
			s.Close()
			tamper(t, path, "PRAGMA user_version = 99")
		}, store.ErrNewer},
		{"garbage", func(_ *testing.T, path string) {
			os.WriteFile(path, []byte(strings.Repeat("no database ", 1000)), 0o600)
		}, nil},
		{"a page overwritten", func(t *testing.T, path string) {
			t.Helper()
			s := open(t, filepath.Dir(path), store.Options{})
			for i := range 500 {
				s.Event(0, "note", fmt.Sprint("some words to fill pages ", i))
			}
			s.Close()
			b, err := os.ReadFile(path)
			if err != nil || len(b) < 5*4096 {
				t.Fatalf("%d bytes, %v", len(b), err)
			}
			for i := range 4096 {
				b[len(b)-3*4096+i] = 0xa5
			}
			os.WriteFile(path, b, 0o600)
		}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := filepath.Join(dir, "box.db")
			tc.make(t, path)
			before, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			s, err := store.Open(dir, store.Options{})
			if tc.want != nil {
				if !errors.Is(err, tc.want) || !strings.Contains(err.Error(), path) {
					t.Errorf("Open = %v; want %v and the path", err, tc.want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			kept, err := os.ReadFile(path + ".damaged-1")
			if err != nil || string(kept) != string(before) {
				t.Errorf("the damaged file was not kept: %v", err)
			}
			if notes := strings.Join(s.Notes(), " "); !strings.Contains(notes, ".damaged-1") {
				t.Errorf("Notes() = %q; want where the damaged file is", notes)
			}
			if err := s.Commit(); err != nil {
				t.Fatal(err)
			}
			if r, err := s.ReadJournal(time.Time{}); err != nil || len(r) != 1 || r[0].Kind != "store" {
				t.Errorf("journal %+v, %v; want a record of it", r, err)
			}
		})
	}
}

func TestFolderThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "file")
	os.WriteFile(file, nil, 0o600)
	if _, err := store.Open(filepath.Join(file, "data"), store.Options{}); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("Open below a file = %v; want an error naming it", err)
	}
	if _, err := store.Open("/proc/airhold", store.Options{}); err == nil || !strings.Contains(err.Error(), "/proc/airhold") {
		t.Errorf("Open in /proc = %v; want an error naming it", err)
	}
	if _, err := store.Open(t.TempDir(), store.Options{ReadOnly: true}); err == nil || !strings.Contains(err.Error(), "no journal in") {
		t.Errorf("looking at an empty folder = %v", err)
	}
}

func TestKeptValuesSurvive(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{Clock: &still{at: clock.Sample{UTC: time.Date(2026, 4, 28, 14, 0, 0, 0, time.UTC)}}})
	if a, err := s.Alarms(); err != nil || a.Seq != 0 {
		t.Errorf("new box: alarms %+v, %v", a, err)
	}
	if text, _, err := s.Machine(); err != nil || text != nil {
		t.Errorf("new box: machine %q, %v", text, err)
	}
	s.KeepAlarms(alarms.Saved{Seq: 1})
	s.KeepAlarms(alarms.Saved{Seq: 2, Alarms: []alarms.SavedAlarm{{Key: "air-leak", Where: "front rank", Unacked: true}}})
	s.KeepLearned("cut_in", []byte("1"))
	s.KeepLearned("cut_out", []byte("2"))
	for _, text := range []string{"name: a\n", "name: b\n", "name: b\n"} {
		if err := s.AcceptMachine([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	s = open(t, dir, store.Options{})
	s.KeepLearned("cut_in", nil)
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	a, err := s.Alarms()
	if err != nil || a.Seq != 2 || len(a.Alarms) != 1 || !a.Alarms[0].Unacked {
		t.Errorf("alarms %+v, %v", a, err)
	}
	if l, err := s.Learned(); err != nil || len(l) != 1 || string(l["cut_out"]) != "2" {
		t.Errorf("learned %q, %v; want cut_out alone", l, err)
	}
	if text, at, err := s.Machine(); err != nil || string(text) != "name: b\n" || at.Hour() != 14 {
		t.Errorf("machine %q, %v, %v", text, at, err)
	}
}

func TestJournalChain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	now := clock.Sample{Boot: 10 * time.Second, UTC: time.Date(2026, 4, 28, 14, 0, 10, 0, time.UTC), Quality: clock.Good}
	s := open(t, dir, store.Options{Clock: &still{at: now}})
	begin(t, s, "9f3c")
	for i := range 20 {
		s.Transition(alarms.Transition{
			Seq: uint64(i + 1), At: time.Duration(i) * time.Second, From: alarms.Normal, To: alarms.ActiveUnacked,
			State: alarms.State{Key: "tank-low", Where: "w", Value: findings.Measure{SI: 512e3, Unit: kpa(), Reference: units.Gauge}},
			Actor: "ann", Role: alarms.Operate, Via: "page", Reason: "r",
		})
	}
	s.Event(30*time.Second, "clock-step", "wall clock moved by 2 s")
	s.Close()

	s = open(t, dir, store.Options{ReadOnly: true})
	all, err := s.ReadJournal(time.Time{})
	if err != nil || len(all) != 21 {
		t.Fatalf("%d records, %v", len(all), err)
	}
	r := all[3]
	if r.Alarm != "tank-low" || r.Where != "w" || r.From != "normal" || r.To != "active_unacked" || r.Actor != "ann" || r.MonoMS != 3000 || r.Boot != "9f3c" ||
		!r.UTC.Equal(now.UTC.Add(-7*time.Second)) || r.Clock != "good" || r.Value != `{"value":512,"unit":"kPa","reference":"gauge"}` || r.Limit != "" || len(r.Config) != 64 {
		t.Errorf("record %+v", r)
	}
	if some, err := s.ReadJournal(now.UTC.Add(5 * time.Second)); err != nil || len(some) != 5+1 {
		t.Errorf("since 14:00:15: %d records, %v; want the last 6", len(some), err)
	}
	v, err := s.Verify()
	if err != nil || !v.OK || v.Records != 21 {
		t.Fatalf("Verify() = %+v, %v", v, err)
	}
	s.Close()

	for _, tc := range []struct {
		name, sql string
		broken    int64
		why       string
	}{
		{"a word changed", `UPDATE journal SET actor = 'bob' WHERE seq = 7`, 7, "changed"},
		{"a word moved into the next column", `UPDATE journal SET actor = 'annoperate', role = '' WHERE seq = 7`, 7, "changed"},
		{"a time changed", `UPDATE journal SET utc = '' WHERE seq = 2`, 2, "changed"},
		{"one removed", `DELETE FROM journal WHERE seq = 9`, 9, "missing"},
		{"the first removed", `DELETE FROM journal WHERE seq = 1`, 1, "missing"},
		{"the end cut off", `DELETE FROM journal WHERE seq > 15`, 16, "gone"},
		{"the end cut off, and the note of it", `DELETE FROM journal WHERE seq > 15; UPDATE meta SET value = 15 WHERE key = 'journal_records'`, 15, "note"},
		{"one exchanged with its hash", `UPDATE journal SET sha256 = prev_sha256 WHERE seq = 5`, 5, "changed"},
		{"all removed", `DELETE FROM journal`, 1, "gone"},
		{"one forged with a hash of its own", forge(all[6]), 8, "does not follow"},
	} {
		path := filepath.Join(t.TempDir(), "box.db")
		b, err := os.ReadFile(filepath.Join(dir, "box.db"))
		if err != nil {
			t.Fatal(err)
		}
		os.WriteFile(path, b, 0o600)
		tamper(t, path, tc.sql)
		s := open(t, filepath.Dir(path), store.Options{ReadOnly: true})
		v, err := s.Verify()
		if err != nil || v.OK || v.Broken != tc.broken || !strings.Contains(v.Why, tc.why) {
			t.Errorf("%s: Verify() = %+v, %v; want record %d, %q", tc.name, v, err, tc.broken, tc.why)
		}
		s.Close()
	}
}

// A journal whose end was cut off together with the file's own note of it holds together by itself. A head that has left the
// box, as each day's sum carries it, tells.
func TestHeadThatLeftTheBoxTellsOfACutEnd(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	begin(t, s, "b")
	for i := range 6 {
		s.Event(time.Duration(i)*time.Second, "start", "started")
	}
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	_, head := s.Head()
	if n, err := s.RecordOf(head); err != nil || n != 6 {
		t.Errorf("RecordOf(head) = %d, %v; want 6", n, err)
	}
	s.Close()
	tamper(t, filepath.Join(dir, "box.db"), `DELETE FROM journal WHERE seq > 4; UPDATE meta SET value = 4 WHERE key = 'journal_records';
		UPDATE meta SET value = (SELECT sha256 FROM journal WHERE seq = 4) WHERE key = 'journal_head'`)
	s = open(t, dir, store.Options{ReadOnly: true})
	defer s.Close()
	v, err := s.Verify()
	if err != nil || !v.OK {
		t.Fatalf("Verify() = %+v, %v; want that nothing is seen from inside", v, err)
	}
	if n, err := s.RecordOf(head); err != nil || n != 0 {
		t.Errorf("RecordOf(head) = %d, %v; want 0: the record is gone", n, err)
	}
}

// forge changes who did something and works the record's hash out anew, from its description alone: SHA-256 over
// every field with its length and a colon before it.
func forge(r store.Record) string {
	h := sha256.New()
	for _, f := range []string{
		strconv.FormatInt(r.Seq, 10), r.Prev, r.UTC.Format(time.RFC3339Nano), r.Clock, r.Boot, strconv.FormatInt(r.MonoMS, 10),
		r.Kind, "bob", r.Role, r.Via, r.Alarm, r.Where, r.From, r.To, r.Value, r.Limit, r.Reason, r.Config,
	} {
		fmt.Fprintf(h, "%d:%s", len(f), f)
	}
	return fmt.Sprintf("UPDATE journal SET actor = 'bob', sha256 = '%x' WHERE seq = %d", h.Sum(nil), r.Seq)
}

func TestJournalGoesOnAcrossBoots(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for i := range 3 {
		s := open(t, dir, store.Options{})
		begin(t, s, fmt.Sprint("b", i))
		s.Event(0, "start", "started")
		s.Close()
	}
	s := open(t, dir, store.Options{})
	if v, err := s.Verify(); err != nil || !v.OK || v.Records != 3 {
		t.Errorf("Verify() = %+v, %v", v, err)
	}
	if seq, sum := s.Head(); seq != 3 || len(sum) != 64 {
		t.Errorf("Head() = %d, %q", seq, sum)
	}
}

func TestRunCommitsEachSecondAndAtOnceForAlarms(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	beat := make(chan struct{})
	s := open(t, dir, store.Options{Clock: &still{pause: func(ctx context.Context, _ time.Duration) error {
		select {
		case <-beat:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}}})
	begin(t, s, "a")
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := s.Run(ctx); err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	path := filepath.Join(dir, "boot-a.db")
	s.Append(store.Entry{Kind: store.IsTick, At: 1})
	beat <- struct{}{}
	beat <- struct{}{}
	beat <- struct{}{} // taken only after Run has come back from the first one's commit
	if got, _ := replay(t, path); len(got) != 1 {
		t.Errorf("after a second: %d entries; want 1", len(got))
	}
	s.Append(store.Entry{Kind: store.IsTick, At: 2})
	stop()
	wg.Wait()
	if got, _ := replay(t, path); len(got) != 2 {
		t.Errorf("after the end: %d entries; want both", len(got))
	}
}

func TestRunOnTheSimulatedClock(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		t.Helper()
		v := clock.NewVirtual(time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC), 0)
		s := open(t, dir, store.Options{Clock: v})
		begin(t, s, "a")
		ctx, stop := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() {
			if err := s.Run(ctx); err != nil {
				t.Errorf("Run: %v", err)
			}
		})
		leave := v.Join()
		for i := range 100 {
			s.Append(store.Entry{Kind: store.IsTick, At: time.Duration(i)})
			if err := v.Sleep(ctx, 100*time.Millisecond); err != nil {
				t.Fatal(err)
			}
		}
		leave()
		stop()
		wg.Wait()
		s.Close()
	})
	if got, _ := replay(t, filepath.Join(dir, "boot-a.db")); len(got) != 100 {
		t.Errorf("%d entries; want 100", len(got))
	}
}

func TestBootIDs(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir(), store.Options{})
	for _, id := range []string{"", "../x", "A", "a b", strings.Repeat("a", 65)} {
		if err := s.StartBoot(store.Snapshot{Boot: id}, table()); err == nil {
			t.Errorf("boot id %q was taken", id)
		}
	}
	begin(t, s, "a")
	if err := s.StartBoot(store.Snapshot{Boot: "b"}, table()); err == nil {
		t.Error("a second boot was started")
	}
}

func TestOpenBootErrors(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	empty := filepath.Join(dir, "boot-e.db")
	os.WriteFile(empty, nil, 0o600)
	junk := filepath.Join(dir, "boot-j.db")
	os.WriteFile(junk, []byte(strings.Repeat("junk", 999)), 0o600)
	other := filepath.Join(dir, "boot-o.db")
	tamper(t, other, "CREATE TABLE birds (name)")
	for path, want := range map[string]error{
		empty: store.ErrCorrupt, junk: store.ErrCorrupt, other: store.ErrNotOurs, filepath.Join(dir, "none.db"): os.ErrNotExist,
	} {
		if _, err := store.OpenBoot(path); !errors.Is(err, want) || !strings.Contains(err.Error(), filepath.Base(path)) {
			t.Errorf("OpenBoot(%s) = %v; want %v", filepath.Base(path), err, want)
		}
	}
}

func TestAppendAllocatesNothing(t *testing.T) {
	s := open(t, t.TempDir(), store.Options{})
	begin(t, s, "a")
	at := time.Duration(0)
	if n := testing.AllocsPerRun(4000, func() {
		at += time.Millisecond
		s.Append(store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{At: at, Value: 7e5}})
	}); n != 0 {
		t.Errorf("%v allocations an entry; want 0", n)
	}
}

func BenchmarkAppendAndCommit(b *testing.B) {
	s := open(b, b.TempDir(), store.Options{})
	begin(b, s, "a")
	at := time.Duration(0)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		at += time.Millisecond
		s.Append(store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{At: at, Value: 7e5, Volts: 2.5, Raw: 13000}})
		if n++; n%1000 == 0 {
			if err := s.Commit(); err != nil {
				b.Fatal(err)
			}
		}
	}
}
