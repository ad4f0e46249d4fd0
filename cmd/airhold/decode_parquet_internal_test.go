// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
)

// The table and the lines of one recording say the same, signal by signal, though they come by different ways through
// the decoder: the lines by whole messages, the table by look-up.
func TestParquetSaysWhatTheLinesSay(t *testing.T) {
	dir := t.TempDir()
	in := strings.Join([]string{
		"(1436509052.249713) can1 0CFE4846#A00F6EBC0E00C855",
		"(1436509052.250000) can0 18FEAE30#FFFFFEFEFFFFFFFF",
		"(1436509052.252000) can1 1CECFFAA#200E0002FFCAFE00",
		"(1436509052.253000) can1 1CEBFFAA#01FFFFD2041F0137",
		"(1436509052.254000) can1 1CEBFFAA#02020201CE220C01",
		"(1436509052.255000) can1 18FF1234#0a0B",
		"(1436509052.256000) can1 0DF01024#10F0F13A21470F16",
		"(1436509052.257000) can1 0CFE4846#A0",
		"(1436509052.258000) can1 123#0A",
		"(1436509052.259000) can1 10CB26F7#2300A100E4FFFFFF",
	}, "\n") + "\n"
	dbc := filepath.Join(dir, "mine.dbc")
	text := "BO_ 291 Box: 8 ECU\n SG_ Lid : 0|8@1+ (2,0) [0|0] \"V\" ECU\n"
	if err := os.WriteFile(dbc, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, l := range decoded(t, in, "--dbc", dbc) {
		list, _ := l["signals"].([]any)
		for _, s := range list {
			s, ok := s.(map[string]any)
			if !ok {
				t.Fatalf("signals = %v", list)
			}
			switch v := s["value"].(type) {
			case string:
				s["value"] = "a day or time, as a number in the table"
			case float64:
				s["value"] = fmt.Sprintf("%.12g", v) // the lines are rounded
			}
			want = append(want, fmt.Sprintf("%v %v %v.%v %v %v", l["interface"], l["source"], l["key"], s["key"], s["status"], s["value"]))
		}
	}
	file := filepath.Join(dir, "out.parquet")
	sum := decoded(t, in, "--dbc", dbc, "--parquet", file)
	if len(sum) != 1 || sum[0]["event"] != "summary" || sum[0]["frames"] != 10.0 || sum[0]["rows"] != float64(len(want)) || sum[0]["sessions_joined"] != 1.0 {
		t.Errorf("summary = %v; want 10 frames and %d rows", sum, len(want))
	}
	rows, err := parquet.ReadFile[decodeRow](file)
	if err != nil {
		t.Fatal(err)
	}
	meta := metadata(t, file)
	var links []string
	about := make(map[string]aboutSignal)
	if err := json.Unmarshal([]byte(meta["interfaces"]), &links); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(meta["signals"]), &about); err != nil {
		t.Fatal(err)
	}
	got := make([]string, 0, len(rows))
	for _, r := range rows {
		status, value := r.Status, any(nil)
		if status == "" {
			status = "ok"
		}
		if r.Value != nil {
			value = fmt.Sprintf("%.12g", *r.Value)
		}
		if k := about[r.Signal].Kind; value != nil && (k == "date" || k == "time") {
			value = "a day or time, as a number in the table"
		}
		var source any = float64(r.Source)
		if strings.HasPrefix(r.Signal, "Box.") {
			source = nil // the lines give the identifier of 11-bit messages instead
		}
		got = append(got, fmt.Sprintf("%v %v %v %v %v", links[r.Interface], source, r.Signal, status, value))
	}
	slices.Sort(got) // the table has its own order
	slices.Sort(want)
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("rows:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, r := range rows {
		if r.Signal == "wheel_speed.speed" {
			if r.Time != 1436509052249713000 {
				t.Errorf("time = %d; want 1436509052.249713 s in ns", r.Time)
			}
			break
		}
	}
	if a := about["wheel_speed.speed"]; a != (aboutSignal{Unit: "m/s", Kind: "number", SPN: 1862}) {
		t.Errorf("about the speed: %+v", a)
	}
}

func metadata(t *testing.T, path string) map[string]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	out := make(map[string]string)
	for _, kv := range f.Metadata().KeyValueMetadata {
		out[kv.Key] = kv.Value
	}
	return out
}

func TestParquetRefusals(t *testing.T) {
	dir := t.TempDir()
	there := filepath.Join(dir, "there.parquet")
	if err := os.WriteFile(there, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		path, in, says string
		exit           int
	}{
		"a file that is there": {there, "123#01\n", "is there already", exitRefused},
		"no such folder":       {filepath.Join(dir, "none", "x.parquet"), "123#01\n", "was not written", exitFailed},
		"no frame":             {filepath.Join(dir, "x.parquet"), "hello\n", "no frame", exitRefused},
	} {
		var out, errs bytes.Buffer
		exit := runDecode(t.Context(), []string{"--parquet", c.path, "-"}, strings.NewReader(c.in), &out, &errs)
		if exit != c.exit || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%s: exit %d, %q; want %d and %q", name, exit, errs.String(), c.exit, c.says)
		}
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 {
		t.Errorf("left behind: %v, %v; want only the file that was there", left, err)
	}
	if b, err := os.ReadFile(there); err != nil || string(b) != "mine" {
		t.Errorf("the file that was there is %q now, %v", b, err)
	}
}
