// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

func kpa() units.Unit { return units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1e3} }
func one() units.Unit { return units.Unit{Code: "1", Dim: units.None, Factor: 1} }

func tankAndFlag() store.CSVOptions {
	return store.CSVOptions{Channels: []store.CSVChannel{
		{ID: "tank", Unit: kpa(), Channel: 0},
		{ID: "running", Unit: one(), Channel: 3},
	}}
}

func writeTable(tb testing.TB, name string, data []byte) string {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

// readTable gives all readings as "at channel value".
func readTable(tb testing.TB, text string, o store.CSVOptions) ([]string, *store.CSV) {
	tb.Helper()
	c, err := store.OpenCSV(writeTable(tb, "r.csv", []byte(text)), o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { c.Close() })
	return drain(tb, c), c
}

func drain(tb testing.TB, c *store.CSV) []string {
	tb.Helper()
	var got []string
	var e store.Entry
	for {
		err := c.Next(&e)
		if errors.Is(err, io.EOF) {
			return got
		}
		if err != nil {
			tb.Fatal(err)
		}
		if e.Kind != store.IsReading || e.At != e.Reading.At || e.Reading.Quality != readings.Good {
			tb.Fatalf("entry %+v", e)
		}
		got = append(got, fmt.Sprintf("%v %d %v", e.At, e.Reading.Channel, e.Reading.Value))
	}
}

func TestCSVReadsWhatIsThereAndSaysWhatIsNot(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, text string
		want       []string
		problems   []string // one part of each
	}{
		{"plain", "time,tank,running\n0,655.5,1\n0.1,655,0\n", []string{"0s 0 655500", "0s 3 1", "100ms 0 655000", "100ms 3 0"}, nil},
		{"other columns and order", "time,x,running,tank\n5,9,1,600\n", []string{"0s 3 1", "0s 0 600000"}, nil},
		{"empty cells are no reading", "time,tank,running\n0,,1\n1,600,\n2,,\n", []string{"0s 3 1", "1s 0 600000"}, nil},
		{"windows file", "\ufefftime,tank\r\n0,600\r\n", []string{"0s 0 600000"}, nil},
		{"quotes and blanks", "time, \"tank\" \n 0 , \"600\" \n", []string{"0s 0 600000"}, nil},
		{"remarks and empty lines", "# a\n\ntime,tank\n# b\n\n0,600\n", []string{"0s 0 600000"}, nil},
		{"wall time", "time,tank\n2020-02-01T00:00:09.5Z,600\n2020-02-01T01:00:10.25+01:00,601\n", []string{"0s 0 600000", "750ms 0 601000"}, nil},
		{"bad cells", "time,tank\n0,NaN\n1,inf\n2,0x10\n3,6 00\n4,1e400\n5,-\n6,600\n", []string{"6s 0 600000"}, []string{
			`line 2, column tank: "NaN"`, `line 3, column tank: "inf"`, `line 4, column tank: "0x10"`, `line 5, column tank: "6 00"`, `line 6, column tank: "1e400"`, `line 7, column tank: "-"`,
		}},
		{"time runs backwards", "time,tank\n5,600\n4,601\n6,602\n", []string{"0s 0 600000", "1s 0 602000"}, []string{"line 3, column time: time runs backwards by 1s"}},
		{"time stands still", "time,tank\n5,600\n5,601\n", []string{"0s 0 600000", "0s 0 601000"}, nil},
		{"bad times", "time,tank\nnoon,600\n2020-02-30T00:00:00Z,600\n2020-02-01T00:00:00,600\n1,600\n2020-02-01T00:00:00Z,601\n", []string{"0s 0 600000"}, []string{"line 2, column time: \"noon\"", "line 3", "line 4", "line 6, column time: \"2020-02-01T00:00:00Z\" is written another way"}},
		{"torn last row", "time,tank,running\n0,600,1\n1,6", []string{"0s 0 600000", "0s 3 1"}, []string{"line 3: the last row is torn"}},
		{"last row without an end", "time,tank\n0,600\n1,61", []string{"0s 0 600000", "1s 0 61000"}, []string{"line 3, column tank: the last row has no line end"}},
		{"short and long rows", "time,tank,running\n0,600\n1,601,1,7\n", []string{"0s 0 600000", "1s 0 601000", "1s 3 1"}, []string{"line 2: the row has 2 cells", "line 3: the row has 4 cells"}},
		{"header only", "time,tank\n", nil, nil},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			got, c := readTable(t, tc.text, tankAndFlag())
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("readings (-want +got):\n%s", diff)
			}
			p := c.Problems()
			if len(p) != len(tc.problems) || c.ProblemCount() != int64(len(p)) {
				t.Fatalf("problems %v; want %d", p, len(tc.problems))
			}
			for i, want := range tc.problems {
				if !strings.Contains(p[i].String(), want) {
					t.Errorf("problem %d = %q; want %q in it", i, p[i], want)
				}
			}
		})
	}
}

func TestCSVRefusesInWordsThatHelp(t *testing.T) {
	t.Parallel()
	wanted := store.CSVOptions{Channels: []store.CSVChannel{{ID: "tank", Column: "TP3", Unit: kpa(), Required: true}}}
	tests := []struct {
		name, text string
		o          store.CSVOptions
		want       string
	}{
		{"a mapped column is missing", "time,TP2,TP_3,oil\n", wanted, `channel tank wants column "TP3", which is not there; columns are TP2, TP_3, oil; did you mean "TP`},
		{"nothing usable", "time,tnak\n0,1\n", tankAndFlag(), `wanted tank, running; columns are tnak; did you mean "tnak"?`},
		{"only time", "time\n0\n", tankAndFlag(), "no column but time"},
		{"first column", "stamp,tank\n", tankAndFlag(), `the first column is "stamp"; it has to be "time"`},
		{"no header", "0,600\n1,601\n", tankAndFlag(), "no header row"},
		{"empty", "", tankAndFlag(), "no header row"},
		{"remarks only", "# a=b\n", tankAndFlag(), "no header row"},
		{"twice", "time,tank,tank\n", tankAndFlag(), "stands there twice"},
		{"utf-16", "\xff\xfet\x00i\x00", tankAndFlag(), "UTF-16"},
		{"a picture", "\x89PNG\r\x00\x00\n", tankAndFlag(), "no text file"},
		{"broken gzip", "\x1f\x8b\x08", tankAndFlag(), "gzip"},
		{"one endless line", "time,tank\n" + strings.Repeat("1", 2<<20), tankAndFlag(), "longer than"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := store.OpenCSV(writeTable(t, "r.csv", []byte(tc.text)), tc.o)
			if !errors.Is(err, store.ErrCSV) || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("OpenCSV = %v; want ErrCSV with %q", err, tc.want)
			}
		})
	}
	if _, err := store.OpenCSV(filepath.Join(t.TempDir(), "none.csv"), tankAndFlag()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
}

// The expectations are what a person reads in these rows: 1.234,5 is twelve hundred and some wherever commas are decimal.
func TestCSVReadsOtherFormsWithoutGuessing(t *testing.T) {
	t.Parallel()
	two := store.CSVOptions{Channels: tankAndFlag().Channels, Headerless: []string{"time", "tank"}}
	tests := []struct {
		name, text string
		o          store.CSVOptions
		want       []string
		problems   []string
	}{
		{"semicolons and points", "time;tank\n0;600\n0.5;601.5\n", two, []string{"0s 0 600000", "500ms 0 601500"}, []string{"line 1: written with columns parted by semicolons; read so"}},
		{"semicolons, decimal commas", "time;tank;running\n0;600,5;1\n0,5;1.234,25;0\n", two, []string{"0s 0 600500", "0s 3 1", "500ms 0 1.23425e+06", "500ms 3 0"}, []string{"semicolons and decimal commas"}},
		{"tabs, decimal commas", "time\ttank\n0,0\t600,5\n0,1\t600,25\n", two, []string{"0s 0 600500", "100ms 0 600250"}, []string{"tabs and decimal commas"}},
		{"one zero before a comma proves it", "time;tank\n0,100;742,125\n0,200;742,250\n", two, []string{"0s 0 742125", "100ms 0 742250"}, []string{"decimal commas"}},
		{"quoted decimal commas between commas", "time,tank\n\"0,5\",\"600,25\"\n\"1,5\",\"600,5\"\n", two, []string{"0s 0 600250", "1s 0 600500"}, []string{"decimal commas"}},
		{"points between thousands, as two in a cell prove", "time;tank\n0;100.000,5\n0,5;1.100.000,5\n", two, []string{"0s 0 1.000005e+08", "500ms 0 1.1000005e+09"}, []string{"decimal commas"}},
		{"commas between thousands", "time;tank\n0.5;1,600.5\n1.5;1,601.5\n", two, []string{"0s 0 1.6005e+06", "1s 0 1.6015e+06"}, []string{"semicolons; read so"}},
		{"a cell against its column", "time;tank\n0,5;600,5\n1,5;7.12.3\n2,5;6,0,1\n", two, []string{"0s 0 600500"}, []string{"", `line 3, column tank: "7.12.3" is no number`, `"6,0,1" is no number`}},
		{"windows file", "\ufefftime;tank\r\n0,5;600,5\r\n", two, []string{"0s 0 600500"}, []string{"decimal commas"}},
		{"hours, minutes, seconds", "time,tank\n23:59:59.5,600\n00:00:00.5,601\n0:00:02,602\n", two, []string{"0s 0 600000", "1s 0 601000", "2.5s 0 602000"}, []string{"times are hours:minutes:seconds"}},
		{"the same with a comma", "time;tank\n05:00:00,5;600,5\n05:00:01,25;601,5\n", two, []string{"0s 0 600500", "750ms 0 601500"}, []string{"decimal commas", "times are"}},
		{"minutes or hours", "time,tank\n12:30,600\n1,601\n", two, []string{"0s 0 601000"}, []string{"may be hours:minutes or minutes:seconds"}},
		{"no header", "0,600.5\n1,601.5\n", two, []string{"0s 0 600500", "1s 0 601500"}, []string{"no header row; its columns were read as time and tank"}},
		{"no header, semicolons", "0,5;600,5\n1,5;601,5\n", two, []string{"0s 0 600500", "1s 0 601500"}, []string{"no header", "decimal commas"}},
		{"a name with its unit", "time [ms],tank (bar)\n0,6\n1500,6.5\n", two, []string{"0s 0 600000", "1.5s 0 650000"}, []string{"read in bar, as its name says, not in kPa"}},
		{"capitals", "Time,tank\n0,600\n", two, []string{"0s 0 600000"}, nil},
		{"empty last cells", "time;tank;\n0;600;\n1;601;;\n", two, []string{"0s 0 600000", "1s 0 601000"}, []string{"semicolons"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			got, c := readTable(t, tc.text, tc.o)
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("readings (-want +got):\n%s", diff)
			}
			p := c.Problems()
			if len(p) != len(tc.problems) {
				t.Fatalf("problems %v; want %d", p, len(tc.problems))
			}
			for i, want := range tc.problems {
				if !strings.Contains(p[i].String(), want) {
					t.Errorf("problem %d = %q; want %q in it", i, p[i], want)
				}
			}
		})
	}
}

func TestCSVRefusesWhatWouldHaveToBeGuessed(t *testing.T) {
	t.Parallel()
	two := store.CSVOptions{Channels: tankAndFlag().Channels, Headerless: []string{"time", "tank"}}
	for _, tc := range []struct{ name, text, want string }{
		{"decimal or thousands", "time;tank\n0;1,234\n1;1,235\n", `line 2, column tank: "1,234" can be read as 1.234 or as 1234`},
		{"a point beside decimal commas", "time;tank\n0,5;1.234\n1,5;1.235\n", `line 2, column tank: "1.234" can be read as 1.234 or, as other columns have decimal commas, as 1234`},
		{"both in one column", "time;tank\n0;600,5\n1;600.5\n", "lines 2 and 3, column tank: the decimal sign is a point in one and a comma in the other"},
		{"commas for everything", "time,tank\n0,0,600,5\n0,1,600,4\n", "line 2: the rows have 4 cells where the header has 2"},
		{"three columns without a header", "0;3.6;7.3\n0.1;3.6;7.3\n", "no header row; the first row names the columns, the first of them \"time\"; without one only 2 columns can be read"},
		{"line ends of old", "time,tank\r0,600\r1,601\r", "carriage return"},
		{"a name with a unit that is none", "time,tank (furlong)\n0,1\n", `unknown unit "furlong"`},
		{"a time in fortnights", "time (fortnight),tank\n0,1\n", "the first column is"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := store.OpenCSV(writeTable(t, "r.csv", []byte(tc.text)), two)
			if !errors.Is(err, store.ErrCSV) || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("OpenCSV = %v; want ErrCSV with %q", err, tc.want)
			}
		})
	}
}

func TestCSVNotesAndClock(t *testing.T) {
	t.Parallel()
	_, c := readTable(t, "# compressor_off_for=60 min barometer=100.1 kPa, site=yard\n# words without meaning\n# test = no\ntime,tank\n2020-02-01T00:00:09+02:00,600\n", tankAndFlag())
	want := map[string]string{"compressor_off_for": "60 min", "barometer": "100.1 kPa", "site": "yard"}
	if !maps.Equal(c.Notes(), want) {
		t.Errorf("Notes() = %v; want %v", c.Notes(), want)
	}
	if start, ok := c.HasClock(); !ok || !start.Equal(time.Date(2020, 1, 31, 22, 0, 9, 0, time.UTC)) {
		t.Errorf("HasClock() = %v, %v", start, ok)
	}
	_, c = readTable(t, "time,tank\n7,600\n", tankAndFlag())
	if _, ok := c.HasClock(); ok {
		t.Error("a table in seconds has a clock")
	}
}

func TestCSVReadsPackedFilesAndSaysWhereTheyBreak(t *testing.T) {
	t.Parallel()
	var text strings.Builder
	text.WriteString("time,tank\n")
	for i := range 5000 {
		fmt.Fprintf(&text, "%d,%d.%d\n", i, 600+i%100, i%7)
	}
	pack := map[string]func(w io.Writer) io.WriteCloser{
		"gz": func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) },
		"zst": func(w io.Writer) io.WriteCloser {
			z, err := zstd.NewWriter(w)
			if err != nil {
				t.Fatal(err)
			}
			return z
		},
	}
	for name, packer := range pack {
		var b bytes.Buffer
		w := packer(&b)
		io.WriteString(w, text.String())
		w.Close()
		c, err := store.OpenCSV(writeTable(t, "r.bin", b.Bytes()), tankAndFlag())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if n := len(drain(t, c)); n != 5000 || c.ProblemCount() != 0 {
			t.Errorf("%s: %d readings, problems %v", name, n, c.Problems())
		}
		c.Close()
		if name == "zst" {
			continue // one block holds all of this text, so a cut leaves nothing
		}
		c, err = store.OpenCSV(writeTable(t, "r.bin", b.Bytes()[:b.Len()*2/3]), tankAndFlag())
		if err != nil {
			t.Fatalf("%s, cut: %v", name, err)
		}
		n := len(drain(t, c))
		if p := c.Problems(); n < 1000 || n >= 5000 || len(p) != 1 || !strings.Contains(p[0].Text, "ends or breaks here") {
			t.Errorf("%s, cut: %d readings, problems %v", name, n, p)
		}
		c.Close()
	}
}

func TestCSVKeepsAllReadingsAcrossItsBuffer(t *testing.T) {
	t.Parallel()
	var text strings.Builder
	text.WriteString("time,tank,note\n")
	for i := range 3000 {
		fmt.Fprintf(&text, "%d,%d,%s\n", i, i, strings.Repeat("x", i%97+1))
	}
	got, _ := readTable(t, text.String(), tankAndFlag())
	for i, g := range got {
		if want := fmt.Sprintf("%v 0 %v", time.Duration(i)*time.Second, float64(i)*1e3); g != want {
			t.Fatalf("reading %d = %s; want %s", i, g, want)
		}
	}
	if len(got) != 3000 {
		t.Errorf("%d readings; want 3000", len(got))
	}
}

func bigTable(rows int) []byte {
	var b bytes.Buffer
	b.WriteString("time,a,b,c,d,e,f,g,h,i,j,k,l\n")
	for i := range rows {
		fmt.Fprintf(&b, "2020-02-01T%02d:%02d:%02d.%d00Z", i/36000, i/600%60, i/10%60, i%10)
		for j := range 12 {
			fmt.Fprintf(&b, ",%d.%03d", 500+(i*j)%300, (i*7+j)%1000)
		}
		b.WriteByte('\n')
	}
	return b.Bytes()
}

func twelve() store.CSVOptions {
	var o store.CSVOptions
	for i := range 12 {
		o.Channels = append(o.Channels, store.CSVChannel{ID: string(rune('a' + i)), Unit: kpa(), Channel: readings.Channel(i)})
	}
	return o
}

func TestCSVAllocatesNothingARow(t *testing.T) {
	c, err := store.OpenCSV(writeTable(t, "r.csv", bigTable(5000)), twelve())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	var e store.Entry
	if n := testing.AllocsPerRun(4000, func() {
		for range 12 {
			if err := c.Next(&e); err != nil {
				t.Fatal(err)
			}
		}
	}); n != 0 {
		t.Errorf("%v allocations a row; want 0", n)
	}
}

func BenchmarkCSV(b *testing.B) {
	path := writeTable(b, "r.csv", bigTable(20000))
	b.ReportAllocs()
	cells := 0
	for b.Loop() {
		c, err := store.OpenCSV(path, twelve())
		if err != nil {
			b.Fatal(err)
		}
		var e store.Entry
		for c.Next(&e) == nil {
			cells++
		}
		c.Close()
	}
	b.ReportMetric(float64(cells)/b.Elapsed().Seconds(), "cells/s")
}
