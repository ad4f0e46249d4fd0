// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

const benchMachine = `name: bench
tank: {volume: 38 L, safe_working_pressure: 10 bar, relief_setting: 9 bar}
compressors: [{control: switch, delivery: 180 L/min}]
channels: {tank: {quantity: pressure, source: {csv: {column: p, unit: UNIT}}}}
`

// judged runs the command on a table and returns the summary.
func judged(t *testing.T, unit, table string, more ...string) map[string]any {
	t.Helper()
	args := append([]string{"leakdown", "--machine", file(t, "bench.yaml", strings.Replace(benchMachine, "UNIT", unit, 1)), "--readings", file(t, "r.csv", table)}, more...)
	lines := jsonLines(t, args...)
	return lines[len(lines)-1]
}

// inUnit writes a series with its pressures divided by what one of the unit is in kPa, and its times shifted.
func inUnit(s shutIn, kPa, shift float64) string {
	var b strings.Builder
	b.WriteString("time,p\n")
	at, p := s.series()
	for i := range at {
		b.WriteString(strconv.FormatFloat(at[i]+shift, 'f', 3, 64) + "," + strconv.FormatFloat(p[i]/kPa, 'g', 12, 64) + "\n")
	}
	return b.String()
}

// One psi is 6.894757293168361 kPa (4.4482216152605 N on 0.0254 m squared, both exact).
func TestUnitsDoNotChangeTheAnswer(t *testing.T) {
	t.Parallel()
	for _, leak := range []float64{0.3, 3, 9} {
		s := tightTank()
		s.leak = leak
		want := judged(t, "kPa", inUnit(s, 1, 0))
		for unit, kPa := range map[string]float64{"bar": 100, "psi": 6.894757293168361, "Pa": 0.001, "hPa": 0.1, "MPa": 1000} {
			got := judged(t, unit, inUnit(s, kPa, 0))
			if got["verdict"] != want["verdict"] || got["decided_at"] != want["decided_at"] {
				t.Errorf("leak %v in %s: %v after %v s; in kPa %v after %v s", leak, unit, got["verdict"], got["decided_at"], want["verdict"], want["decided_at"])
			}
			if a, b := quantity(t, got, "leak", "L/min"), quantity(t, want, "leak", "L/min"); math.Abs(a-b) > 1e-4*math.Max(1, b) {
				t.Errorf("leak %v in %s: %v L/min; in kPa %v", leak, unit, a, b)
			}
		}
	}
}

func TestTimeShiftDoesNotChangeTheVerdict(t *testing.T) {
	t.Parallel()
	s := tightTank()
	s.leak = 9
	want := judged(t, "kPa", inUnit(s, 1, 0))
	for _, shift := range []float64{0.05, 17, 86400, 1.6e9} {
		got := judged(t, "kPa", inUnit(s, 1, shift))
		for _, key := range []string{"verdict", "decided_at"} {
			if got[key] != want[key] {
				t.Errorf("shifted by %v s: %s = %v; want %v", shift, key, got[key], want[key])
			}
		}
		if a, b := quantity(t, got, "leak", "L/min"), quantity(t, want, "leak", "L/min"); math.Abs(a-b) > 1e-3*b {
			t.Errorf("shifted by %v s: %v L/min; want %v", shift, a, b)
		}
	}
}

func TestSamplingRateDoesNotChangeTheVerdict(t *testing.T) {
	t.Parallel()
	for leak, want := range map[float64]string{0.2: "pass", 12: "fail"} {
		for _, rate := range []float64{1, 2, 5, 10, 20, 50} {
			s := tightTank()
			s.leak, s.rate, s.noise = leak, rate, 0.2
			got := judged(t, "kPa", inUnit(s, 1, 0))
			if got["verdict"] != want {
				t.Errorf("leak %v at %v Hz: %v (%v); want %s", leak, rate, got["verdict"], got["reasons"], want)
			}
		}
	}
}

// With the same noise a larger leak is never said to be smaller, and each is found within its interval: the truth is known.
func TestALargerLeakIsNeverSaidToBeSmaller(t *testing.T) {
	t.Parallel()
	last := -1.0
	for _, leak := range []float64{0, 0.5, 1, 2, 4, 8, 16, 30} {
		s := tightTank()
		s.leak = leak
		sum := judged(t, "kPa", inUnit(s, 1, 0), "--full", "--rested", "60 min", "--ambient", "20 Cel")
		low, value, high := estimated(t, latest(t, sum), "leak", "L/min")
		if value < last-1e-9 {
			t.Errorf("leak %v: %v L/min, less than the smaller leak before it (%v)", leak, value, last)
		}
		if low > leak || high < leak {
			t.Errorf("leak %v: interval %v to %v L/min does not hold it", leak, low, high)
		}
		last = value
	}
}

func TestLeakdownFuzzSeedsAreThere(t *testing.T) {
	t.Parallel()
	found, err := filepath.Glob(filepath.Join("testdata", "fuzz", "FuzzLeakdown", "*"))
	if err != nil || len(found) == 0 {
		t.Fatalf("no committed seeds for FuzzLeakdown (%v)", err)
	}
}

// FuzzLeakdown: whatever a table holds, the command ends with exit code 0 or 3, every line is JSON, and nothing passes that
// was watched for less than 15 s or that began below 2 bar.
func FuzzLeakdown(f *testing.F) {
	f.Add([]byte("time,p\n0,742\n1,741\n"), false)
	dir := f.TempDir()
	machine := filepath.Join(dir, "bench.yaml")
	if err := os.WriteFile(machine, []byte(strings.Replace(benchMachine, "UNIT", "kPa", 1)), 0o600); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte, full bool) {
		table := filepath.Join(t.TempDir(), "r.csv")
		if err := os.WriteFile(table, data, 0o600); err != nil {
			t.Fatal(err)
		}
		args := []string{"leakdown", "--machine", machine, "--readings", table, "--json"}
		if full {
			args = append(args, "--full")
		}
		var out, log bytes.Buffer
		code := run(t.Context(), args, strings.NewReader(""), &out, &log)
		switch code {
		case exitRefused:
			if out.Len() > 0 || log.Len() == 0 {
				t.Fatalf("refused with %d bytes of answer and %d of reason", out.Len(), log.Len())
			}
			return
		case exitOK:
		default:
			t.Fatalf("exit %d: %s", code, log.String())
		}
		lines := parseLines(t, out.String())
		sum := lines[len(lines)-1]
		reasons, _ := sum["reasons"].([]any)
		switch sum["verdict"] {
		case "pass":
			if quantity(t, sum, "start_pressure", "kPa") < 150 || quantity(t, sum, "duration", "s") < 14.9 {
				t.Fatalf("passed: %v", sum)
			}
		case "fail", "undecided", "invalid":
		default:
			t.Fatalf("verdict = %v", sum["verdict"])
		}
		if len(reasons) == 0 {
			t.Fatalf("no reason: %v", sum)
		}
		if text, err := json.Marshal(sum); err != nil || bytes.Contains(text, []byte("NaN")) {
			t.Fatalf("%s (%v)", text, err)
		}
	})
}
