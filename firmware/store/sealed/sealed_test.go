// SPDX-License-Identifier: Apache-2.0

package sealed_test

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	_ "modernc.org/sqlite" // to write into a recording what no box writes

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
	"airhold/sensors/units"
)

// fixed is a clock that always says the same.
type fixed struct{ clock.Live }

func (fixed) Sample() clock.Sample { return clock.Sample{} }

var day = time.Date(2026, 4, 28, 5, 10, 0, 0, time.UTC)

func channels() *readings.Table {
	kpa, cel := units.Preferred(units.Pressure), units.Preferred(units.Temperature)
	return readings.NewTable([]readings.Info{
		{ID: "tank", Quantity: units.QPressure, Reference: units.Gauge, Unit: kpa, High: 1e6, Source: "adc main input 0", Plug: "P1", Wired: true},
		{ID: "ambient", Quantity: units.QTemperature, Unit: cel, Source: "adc main input 1"},
		{ID: "box.clock"},
	})
}

// odd are numbers that a careless copy would change.
var odd = []float64{0, math.Copysign(0, -1), 1e-310, math.MaxFloat64, -273.15, 0.1, 1.0 / 3, 6894.757293168361}

// entries makes n entries of every kind with what may stand in them.
func entries(n int) []store.Entry {
	out := make([]store.Entry, 0, n)
	for i := range n {
		at := time.Duration(i) * 37 * time.Millisecond
		e := store.Entry{Kind: store.IsReading, At: at}
		switch {
		case i%50 == 3:
			e = store.Entry{Kind: store.IsTick, At: at}
		case i%50 == 4:
			e = store.Entry{Kind: store.IsClock, At: at, Clock: clock.Sample{Boot: at, UTC: day.Add(at), Quality: clock.Good}}
		case i%400 == 7:
			e = store.Entry{Kind: store.IsFault, At: at, Fault: readings.MachineFault{At: at, Source: 3, SPN: 1087, FMI: 4, Count: readings.NoCount, Gone: i%800 == 7}}
		case i%300 == 9:
			e = store.Entry{Kind: store.IsCommand, At: at, Command: &alarms.Command{ID: fmt.Sprint("c", i), Verb: alarms.Ack, Key: "tank-low", Where: "tank", By: "Ada \"the\" first\n", Role: alarms.Operate, Via: "page"}}
		default:
			e.Reading = readings.Reading{At: at, Channel: readings.Channel(i % 3), Value: odd[i%len(odd)], Volts: odd[(i+3)%len(odd)], Raw: int32(i - 5000)}
			if i%11 == 0 {
				e.Reading.Quality = readings.Quality(i % 13)
			}
		}
		out = append(out, e)
	}
	return out
}

// record writes a boot and closes it, or stops in mid-work.
func record(t *testing.T, dir, id string, all []store.Entry, inOrder bool) string {
	t.Helper()
	s, err := store.Open(dir, store.Options{Clock: fixed{}, Queue: 1 << 17})
	if err != nil {
		t.Fatal(err)
	}
	snap := store.Snapshot{
		Simulated: true,
		Boot:      id, Software: "test", Machine: []byte("name: Invented\n# \xc3\xa4\x00"), Learned: map[string][]byte{"water": {0, 1, 255}, "empty": {}},
		Alarms: alarms.Saved{},
	}
	if err := s.StartBoot(snap, channels()); err != nil {
		t.Fatal(err)
	}
	for i := range all {
		s.Append(all[i])
	}
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "boot-"+id+".db")
	if inOrder {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return path
	}
	// The files as they stand are what a power cut leaves: the -wal file holds what was committed.
	cut := t.TempDir()
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + end)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(cut, filepath.Base(path)+end), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	return filepath.Join(cut, filepath.Base(path))
}

// whole is a recording in memory.
type whole struct {
	rows []store.Row
	lost []string
	snap store.Snapshot
}

func read(t *testing.T, path string) whole {
	t.Helper()
	r, err := sealed.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	w := whole{snap: r.About().Snapshot}
	for {
		var row store.Row
		err := r.NextRow(&row)
		if errors.Is(err, io.EOF) {
			w.lost = r.Lost()
			return w
		}
		if err != nil {
			t.Fatal(err)
		}
		w.rows = append(w.rows, row)
	}
}

// bit tells minus zero from zero.
func bit(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

func sameBoot(t *testing.T, want, got whole) {
	t.Helper()
	if diff := cmp.Diff(want.rows, got.rows, cmp.Comparer(bit)); diff != "" {
		t.Errorf("entries differ (-recorded +sealed):\n%.2000s", diff)
	}
	if diff := cmp.Diff(want.snap, got.snap); diff != "" {
		t.Errorf("snapshots differ (-recorded +sealed):\n%s", diff)
	}
	if diff := cmp.Diff(want.lost, got.lost); diff != "" {
		t.Errorf("what is missing differs (-recorded +sealed):\n%s", diff)
	}
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range list {
		if strings.HasPrefix(e.Name(), "boot-") {
			out = append(out, e.Name())
		}
	}
	return out
}

func sealedNames(id string) []string {
	return []string{"boot-" + id + ".events.parquet", "boot-" + id + ".readings.parquet"}
}

func TestSealedBootIsTheRecordedOne(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 1, 4, 5, 1000, 20_000} {
		for name, closed := range map[string]bool{"closed": true, "power cut": false} {
			t.Run(fmt.Sprint(n, " ", name), func(t *testing.T) {
				t.Parallel()
				path := record(t, t.TempDir(), "a-1", entries(n), closed)
				want := read(t, path)
				if len(want.rows) != n {
					t.Fatalf("%d entries recorded; want %d", len(want.rows), n)
				}
				if err := sealed.Seal(t.Context(), path); err != nil {
					t.Fatal(err)
				}
				if got := names(t, filepath.Dir(path)); !slices.Equal(got, sealedNames("a-1")) {
					t.Errorf("the folder holds %q", got)
				}
				sameBoot(t, want, read(t, filepath.Join(filepath.Dir(path), "boot-a-1.readings.parquet")))
			})
		}
	}
}

func TestSkipToGoesOnAtTheEntry(t *testing.T) {
	t.Parallel()
	path := record(t, t.TempDir(), "skip", entries(9000), true)
	want := read(t, path)
	check := func(t *testing.T, path string) {
		t.Helper()
		r, err := sealed.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		for _, seq := range []int64{1, 4321, 5, 4, 8999, 9000, 2048, 9001} {
			if err := r.SkipTo(seq); err != nil {
				t.Fatal(err)
			}
			for i := range int64(3) {
				var row store.Row
				err := r.NextRow(&row)
				if seq+i > 9000 {
					if !errors.Is(err, io.EOF) {
						t.Errorf("entry %d = %v; want the end", seq+i, err)
					}
					break
				}
				if err != nil || row.Seq != seq+i || row.Entry.At != want.rows[seq+i-1].Entry.At {
					t.Errorf("after SkipTo(%d): entry %d at %v, %v; want %d at %v", seq, row.Seq, row.Entry.At, err, seq+i, want.rows[seq+i-1].Entry.At)
				}
			}
		}
	}
	check(t, path)
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	check(t, filepath.Join(filepath.Dir(path), "boot-skip.events.parquet"))
}

func TestFolderSealsAllButThePresentBoot(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, id := range []string{"one", "two", "now"} {
		record(t, dir, id, entries(200), true)
	}
	os.WriteFile(filepath.Join(dir, "boot-broken.db"), []byte("no recording at all"), 0o600)
	quiet := slog.New(slog.DiscardHandler)
	if got := sealed.Folder(t.Context(), dir, "now", quiet); !slices.Equal(got, []string{"one", "two"}) {
		t.Errorf("sealed %q; want one, two", got)
	}
	want := slices.Concat([]string{"boot-broken.db"}, sealedNames("now"), sealedNames("one"), sealedNames("two"))
	want = append(slices.DeleteFunc(want, func(s string) bool { return strings.HasPrefix(s, "boot-now") }), "boot-now.db")
	slices.Sort(want)
	if got := names(t, dir); !slices.Equal(got, want) {
		t.Errorf("the folder holds\n%q; want\n%q", got, want)
	}
	before := stamps(t, dir)
	if got := sealed.Folder(t.Context(), dir, "now", quiet); len(got) != 0 {
		t.Errorf("sealed again: %q; want none twice", got)
	}
	if diff := cmp.Diff(before, stamps(t, dir)); diff != "" {
		t.Errorf("a second run touched files:\n%s", diff)
	}
}

func stamps(t *testing.T, dir string) map[string]time.Time {
	t.Helper()
	out := map[string]time.Time{}
	for _, n := range names(t, dir) {
		st, err := os.Stat(filepath.Join(dir, n))
		if err != nil {
			t.Fatal(err)
		}
		out[n] = st.ModTime()
	}
	return out
}

func TestDamagedRecordingIsSealedAsFarAsItIsWholeAndKept(t *testing.T) {
	t.Parallel()
	path := record(t, t.TempDir(), "torn", entries(30_000), true)
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, st.Size()*3/5+17); err != nil {
		t.Fatal(err)
	}
	want := read(t, path)
	if len(want.rows) == 0 || len(want.rows) == 30_000 {
		t.Fatalf("%d entries are left of a recording that was cut; the test wants some", len(want.rows))
	}
	err = sealed.Seal(t.Context(), path)
	if !errors.Is(err, sealed.ErrTorn) || !strings.Contains(err.Error(), "kept as") {
		t.Errorf("Seal = %v; want word of what was kept", err)
	}
	if got, want := names(t, filepath.Dir(path)), append([]string{"boot-torn.db.damaged-1"}, sealedNames("torn")...); !slices.Equal(got, want) {
		t.Errorf("the folder holds %q; want %q", got, want)
	}
	got := read(t, filepath.Join(filepath.Dir(path), "boot-torn.events.parquet"))
	sameBoot(t, want, got)
}

func TestRecordingWithoutItsCommandsIsNotSealed(t *testing.T) {
	t.Parallel()
	path := record(t, t.TempDir(), "robbed", entries(1000), true)
	change(t, path, "DELETE FROM commands")
	before := names(t, filepath.Dir(path))
	if err := sealed.Seal(t.Context(), path); !errors.Is(err, store.ErrCommandsGone) {
		t.Errorf("Seal = %v; want it refused", err)
	}
	if got := names(t, filepath.Dir(path)); !slices.Equal(got, before) {
		t.Errorf("the folder holds %q; want it untouched, %q", got, before)
	}
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

func TestGapsCalibrationAndOddRowsAreKept(t *testing.T) {
	t.Parallel()
	path := record(t, t.TempDir(), "odd", entries(2000), true)
	for _, q := range []string{
		"INSERT INTO gaps VALUES (500, 7, 12345), (2001, 5, 99)",
		`INSERT INTO calibration VALUES (3, 0, '[1.0, -0.5]', 'Ada', '2026-04-01', 'deadweight tester', 0.25, '2026-04-02')`,
		`INSERT INTO calibration (id) VALUES (9)`,
		"UPDATE readings SET calibration_id = 3 WHERE channel = 0",
		"UPDATE readings SET channel = 17, quality = 99 WHERE seq = 41",
		"UPDATE clock SET utc_s = 253402300800 + 86400 * 365, quality = 2 WHERE seq = (SELECT max(seq) FROM clock)", // the year 10000
	} {
		change(t, path, q)
	}
	want := read(t, path)
	plain, err := sealed.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	about := plain.About()
	plain.Close()
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(filepath.Dir(path), "boot-odd.events.parquet")
	sameBoot(t, want, read(t, path))
	b, err := sealed.OpenBoot(path)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if diff := cmp.Diff(about.Calibrations, b.About().Calibrations); diff != "" || len(about.Calibrations) != 2 {
		t.Errorf("calibrations (-recorded +sealed):\n%s", diff)
	}
	if want.rows[40].Entry.Reading.Channel != 17 || want.rows[0].Calibration != 3 {
		t.Errorf("the recording was not changed as this test wants: %+v, %+v", want.rows[40], want.rows[0])
	}
	if !slices.ContainsFunc(want.lost, func(s string) bool { return strings.HasPrefix(s, "12 readings were not recorded") }) {
		t.Errorf("lost = %q; want the 12 readings of the gaps", want.lost)
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "data [1]")
	for _, id := range []string{"zz", "aa", "mm"} {
		record(t, dir, id, entries(20), true)
	}
	os.WriteFile(filepath.Join(dir, "boot-xx.db"), []byte("broken"), 0o600)
	plain := func(id string) string { return filepath.Join(dir, "boot-"+id+".db") }
	check := func(paths map[string]string) {
		t.Helper()
		for path, want := range paths {
			if got, err := sealed.Find(path); err != nil || got != want {
				t.Errorf("Find(%s) = %s, %v; want %s", path, got, err, want)
			}
		}
	}
	check(map[string]string{
		dir: plain("mm"), plain("aa"): plain("aa"), filepath.Join(dir, "zz"): plain("zz"), filepath.Join(dir, "boot-zz"): plain("zz"),
	})
	for _, id := range []string{"aa", "mm"} {
		if err := sealed.Seal(t.Context(), plain(id)); err != nil {
			t.Fatal(err)
		}
	}
	events := func(id string) string { return filepath.Join(dir, "boot-"+id+".events.parquet") }
	many := filepath.Join(dir, "boot-aa.readings.parquet")
	// Who has noted down a recording's name finds it after it was sealed.
	check(map[string]string{dir: events("mm"), plain("aa"): events("aa"), filepath.Join(dir, "aa"): events("aa"), many: many, plain("zz"): plain("zz")})
	if _, err := sealed.Find(filepath.Join(dir, "qq")); err == nil || !strings.Contains(err.Error(), "mm, aa, zz") {
		t.Errorf("a boot that is not there: %v; want the list, newest first", err)
	}
	if _, err := sealed.Open(filepath.Join(dir, "boot-aa.parquet")); err == nil || !strings.Contains(err.Error(), "boot-aa.parquet is not one of a sealed boot's two files") {
		t.Errorf("an exported table: %v", err)
	}
	if _, err := sealed.Find(t.TempDir()); err == nil || !strings.Contains(err.Error(), "boot-ID.db") {
		t.Errorf("an empty folder: %v", err)
	}
	if _, err := sealed.Find(filepath.Join(t.TempDir(), "none", "aa")); err == nil || !strings.Contains(err.Error(), "there is no folder") {
		t.Errorf("no folder: %v", err)
	}
}

func TestTornParquetIsSaidAndNeverPanics(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: many cuts of one recording")
	}
	path := record(t, t.TempDir(), "x", entries(3000), true)
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(path)
	want := read(t, filepath.Join(dir, "boot-x.events.parquet"))
	for _, end := range []string{".readings.parquet", ".events.parquet"} {
		name := filepath.Join(dir, "boot-x"+end)
		good, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		try := func(what string, data []byte) {
			t.Helper()
			if err := os.WriteFile(name, data, 0o600); err != nil {
				t.Fatal(err)
			}
			r, err := sealed.Open(filepath.Join(dir, "boot-x.events.parquet"))
			if err != nil {
				if !strings.Contains(err.Error(), "boot-x") {
					t.Errorf("%s: %v; want the file's name", what, err)
				}
				return
			}
			defer r.Close()
			var row store.Row
			n := 0
			for r.NextRow(&row) == nil {
				if n < len(want.rows) && !cmp.Equal(want.rows[n], row, cmp.Comparer(bit)) && len(data) != len(good) {
					t.Fatalf("%s: entry %d is another: %+v", what, n, row)
				}
				n++
			}
			if len(r.Lost()) == 0 && (n != len(want.rows) || r.About().Snapshot.Boot != "x") {
				t.Errorf("%s: %d of %d entries, and no word that any are missing", what, n, len(want.rows))
			}
		}
		for i := 0; i < len(good); i += 1 + len(good)/60 {
			try(fmt.Sprintf("%s cut at %d of %d", end, i, len(good)), good[:i])
			flipped := slices.Clone(good)
			flipped[i] ^= 0x41
			try(fmt.Sprintf("%s with byte %d changed", end, i), flipped)
		}
		if err := os.WriteFile(name, good, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
