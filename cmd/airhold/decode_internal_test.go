// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// decoded runs the decode command and returns its JSON lines, the summary last.
func decoded(t *testing.T, stdin string, args ...string) []map[string]any {
	t.Helper()
	var out, errs bytes.Buffer
	if exit := runDecode(t.Context(), append(args, "--json"), strings.NewReader(stdin), &out, &errs); exit != 0 {
		t.Fatalf("decode %v = %d; want 0: %s", args, exit, errs.String())
	}
	var lines []map[string]any
	for text := range strings.Lines(out.String()) {
		var line map[string]any
		if err := json.Unmarshal([]byte(text), &line); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		lines = append(lines, line)
	}
	return lines
}

func signalOf(t *testing.T, line map[string]any, key string) map[string]any {
	t.Helper()
	list, _ := line["signals"].([]any)
	for _, s := range list {
		if s, ok := s.(map[string]any); ok && s["key"] == key {
			return s
		}
	}
	t.Fatalf("no signal %s in %v", key, line)
	return nil
}

// The frames are published ones: AgIsoStack++, canboat, J1939-Framework, a public bench capture.
func TestDecodeLinesAreTheContract(t *testing.T) {
	lines := decoded(t, strings.Join([]string{
		"(1436509052.249713) can1 0CFE4846#A00F6EBC0E00C855",
		"(1436509052.250000) can1 18FEAE30#FFFFFEFEFFFFFFFF",
		"(1436509052.251000) can1 14EE2535#2A65009D85F1B42F",
		"(1436509052.252000) can1 1CECFFAA#200E0002FFCAFE00",
		"(1436509052.253000) can1 1CEBFFAA#01FFFFD2041F0137",
		"(1436509052.254000) can1 1CEBFFAA#02020201CE220C01",
		"(1436509052.255000) can1 18FF1234#0a0B",
		"(1436509052.256000) can1 0DF01024#10F0F13A21470F16",
		"(1436509052.257000) can1 0CFE4846#A0",
		"this is no frame",
	}, "\n")+"\n")
	if len(lines) != 8 {
		t.Fatalf("%d lines; want 7 messages and the summary: %v", len(lines), lines)
	}
	speed := lines[0]
	for key, want := range map[string]any{
		"event": "message", "interface": "can1", "pgn": 65096.0, "priority": 3.0, "source": 70.0, "destination": 255.0,
		"length": 8.0, "key": "wheel_speed", "at": "2015-07-10T06:17:32.249713000Z",
	} {
		if speed[key] != want {
			t.Errorf("%s = %v; want %v", key, speed[key], want)
		}
	}
	if s := signalOf(t, speed, "speed"); s["value"] != 4.0 || s["unit"] != "m/s" || s["spn"] != 1862.0 || s["status"] != "ok" {
		t.Errorf("speed = %v; want 4 m/s, SPN 1862", s)
	}
	if s := signalOf(t, speed, "direction"); s["value"] != 1.0 || s["text"] != "forward" || s["unit"] != nil {
		t.Errorf("direction = %v; want 1, forward, no unit", s)
	}
	supply := signalOf(t, lines[1], "supply")
	if _, has := supply["value"]; has || supply["status"] != "not_available" {
		t.Errorf("supply = %v; want no value and not_available", supply)
	}
	if s := signalOf(t, lines[1], "service_1"); s["status"] != "error" || s["value"] != nil {
		t.Errorf("service_1 = %v; want error and no value", s)
	}
	name, _ := lines[2]["name"].(map[string]any)
	for key, want := range map[string]float64{
		"identity": 25898, "manufacturer": 1256, "ecu_instance": 5, "function_instance": 16, "function": 241,
		"device_class": 90, "class_instance": 15, "industry_group": 2, "arbitrary_address": 0,
	} {
		if name[key] != want {
			t.Errorf("name.%s = %v; want %v", key, name[key], want)
		}
	}
	dtcs, _ := lines[3]["dtcs"].([]any)
	if first, _ := dtcs[0].(map[string]any); len(dtcs) != 3 || first["spn"] != 1234.0 || first["fmi"] != 31.0 ||
		first["count"] != 1.0 || first["conversion"] != 0.0 {
		t.Errorf("dtcs = %v; want three, the first SPN 1234 FMI 31 count 1", dtcs)
	}
	if lamps, _ := lines[3]["lamps"].(map[string]any); lamps["red_stop"] != "not_available" {
		t.Errorf("lamps = %v; want not_available", lamps)
	}
	if lines[4]["key"] != "unknown" || lines[4]["data"] != "0A0B" {
		t.Errorf("unknown message = %v; want its data in upper-case hex", lines[4])
	}
	if s := signalOf(t, lines[5], "date"); s["value"] != "2011-04-25" {
		t.Errorf("date = %v; want 2011-04-25", s)
	}
	if s := signalOf(t, lines[5], "time"); s["value"] != "10:16:50.0001" {
		t.Errorf("time = %v; want 10:16:50.0001", s)
	}
	if s := signalOf(t, lines[6], "speed"); s["status"] != "absent" || s["value"] != nil {
		t.Errorf("speed of a one-byte message = %v; want absent", s)
	}
	sum := lines[7]
	if sum["event"] != "summary" || sum["frames"] != 9.0 || sum["sessions_broken"] != 0.0 || sum["not_frames"] != 1.0 {
		t.Errorf("summary = %v; want 9 frames, none broken, one line that is no frame", sum)
	}
	messages, _ := sum["messages"].(map[string]any)
	if bySource, _ := messages["65096"].(map[string]any); bySource["70"] != 2.0 {
		t.Errorf("messages = %v; want two of 65096 from 70", messages)
	}
	addresses, _ := sum["addresses"].(map[string]any)
	if a, _ := addresses["53"].(map[string]any); a["identity"] != 25898.0 {
		t.Errorf("addresses = %v; want 53 with identity 25898", addresses)
	}
	if load, _ := sum["bus_load"].([]any); len(load) != 1 {
		t.Errorf("bus_load = %v; want one interface", load)
	}
}

func TestDecodeBareLinesCountSecondsFromTheStart(t *testing.T) {
	lines := decoded(t, "0CF00400#F39191AA1800F3FF\n123#01\n", "-")
	if lines[0]["at"] != 0.0 || signalOf(t, lines[0], "speed")["value"] != 789.25 {
		t.Errorf("message = %v; want 789.25 at 0", lines[0])
	}
	if lines[1]["id"] != 291.0 || lines[1]["data"] != "01" || lines[1]["pgn"] != nil {
		t.Errorf("message = %v; want the 11-bit identifier 291 and no PGN", lines[1])
	}
}

func TestDecodeReadsFilesAndFlagsInAnyOrder(t *testing.T) {
	dir := t.TempDir()
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := z.Write([]byte("123#0A\n")); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	logFile, dbcFile := filepath.Join(dir, "log.gz"), filepath.Join(dir, "mine.dbc")
	dbc := "BO_ 291 Box: 8 ECU\n SG_ Lid : 0|8@1+ (2,0) [0|0] \"V\" ECU\n"
	for path, text := range map[string]string{logFile: packed.String(), dbcFile: dbc} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range [][]string{{logFile, "--dbc", dbcFile}, {"--dbc", dbcFile, logFile}} {
		lines := decoded(t, "", args...)
		if s := signalOf(t, lines[0], "Lid"); lines[0]["key"] != "Box" || s["value"] != 20.0 || s["unit"] != "V" {
			t.Errorf("%v: %v; want Box with 20 V", args, lines[0])
		}
	}
}

func TestDecodeRefusals(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.dbc")
	if err := os.WriteFile(bad, []byte("BO_ 1 M: 8 E\n SG_ A : 0|99@1+ (1,0) [0|0] \"\" E\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		in   string
		says string
		exit int
	}{
		"two files":     {[]string{"a", "b"}, "", "one FILE", 2},
		"unknown flag":  {[]string{"--nope"}, "", "nope", 2},
		"no such file":  {[]string{filepath.Join(dir, "none.log")}, "", "none.log", 3},
		"no such DBC":   {[]string{"--dbc", filepath.Join(dir, "none.dbc")}, "", "none.dbc", 3},
		"refused DBC":   {[]string{"--dbc", bad}, "", "bad.dbc:2:2", 3},
		"only nonsense": {[]string{"-"}, "hello world\nthis is no log\n", "", 3},
	} {
		var out, errs bytes.Buffer
		if exit := runDecode(t.Context(), c.args, strings.NewReader(c.in), &out, &errs); exit != c.exit || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%s: exit %d, %q; want %d and %q", name, exit, errs.String(), c.exit, c.says)
		}
	}
}

func TestDecodeTextIsForReading(t *testing.T) {
	var out, errs bytes.Buffer
	in := "18FEAE30#6EFFFEFFFFFFFFFF\n18FECAAA#10FFD2041F01FFFF\n"
	if exit := runDecode(t.Context(), nil, strings.NewReader(in), &out, &errs); exit != 0 {
		t.Fatalf("exit %d: %s", exit, errs.String())
	}
	for _, want := range []string{"supply 880 kPa gauge", "not available: parking", "error: service_1", "fault SPN 1234 FMI 31", "2 frames"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in:\n%s", want, out.String())
		}
	}
}
