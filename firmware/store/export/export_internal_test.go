// SPDX-License-Identifier: Apache-2.0

package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/rawlog"
	"airhold/firmware/store/sealed"
	"airhold/sensors/units"
)

var day = time.Date(2026, 4, 28, 5, 10, 0, 0, time.UTC)

type still struct{ clock.Live }

func (still) Sample() clock.Sample { return clock.Sample{} }

func tableOf(t *testing.T) *readings.Table {
	t.Helper()
	unit := func(word string, d units.Dim) units.Unit {
		u, err := units.ParseUnit(word, d)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	return readings.NewTable([]readings.Info{
		{ID: "tank", Quantity: units.QPressure, Reference: units.Gauge, Unit: unit("kPa", units.Pressure), Source: "adc main input 0"},
		{ID: "front", Quantity: units.QPressure, Reference: units.Gauge, Unit: unit("psi", units.Pressure), Source: "adc main input 1"},
		{ID: "ambient", Quantity: units.QTemperature, Unit: unit("degF", units.Temperature), Source: "can environment.temperature"},
		{ID: "drive", Quantity: units.QRate, Unit: unit("/min", units.Rate)},
		{ID: "box.clock"},
	})
}

// wallAt is what a boot's wall clock says at a boot time.
type wallAt func(boot time.Duration) (time.Time, clock.Quality)

func steady(boot time.Duration) (time.Time, clock.Quality) { return day.Add(boot), clock.Good }

// boot records n entries, 20 ms apart, with a tick and a clock sample a second; some readings come late, some are unusable.
func boot(t *testing.T, dir, id string, n int, wall wallAt) string {
	t.Helper()
	s, err := store.Open(dir, store.Options{Clock: still{}, Queue: 1 << 17})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.StartBoot(store.Snapshot{Boot: id, Software: "test 1", Machine: []byte("name: Invented\n")}, tableOf(t)); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		at := time.Duration(i) * 20 * time.Millisecond
		e := store.Entry{Kind: store.IsReading, At: at}
		switch i % 50 {
		case 0:
			utc, q := wall(at)
			e = store.Entry{Kind: store.IsClock, At: at, Clock: clock.Sample{Boot: at, UTC: utc, Quality: q}}
		case 1:
			e = store.Entry{Kind: store.IsTick, At: at}
		default:
			e.Reading = readings.Reading{At: at, Channel: readings.Channel(i % 5), Value: 273.15 + float64(i%997)*1234.567/float64(1+i%7), Raw: int32(i), Volts: 0.5}
			switch {
			case i%91 == 0: // a table of one time with several cells
				e.Reading.At = at.Truncate(200 * time.Millisecond)
			case i%17 == 0: // a source that sends later than it measures
				e.Reading.At = max(0, at-time.Duration(i%700)*100*time.Millisecond)
			case i%23 == 0:
				e.Reading.Quality, e.Reading.Value = readings.Open, 0
			}
			e.At = e.Reading.At
		}
		s.Append(e)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "boot-"+id+".db")
}

// heard is a frame in its usual text, at a boot time.
func heard(t *testing.T, text string, link uint16, at time.Duration) bus.Frame {
	t.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		t.Fatal(err)
	}
	return bus.Frame{Frame: f, Link: link, Boot: at}
}

// hand is a clock that a test sets.
type hand struct {
	boot time.Duration
	wall wallAt
}

func (h *hand) Sample() clock.Sample {
	if h.wall == nil {
		return clock.Sample{Boot: h.boot}
	}
	utc, q := h.wall(h.boot)
	return clock.Sample{Boot: h.boot, UTC: utc, Quality: q}
}

// capturing has the recorder of raw frames write files of a boot: a new one each 40 kB and at each step of the wall clock,
// all but the last one sealed.
func capturing(t *testing.T, dir, boot string, links []string, frames []bus.Frame, wall wallAt) {
	t.Helper()
	h := &hand{wall: wall}
	o := rawlog.Options{Boot: boot, Number: 1, Clock: h, RotateBytes: 40_000, FullAt: 1, Reserve: 1}
	for _, l := range links {
		o.Links = append(o.Links, capture.LinkInfo{Name: l})
	}
	l, err := rawlog.Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	for i := range frames {
		if i%10 == 0 {
			if err := l.Flush(); err != nil {
				t.Fatal(err)
			}
		}
		h.boot = frames[i].Boot
		l.Frame(&frames[i])
	}
	if err := l.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(l.Seal(t.Context()), l.Close()); err != nil {
		t.Fatal(err)
	}
}

// Frames of PGN 129025, the position 52.6357536, 5.0588996 being example 13 of can.md 2.1 (canboat's analyzer/tests).
const (
	positionFrame = "09F80196#20945F1F44ED0303"
	speedFrame    = "0CFE4846#A00F6EBC0E00C855"
)

func traffic(t *testing.T, n int) []bus.Frame {
	t.Helper()
	var out []bus.Frame
	for i := range n {
		at := time.Duration(i) * 30 * time.Millisecond
		text, link := speedFrame, uint16(1)
		if i%10 == 0 {
			text, link = positionFrame, 0
		}
		out = append(out, heard(t, text, link, at))
	}
	return out
}

// folder is a data folder with a sealed boot, a plain one, and their frames.
func folder(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	one := boot(t, dir, "one", n, steady)
	boot(t, dir, "two", n/2, func(at time.Duration) (time.Time, clock.Quality) {
		if at < 10*time.Second {
			return time.Date(2019, 3, 1, 0, 0, 0, 0, time.UTC).Add(at), clock.Coarse
		}
		return day.Add(24*time.Hour + at), clock.Good
	})
	if err := sealed.Seal(t.Context(), one); err != nil {
		t.Fatal(err)
	}
	frames := traffic(t, n/2)
	capturing(t, dir, "one", []string{"can0", "can1"}, frames, steady)
	capturing(t, dir, "two", []string{"can0", "can1"}, frames[:len(frames)/2], nil)
	return dir
}

func content(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if e.Name() == stateName {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = string(b)
	}
	return out
}

func names(m map[string]string) []string {
	var out []string
	for n := range m {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

func run(t *testing.T, o Options) *Summary {
	t.Helper()
	s, err := Run(t.Context(), o)
	if err != nil {
		t.Fatalf("Run(%+v) = %v", o, err)
	}
	return s
}

// A stop may come at any moment of an export. It then goes on to the same bytes, with the same summary.
func TestStoppedExportGoesOnToTheSameBytes(t *testing.T) {
	t.Parallel()
	data := folder(t, 25_000)
	if packed, err := filepath.Glob(filepath.Join(data, "boot-one-*.pcapng.zst")); err != nil || len(packed) < 3 {
		t.Fatalf("sealed files of frames: %q, %v; want several", packed, err)
	}
	for _, format := range Formats() {
		t.Run(string(format), func(t *testing.T) {
			t.Parallel()
			whole := t.TempDir()
			calls := 0
			o := Options{Data: data, Out: whole, Format: format, every: 3000, Progress: func(Progress) { calls++ }}
			want := run(t, o)
			if len(want.Files) != 2 || want.Resumed {
				t.Fatalf("exported %+v; want both boots", want)
			}
			if calls < 10 {
				t.Fatalf("%d calls of progress; want some to stop at", calls)
			}
			for stop := 1 + calls/7; stop < calls; stop += calls / 7 { // after the last call there is nothing to stop
				out, stops := t.TempDir(), 0
				var got *Summary
				// Stopped again and again, each time a little later, until it is done.
				for n := stop; got == nil; n += 3 {
					ctx, cancel := context.WithCancel(t.Context())
					calls := 0
					o.Out, o.Progress = out, func(Progress) {
						if calls++; calls == n {
							cancel()
						}
					}
					s, err := Run(ctx, o)
					cancel()
					switch {
					case err == nil:
						got = s
					case !errors.Is(err, context.Canceled):
						t.Fatal(err)
					default:
						stops++
						damage(t, out)
					}
				}
				if stops == 0 {
					t.Errorf("nothing was stopped at call %d of %d", stop, calls)
				}
				if a, b := content(t, whole), content(t, out); !same(a, b) {
					t.Fatalf("stopped %d times: the files %q differ from %q", stops, names(b), names(a))
				}
				if a, b := asJSON(t, want.Files), asJSON(t, got.Files); a != b || !got.Resumed {
					t.Fatalf("stopped %d times: summary\n%s\nwant\n%s", stops, b, a)
				}
				if a, b := asJSON(t, want.Notes), asJSON(t, got.Notes); a != b {
					t.Fatalf("stopped %d times: notes\n%s\nwant\n%s", stops, b, a)
				}
			}
		})
	}
}

// damage adds to the files that are not done what a kill may leave behind their last checkpoint.
func damage(t *testing.T, dir string) {
	t.Helper()
	parts, err := filepath.Glob(filepath.Join(dir, "*"+partEnd))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		f, err := os.OpenFile(p, os.O_WRONLY|os.O_APPEND, 0)
		if err != nil {
			t.Fatal(err)
		}
		_, err = f.WriteString("half a li")
		if err := errors.Join(err, f.Close()); err != nil {
			t.Fatal(err)
		}
	}
}

func same(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSealedAndPlainBootGiveTheSameFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := boot(t, dir, "x", 20_000, steady)
	capturing(t, dir, "x", []string{"can0", "can1"}, traffic(t, 3000), steady)
	export := func() map[string]string {
		out := t.TempDir()
		for _, f := range Formats() {
			o := Options{Data: dir, Out: filepath.Join(out, string(f)), Format: f}
			run(t, o)
			for name, text := range content(t, o.Out) {
				if err := os.WriteFile(filepath.Join(out, name), []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.RemoveAll(o.Out); err != nil {
				t.Fatal(err)
			}
		}
		return content(t, out)
	}
	plain := export()
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	got := export()
	for _, name := range names(plain) {
		if plain[name] != got[name] {
			t.Errorf("%s differs after sealing", name)
		}
	}
	if len(plain) != len(Formats()) {
		t.Errorf("files %q; want one a format", names(plain))
	}
}

// usable returns the readings that a table can hold, in its order.
func usable(t *testing.T, path string, keep func(readings.Reading) bool) []readings.Reading {
	t.Helper()
	r, err := sealed.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out []readings.Reading
	newest := -time.Hour
	var row store.Row
	for {
		err := r.NextRow(&row)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		v := row.Entry.Reading
		if row.Entry.Kind != store.IsReading {
			continue
		}
		if v.Quality == readings.Good && v.At >= newest-reorder && keep(v) {
			v.Raw, v.Volts = 0, 0
			out = append(out, v)
		}
		newest = max(newest, v.At)
	}
	slices.SortStableFunc(out, func(a, b readings.Reading) int { return int(a.At - b.At) })
	return out
}

// back reads an exported table as airhold replay --readings does.
func back2(t *testing.T, path string, table *readings.Table) ([]readings.Reading, *store.CSV) {
	t.Helper()
	var o store.CSVOptions
	for i := range table.Len() {
		in := table.Info(readings.Channel(i))
		u := in.Unit
		if u.IsZero() {
			u = units.Preferred(units.None)
		}
		o.Channels = append(o.Channels, store.CSVChannel{ID: in.ID, Unit: u, Channel: readings.Channel(i)})
	}
	c, err := store.OpenCSV(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	var out []readings.Reading
	for {
		var e store.Entry
		err := c.Next(&e)
		if errors.Is(err, io.EOF) {
			return out, c
		}
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e.Reading)
	}
}

// The table is read again by the reader of contract 2 as the readings that were recorded: the same times to the
// nanosecond, the same values to one unit in the last place of the SI value (in a unit such as psi not every SI value
// has a number that gives it back).
func TestTableIsReadAgainAsTheReadings(t *testing.T) {
	t.Parallel()
	for name, wall := range map[string]wallAt{
		"one clock": steady,
		"never set": func(at time.Duration) (time.Time, clock.Quality) { return time.Unix(0, int64(at)), clock.Unset },
		"a jump of years": func(at time.Duration) (time.Time, clock.Quality) {
			if at > 100*time.Second {
				return day.AddDate(-7, 0, 0).Add(at), clock.Good
			}
			return day.Add(at), clock.Good
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := boot(t, dir, "r", 30_000, wall)
			o := Options{Data: dir, Out: filepath.Join(dir, "out"), Format: CSV}
			s := run(t, o)
			want := usable(t, path, func(readings.Reading) bool { return true })
			got, c := back2(t, filepath.Join(o.Out, "boot-r.csv"), tableOf(t))
			if p := c.Problems(); len(p) > 0 {
				t.Errorf("the reader complains: %v", p)
			}
			if c.Notes()["boot"] != "r" || c.Notes()["unit.front"] != "[psi] gauge" {
				t.Errorf("notes = %q", c.Notes())
			}
			if len(got) != len(want) || int64(len(got)) != s.Files[0].Readings || s.Files[0].Late == 0 || s.Files[0].Unusable == 0 {
				t.Fatalf("%d readings read, %d recorded; summary %+v", len(got), len(want), s.Files[0])
			}
			slices.SortStableFunc(got, byTime)
			slices.SortStableFunc(want, byTime)
			exact, first := 0, want[0].At
			for i := range got {
				g, w := got[i], want[i]
				if g.At != w.At-first || g.Channel != w.Channel || g.Quality != w.Quality {
					t.Fatalf("reading %d is %+v; want %+v", i, g, w)
				}
				if g.Value == w.Value {
					exact++
				} else if up, down := math.Nextafter(w.Value, math.Inf(1)), math.Nextafter(w.Value, math.Inf(-1)); g.Value != up && g.Value != down {
					t.Fatalf("reading %d is %.17g; want %.17g", i, g.Value, w.Value)
				}
			}
			t.Logf("%d of %d values have the very bits", exact, len(got))
		})
	}
}

func byTime(a, b readings.Reading) int {
	if a.At != b.At {
		return int(a.At - b.At)
	}
	return int(a.Channel) - int(b.Channel)
}

func TestRangeAndChannels(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := boot(t, dir, "r", 30_000, steady)
	boot(t, dir, "other", 500, func(at time.Duration) (time.Time, clock.Quality) { return day.AddDate(0, 0, 3).Add(at), clock.Good })
	from, to := day.Add(100*time.Second), day.Add(300*time.Second)
	o := Options{Data: dir, Out: filepath.Join(dir, "out"), Format: CSV, From: from, To: to, Channels: []string{"tank", "drive"}}
	s := run(t, o)
	if len(s.Files) != 1 || s.Files[0].Boot != "r" {
		t.Fatalf("exported %+v; want boot r alone", s.Files)
	}
	want := usable(t, path, func(r readings.Reading) bool {
		return r.At >= 100*time.Second && r.At <= 300*time.Second && (r.Channel == 0 || r.Channel == 3)
	})
	// A channel that was not asked for cannot make another late.
	if n := s.Files[0].Readings; n < int64(len(want)) || n > int64(len(want))+5 {
		t.Errorf("%d readings; want %d", n, len(want))
	}
	text := content(t, o.Out)["boot-r.csv"]
	if !strings.Contains(text, "\ntime,tank,drive\n") {
		t.Errorf("header: %.400s", text)
	}
	rows := strings.Split(strings.TrimSpace(text), "\n")
	if last := rows[len(rows)-1]; !strings.HasPrefix(last, "2026-04-28T05:1") || last > "2026-04-28T05:15:00Z" {
		t.Errorf("last row %q; want none after 05:15:00", last)
	}
}

// time.Time.UnixNano is undefined before 1678 and after 2262 (its documentation); a person who wants everything may well ask
// for such years.
func TestYearsOutOfReachLeaveNothingOut(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	boot(t, dir, "r", 2_000, steady)
	far := func(year int) time.Time { return time.Date(year, 7, 1, 0, 0, 0, 0, time.UTC) }
	all := run(t, Options{Data: dir, Out: filepath.Join(dir, "all"), Format: CSV}).Files[0].Readings
	for _, years := range [][2]int{{0, 9999}, {1677, 2263}, {1678, 2261}, {0, 2100}, {2000, 9999}} {
		s := run(t, Options{Data: dir, Out: filepath.Join(dir, fmt.Sprint(years)), Format: CSV, From: far(years[0]), To: far(years[1])})
		if s.Files[0].Readings != all {
			t.Errorf("%v: %d readings; want all %d", years, s.Files[0].Readings, all)
		}
	}
	for _, years := range [][2]int{{0, 1}, {8000, 9999}} {
		if _, err := Run(t.Context(), Options{Data: dir, Out: filepath.Join(dir, fmt.Sprint(years)), Format: CSV, From: far(years[0]), To: far(years[1])}); !errors.Is(err, ErrNothing) {
			t.Errorf("%v: %v; want nothing", years, err)
		}
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	boot(t, dir, "r", 3000, steady)
	out := filepath.Join(dir, "out")
	ask := func(o Options) error {
		t.Helper()
		o.Data, o.Out = dir, out
		_, err := Run(t.Context(), o)
		return err
	}
	for name, c := range map[string]struct {
		o    Options
		kind error
		word string
	}{
		"no such channel":    {Options{Format: CSV, Channels: []string{"tnk"}}, ErrRefused, "tank, front, ambient"},
		"no such time":       {Options{Format: CSV, From: day.AddDate(1, 0, 0)}, ErrNothing, "2027-04-28"},
		"no frames":          {Options{Format: Candump}, ErrNothing, "no raw frame"},
		"no position":        {Options{Format: GeoJSON}, ErrNothing, "no position was heard"},
		"frames of channels": {Options{Format: Pcapng, Channels: []string{"tank"}}, ErrRefused, "no channels"},
		"no such form":       {Options{Format: "xlsx"}, ErrRefused, "parquet, csv, candump, pcapng, geojson"},
		"end before start":   {Options{Format: CSV, From: day, To: day.Add(-1)}, ErrRefused, "before"},
		"no test":            {Options{Format: CSV, Run: "ab"}, ErrRefused, "no leak-down test"},
	} {
		if err := ask(c.o); !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.word) {
			t.Errorf("%s: %v; want %q", name, err, c.word)
		}
		if left := names(content(t, dirOr(t, out))); len(left) > 0 {
			t.Errorf("%s left %q", name, left)
		}
	}
	if _, err := Run(t.Context(), Options{Data: filepath.Join(dir, "none"), Out: out, Format: CSV}); !errors.Is(err, ErrRefused) {
		t.Errorf("no data folder: %v", err)
	}
	if _, err := Run(t.Context(), Options{Data: t.TempDir(), Out: out, Format: CSV}); !errors.Is(err, ErrNothing) {
		t.Errorf("empty data folder: %v", err)
	}

	// A file of somebody else's is never written over.
	os.WriteFile(filepath.Join(out, "boot-r.csv"), []byte("mine"), 0o600)
	if err := ask(Options{Format: CSV}); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "boot-r.csv is there already") {
		t.Errorf("over a file: %v", err)
	}
	if b, _ := os.ReadFile(filepath.Join(out, "boot-r.csv")); string(b) != "mine" {
		t.Errorf("the file that was there holds %q", b)
	}
	os.Remove(filepath.Join(out, "boot-r.csv"))

	if err := ask(Options{Format: CSV}); err != nil {
		t.Fatal(err)
	}
	s, err := Run(t.Context(), Options{Data: dir, Out: out, Format: CSV})
	if err != nil || !s.Already {
		t.Errorf("once more: %+v, %v; want word that it is done", s, err)
	}
	if err := ask(Options{Format: Parquet}); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "another export") {
		t.Errorf("another request in the same folder: %v", err)
	}
	os.WriteFile(filepath.Join(out, "boot-r.csv"), []byte("changed"), 0o600)
	if err := ask(Options{Format: CSV}); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "changed since") {
		t.Errorf("over a changed file: %v", err)
	}
	os.WriteFile(filepath.Join(out, stateName), []byte("{"), 0o600)
	if err := ask(Options{Format: CSV}); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), stateName) {
		t.Errorf("with a broken state: %v", err)
	}
}

func dirOr(t *testing.T, dir string) string {
	t.Helper()
	if _, err := os.Stat(dir); err != nil {
		return t.TempDir()
	}
	return dir
}

func TestLeakDownTestNamesItsTime(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	// The wall clock was a year off when the test ran, and was set right later: the test's time is what the box then took
	// for the time, and the export's times are right.
	wall := func(at time.Duration) (time.Time, clock.Quality) {
		if at < 300*time.Second {
			return day.AddDate(-1, 0, 0).Add(at), clock.Coarse
		}
		return day.Add(at), clock.Good
	}
	boot(t, dir, "early", 3000, steady)
	path := boot(t, dir, "r", 30_000, wall)
	s, err := store.Open(dir, store.Options{Clock: still{}})
	if err != nil {
		t.Fatal(err)
	}
	started := day.AddDate(-1, 0, 0).Add(120 * time.Second)
	s.KeepTest(store.TestRecord{Run: "t-1", JSON: []byte(`{"run":"t-1","at":"` + started.Format(time.RFC3339) + `","duration":60}`)})
	s.KeepTest(store.TestRecord{Run: "t-2", JSON: []byte(`{"run":"t-2","duration":60}`)})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	o := Options{Data: dir, Out: filepath.Join(dir, "out"), Format: CSV, Run: "t-1", Channels: []string{"tank"}}
	sum := run(t, o)
	want := usable(t, path, func(r readings.Reading) bool {
		return r.At >= 120*time.Second && r.At <= 181*time.Second && r.Channel == 0
	})
	f := sum.Files[0]
	if len(sum.Files) != 1 || f.Boot != "r" || f.Readings < int64(len(want)) || f.Readings > int64(len(want))+2 {
		t.Errorf("exported %+v; want %d readings of boot r", sum.Files, len(want))
	}
	if first := day.Add(want[0].At); f.First != first.Format(time.RFC3339Nano) {
		t.Errorf("first = %s; want %s, by the clock as it was set later", f.First, first.Format(time.RFC3339Nano))
	}
	for run, word := range map[string]string{"t-2": "did not know the time", "t-9": "t-2, t-1"} {
		if _, err := Run(t.Context(), Options{Data: dir, Out: filepath.Join(dir, "x"), Format: CSV, Run: run}); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), word) {
			t.Errorf("test %s: %v; want %q", run, err, word)
		}
	}
}

// Frames are stamped by the wall clock as it was; the export says what time it truly was.
func TestFramesHaveTheOffsetTablesTime(t *testing.T) {
	t.Parallel()
	back := func(at time.Duration) (time.Time, clock.Quality) { // wrong by seven years, then set right in two steps
		switch {
		case at < 40*time.Second:
			return day.AddDate(-7, 0, 0).Add(at), clock.Coarse
		case at < 60*time.Second:
			return day.AddDate(5, 0, 0).Add(at), clock.Coarse
		default:
			return day.Add(at), clock.Good
		}
	}
	dir := t.TempDir()
	boot(t, dir, "w", 6000, back)
	frames := traffic(t, 4000)
	capturing(t, dir, "w", []string{"can0", "can1"}, frames, back)
	for _, format := range []Format{Candump, Pcapng} {
		o := Options{Data: dir, Out: filepath.Join(dir, string(format)), Format: format}
		s := run(t, o)
		if s.Files[0].Frames != 4000 {
			t.Errorf("%s: %d frames; want 4000", format, s.Files[0].Frames)
		}
		r, err := capture.Open(filepath.Join(o.Out, fileName(format, "w")))
		if err != nil {
			t.Fatal(err)
		}
		worst := time.Duration(0)
		for i := range frames {
			var f bus.Frame
			if err := r.Next(&f); err != nil {
				t.Fatal(err)
			}
			if f.Frame != frames[i].Frame || r.Links()[f.Link] != []string{"can0", "can1"}[frames[i].Link] {
				t.Fatalf("%s: frame %d is %v on %s; want %v", format, i, f.Frame, r.Links()[f.Link], frames[i].Frame)
			}
			worst = max(worst, f.UTC.Sub(day.Add(frames[i].Boot)).Abs())
		}
		r.Close()
		// Between the last sample before a step and the first one after it nobody knows when the clock was set; the times
		// must be right all the same, because the boot clock is.
		if worst > time.Microsecond {
			t.Errorf("%s: a frame's time is off by %v", format, worst)
		}
	}
	o := Options{Data: dir, Out: filepath.Join(dir, "part"), Format: Candump, From: day.Add(30 * time.Second), To: day.Add(70 * time.Second)}
	if s := run(t, o); s.Files[0].Frames != 1334 { // 30 ms apart: 30.00 to 69.99 s
		t.Errorf("%d frames from 30 to 70 s; want 1334", s.Files[0].Frames)
	}
}

func TestTrack(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	boot(t, dir, "g", 6000, steady)
	var frames []bus.Frame
	place := func(at time.Duration, lat, lon int32) {
		f := heard(t, positionFrame, 0, at)
		for i := range 4 {
			f.Data[i], f.Data[4+i] = byte(lat>>(8*i)), byte(lon>>(8*i))
		}
		frames = append(frames, f)
	}
	for i := range 40 { // 4 s at 10 Hz, toward the antimeridian and over it
		lon := 1799999980 + int64(i)
		if lon > 1800000000 {
			lon -= 3600000000
		}
		place(time.Duration(i)*100*time.Millisecond+20*time.Second, 450000000, int32(lon))
	}
	place(50*time.Second, 450000000, 0x7fffffff) // not available
	place(60*time.Second, 526357536, 50588996)   // after a gap: a stretch of its own, and one point is no line
	capturing(t, dir, "g", []string{"can0"}, frames, steady)
	o := Options{Data: dir, Out: filepath.Join(dir, "out"), Format: GeoJSON}
	run(t, o)
	var got struct {
		Type     string
		Features []struct {
			Type     string
			Geometry struct {
				Type        string
				Coordinates json.RawMessage
			}
			Properties map[string]any
		}
	}
	if err := json.Unmarshal([]byte(content(t, o.Out)["boot-g.geojson"]), &got); err != nil {
		t.Fatal(err)
	}
	var text []string
	for _, f := range got.Features {
		text = append(text, f.Geometry.Type+" "+string(f.Geometry.Coordinates)+" "+fmt.Sprint(f.Properties["kind"], " ", f.Properties["time"]))
	}
	// Points a second: at 20.0, 21.0, 22.0 (the antimeridian is 20 steps of 100 ms away), 23.0 and 60.0 s. RFC 7946: longitude
	// first (3.1.1); a line over the antimeridian is cut in two at 180 degrees (3.1.9).
	want := []string{
		"MultiLineString [[[179.999998,45],[179.999999,45],[180,45],[180,45]],[[-180,45],[-179.999999,45]]] track <nil>",
		"Point [179.999998,45] point 2026-04-28T05:10:20Z",
		"Point [179.999999,45] point 2026-04-28T05:10:21Z",
		"Point [180,45] point 2026-04-28T05:10:22Z",
		"Point [-179.999999,45] point 2026-04-28T05:10:23Z",
		"Point [5.0588996,52.6357536] point 2026-04-28T05:11:00Z",
	}
	if !slices.Equal(text, want) {
		t.Errorf("features\n%s\nwant\n%s", strings.Join(text, "\n"), strings.Join(want, "\n"))
	}
	// The readings beside a point are the nearest usable ones of each channel.
	near := nearest(t, filepath.Join(dir, "boot-g.db"), 21*time.Second)
	p := got.Features[2].Properties
	for id, v := range near {
		if x, ok := p[id].(float64); !ok || math.Abs(x-v) > 1e-9*math.Abs(v) {
			t.Errorf("%s beside the point = %v; want %v", id, p[id], v)
		}
	}
	if len(near) != 4 || p["box.clock"] != nil || p["source"] != float64(0x96) {
		t.Errorf("properties %v; want %v and the sender", p, near)
	}
}

// nearest looks at every reading.
func nearest(t *testing.T, path string, at time.Duration) map[string]float64 {
	t.Helper()
	table := tableOf(t)
	out, best := map[string]float64{}, map[string]time.Duration{}
	r, err := sealed.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var e store.Entry
	for r.Next(&e) == nil {
		v, in := e.Reading, table.Info(e.Reading.Channel)
		if d := (v.At - at).Abs(); e.Kind == store.IsReading && v.Quality == readings.Good && !in.Unit.IsZero() && d <= nearReading {
			if b, ok := best[in.ID]; !ok || d < b {
				best[in.ID], out[in.ID] = d, in.Unit.From(v.Value)
			}
		}
	}
	return out
}
