// SPDX-License-Identifier: Apache-2.0

package main

import (
	"testing"
	"time"
)

const truckLog = "can/truck-keyon-engine-off.candump.log.gz"

// What the truck log holds, counted in its text by a script that knows only identifiers: 145,278 frames, 31,105 of PGN
// 61444, DM1 40FF66000301 (SPN 102 FMI 3 after SAE J1939-73) 310 times, 394 broadcast announcements (control byte 20h), of
// which 391 get all their packets (some repeat one; three are begun anew before they end), and 38 requests to send, each
// aborted.
func TestDecodeTruckLog(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: a recording decoded from end to end by one goroutine")
	}
	lines := jsonLines(t, "decode", recorded(t, truckLog, truckOrigin))
	engine, faulty, values := 0, 0, 0
	for _, l := range lines {
		if l["event"] != "message" {
			continue
		}
		if _, ok := l["at"].(string); !ok {
			t.Fatalf("at = %v; want a time, the log has a clock", l["at"])
		}
		if l["pgn"] == 61444.0 {
			engine++
		}
		list, _ := l["signals"].([]any)
		for _, s := range list {
			s, ok := s.(map[string]any)
			if !ok {
				t.Fatalf("signals = %v", list)
			}
			value, has := s["value"]
			switch s["status"] {
			case "ok":
				values++
				if !has {
					t.Fatalf("signal %v is ok and has no value", s)
				}
			case "not_available", "error", "reserved", "absent":
				if has {
					t.Fatalf("signal %v has the value %v beside its status", s, value)
				}
			default:
				t.Fatalf("signal %v has no status of the contract", s)
			}
		}
		dtcs, _ := l["dtcs"].([]any)
		for _, d := range dtcs {
			if d, ok := d.(map[string]any); ok && d["spn"] == 102.0 && d["fmi"] == 3.0 {
				if l["pgn"] != 65226.0 {
					t.Errorf("the fault is in PGN %v; want 65226", l["pgn"])
				}
				faulty++
			}
		}
	}
	sum := lines[len(lines)-1]
	if engine != 31105 || faulty == 0 || values == 0 {
		t.Errorf("messages of 61444 = %d, with SPN 102 FMI 3 = %d, values = %d; want 31105 and some of each", engine, faulty, values)
	}
	if sum["frames"] != 145278.0 || sum["sessions_joined"] != 391.0 || sum["not_frames"] != 0.0 {
		t.Errorf("frames = %v, sessions_joined = %v, not_frames = %v; want 145278, 391, 0", sum["frames"], sum["sessions_joined"], sum["not_frames"])
	}
	messages, _ := sum["messages"].(map[string]any)
	total := 0.0
	bySource, _ := messages["61444"].(map[string]any)
	for _, n := range bySource {
		n, _ := n.(float64)
		total += n
	}
	if total != 31105 {
		t.Errorf("summary counts %v messages of 61444; want 31105", total)
	}
}

// A truck is no planter: its tank cannot be seen, its engine and its fault code can.
func TestReplayTruckLog(t *testing.T) {
	t.Parallel()
	machine := file(t, "truck.yaml", `name: recorded truck
tank: {volume: 38 L, safe_working_pressure: 10 bar, relief_setting: 9 bar}
compressors: [{control: switch, drive: drive}]
channels:
  tank: {quantity: pressure, source: sim}
  drive: {quantity: rate, unit: /min, source: {can: {link: can1, signal: engine.speed}}}
links: {can1: {bitrate: 250 kbit/s}}
`)
	lines := jsonLines(t, "replay", "--machine", machine, "--can", recorded(t, truckLog, truckOrigin))
	sum := lines[len(lines)-1]
	if sum["frames"] != 145278.0 {
		t.Errorf("frames = %v; want 145278", sum["frames"])
	}
	// The engine is off: its speed is either 0 or not available, and each message of it is a reading.
	if n, _ := sum["readings"].(float64); n < 31105 {
		t.Errorf("readings = %v; want one for each of the 31105 engine messages", sum["readings"])
	}
	if d := quantity(t, sum, "duration", "s"); d < 310 || d > 320 {
		t.Errorf("duration = %v s; want about 316", d)
	}
	if alarms := sum["alarms"].(map[string]any); len(alarms) != 0 {
		t.Errorf("alarms = %v; want none, no air was seen", alarms)
	}
	found := false
	for _, l := range of(lines, "machine-fault") {
		if l["count"] == 127.0 {
			t.Errorf("%v counts 127, which is J1939-73's \"not available\"", l)
		}
		if l["spn"] == 102.0 && l["fmi"] == 3.0 && l["active"] == true {
			found = true
			at, _ := l["at"].(string)
			if _, err := time.Parse(time.RFC3339Nano, at); err != nil {
				t.Errorf("at = %v: %v", l["at"], err)
			}
		}
	}
	if !found {
		t.Errorf("machine faults = %v; want SPN 102 FMI 3", of(lines, "machine-fault"))
	}
	seen := false
	unseen, _ := sum["unseen"].([]any)
	for _, u := range unseen {
		u, _ := u.(map[string]any)
		if u["key"] == "tank-low" && u["needs"] != "" {
			seen = true
		}
	}
	if !seen {
		t.Errorf("unseen = %v; want tank-low with what it needs", unseen)
	}
}
