// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/publish"
	"airhold/sensors/units"
)

var update = flag.Bool("update", false, "write page/fake/from-go.json anew")

// The page is written in another language, so both ends are held to one file: this test writes every field of the
// payloads the page reads, and the page's tests read them back by name (test/view.test.ts).
func TestPageReadsWhatGoWrites(t *testing.T) {
	kPa := units.Unit{Code: "kPa", Factor: 1000}
	flow := units.Unit{Code: "L/min", Factor: 1e-3 / 60}
	fall := units.Unit{Code: "kPa/min", Factor: 1000.0 / 60}
	gauge := func(v float64) publish.Quantity {
		return &findings.Measure{SI: kPa.SI(v), Unit: kPa, Reference: units.Gauge}
	}
	free := func(v float64) *findings.Measure {
		return &findings.Measure{SI: flow.SI(v), Unit: flow, Reference: units.ANR}
	}
	leak := free(8)
	leak.Low, leak.High = flow.SI(6), flow.SI(10)
	at := time.Date(2026, 4, 28, 14, 7, 3, 250e6, time.UTC)
	stamp := publish.Stamp{V: 1, T: at, Clk: "good", Boot: "b1", Mono: 5000, Seq: 7}
	onset := at.Add(-time.Hour)
	lowered := true
	what := map[string]any{
		"now": publish.Now{
			Stamp: stamp, Simulated: true, State: "low", Do: "slow down", Then: "park", Tonight: "drain", Banner: "a standing sentence", Rate: 2,
			Compressor: publish.CompressorNow{Word: "no_rest", Window: "10 min", Runs: 3, Learning: "learning"},
			Tank:       publish.TankNow{Pressure: gauge(566), Age: 60, Quality: "ok", CutIn: gauge(660), CutOut: gauge(760), FallPerMin: &findings.Measure{SI: fall.SI(34), Unit: fall}},
			Ranks:      []publish.RankNow{{Name: "front", Pressure: gauge(262), Age: 80, Quality: "ok", Need: gauge(310), Assumed: true, Short: gauge(48)}},
			Top:        gauge(800), Left: &publish.LeftNow{Minutes: 7.2, About: true},
			Budget: publish.BudgetNow{Gives: free(180), Rated: true, Bags: free(28), Drains: free(2), Leak: leak, Use: free(38), Spare: free(142), Short: free(18), Words: "learning"},
			Facts:  []publish.FactNow{{Value: "97", Words: "% ground contact"}}, Moving: true, Lowered: &lowered,
			Unseen: []publish.UnseenNow{{Key: "water-in-tank", Needs: "a moisture probe"}},
			Values: []publish.ChannelValue{{ID: "tank", Value: gauge(566), Quality: "ok", Age: 60}},
		},
		"alarm": publish.Alarm{
			Stamp: stamp, Key: "air-leak", Where: "front rank", Title: "Air leak", State: alarms.ActiveUnacked, Priority: alarms.Medium, Onset: &onset,
			Value: leak, Limit: free(4), Group: "air-leak/front rank", FirstOut: true, Do: "test the front rank", Cause: "a hose", Caution: "Park first", From: "parked",
		},
		"alarms": publish.AlarmsSum{Stamp: stamp, Unacked: 1, Active: 1, Out: 1, Highest: "medium"},
		"online": publish.Online{Online: true, T: at, Boot: "b1"},
		"about":  publish.About{Stamp: stamp, Name: "Kettle Ridge 16", Simulated: true, Signals: []publish.AboutChannel{{ID: "tank", Quantity: "pressure", Unit: "kPa", Reference: "gauge", Source: "adc main input 0"}}},
	}
	got, err := json.MarshalIndent(what, "", "  ")
	if err != nil {
		t.Fatalf("marshal the payloads: %v", err)
	}
	got = append(got, '\n')
	const file = "page/fake/from-go.json"
	if *update {
		if err := os.WriteFile(file, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s is not what Go writes now (%v); run this test with -update, then the page's tests. Got:\n%s", file, err, got)
	}
}
