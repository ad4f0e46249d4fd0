// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"airhold/firmware/rig"
	"airhold/firmware/tablet"
)

// hmi.md 2.1: export is locked while the machine moves. What is recorded can still be looked at.
func TestNoExportWhileTheMachineMoves(t *testing.T) {
	t.Parallel()
	play(t, standOptions{story: "planting-day", skip: 260 * time.Minute, script: []cue{{10 * time.Second, func(s *stand) {
		s.settle()
		for _, format := range []string{"csv", "pcapng"} {
			if code, body := s.post("/api/export", map[string]any{"format": format}); code != http.StatusConflict || !strings.Contains(string(body), "stop first") {
				t.Errorf("%s while moving = %d %s; want 409 and why", format, code, body)
			}
		}
		if code, body := s.get("/api/export"); code != http.StatusOK || !strings.Contains(string(body), `"state":"none"`) {
			t.Errorf("GET /api/export = %d %s; want none begun", code, body)
		}
		if code, body := s.get("/api/log"); code != http.StatusOK {
			t.Errorf("GET /api/log while moving = %d %s", code, body)
		}
	}}}})
}

// A box that nobody has told the time finds no hour of a day, says so, and exports all there is, with the boot clock.
func TestABoxWithoutTheTimeExportsAllItHas(t *testing.T) {
	t.Parallel()
	play(t, standOptions{story: rig.ShopStory, unset: true, whole: true, faults: []rig.Event{{What: rig.Silence, Amount: 1}}, script: []cue{{20 * time.Second, func(s *stand) {
		s.settle()
		code, body := s.post("/api/export", map[string]any{"format": "csv", "from": "2026-04-28T05:00:00Z", "to": "2026-04-28T06:00:00Z"})
		if code != http.StatusConflict || !strings.Contains(string(body), "does not know what time it is") || !strings.Contains(string(body), "export all") {
			t.Errorf("an hour of a day = %d %s; want 409 and the way out", code, body)
		}
		if code, body := s.get("/api/journal?days=1"); code != http.StatusConflict || !strings.Contains(string(body), "without days") {
			t.Errorf("a day of the journal = %d %s; want 409 and the way out", code, body)
		}
		if code, body := s.post("/api/export", map[string]any{"format": "csv"}); code != http.StatusAccepted {
			t.Fatalf("all of it = %d %s", code, body)
		}
		var st tablet.ExportState
		for range 200 {
			code, body = s.get("/api/export")
			st = tablet.ExportState{}
			if err := json.Unmarshal(body, &st); err != nil || code != http.StatusOK {
				t.Fatalf("GET /api/export = %d %s", code, body)
			}
			if st.State != "working" {
				break
			}
			time.Sleep(50 * time.Millisecond)
		}
		if st.State != "done" || len(st.Files) != 1 || st.Files[0].Readings == 0 || strings.Contains(st.Name, "1970") || strings.Contains(st.Files[0].First, "1970") {
			t.Errorf("%+v; want one file of readings, and no day of 1970", st)
		}
	}}}})
}
