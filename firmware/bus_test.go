// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"airhold/firmware/rig"
)

// A running box tells what goes on on its bus: who sends which groups how often, at the rates at which the simulated
// machine sends them, and that its controller is sound.
func TestABoxTellsOfItsBus(t *testing.T) {
	var code int
	var body []byte
	play(t, standOptions{story: rig.ShopStory, script: []cue{
		{20 * time.Second, func(s *stand) { code, body = s.get("/api/bus") }},
	}})
	var links []struct {
		Link       string
		Frames     int64
		Controller struct{ State string }
		Remarks    []string
		Groups     []struct {
			PGN    uint32
			Count  int64
			Period *struct{ Value float64 }
		}
	}
	if code != http.StatusOK || json.Unmarshal(body, &links) != nil || len(links) != 1 || links[0].Link != "can0" {
		t.Fatalf("GET /api/bus = %d %.300s; want the one link of the example", code, body)
	}
	l := links[0]
	if l.Frames == 0 || l.Controller.State != "active" || len(l.Remarks) != 0 || len(l.Groups) == 0 {
		t.Errorf("%+v; want frames of a sound bus and nothing to remark", l)
	}
	speed := 0
	for _, g := range l.Groups {
		// ISO 11783-7: wheel-based speed and distance each 100 ms.
		if g.PGN == 65096 && g.Period != nil && g.Period.Value > 0.095 && g.Period.Value < 0.105 {
			speed++
		}
	}
	if speed == 0 {
		t.Errorf("groups %+v; want 65096 each 0.1 s", l.Groups)
	}
}
