// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Where the recordings come from: other people's measurements, which are not part of the project.
const (
	compressorOrigin = "cut from MetroPT-3 (Davari, Veloso, Ribeiro, Gama), UCI Machine Learning Repository 791, DOI 10.24432/C5VW3R, CC BY 4.0"
	truckOrigin      = "GitHub Heavy-Vehicle-Networking-At-U-Tulsa/NMFTA-CAN-Logger, commit 0cffaf71, MIT"
)

// recorded returns the path of a shared recording. A missing one skips the test by name; under CI it fails.
func recorded(t *testing.T, name, origin string) string {
	t.Helper()
	dir := os.Getenv("AIRHOLD_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	path := filepath.Join(dir, filepath.FromSlash(name))
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is missing (%s); AIRHOLD_DATA names its folder", path, origin)
		}
		t.Skipf("%s is missing (%s); AIRHOLD_DATA names its folder", path, origin)
	} else if err != nil {
		t.Fatal(err)
	}
	return path
}

// recordedRows reads a packed table; the map finds a column.
func recordedRows(t *testing.T, name string) ([][]string, map[string]int) {
	t.Helper()
	f, err := os.Open(recorded(t, name, compressorOrigin))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	col := make(map[string]int, len(rows[0]))
	for i, h := range rows[0] {
		col[h] = i
	}
	return rows[1:], col
}

// The columns that are handed on. Their text is copied, not converted.
var recordedColumns = []string{"TP2", "TP3", "H1", "DV_pressure", "Reservoirs", "Oil_temperature", "Motor_current"}

// healthyTable writes the healthy morning as a contract-2 table: its own timestamps, written as RFC 3339.
func healthyTable(t *testing.T) string {
	t.Helper()
	rows, col := recordedRows(t, "compressor/metropt3_healthy_2020-02-01.csv.gz")
	var b strings.Builder
	b.WriteString("time," + strings.Join(recordedColumns, ",") + "\n")
	for _, r := range rows {
		at, err := time.Parse("2006-01-02 15:04:05", r[col["timestamp"]])
		if err != nil {
			t.Fatal(err)
		}
		b.WriteString(at.Format(time.RFC3339))
		for _, c := range recordedColumns {
			b.WriteString("," + r[col[c]])
		}
		b.WriteString("\n")
	}
	return file(t, "healthy.csv", b.String())
}

// leakTable writes one leak segment as a table of its own in seconds, and returns the time of its row number live.
func leakTable(t *testing.T, segment string, live int) (path string, liveAt float64) {
	t.Helper()
	rows, col := recordedRows(t, "compressor/metropt3_leaks_L1_L3.csv.gz")
	var b strings.Builder
	b.WriteString("time," + strings.Join(recordedColumns, ",") + "\n")
	n, first := 0, 0.0
	for _, r := range rows {
		if r[col["segment"]] != segment {
			continue
		}
		at, err := strconv.ParseFloat(r[col["t_rel_s"]], 64)
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			first = at
		}
		if n == live {
			liveAt = at - first
		}
		n++
		b.WriteString(r[col["t_rel_s"]])
		for _, c := range recordedColumns {
			b.WriteString("," + r[col[c]])
		}
		b.WriteString("\n")
	}
	if n <= live {
		t.Fatalf("segment %s has %d rows", segment, n)
	}
	return file(t, segment+".csv", b.String()), liveAt
}

// file writes text to a new file of that name.
func file(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// The ways a writer may describe that air unit: with nothing optional, and with a plate. Relief and working pressure are
// mandatory; the recorded system reaches 10.1 bar. Volume and delivery of the train are not published: plausible ones.
func recordedMachines(column string) map[string]string {
	const bare = `name: recorded unit
tank: {volume: 300 L, safe_working_pressure: 11 bar, relief_setting: 11 bar}
compressors: [{control: switch}]
channels: {tank: {quantity: pressure, source: {csv: {column: COLUMN, unit: bar}}}}
`
	plate := strings.Replace(bare, "control: switch", "control: switch, delivery: 450 L/min, cut_in: 8.07 bar, cut_out: 10.1 bar", 1)
	return map[string]string{
		"nothing optional": strings.Replace(bare, "COLUMN", column, 1),
		"whole plate":      strings.Replace(plate, "COLUMN", column, 1),
	}
}

// airhold runs the command as a shell would and returns what it said.
func airhold(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, log bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(""), &out, &log)
	return code, out.String(), log.String()
}

// jsonLines runs the command with --json and wants exit code 0.
func jsonLines(t *testing.T, args ...string) []map[string]any {
	t.Helper()
	code, out, log := airhold(t, append(args, "--json")...)
	if code != exitOK {
		t.Fatalf("airhold %v: exit %d: %s", args, code, log)
	}
	return parseLines(t, out)
}

func parseLines(t *testing.T, out string) []map[string]any {
	t.Helper()
	var lines []map[string]any
	for text := range strings.Lines(out) {
		var line map[string]any
		if err := json.Unmarshal([]byte(text), &line); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		lines = append(lines, line)
	}
	if n := len(lines); n == 0 || lines[n-1]["event"] != "summary" {
		t.Fatalf("the last of %d lines is no summary", n)
	}
	return lines
}

// quantity reads {"value":..,"unit":..} and wants that unit.
func quantity(t *testing.T, line map[string]any, key, unit string) float64 {
	t.Helper()
	q, ok := line[key].(map[string]any)
	if !ok {
		t.Fatalf("%s = %v; want a quantity in %s", key, line[key], unit)
	}
	v, ok := q["value"].(float64)
	if !ok || q["unit"] != unit {
		t.Fatalf("%s = %v; want a number in %s", key, q, unit)
	}
	return v
}

func of(lines []map[string]any, event string) []map[string]any {
	var out []map[string]any
	for _, l := range lines {
		if l["event"] == event {
			out = append(out, l)
		}
	}
	return out
}

// The bars are the publisher's own description of the day: 5.0 % duty, runs of about 100 s, rests of about 1,900 s.
func TestHealthyCompressorDay(t *testing.T) {
	t.Parallel()
	table := healthyTable(t)
	for _, column := range []string{"TP3", "Reservoirs"} {
		for name, machine := range recordedMachines(column) {
			t.Run(column+"/"+name, func(t *testing.T) {
				t.Parallel()
				lines := jsonLines(t, "replay", "--machine", file(t, "unit.yaml", machine), "--readings", table)
				sum := lines[len(lines)-1]
				if duty := quantity(t, sum, "duty", "%"); duty < 4.5 || duty > 5.5 {
					t.Errorf("duty = %v %%; want 4.5 to 5.5", duty)
				}
				runs, _ := sum["runs"].(float64)
				if runs != 5 && runs != 6 {
					t.Errorf("runs = %v; want 5 or 6", sum["runs"])
				}
				if got := of(lines, "run"); len(got) != int(runs) {
					t.Errorf("%d run lines; want one for each of %v runs", len(got), runs)
				}
				if alarms := of(lines, "alarm"); len(alarms) != 0 {
					t.Errorf("alarms = %v; want none", alarms)
				}
				if counts, _ := sum["alarms"].(map[string]any); len(counts) != 0 {
					t.Errorf("alarm counts = %v; want none", counts)
				}
				for _, r := range of(lines, "run") {
					start, err := time.Parse(time.RFC3339, r["start"].(string))
					if err != nil || start.Format(time.DateOnly) != "2020-02-01" {
						t.Errorf("start = %v (%v); want a time of the recorded day", r["start"], err)
					}
				}
				covered, span := quantity(t, sum, "covered", "s"), quantity(t, sum, "duration", "s")
				if covered < 0.99*span || covered > span {
					t.Errorf("covered = %v s of %v s; want nearly all", covered, span)
				}
			})
		}
	}
}

func TestLeakSegmentsAreOverwork(t *testing.T) {
	t.Parallel()
	// The recording says itself from where on it is live: rows 0 to 90 of L1 are frozen acquisition.
	for segment, live := range map[string]int{"L1": 91, "L3a": 0, "L3b": 0, "L3c": 0} {
		table, liveAt := leakTable(t, segment, live)
		for _, column := range []string{"TP3", "Reservoirs"} {
			for name, machine := range recordedMachines(column) {
				t.Run(segment+"/"+column+"/"+name, func(t *testing.T) {
					t.Parallel()
					lines := jsonLines(t, "replay", "--machine", file(t, "unit.yaml", machine), "--readings", table)
					rang := -1.0
					for _, l := range of(lines, "alarm") {
						at, ok := l["at"].(float64)
						if !ok {
							t.Fatalf("at = %v; want seconds, the recording has no clock", l["at"])
						}
						if l["key"] == "comp-overworked" && l["state"] == "active_unacked" && rang < 0 {
							rang = at
						}
						// Frozen rows may be called a fault of the acquisition, and hide what rests on it; they ring nothing else.
						if at < liveAt && l["key"] != "pressure-fault" && l["state"] != "suppressed" {
							t.Errorf("alarm on frozen rows: %v", l)
						}
					}
					if rang < liveAt || rang > liveAt+600 {
						t.Errorf("comp-overworked at %v s; want within 600 s of the first live row at %v s", rang, liveAt)
					}
					sum := lines[len(lines)-1]
					covered, span := quantity(t, sum, "covered", "s"), quantity(t, sum, "duration", "s")
					if covered > span-liveAt+1 {
						t.Errorf("covered = %v s of %v s; want the first %v s left out", covered, span, liveAt)
					}
					if covered < 0.9*(span-liveAt) {
						t.Errorf("covered = %v s of %v s live; want nearly all of it", covered, span-liveAt)
					}
					for _, r := range of(lines, "run") {
						if start, _ := r["start"].(float64); start < liveAt {
							t.Errorf("run %v begins on frozen rows", r)
						}
					}
					t.Logf("rang at live+%.0f s, covered %.0f of %.0f s, live from %.0f s, %v runs, duty %.1f %%, alarms %v",
						rang-liveAt, covered, span, liveAt, sum["runs"], quantity(t, sum, "duty", "%"), sum["alarms"])
				})
			}
		}
	}
}
