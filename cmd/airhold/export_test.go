// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"airhold/firmware/store/sealed"
)

// call runs the program and returns its exit code and what it printed.
func call(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(""), &out, &errs)
	return code, out.String(), errs.String()
}

// complaints is what an export says beside how far it is, which it tells where the machine is slow.
func complaints(errs string) string {
	return regexp.MustCompile(`(?m)^(boot \w+ \(\d of \d\): \d+ %(, about \d\S* left of it)?|done after \d+s)\n`).ReplaceAllString(errs, "")
}

func TestExportSaysWhatItWrote(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	path := invented(t, data, "a", 120)
	invented(t, data, "b", 60)
	if err := sealed.Seal(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	type file struct {
		Boot, Name, Clock, First, Last string
		Readings, Rows, Frames, Points int64
		Bytes                          int64
	}
	for _, c := range []struct {
		args []string
		text string // of boot a
		want file   // of boot a
	}{
		{[]string{"csv"}, "boot-a.csv: 2400 readings in 2400 rows, 2026-04-28 05:10:00 to 2026-04-28 05:11:59 UTC, clock good", file{Readings: 2400, Rows: 2400, First: "2026-04-28T05:10:00.001Z", Last: "2026-04-28T05:11:59.902Z"}},
		{[]string{"csv", "--channels", "front", "--from", "2026-04-28T05:11:00Z", "--to", "2026-04-28"}, "boot-a.csv: 600 readings in 600 rows", file{Readings: 600, Rows: 600, First: "2026-04-28T05:11:00.002Z", Last: "2026-04-28T05:11:59.902Z"}},
		{[]string{"parquet"}, "boot-a.parquet: 2400 readings, ", file{Readings: 2400, Rows: 2400, First: "2026-04-28T05:10:00.001Z", Last: "2026-04-28T05:11:59.902Z"}},
		{[]string{"candump"}, "boot-a.log: 120 frames, ", file{Frames: 120, First: "2026-04-28T05:10:00Z", Last: "2026-04-28T05:11:59Z"}},
		{[]string{"pcapng"}, "boot-a.pcapng: 120 frames, ", file{Frames: 120, First: "2026-04-28T05:10:00Z", Last: "2026-04-28T05:11:59Z"}},
		{[]string{"geojson"}, "boot-a.geojson: 120 points, ", file{Readings: 240, Rows: 121, Points: 120, First: "2026-04-28T05:10:00Z", Last: "2026-04-28T05:11:59Z"}},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			t.Parallel()
			out := filepath.Join(t.TempDir(), "new", "folder")
			args := append([]string{"export", "--data", data, "--out", out, "--format"}, c.args...)
			code, text, errs := call(t, args...)
			if code != exitOK || !strings.Contains(text, c.text) || complaints(errs) != "" {
				t.Errorf("exit %d, %q, %q; want %q", code, text, errs, c.text)
			}
			// Once more, as JSON: it is all there.
			code, text, errs = call(t, append(args, "--json")...)
			var s struct {
				Event, Format string
				Files         []file
				Already       bool
				Readings      int64
				Notes         []string
			}
			if err := json.Unmarshal([]byte(text), &s); err != nil || code != exitOK || complaints(errs) != "" {
				t.Fatalf("exit %d, %v in %q, %q", code, err, text, errs)
			}
			i := slices.IndexFunc(s.Files, func(f file) bool { return f.Boot == "a" })
			if i < 0 {
				t.Fatalf("no file of boot a in %s", text)
			}
			got := s.Files[i]
			st, err := os.Stat(filepath.Join(out, got.Name))
			if err != nil || st.Size() != got.Bytes {
				t.Errorf("%s: %v, %v; want a file of %d bytes", got.Name, st, err, got.Bytes)
			}
			c.want.Boot, c.want.Name, c.want.Clock, c.want.Bytes = "a", got.Name, "good", got.Bytes
			if got != c.want || !s.Already || s.Event != "summary" || s.Format != c.args[0] || s.Notes == nil {
				t.Errorf("summary %s; want %+v", text, c.want)
			}
		})
	}
}

func TestExportRefusesWhatIsThere(t *testing.T) {
	t.Parallel()
	data, out := t.TempDir(), t.TempDir()
	invented(t, data, "a", 30)
	mine := filepath.Join(out, "boot-a.csv")
	if err := os.WriteFile(mine, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, text, errs := call(t, "export", "--data", data, "--out", out, "--format", "csv")
	if code != exitRefused || text != "" || !strings.Contains(errs, "is there already, and not from this export; name another folder") {
		t.Errorf("exit %d, %q, %q; want it refused", code, text, errs)
	}
	if b, err := os.ReadFile(mine); err != nil || string(b) != "mine" {
		t.Errorf("the file holds %q, %v", b, err)
	}
	code, _, errs = call(t, "export", "--data", data, "--out", t.TempDir(), "--format", "csv", "--channels", "tnak")
	if code != exitRefused || !strings.Contains(errs, `there is no channel "tnak"`) {
		t.Errorf("exit %d, %q; want the channel refused", code, errs)
	}
	code, _, errs = call(t, "export", "--data", data, "--out", t.TempDir(), "--format", "csv", "--from", "2027-01-01")
	if code != exitRefused || !strings.Contains(errs, "nothing of that is recorded") {
		t.Errorf("exit %d, %q; want word that there is nothing", code, errs)
	}
}

func TestExportThatIsStoppedSaysHowToGoOn(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	invented(t, data, "a", 30)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, errs bytes.Buffer
	code := run(ctx, []string{"export", "--data", data, "--out", t.TempDir(), "--format", "csv"}, strings.NewReader(""), &out, &errs)
	if code != exitFailed || !strings.Contains(errs.String(), "the same command goes on where it was") {
		t.Errorf("exit %d, %q", code, errs.String())
	}
}
