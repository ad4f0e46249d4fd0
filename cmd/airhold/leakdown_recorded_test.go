// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

const chamberOrigin = "Delft University of Technology thesis data, 2021, GitHub EvaZillen/3D-printed-pneumatic-actuator, commit 6e0bcb46, CC0 1.0"

// chamberMachine names what a test bench with one small chamber has; its volume is given on the command line.
const chamberMachine = `name: chamber
tank: {volume: 0.5 L, safe_working_pressure: 10 bar, relief_setting: 10 bar}
compressors: [{control: switch}]
channels: {tank: {quantity: pressure, source: {csv: {column: chamber, unit: bar}}}}
`

// chamberLines reads a shared table line by line.
func chamberLines(t *testing.T, name string) []string {
	t.Helper()
	f, err := os.Open(recorded(t, "pressure-hold/"+name+".csv.gz", chamberOrigin))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for s := bufio.NewScanner(z); s.Scan(); {
		if text := strings.TrimSpace(s.Text()); text != "" {
			out = append(out, text)
		}
	}
	return out
}

// chamberTable writes a hold of a chamber as a contract table. The recording's time counts microseconds, with points
// between thousands: 151.303.000 is 151.303 s. Its pressures are copied as they stand.
func chamberTable(t *testing.T, name string) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("time,chamber\n")
	for _, line := range chamberLines(t, name) {
		cells := strings.Split(line, ";")
		if len(cells) != 3 {
			t.Fatalf("%s: %q has %d cells; want 3", name, line, len(cells))
		}
		us, err := strconv.ParseFloat(strings.ReplaceAll(cells[0], ".", ""), 64)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%.6f,%s\n", us/1e6, cells[2])
	}
	return file(t, name+".csv", b.String())
}

// chamberTest judges a table of a chamber of half a litre, known to a fifth.
func chamberTest(t *testing.T, table string, more ...string) map[string]any {
	t.Helper()
	args := append([]string{
		"leakdown", "--machine", file(t, "chamber.yaml", chamberMachine), "--readings", table,
		"--volume", "0.5 L", "--volume-uncertainty", "20 %", "--limit", "0.1 L/min",
	}, more...)
	lines := jsonLines(t, args...)
	return lines[len(lines)-1]
}

// band reads an estimate with its interval.
func estimated(t *testing.T, line map[string]any, key, unit string) (low, value, high float64) {
	t.Helper()
	value = quantity(t, line, key, unit)
	q, _ := line[key].(map[string]any)
	low, ok1 := q["low"].(float64)
	high, ok2 := q["high"].(float64)
	if !ok1 || !ok2 || low > value || high < value {
		t.Fatalf("%s = %v; want a value within its interval", key, q)
	}
	return low, value, high
}

// latest is the last update of a summary.
func latest(t *testing.T, sum map[string]any) map[string]any {
	t.Helper()
	updates, _ := sum["updates"].(map[string]any)
	var out map[string]any
	last := -1
	for key, u := range updates {
		if n, err := strconv.Atoi(key); err == nil && n > last {
			last = n
			out, _ = u.(map[string]any)
		}
	}
	if out == nil {
		t.Fatalf("no updates in %v", sum)
	}
	return out
}

// The publisher's own figures: the aluminium chamber loses 0.014 bar a minute over the whole hold (which is the rig
// itself), the printed chamber 010 loses 0.043, and 015 empties to the surrounding air. The volume is not published.
func TestChambersThatHoldAndOneThatDoesNot(t *testing.T) {
	t.Parallel()
	type seen struct{ low, value, high float64 }
	tight := map[string]seen{}
	for name, slope := range map[string]float64{"Aluminium": 1.4, "Ultimaker_010": 4.3} { // kPa/min
		sum := chamberTest(t, chamberTable(t, name), "--full")
		t.Logf("%s: %v %v", name, sum["verdict"], sum["reasons"])
		if v := sum["verdict"]; name == "Aluminium" && v != "pass" || v == "fail" || v == "invalid" {
			t.Errorf("%s: verdict = %v; want pass (at least not fail and not invalid)", name, v)
		}
		last := latest(t, sum)
		low, value, high := estimated(t, last, "leak", "L/min")
		t.Logf("%s: leak %.4f [%.4f, %.4f] L/min at the end", name, value, low, high)
		tight[name] = seen{low, value, high}
		// The drop that was measured holds cooling and leak together: a leak cannot be surely larger than it, and what one
		// kPa a minute means in half a litre is 0.005 L/min.
		if most := slope * 0.005; low > most*1.25 {
			t.Errorf("%s: the leak is at least %.4f L/min; the whole drop was %.4f", name, low, most)
		}
		if low < 0 || high-low > 0.1 {
			t.Errorf("%s: leak between %.4f and %.4f L/min; want an interval that is possible and narrower than the limit", name, low, high)
		}
		// A 145 s hold cannot order the tight ones; their intervals may not contradict the order that the slopes have.
	}
	if a, u := tight["Aluminium"], tight["Ultimaker_010"]; a.low > u.high {
		t.Errorf("Aluminium leaks at least %.4f, Ultimaker_010 at most %.4f L/min; the measured drops say otherwise", a.low, u.high)
	}
	sum := chamberTest(t, chamberTable(t, "Ultimaker_015"))
	if sum["verdict"] != "fail" {
		t.Errorf("Ultimaker_015: verdict = %v (%v); want fail: it empties", sum["verdict"], sum["reasons"])
	}
	if at, ok := sum["decided_at"].(float64); !ok || at > 60 {
		t.Errorf("Ultimaker_015: decided at %v s; want within 60", sum["decided_at"])
	}
	low, value, high := estimated(t, sum, "leak", "L/min")
	t.Logf("Ultimaker_015: leak %.4f [%.4f, %.4f] L/min, %v", value, low, high, sum["reasons"])
	for name, s := range tight {
		if low <= s.high || value <= s.value {
			t.Errorf("Ultimaker_015 leaks %.4f (at least %.4f), %s at most %.4f L/min; want it above", value, low, name, s.high)
		}
	}
	// It empties: what it loses in the first ten seconds by the recording's own figures is a size that the estimate has to
	// reach, as an order of magnitude.
	if drop := firstDrop(t, "Ultimaker_015", 10); value < 0.3*drop*0.005 || value > 3*drop*0.005 {
		t.Errorf("Ultimaker_015 leaks %.4f L/min; its first ten seconds fall by %.1f kPa/min, which is %.4f", value, drop, drop*0.005)
	}
}

// firstDrop is the plain fall of a chamber over its first seconds, kPa/min.
func firstDrop(t *testing.T, name string, seconds float64) float64 {
	t.Helper()
	first := math.NaN()
	for _, line := range chamberLines(t, name) {
		cells := strings.Split(line, ";")
		us, err1 := strconv.ParseFloat(strings.ReplaceAll(cells[0], ".", ""), 64)
		bar, err2 := strconv.ParseFloat(cells[2], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("%s: %q", name, line)
		}
		if math.IsNaN(first) {
			first = bar
		}
		if us/1e6 >= seconds {
			return (first - bar) * 100 / (us / 1e6) * 60
		}
	}
	t.Fatalf("%s is shorter than %v s", name, seconds)
	return 0
}

// Repeated holds: a loss in mbar against seconds, from a pressure that is not published. 7 bar stands for it here, which
// the other recordings of the series begin at; the losses are copied. Three holds of one chamber have to agree.
func TestRepeatedHoldsAgree(t *testing.T) {
	t.Parallel()
	lines := chamberLines(t, "repeat_without_touching")
	names := strings.Split(lines[0], ";")
	type seen struct{ low, high float64 }
	got := map[string]seen{}
	for col := 1; col < len(names); col++ {
		var b strings.Builder
		b.WriteString("time,chamber\n")
		for _, line := range lines[1:] {
			cells := strings.Split(line, ";")
			if len(cells) <= col || cells[col] == "" {
				continue
			}
			mbar, err := strconv.ParseFloat(strings.Replace(cells[col], ",", ".", 1), 64)
			if err != nil {
				t.Fatalf("%s: %q", names[col], cells[col])
			}
			fmt.Fprintf(&b, "%s,%.4f\n", strings.Replace(cells[0], ",", ".", 1), 7+mbar/1000)
		}
		sum := chamberTest(t, file(t, "repeat.csv", b.String()), "--full")
		low, value, high := estimated(t, latest(t, sum), "leak", "L/min")
		t.Logf("%s: %v, leak %.4f [%.4f, %.4f] L/min %v", names[col], sum["verdict"], value, low, high, sum["reasons"])
		if v := sum["verdict"]; v == "fail" || v == "invalid" {
			t.Errorf("%s: verdict = %v (%v); it loses a tenth of a bar at most", names[col], v, sum["reasons"])
		}
		got[names[col]] = seen{low, high}
	}
	for _, a := range []string{"Test 1", "Test 2", "Test 3"} {
		for _, b := range []string{"Test 1", "Test 2", "Test 3"} {
			if got[a].low > got[b].high {
				t.Errorf("%s leaks at least %.4f, %s at most %.4f L/min; it is one chamber, untouched", a, got[a].low, b, got[b].high)
			}
		}
	}
}

// restTables cuts the compressor's rests out of the healthy morning, one table each, and gives the fall that the second
// half hour shows, when the air has long cooled: kPa a minute, by a straight line.
func restTables(t *testing.T) (tables []string, late []float64) {
	t.Helper()
	rows, col := recordedRows(t, "compressor/metropt3_healthy_2020-02-01.csv.gz")
	type point struct{ at, bar float64 }
	var rest []point
	flush := func() {
		if n := len(rest); n > 0 && rest[n-1].at-rest[0].at > 1500 {
			var b strings.Builder
			b.WriteString("time,chamber\n")
			var st, sp, stt, stp, k float64
			for _, p := range rest {
				fmt.Fprintf(&b, "%.0f,%v\n", p.at-rest[0].at, p.bar)
				if t := p.at - rest[0].at; t > 700 {
					st, sp, stt, stp, k = st+t, sp+p.bar, stt+t*t, stp+t*p.bar, k+1
				}
			}
			tables = append(tables, file(t, "rest.csv", b.String()))
			late = append(late, -(k*stp-st*sp)/(k*stt-st*st)*100*60)
		}
		rest = nil
	}
	for _, r := range rows {
		at, err := time.Parse("2006-01-02 15:04:05", r[col["timestamp"]])
		if err != nil {
			t.Fatal(err)
		}
		loaded, err1 := strconv.ParseFloat(r[col["COMP"]], 64)
		bar, err2 := strconv.ParseFloat(r[col["Reservoirs"]], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("row %v", r)
		}
		if loaded < 0.5 { // COMP 0: it pumps
			flush()
			continue
		}
		rest = append(rest, point{float64(at.Unix()), bar})
	}
	flush()
	return tables, late
}

// The publisher's figures: while the compressor rests, the reservoirs fall by about 0.060 bar a minute (0.062 at 9.3 bar,
// 0.050 at 8.2). The volume is not published: any will do, since the drop is compared. The air has just been pumped and
// cools: that may not be called a leak.
func TestCompressorRestsAreNotMistakenForLeaks(t *testing.T) {
	t.Parallel()
	tables, late := restTables(t)
	if len(tables) < 3 {
		t.Fatalf("%d rests; want at least 3 of the 5 or 6", len(tables))
	}
	machine := strings.Replace(chamberMachine, "volume: 0.5 L, safe_working_pressure: 10 bar, relief_setting: 10 bar", "volume: 300 L, safe_working_pressure: 11 bar, relief_setting: 11 bar", 1)
	for i, table := range tables {
		lines := jsonLines(t, "leakdown", "--machine", file(t, "unit.yaml", machine), "--readings", table, "--limit", "10 L/min", "--full")
		sum := lines[len(lines)-1]
		if v := sum["verdict"]; v == "invalid" {
			t.Errorf("rest %d: %v (%v); want a verdict", i, v, sum["reasons"])
			continue
		}
		low, value, high := estimated(t, latest(t, sum), "drop", "kPa/min")
		naive := quantity(t, sum, "naive_drop", "kPa/min")
		t.Logf("rest %d: %v, drop %.2f [%.2f, %.2f] kPa/min, later %.2f, gauge's first minute %.2f, %v", i, sum["verdict"], value, low, high, late[i], naive, sum["reasons"])
		if value < 4 || value > 8.5 {
			t.Errorf("rest %d: drop %.2f kPa/min; the recording falls by about 6.0", i, value)
		}
		// At the start the pressure is higher than later, and a drop goes with it: by 10.1 against 9.0 bar absolute, at most.
		if late[i]*1.3 < low || late[i] > high {
			t.Errorf("rest %d: drop between %.2f and %.2f kPa/min; the same rest falls by %.2f once the air is cold", i, low, high, late[i])
		}
	}
}
