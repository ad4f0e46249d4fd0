// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"reflect"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/publish"
	"airhold/firmware/tablet"
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
	warm := func(v float64) *findings.Measure {
		u := units.Preferred(units.Temperature)
		return &findings.Measure{SI: u.SI(v), Unit: u}
	}
	litre := func(v float64) *findings.Measure {
		return &findings.Measure{SI: v / 1000, Unit: units.Preferred(units.Volume3), Low: v / 2000, High: v / 900}
	}
	leak := free(8)
	leak.Low, leak.High = flow.SI(6), flow.SI(10)
	at := time.Date(2026, 4, 28, 14, 7, 3, 250e6, time.UTC)
	stamp := publish.Stamp{V: 1, T: at, Clk: "good", Boot: "b1", Mono: 5000, Seq: 7}
	onset := at.Add(-time.Hour)
	lowered := true
	what := map[string]any{
		"now": publish.Now{
			Stamp: stamp, Simulated: true, State: "low", Do: "slow down", Then: "park", Tonight: "drain", Banner: "a standing sentence", Setup: "needed", Rate: 2,
			Compressor: publish.CompressorNow{Word: "no_rest", Window: "10 min", Runs: 3, Learning: "learning"},
			Tank:       publish.TankNow{Pressure: gauge(566), Age: 60, Quality: "ok", CutIn: gauge(660), CutOut: gauge(760), FallPerMin: &findings.Measure{SI: fall.SI(34), Unit: fall}},
			Ranks:      []publish.RankNow{{Name: "front", Pressure: gauge(262), Age: 80, Quality: "ok", Need: gauge(310), Assumed: true, Short: gauge(48)}},
			Top:        gauge(800), Left: &publish.LeftNow{Minutes: 7.2, About: true},
			Budget: publish.BudgetNow{Gives: free(180), Rated: true, Bags: free(28), Drains: free(2), Leak: leak, Use: free(38), Spare: free(142), Short: free(18), Words: "learning"},
			Morning: &publish.MorningNow{
				State: "held", Words: "Held overnight: 690 to 655 kPa, cooling explains 29, leak 0.01 L/min ANR", Why: "no wall sensor", Places: []string{"tank", "front rank"},
				From: gauge(690), To: gauge(655), FromAt: &onset, ToAt: &at, Cooling: gauge(29), Lost: gauge(6), Leak: leak,
				WarmFrom: warm(21), WarmTo: warm(10), Warm: "tank wall",
			},
			Care:     []publish.CareNow{{Item: "drain", Words: "Drain the tank", Why: "2 working days since the last", Caution: "Engine off", Due: true}},
			Water:    &publish.WaterNow{Liquid: litre(0.3), DewPoint: warm(12), Drain: "13 h to the drain", Words: "reckoned from the intake's humidity"},
			Learning: "leak watch learning, 40 min left",
			Facts:    []publish.FactNow{{Value: "97", Words: "% ground contact"}}, Moving: true, Lowered: &lowered,
			Unseen: []publish.UnseenNow{{Key: "water-in-tank", Needs: "a moisture probe"}},
			Values: []publish.ChannelValue{{ID: "tank", Value: gauge(566), Quality: "ok", Age: 60}},
		},
		"alarm": publish.Alarm{
			Stamp: stamp, Key: "air-leak", Where: "front rank", Title: "Air leak", State: alarms.ActiveUnacked, Priority: alarms.Medium, Onset: &onset,
			Value: leak, Limit: free(4), Group: "air-leak/front rank", FirstOut: true, Do: "test the front rank", Cause: "a hose", Caution: "Park first", From: "parked",
		},
		"alarms": publish.AlarmsSum{Stamp: stamp, Unacked: 1, Active: 1, Standing: 1, Out: 1, Highest: "medium"},
		"online": publish.Online{Online: true, T: at, Boot: "b1"},
		"about":  publish.About{Stamp: stamp, Name: "Kettle Ridge 16", Simulated: true, Signals: []publish.AboutChannel{{ID: "tank", Quantity: "pressure", Unit: "kPa", Reference: "gauge", Source: "adc main input 0"}}},
	}
	what["care"], what["learned"] = contractCare(t, onset), contractLearned(t, kPa)
	state, curve := contractTest(kPa, flow, fall)
	what["test"], what["curve"] = state, curve
	for _, v := range []reflect.Value{reflect.ValueOf(state), reflect.ValueOf(*state.Result), reflect.ValueOf(curve)} {
		for i := range v.NumField() {
			if v.Field(i).IsZero() {
				t.Errorf("%s.%s is not filled in, so the page is not held to it", v.Type(), v.Type().Field(i).Name)
			}
		}
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

// contractCare is an invented care list with every field of GET /api/care.
func contractCare(t *testing.T, at time.Time) care.Sheet {
	t.Helper()
	run := findings.Measure{SI: 6.5 * 3600, Unit: units.Unit{Code: "h", Dim: units.Time, Factor: 3600}}
	last := care.Record{Item: "drain", Words: "Drain the tank", At: at, Mono: 5000, By: "A. Tester", Note: "half a cup", Run: run}
	item := care.Item{
		Name: "drain", Words: "Drain the tank", Matter: "tank drain", Due: true, Soon: true, Why: "2 working days since the last", Needs: "a clock",
		Every: "every 2 working days", Caution: "Engine off", Last: &last,
	}
	sheet := care.Sheet{
		Clock: true, Tonight: "Tonight: drain tank", Items: []care.Item{item}, History: []care.Record{last},
		Questions: []care.Question{{Item: "oil-change", Words: "Was the compressor's oil changed for this season?"}},
	}
	for _, v := range []reflect.Value{reflect.ValueOf(sheet), reflect.ValueOf(item), reflect.ValueOf(last)} {
		for i := range v.NumField() {
			if v.Field(i).IsZero() {
				t.Errorf("%s.%s is not filled in, so the page is not held to it", v.Type(), v.Type().Field(i).Name)
			}
		}
	}
	return sheet
}

// contractLearned is what GET /api/learned answers of two invented values.
func contractLearned(t *testing.T, kPa units.Unit) json.RawMessage {
	t.Helper()
	text, err := tablet.LearnedJSON([]findings.Learned{
		{Name: "cut-in", Words: "cut-in of the compressor", Value: findings.Measure{SI: kPa.SI(661), Unit: kPa, Reference: units.Gauge}, Text: "from 14 starts"},
		{Name: "signature/tank", Words: "how the air of the tank cools after a charge", Text: "from 2 clean tests"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// contractTest is an invented leak-down test with every field that the page reads, at its end with an earlier one beside it.
func contractTest(kPa, flow, fall units.Unit) (session.State, session.Curve) {
	m := func(u units.Unit, ref units.Reference, v, low, high float64) *findings.Measure {
		return &findings.Measure{SI: u.SI(v), Unit: u, Reference: ref, Low: u.SI(low), High: u.SI(high)}
	}
	plain := func(u units.Unit, ref units.Reference, v float64) *findings.Measure {
		return &findings.Measure{SI: u.SI(v), Unit: u, Reference: ref}
	}
	mm, second := units.Unit{Code: "mm", Factor: 1e-3}, units.Unit{Code: "s", Factor: 1}
	curve := session.Curve{
		Run: "r-1", Measured: [][2]float64{{0, 740}, {60, 731.5}}, Fit: [][4]float64{{0, 740, 739, 741}}, Ahead: [][4]float64{{60, 731, 729, 733}},
		Cooling: [][2]float64{{0, 740}, {60, 739}}, Limit: [][2]float64{{0, 740}, {60, 736}},
	}
	result := session.Result{
		Run: "r-1", At: "2026-04-28T14:00:00Z", Zone: "front", Where: "front rank", By: "tester", Phases: 2, Verdict: "fail", Reasons: []string{"more than the limit"},
		DecidedAt: 110, Duration: 150, Start: plain(kPa, units.Gauge, 740), Limit: plain(flow, units.ANR, 3), Leak: m(flow, units.ANR, 8, 6, 10),
		Drop: m(fall, "", 8.5, 7, 9), NaiveDrop: plain(fall, "", 12), Hole: m(mm, "", 0.4, 0.3, 0.5), Discharge: 0.61, HoldTime: m(second, "", 540, 480, 600), HoldAtLeast: true,
		HoldTo: plain(kPa, units.Gauge, 310), Dominant: "the volume", Help: "measure the volume", CannotTell: "cannot tell one from the other",
		Paths:  []session.Path{{Where: "front rank", Includes: []string{"bags", "lines"}, Leak: m(flow, units.ANR, 8, 6, 10), Posterior: 0.97}},
		Budget: []session.Term{{Words: "volume", U: plain(flow, units.ANR, 0.5)}}, Sure: 0.99,
		Steps: []session.Stage{{Words: "Fill", At: "2026-04-28T13:58:00Z", Note: "to 740 kPa"}}, Curve: &curve, Simulated: true,
	}
	before := result
	before.Run, before.At, before.Verdict, before.Leak, before.Curve = "r-0", "2026-04-27T14:00:00Z", "pass", m(flow, units.ANR, 2, 1, 2.5), nil
	return session.State{
		Run: "r-1", Zone: "front", Where: "front rank", Step: session.Done, Phase: 2, Phases: 2, By: "tester", Started: "2026-04-28T13:55:00Z", Limit: plain(flow, units.ANR, 3),
		Ticks: []session.Tick{{ID: "engine", Text: "engine off", Note: "key out", Done: true}}, Left: 1,
		Conditions: []session.Condition{{ID: "compressor", Text: "compressor off", Sees: "0 /min drive", Met: "not_seen", Why: "look at it"}},
		CanGo:      true, Next: "Next: fill", Do: []string{"fill it"}, Hear: "a hiss", Cautions: []string{"keep clear"},
		Pressure: plain(kPa, units.Gauge, 731), Target: plain(kPa, units.Gauge, 745), Safe: plain(kPa, units.Gauge, 1000), Seconds: 150,
		Leak: m(flow, units.ANR, 8, 6, 10), Drop: m(fall, "", 8.5, 7, 9), Pass: 0.01, Fail: 0.99, Cooling: plain(kPa, "", 1), Lost: plain(kPa, "", 7.5),
		Updates: []session.Update{{At: 30, Leak: m(flow, units.ANR, 8, 5, 11), Pass: 0.04, Fail: 0.96}}, HeldBack: true,
		Verdict: "fail", Reasons: []string{"more than the limit"}, Result: &result, Before: &before, Compare: "worse than before",
	}, curve
}
