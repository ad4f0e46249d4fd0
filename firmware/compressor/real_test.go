// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"compress/gzip"
	"encoding/csv"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"airhold/firmware/compressor"
)

// The recordings are MetroPT-3 (Davari, Veloso, Ribeiro, Gama; UCI Machine Learning Repository 791, CC BY 4.0,
// DOI 10.24432/C5VW3R): a train's air production unit. A channel is mapped, no value altered.
const (
	healthyFile = "metropt3_healthy_2020-02-01.csv.gz"
	leaksFile   = "metropt3_leaks_L1_L3.csv.gz"
)

func table(t *testing.T, name string) ([][]string, map[string]int) {
	t.Helper()
	dir := os.Getenv("AIRHOLD_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	f, err := os.Open(filepath.Join(dir, "compressor", name))
	if errors.Is(err, fs.ErrNotExist) {
		const origin = "cut from MetroPT-3, UCI Machine Learning Repository 791, DOI 10.24432/C5VW3R"
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is missing (%s); set AIRHOLD_DATA", name, origin)
		}
		t.Skipf("%s is missing (%s); set AIRHOLD_DATA", name, origin)
	}
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

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func healthy(t *testing.T, column string) []sample {
	t.Helper()
	rows, col := table(t, healthyFile)
	out := make([]sample, 0, len(rows))
	var zero time.Time
	for i, r := range rows {
		at, err := time.Parse("2006-01-02 15:04:05", r[col["timestamp"]])
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			zero = at
		}
		out = append(out, sample{at.Sub(zero), number(t, r[col[column]]) * 1e5})
	}
	return out
}

func leak(t *testing.T, segment, column string) []sample {
	t.Helper()
	rows, col := table(t, leaksFile)
	var out []sample
	for _, r := range rows {
		if r[col["segment"]] == segment {
			at := time.Duration(number(t, r[col["t_rel_s"]]) * float64(time.Second))
			out = append(out, sample{at, number(t, r[col[column]]) * 1e5})
		}
	}
	if len(out) == 0 {
		t.Fatalf("no segment %s in %s", segment, leaksFile)
	}
	return out
}

// machines are the ways in which such a machine may be described: nothing known, or its plate.
func machines() map[string]compressor.Options {
	return map[string]compressor.Options{
		"nothing known": {},
		"switch points": {CutIn: 8.07e5, CutOut: 10.1e5},
		"whole plate":   {CutIn: 8.07e5, CutOut: 10.1e5, Volume: 0.3, Delivery: 0.0075},
		"small planter": {CutIn: 6.5e5, CutOut: 7.5e5, Volume: 0.038, Delivery: 0.003},
	}
}

func TestHealthyDay(t *testing.T) {
	for name, o := range machines() {
		for _, column := range []string{"TP3", "Reservoirs"} {
			for _, sd := range []float64{0, 200, 500} {
				t.Run(name+"/"+column+"/"+strconv.Itoa(int(sd)), func(t *testing.T) {
					rows := healthy(t, column)
					if sd > 0 {
						rows = noisy(rows, sd, 3)
					}
					res := play(rows, o)
					duty, _ := res.c.DutyWhole()
					if duty < 0.045 || duty > 0.055 {
						t.Errorf("duty = %.4f; want 0.045 to 0.055", duty)
					}
					if n := res.c.RunCount(); n < 5 || n > 6 {
						t.Errorf("runs = %d; want 5 or 6", n)
					}
					if len(res.bell.rang) != 0 {
						t.Errorf("%s rang at %v; want never", res.bell.key, res.bell.rang)
					}
					if testing.Verbose() {
						in, _ := res.c.CutIn()
						out, _ := res.c.CutOut()
						t.Logf("duty %.4f in %.0f out %.0f covered %v runs %v", duty, in, out, res.c.Covered(), res.runs)
					}
				})
			}
		}
	}
}

func TestLeakSegments(t *testing.T) {
	for name, o := range machines() {
		for _, seg := range []string{"L1", "L3a", "L3b", "L3c"} {
			for _, column := range []string{"TP3", "Reservoirs"} {
				for _, sd := range []float64{0, 100, 200} {
					if sd > 0 && name != "nothing known" {
						continue // the plate does not change what noise does
					}
					t.Run(name+"/"+seg+"/"+column+"/"+strconv.Itoa(int(sd)), func(t *testing.T) {
						rows := leak(t, seg, column)
						live := rows[0].at
						if seg == "L1" {
							live = rows[91].at // rows 0-90 are frozen acquisition
						}
						if sd > 0 && seg != "L1" {
							rows = noisy(rows, sd, 5)
						} else if sd > 0 {
							copy(rows[91:], noisy(rows[91:], sd, 5))
						}
						if sd > 0 || name != "nothing known" {
							rows = rows[:1000] // two and a half hours tell
						}
						res := play(rows, o)
						duty, _ := res.c.DutyWhole()
						if len(rows) > 1000 && duty < 0.95 {
							t.Errorf("duty = %.3f; want above 0.95: it never rests", duty)
						}
						if testing.Verbose() {
							in, _ := res.c.CutIn()
							out, _ := res.c.CutOut()
							first := time.Duration(-1)
							if len(res.bell.rang) > 0 {
								first = res.bell.rang[0] - live
							}
							t.Logf("duty %.4f first alarm %v of %d; in %.0f out %.0f runs %d covered %v of %v", duty, first, len(res.bell.rang), in, out, res.c.RunCount(), res.c.Covered(), res.end)
						}
						bar := 10 * time.Minute
						if sd > 100 {
							bar = time.Hour // 2 mbar in each row of ten seconds hides the small movements of L3a for a while
						}
						if len(res.bell.rang) == 0 || res.bell.rang[0]-live > bar {
							t.Fatalf("first alarms at %v after the first live row %v; want within %v", res.bell.rang, live, bar)
						}
						if seg == "L1" && res.bell.rang[0] < live {
							t.Error("rang on frozen acquisition")
						}
					})
				}
			}
		}
	}
}
