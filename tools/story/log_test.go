// SPDX-License-Identifier: Apache-2.0

//go:build e2e

package story_test

import (
	"archive/zip"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	answers "airhold/firmware/tablet"
)

// recorded asks the demo what it records.
func (d *demo) recorded() (l answers.Recording) {
	d.t.Helper()
	q, err := http.NewRequestWithContext(d.t.Context(), http.MethodGet, d.page+"api/log", nil)
	if err != nil {
		d.t.Fatal(err)
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		d.t.Fatal(err)
	}
	defer r.Body.Close()
	if err := json.NewDecoder(r.Body).Decode(&l); err != nil {
		d.t.Fatalf("/api/log: %v", err)
	}
	return l
}

// TestTheResearcherTakesAnHourAlong exports three signals as a table, by the page, and looks into it.
func TestTheResearcherTakesAnHourAlong(t *testing.T) {
	t.Parallel() // it waits more than it works
	d := startDemo(t, build(t), "--story", "shop", "--rate", "120")
	d.now()
	var log answers.Recording
	for deadline := time.Now().Add(2 * time.Minute); log.Seconds < 3700; log = d.recorded() {
		if time.Now().After(deadline) {
			t.Fatalf("after two minutes %.0f s are recorded", log.Seconds)
		}
		time.Sleep(200 * time.Millisecond)
	}
	path := filepath.Join(t.TempDir(), "x.zip")
	cmd := node(t, d.page, "log.mjs", path)
	cmd.Stderr = os.Stderr
	text, err := cmd.Output()
	if err != nil {
		t.Fatalf("log.mjs: %v", err)
	}
	var said struct {
		Title, Words, Name string
		Found, Bad         []string
	}
	if err := json.Unmarshal(text, &said); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	if len(said.Bad) > 0 {
		t.Errorf("the page: %q", said.Bad)
	}
	if !strings.HasPrefix(said.Title, "Kettle Ridge 16, simulated, recording since") || !strings.Contains(said.Name, "simulated") || !strings.Contains(said.Words, said.Name) {
		t.Errorf("%+v; want all to say that it is simulated", said)
	}
	if !slices.Equal(said.Found, []string{"tank", "front", "rear", "front_target", "rear_target"}) {
		t.Errorf("the find field leaves %q; want the five gauge pressures of the example", said.Found)
	}
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	read := func(f *zip.File) string {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if len(z.File) != 2 || !strings.HasPrefix(read(z.File[0]), "SIMULATED recording of Kettle Ridge 16") {
		t.Fatalf("the zip has %d files; want the title page, which says simulated, and one table", len(z.File))
	}
	table := read(z.File[1])
	for _, line := range []string{"# simulated=yes\n", "# unit.tank=kPa gauge\n", "# unit.front=kPa gauge\n", "# unit.rear=kPa gauge\n", "\ntime,tank,front,rear\n"} {
		if !strings.Contains(table, line) {
			t.Errorf("the table lacks %q; it begins %.300s", line, table)
		}
	}
	c := csv.NewReader(strings.NewReader(table))
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil || len(rows) < 1000 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	first, err1 := time.Parse(time.RFC3339Nano, rows[1][0])
	last, err2 := time.Parse(time.RFC3339Nano, rows[len(rows)-1][0])
	// The page says until when as it is pressed, and a second of this day takes 8 ms.
	if took := last.Sub(first); err1 != nil || err2 != nil || (took-time.Hour).Abs() > time.Minute {
		t.Errorf("the table goes from %v to %v (%v, %v), %v; want an hour", first, last, err1, err2, took)
	}
	for i, id := range []string{"tank", "front", "rear"} {
		k := slices.IndexFunc(log.Signals, func(s answers.RecordedSignal) bool { return s.ID == id })
		if k < 0 || log.Signals[k].Rate == nil || log.Signals[k].Unit != "kPa" {
			t.Fatalf("/api/log has %s as %+v", id, log.Signals)
		}
		n := 0
		for _, r := range rows[1:] {
			if r[i+1] != "" {
				n++
			}
		}
		// The rate is that of ten seconds, the count that of minutes: a reading more or less, and 2 %.
		if want := log.Signals[k].Rate.SI * last.Sub(first).Seconds(); math.Abs(float64(n)-want) > 0.02*want+2 {
			t.Errorf("%s has %d cells in %v; /api/log's rate gives %.0f", id, n, last.Sub(first), want)
		}
	}
}
