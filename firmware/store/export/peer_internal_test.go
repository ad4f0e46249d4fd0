// SPDX-License-Identifier: Apache-2.0

package export

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

// need skips a test that lacks a program, and fails it where CI is set.
func need(t *testing.T, ok bool, words string) {
	t.Helper()
	switch {
	case ok:
	case os.Getenv("CI") != "":
		t.Fatal(words)
	default:
		t.Skip(words)
	}
}

// foreign is a Parquet file as a program that is not ours reads it.
type foreign struct {
	Columns []string          `json:"columns"`
	Types   []string          `json:"types"`
	Codecs  []string          `json:"codecs"`
	Groups  []int64           `json:"groups"`
	Notes   map[string]string `json:"notes"`
	Rows    [][]any           `json:"rows"`
}

type answer struct {
	Hyparquet foreign  `json:"hyparquet"`
	DuckDB    foreign  `json:"duckdb"`
	Issues    []string `json:"issues"`
}

// ask has hyparquet, DuckDB and @placemarkio/check-geojson (npm) read files.
func ask(t *testing.T, files ...map[string]string) []answer {
	t.Helper()
	const peer = "testdata/peer"
	node, err := exec.LookPath("node")
	need(t, err == nil, "the comparison needs Node.js (Debian package nodejs) and then: npm ci --prefix firmware/store/export/testdata/peer")
	for _, p := range []string{"hyparquet", "hyparquet-compressors", "@duckdb/node-api", "@placemarkio/check-geojson"} {
		_, err := os.Stat(filepath.Join(peer, "node_modules", p, "package.json"))
		need(t, err == nil, "the comparison needs the npm package "+p+": npm ci --prefix firmware/store/export/testdata/peer")
	}
	in, err := json.Marshal(files)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), node, "read.mjs")
	cmd.Dir, cmd.Stdin, cmd.Stderr = peer, bytes.NewReader(in), os.Stderr
	raw, err := cmd.Output()
	if err != nil {
		t.Fatalf("node read.mjs: %v", err)
	}
	var out []answer
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	if err := d.Decode(&out); err != nil || len(out) != len(files) {
		t.Fatalf("%d answers to %d files: %v", len(out), len(files), err)
	}
	return out
}

// row is what a reader has to find in a reading's row, in the order of the columns.
func row(a *sealed.About, r *store.Row) []string {
	v, in := &r.Entry.Reading, a.Table.Info(r.Entry.Reading.Channel)
	num := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	value := "null"
	if v.Quality == readings.Good && !in.Unit.IsZero() {
		value = num((v.Value - in.Unit.Offset) / in.Unit.Factor)
	}
	return []string{
		strconv.FormatInt(r.Seq, 10), strconv.FormatInt(int64(v.At), 10), strconv.FormatInt(day.Add(v.At).UnixNano(), 10), "good", in.ID,
		strconv.Itoa(int(v.Raw)), num(v.Volts), value, in.Unit.Code, num(v.Value), v.Quality.String(), "null",
	}
}

// words writes a row that a reader found in the same way; numbers lose nothing.
func words(cells []any) []string {
	out := make([]string, len(cells))
	for i, c := range cells {
		switch c := c.(type) {
		case nil:
			out[i] = "null"
		case json.Number:
			f, err := strconv.ParseFloat(c.String(), 64)
			if err != nil {
				out[i] = err.Error()
				continue
			}
			out[i] = strconv.FormatFloat(f, 'g', -1, 64)
			if _, err := strconv.ParseInt(c.String(), 10, 64); err == nil {
				out[i] = c.String()
			}
		case string:
			out[i] = c
		}
	}
	return out
}

// What we seal and export is read by two programs that are not ours: rows, values, units and metadata.
func TestOthersReadOurParquet(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := boot(t, dir, "p", 3000, steady)
	r, err := sealed.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	about := r.About()
	var want [][]string
	kinds := map[store.Kind]int{}
	for {
		var x store.Row
		if err := r.NextRow(&x); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		kinds[x.Entry.Kind]++
		if x.Entry.Kind == store.IsReading {
			want = append(want, row(about, &x))
		}
	}
	r.Close()
	run(t, Options{Data: dir, Out: filepath.Join(dir, "out"), Format: Parquet})
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	answers := ask(t,
		map[string]string{"parquet": filepath.Join(dir, "out", "boot-p.parquet")},
		map[string]string{"parquet": filepath.Join(dir, "boot-p.readings.parquet")},
		map[string]string{"parquet": filepath.Join(dir, "boot-p.events.parquet")},
	)
	columns := []string{"seq", "boot_time", "utc", "clock", "channel", "raw", "volts", "value", "unit", "si", "quality", "calibration"}
	for i, file := range []string{"exported", "sealed"} {
		for reader, f := range map[string]foreign{"hyparquet": answers[i].Hyparquet, "DuckDB": answers[i].DuckDB} {
			if !slices.Equal(f.Columns, columns) {
				t.Errorf("%s by %s: columns %q; want %q", file, reader, f.Columns, columns)
			}
			if len(f.Rows) != len(want) {
				t.Fatalf("%s by %s: %d rows; want %d", file, reader, len(f.Rows), len(want))
			}
			for k := range want {
				if got := words(f.Rows[k]); !slices.Equal(got, want[k]) {
					t.Fatalf("%s by %s: row %d is\n%q; want\n%q", file, reader, k, got, want[k])
				}
			}
			metadata(t, file+" by "+reader, f.Notes, about)
		}
		h := answers[i].Hyparquet
		if h.Types[2] != "TIMESTAMP NANOS true" || !slices.Equal(h.Codecs, []string{"ZSTD"}) {
			t.Errorf("%s: utc is %q, codecs %q; want a timestamp of nanoseconds in UTC, and Zstandard", file, h.Types[2], h.Codecs)
		}
	}
	events := answers[2].DuckDB
	got := map[string]int{}
	for _, r := range events.Rows {
		if kind, ok := r[4].(string); ok {
			got[kind]++
		}
	}
	if got["tick"] != kinds[store.IsTick] || got["clock"] != kinds[store.IsClock] || len(got) != 2 {
		t.Errorf("events by DuckDB: %v; want %d ticks and %d clock samples", got, kinds[store.IsTick], kinds[store.IsClock])
	}
}

func metadata(t *testing.T, what string, notes map[string]string, a *sealed.About) {
	t.Helper()
	for key, want := range map[string]string{
		"airhold.form": "1", "airhold.boot": "p", "airhold.software": "test 1", "airhold.machine": string(a.Snapshot.Machine),
		// printf 'name: Invented\n' | sha256sum
		"airhold.machine_sha256": "a4f53e098bf7db9b4c6eeefd78713eb54903ef554e9ea2f2c67864c9c93e761f",
	} {
		if notes[key] != want {
			t.Errorf("%s: metadata %s = %q; want %q", what, key, notes[key], want)
		}
	}
	var channels []struct{ ID, Quantity, Reference, Unit, Source string }
	if err := json.Unmarshal([]byte(notes["airhold.channels"]), &channels); err != nil || len(channels) != 5 {
		t.Fatalf("%s: channels %q: %v", what, notes["airhold.channels"], err)
	}
	if c := channels[1]; c.ID != "front" || c.Quantity != "pressure" || c.Reference != "gauge" || c.Unit != "[psi]" || c.Source != "adc main input 1" {
		t.Errorf("%s: channel front is %+v", what, c)
	}
	for _, key := range []string{"airhold.calibration", "airhold.clock", "airhold.clock_words", "airhold.columns", "airhold.lost", "airhold.recording"} {
		if !json.Valid([]byte(notes[key])) {
			t.Errorf("%s: metadata %s = %q; want JSON", what, key, notes[key])
		}
	}
	if !strings.Contains(notes["airhold.clock"], strconv.FormatInt(day.UnixNano(), 10)) {
		t.Errorf("%s: clock table %s; want the offset %d in it", what, notes["airhold.clock"], day.UnixNano())
	}
}

// A program of the standard's community checks the track against RFC 7946; and that program does find what is wrong.
func TestOthersAcceptOurGeoJSON(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	boot(t, dir, "g", 6000, steady)
	capturing(t, dir, "g", []string{"can0", "can1"}, traffic(t, 4000), steady)
	run(t, Options{Data: dir, Out: filepath.Join(dir, "out"), Format: GeoJSON})
	file := filepath.Join(dir, "out", "boot-g.geojson")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	broken := filepath.Join(dir, "broken.geojson")
	if err := os.WriteFile(broken, bytes.Replace(text, []byte(`"LineString"`), []byte(`"Linestring"`), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	answers := ask(t, map[string]string{"geojson": file}, map[string]string{"geojson": broken})
	if len(answers[0].Issues) > 0 {
		t.Errorf("issues: %q", answers[0].Issues)
	}
	if len(answers[1].Issues) == 0 {
		t.Error("no issue with a geometry that RFC 7946 does not have")
	}
}

// tshark (Wireshark) counts the same frames in an exported pcapng, with their interfaces and times.
func TestTsharkReadsOurPcapng(t *testing.T) {
	t.Parallel()
	tshark, err := exec.LookPath("tshark")
	need(t, err == nil, "needs the Debian package tshark")
	dir := t.TempDir()
	boot(t, dir, "s", 6000, steady)
	frames := traffic(t, 3000)
	capturing(t, dir, "s", []string{"can0", "can1"}, frames, nil) // stamped by the boot clock
	from, to := day.Add(10*time.Second), day.Add(50*time.Second)
	run(t, Options{Data: dir, Out: filepath.Join(dir, "out"), Format: Pcapng, From: from, To: to})
	cmd := exec.CommandContext(t.Context(), tshark, "-r", filepath.Join(dir, "out", "boot-s.pcapng"), "-T", "fields",
		"-e", "frame.time_epoch", "-e", "frame.interface_name", "-e", "can.id")
	cmd.Stderr = os.Stderr
	raw, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for i := range frames {
		if at := day.Add(frames[i].Boot); !at.Before(from) && !at.After(to) {
			want = append(want, strings.Join([]string{
				strconv.FormatInt(at.Unix(), 10) + "." + strconv.FormatInt(1e9+int64(at.Nanosecond()), 10)[1:],
				[]string{"can0", "can1"}[frames[i].Link], strconv.FormatUint(uint64(frames[i].ID), 10),
			}, "\t"))
		}
	}
	if got := strings.Split(strings.TrimSpace(string(raw)), "\n"); !slices.Equal(got, want) {
		t.Errorf("tshark reads %d frames, the first %q; want %d, %q", len(got), got[0], len(want), want[0])
	}
}
