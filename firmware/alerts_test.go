// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"airhold/firmware/publish"
	"airhold/firmware/rig"
)

// follow asks for all alerts after those a tablet has, as a page does, and confirms them.
func (s *stand) follow(have []publish.Alert) []publish.Alert {
	s.t.Helper()
	for {
		target := "/api/alerts"
		if n := len(have); n > 0 {
			target += fmt.Sprintf("?since=%d&line=%s", have[n-1].Seq, have[n-1].Line)
		}
		code, body := s.get(target)
		var list publish.AlertList
		if err := json.Unmarshal(body, &list); code != http.StatusOK || err != nil {
			s.t.Fatalf("GET %s = %d %s, %v", target, code, body, err)
		}
		if len(list.Alerts) == 0 {
			return have
		}
		have = append(have, list.Alerts...)
		last := have[len(have)-1]
		said := fmt.Sprintf(`{"tablet":"cab","line":%q,"seq":%d}`, last.Line, last.Seq)
		r, err := http.Post(s.addr.Page+"/api/alerts/got", "application/json", strings.NewReader(said))
		if err != nil {
			s.t.Fatal(err)
		}
		_ = r.Body.Close()
		if r.StatusCode != http.StatusNoContent {
			s.t.Errorf("POST /api/alerts/got %s = %d; want 204", said, r.StatusCode)
		}
	}
}

// A tablet that follows the alerts over a broker that goes and a box that is switched off and on has each record of an
// alarm in the journal once, in order, and was told of the last one by MQTT.
func TestAlertsOverARestart(t *testing.T) {
	dir := t.TempDir()
	var have []publish.Alert
	for boot, sensor := range []string{"front", "rear"} {
		s := newStand(t, standOptions{story: "quiet", rate: 10, dir: dir, boot: fmt.Sprint("boot-", boot), faults: []rig.Event{{What: rig.Unplug, Where: sensor}}})
		s.start()
		screen := newReader(t, s.addr.Page)
		ours := func(a publish.Alert) bool {
			return a.Key == "pressure-fault" && a.Where == sensor && a.Boot == fmt.Sprint("boot-", boot)
		}
		s.until(30*time.Second, "the alert of "+sensor, func() bool {
			time.Sleep(300 * time.Millisecond) // a page asks when it is told that something is missing
			have = s.follow(have)
			return slices.ContainsFunc(have, ours)
		})
		last := have[len(have)-1]
		screen.await(5*time.Second, "alert/last", func(v map[string]any) bool {
			seq, _ := v["seq"].(float64)
			return v["line"] == last.Line && int64(seq) >= last.Seq
		})
		if code, body := s.get("/api/alerts?tablet=cab&since="); code != http.StatusOK || strings.Contains(string(body), last.ID) {
			t.Errorf("what was confirmed is given again: %d %s", code, body)
		}
		if code, body := s.get("/contract/asyncapi.json"); code != http.StatusOK || !strings.Contains(string(body), "airhold/v1/{machine}/alert/last") {
			t.Errorf("GET /contract/asyncapi.json = %d %.100s", code, body)
		}
		have = s.follow(have)
		s.stop()
	}
	var want []string
	for _, r := range journal(t, dir) {
		if r.Kind == "alarm" {
			want = append(want, r.Hash[:16])
		}
	}
	var got []string
	for i, a := range have {
		got = append(got, a.ID)
		if i > 0 && a.Prev != have[i-1].Seq {
			t.Errorf("alert %d says %d was before it; it was %d", a.Seq, a.Prev, have[i-1].Seq)
		}
	}
	if !slices.Equal(got, want[:min(len(got), len(want))]) || len(want) == 0 {
		t.Errorf("the tablet has %d alerts %v; the journal %d %v", len(got), got, len(want), want)
	}
}
