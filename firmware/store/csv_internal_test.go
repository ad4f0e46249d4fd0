// SPDX-License-Identifier: Apache-2.0

package store

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// The standard library is the reference for numbers and times.
func TestParseFloatAgreesWithTheStandardLibrary(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 200000 {
		f := math.Float64frombits(r.Uint64())
		if math.IsNaN(f) || math.IsInf(f, 0) {
			continue
		}
		if i%2 == 0 {
			f = math.Trunc(f*0) + (r.Float64()-0.5)*math.Pow10(r.IntN(12))
		}
		s := strconv.FormatFloat(f, "fge"[i%3], r.IntN(19)-1, 64)
		want, err := strconv.ParseFloat(s, 64)
		got, ok := parseFloat([]byte(s))
		if ok != (err == nil) || (ok && math.Float64bits(got) != math.Float64bits(want)) {
			t.Fatalf("parseFloat(%q) = %v, %v; want %v, %v", s, got, ok, want, err)
		}
	}
	for _, s := range []string{"", "-", "+", ".", "e5", "1e", "0x1p4", "1_000", "nan", "Infinity", "1.2.3", "1,5", "١"} {
		if v, ok := parseFloat([]byte(s)); ok {
			t.Errorf("parseFloat(%q) = %v; want none", s, v)
		}
	}
}

func TestParseTimeAgreesWithTheStandardLibrary(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(3, 4))
	for range 100000 {
		at := time.Unix(r.Int64N(9_180_000_000), r.Int64N(1e9)).In(time.FixedZone("", (r.IntN(48)-24)*1800))
		if at.Year() < 1970 || at.Year() > 2260 {
			continue
		}
		s := at.Format(time.RFC3339Nano)
		if got, wall, ok := parseTime([]byte(s)); !ok || !wall || got != at.UnixNano() {
			t.Fatalf("parseTime(%q) = %d, %v, %v; want %d", s, got, wall, ok, at.UnixNano())
		}
	}
	for s, want := range map[string]int64{
		"0": 0, "1.5": 1_500_000_000, "-2": -2_000_000_000, "0.000000001": 1, "1580515200.1": 1_580_515_200_100_000_000, "1e3": 1_000_000_000_000, "5.": 5_000_000_000,
	} {
		if got, wall, ok := parseTime([]byte(s)); !ok || wall || got != want {
			t.Errorf("parseTime(%q) = %d, %v, %v; want %d", s, got, wall, ok, want)
		}
	}
	for _, s := range []string{
		"", "-", ".", "1h", "99999999999", "2020-02-30T00:00:00Z", "2020-13-01T00:00:00Z", "2020-02-01T24:00:00Z", "2020-02-01T00:00:00", "2020-02-01T00:00:00.Z", "2020-02-01T00:00:00+1:00",
		"2020-02-01T00:00:00 Z", "1969-02-01T00:00:00Z", "2020/02/01T00:00:00Z", "2019-02-29T00:00:00Z",
	} {
		if got, _, ok := parseTime([]byte(s)); ok {
			t.Errorf("parseTime(%q) = %d; want none", s, got)
		}
	}
}

// brokenDisk gives some bytes and then fails.
type brokenDisk struct{ data io.Reader }

func (b brokenDisk) Read(p []byte) (int, error) {
	n, err := b.data.Read(p)
	if errors.Is(err, io.EOF) {
		return n, errDisk
	}
	return n, err
}

var errDisk = errors.New("input/output error")

func TestCSVHandsBackADiskError(t *testing.T) {
	t.Parallel()
	o := CSVOptions{Channels: []CSVChannel{{ID: "a", Unit: units.Unit{Code: "1", Factor: 1}}}}
	c, err := newCSV("r.csv", brokenDisk{bytes.NewReader([]byte("time,a\n0,1\n1,2\n2,"))}, o)
	if err != nil {
		t.Fatal(err)
	}
	var e Entry
	for range 2 {
		if err := c.Next(&e); err != nil {
			t.Fatal(err)
		}
	}
	if err := c.Next(&e); !errors.Is(err, errDisk) {
		t.Errorf("Next = %v; want the disk's error", err)
	}
}

func seeds(tb testing.TB, name string) {
	tb.Helper()
	found, err := filepath.Glob(filepath.Join("testdata", "fuzz", name, "*"))
	if err != nil || len(found) == 0 {
		tb.Fatalf("no committed seeds for %s (%v)", name, err)
	}
}

func TestFuzzSeedsAreThere(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"FuzzCSV", "FuzzBoot"} {
		seeds(t, name)
	}
}

func FuzzCSV(f *testing.F) {
	f.Add([]byte("time,a,b\n0,1,2\n"))
	o := CSVOptions{Channels: []CSVChannel{{ID: "a", Unit: units.Unit{Code: "kPa", Factor: 1e3}}, {ID: "b", Unit: units.Unit{Code: "Cel", Factor: 1, Offset: 273.15}, Channel: 1}}, Headerless: []string{"time", "a"}}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := newCSV("r.csv", bytes.NewReader(data), o)
		if err != nil {
			return
		}
		defer c.Close()
		last := time.Duration(0)
		var e Entry
		for {
			err := c.Next(&e)
			if errors.Is(err, io.EOF) || errors.Is(err, ErrCSV) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if e.At < last || math.IsNaN(e.Reading.Value) || math.IsInf(e.Reading.Value, 0) || e.Reading.Channel < 0 || e.Reading.Channel > 1 {
				t.Fatalf("entry %+v after %v", e, last)
			}
			last = e.At
		}
	})
}

// smallBoot returns the bytes of a whole recorded boot.
func smallBoot(tb testing.TB, entries int) []byte {
	tb.Helper()
	dir := tb.TempDir()
	s, err := Open(dir, Options{})
	if err != nil {
		tb.Fatal(err)
	}
	if err := s.StartBoot(Snapshot{Boot: "x"}, readings.NewTable([]readings.Info{{ID: "a"}})); err != nil {
		tb.Fatal(err)
	}
	for i := range entries {
		at := time.Duration(i)
		s.Append(Entry{Kind: IsReading, At: at, Reading: readings.Reading{At: at, Value: 1.5}})
		s.Append(Entry{Kind: IsTick, At: at})
	}
	if err := s.Close(); err != nil {
		tb.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, "boot-x.db"))
	if err != nil {
		tb.Fatal(err)
	}
	return whole
}

func TestDamagedBytesNeverPanicNorRunOnForEver(t *testing.T) {
	t.Parallel()
	whole := smallBoot(t, 400)
	r := rand.New(rand.NewPCG(5, 5))
	path := filepath.Join(t.TempDir(), "boot-x.db")
	refused := 0
	for range 300 {
		data := bytes.Clone(whole)
		for range 1 + r.IntN(8) {
			data[r.IntN(len(data))] = byte(r.Uint32())
		}
		if r.IntN(3) == 0 {
			data[r.IntN(100)] = byte(r.Uint32())
		}
		if !readDamaged(t, path, data) {
			refused++
		}
	}
	if refused == 0 || refused == 300 {
		t.Errorf("%d of 300 damaged files were refused; the damage tests nothing", refused)
	}
}

// readDamaged reads a file to its end, and reports whether it could be opened.
func readDamaged(t *testing.T, path string, data []byte) bool {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := OpenBoot(path)
	if err != nil {
		return false
	}
	defer b.Close()
	var e Entry
	n := 0
	for b.Next(&e) == nil {
		if n++; n > len(data) {
			t.Fatalf("%d entries out of %d bytes", n, len(data))
		}
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(after, data) {
		t.Fatalf("reading changed the file (%v)", err)
	}
	return true
}

func FuzzBoot(f *testing.F) {
	whole := smallBoot(f, 1)
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Fuzz(func(t *testing.T, data []byte) {
		readDamaged(t, filepath.Join(t.TempDir(), "boot-x.db"), data)
	})
}
