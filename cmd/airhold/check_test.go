// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"airhold/config"
)

func write(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "box.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const minimalMachine = `name: bench
tank: {volume: 38 L, safe_working_pressure: 10 bar, relief_setting: 9 bar}
compressors: [{control: switch, delivery: 180 L/min}]
channels: {tank: {quantity: pressure, source: sim}}
`

func check(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, log bytes.Buffer
	code = runCheck(t.Context(), args, &out, &log)
	return code, out.String(), log.String()
}

func TestCheckShowsThePlaceOfAProblem(t *testing.T) {
	t.Parallel()
	path := write(t, strings.Replace(minimalMachine, "control: switch", "control: swich", 1))
	code, out, _ := check(t, "--machine", path)
	want := path + `:3:25: error: "control" cannot be "swich"
     3 | compressors: [{control: swich, delivery: 180 L/min}]
       |                         ^
       allowed: switch, unloader, proportional, relief_held
       did you mean: switch

` + path + " is refused: 1 error.\n"
	if code != exitRefused || out != want {
		t.Errorf("exit %d, output:\n%s\nwant %d and:\n%s", code, out, exitRefused, want)
	}
}

func TestCheckLooksSignalsUp(t *testing.T) {
	t.Parallel()
	path := write(t, strings.Replace(minimalMachine, "source: sim}}", `source: sim}
  , speed: {quantity: speed, source: {can: wheel_sped.speed}}
  , drive: {quantity: rate, source: {can: {dbc: own, message: M, signal: none}}}}`, 1)+"dbcs: {own: own.dbc}\n")
	dbc := "BO_ 2566834424 M: 8 X\n SG_ s : 0|16@1+ (1,0) [0|1] \"\" X\n"
	if err := os.WriteFile(filepath.Join(filepath.Dir(path), "own.dbc"), []byte(dbc), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, _ := check(t, "--machine", path)
	for _, want := range []string{`:5:44: error: the catalogue has no signal "wheel_sped.speed"`, "did you mean: wheel_speed.speed", `:6:`, `unknown signal "M.none"`, "is refused: 2 errors."} {
		if code != exitRefused || !strings.Contains(out, want) {
			t.Errorf("exit %d, output:\n%s\nwant %q", code, out, want)
		}
	}
}

func TestCheckOfAGoodFileSaysWhatItDescribes(t *testing.T) {
	t.Parallel()
	code, out, errOut := check(t, "--machine", write(t, minimalMachine))
	if code != exitOK || errOut != "" || !strings.Contains(out, "no problem found") || !strings.Contains(out, `"bench": a tank of 38 L for at most 1000 kPa, relief at 900 kPa`) {
		t.Errorf("exit %d, output %q, log %q", code, out, errOut)
	}
}

func TestCheckWarningsDoNotRefuse(t *testing.T) {
	t.Parallel()
	code, out, _ := check(t, "--machine", write(t, strings.Replace(minimalMachine, "name: bench\n", "", 1)))
	if code != exitOK || !strings.Contains(out, "warning: the machine has no \"name\"") || !strings.Contains(out, "is accepted with 1 warning.") {
		t.Errorf("exit %d, output %q", code, out)
	}
}

func TestCheckWrongUsage(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{{}, {"--machin", "x"}, {"--machine"}, {"--machine", "x", "y"}} {
		code, out, errOut := check(t, args...)
		if code != exitUsage || out != "" || !strings.Contains(errOut, "airhold check --help") {
			t.Errorf("check %q: exit %d, output %q, log %q", args, code, out, errOut)
		}
	}
	if code, out, _ := check(t, "--help"); code != exitOK || !strings.Contains(out, "usage: airhold check") {
		t.Errorf("--help: exit %d, %q", code, out)
	}
}

func TestCheckExampleIsAcceptedWhereItsDBCStands(t *testing.T) {
	t.Parallel()
	code, out, _ := check(t, "--example")
	if code != exitOK || out != string(config.Example()) {
		t.Fatalf("exit %d, %d bytes", code, len(out))
	}
	if code, out, _ := check(t, "--machine", "../../config/example.yaml"); code != exitOK || !strings.Contains(out, "no problem found") {
		t.Errorf("exit %d, %s", code, out)
	}
}

func TestCheckJSON(t *testing.T) {
	t.Parallel()
	missing := filepath.Join(t.TempDir(), "none.yaml")
	tests := map[string]struct {
		path             string
		code             int
		nErrors, nWarned int
	}{
		"refused":   {write(t, strings.Replace(minimalMachine, "38 L", "38", 1)), exitRefused, 1, 0},
		"accepted":  {write(t, minimalMachine), exitOK, 0, 0},
		"warned":    {write(t, strings.Replace(minimalMachine, ", delivery: 180 L/min", "", 1)), exitOK, 0, 1},
		"not there": {missing, exitRefused, 1, 0},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			code, out, errOut := check(t, "--machine", tt.path, "--json")
			if code != tt.code || errOut != "" {
				t.Errorf("exit %d, log %q; want %d and none", code, errOut, tt.code)
			}
			lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
			var s struct {
				Event            string
				Accepted         bool
				Errors, Warnings int
			}
			if err := json.Unmarshal([]byte(lines[len(lines)-1]), &s); err != nil {
				t.Fatal(err)
			}
			if s.Event != "summary" || s.Accepted != (tt.code == exitOK) || s.Errors != tt.nErrors || s.Warnings != tt.nWarned {
				t.Errorf("summary %+v", s)
			}
			for _, line := range lines[:len(lines)-1] {
				var p map[string]any
				if err := json.Unmarshal([]byte(line), &p); err != nil {
					t.Fatal(err)
				}
				for _, key := range []string{"file", "line", "column", "severity", "message", "allowed", "suggestion"} {
					if _, ok := p[key]; !ok {
						t.Errorf("%s lacks %q", line, key)
					}
				}
			}
			if len(lines)-1 != tt.nErrors+tt.nWarned {
				t.Errorf("%d problem lines; want %d", len(lines)-1, tt.nErrors+tt.nWarned)
			}
		})
	}
}

func TestLoadMachine(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	if m, code := loadMachine(write(t, minimalMachine), &log); m == nil || code != exitOK || log.Len() > 0 {
		t.Errorf("good file: %v, exit %d, log %q", m, code, log.String())
	}
	if m, code := loadMachine(write(t, "name: bench\n"), &log); m != nil || code != exitRefused || !strings.Contains(log.String(), "is refused: 3 errors.") {
		t.Errorf("bad file: %v, exit %d, log %q", m, code, log.String())
	}
}

func TestUnderline(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 300)
	tests := map[string]struct {
		line        string
		column      int
		shown, mark string
	}{
		"tab kept":       {"\tab", 2, "\tab", "\t^"},
		"wide letters":   {"a: 20 °C", 7, "a: 20 °C", "      ^"},
		"past the end":   {"ab", 9, "ab", "  ^"},
		"escape hidden":  {"a\x1b[31m", 1, "a?[31m", "^"},
		"far to the end": {long, 300, long[:55+1], strings.Repeat(" ", 55) + "^"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if shown, mark := underline(tt.line, tt.column); shown != tt.shown || mark != tt.mark {
				t.Errorf("underline(%q, %d) = %q, %q; want %q, %q", tt.line, tt.column, shown, mark, tt.shown, tt.mark)
			}
		})
	}
}
