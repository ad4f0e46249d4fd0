// SPDX-License-Identifier: Apache-2.0

package firmware_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/publish"
	"airhold/firmware/rig"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// healthOf asks a box how its alarms do.
func healthOf(s *stand) publish.AlarmHealth {
	s.t.Helper()
	var h publish.AlarmHealth
	code, text := s.get("/api/alarm-health")
	if err := json.Unmarshal(text, &h); code != http.StatusOK || err != nil || len(h.Days) == 0 {
		s.t.Fatalf("GET /api/alarm-health = %d %.200s, %v", code, text, err)
	}
	return h
}

// An unplugged sensor is announced once. The count outlives the box, with a clock that was set and with one that
// the bus sets; a shelf that was begun
// before a power-off goes on by what of it had run.
func TestAlarmHealthOutlivesTheBox(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: minutes of four boxes; others run under the detector")
	}
	for _, tc := range []struct {
		name  string
		unset bool
		by    string
	}{{"with a clock", false, alarms.ByClock}, {"with the bus's own a little later", true, alarms.ByBoth}} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			var first, second alarms.HealthDay
			var left time.Duration
			fault := []rig.Event{{What: rig.Unplug, Where: "front"}}
			play(t, standOptions{story: rig.ShopStory, dir: dir, boot: "one", unset: tc.unset, faults: fault, script: []cue{
				{time.Minute, func(s *stand) {
					s.do(alarms.Command{ID: "1", Verb: alarms.Shelve, Key: "pressure-fault", Where: "front", For: 10 * time.Minute, By: "Ada"})
				}},
				{6 * time.Minute, func(s *stand) { first = healthOf(s).Days[0] }},
			}})
			s, err := store.Open(dir, store.Options{ReadOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			saved, err := s.Alarms()
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range saved.Alarms {
				if a.Key == "pressure-fault" && a.Shelved {
					left = a.Left
				}
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			// Ten minutes from the first minute on; the last minute is what a power cut may cost.
			if left < 5*time.Minute || left > 6*time.Minute {
				t.Errorf("shelf time left on the disk after 5 of 10 min: %v; want 5 to 6 min", left)
			}
			if first.Announced < 1 || first.Shelved != 1 || first.By != tc.by || first.Running.SI < 320 { // the story begins at 30 s
				t.Errorf("first boot: %s; want the fault announced and put aside, by %s", brief(first), tc.by)
			}
			play(t, standOptions{story: rig.ShopStory, dir: dir, boot: "two", unset: tc.unset, script: []cue{
				{2 * time.Minute, func(s *stand) { second = healthOf(s).Days[0] }},
			}})
			if second.Announced < first.Announced || second.Shelved != 1 || second.By != tc.by || second.Running.SI < first.Running.SI+40 || second.Date != first.Date {
				t.Errorf("second boot: %s; want it to go on from %s", brief(second), brief(first))
			}
		})
	}
}

// office is a reader of sums of days beside the box, and how a machine says them to it.
func office(t *testing.T) (<-chan publish.SumDay, func(*config.Machine)) {
	t.Helper()
	m := newMosquitto(t)
	o := paho.NewClientOptions().AddBroker("tcp://" + m.addr).SetClientID("office")
	said := make(chan publish.SumDay, 100)
	o.SetDefaultPublishHandler(func(_ paho.Client, p paho.Message) {
		var s publish.SumDay
		if err := json.Unmarshal(p.Payload(), &s); err != nil {
			t.Errorf("%v in %s", err, p.Payload())
		}
		said <- s
	})
	reader := paho.NewClient(o)
	for _, step := range []func() paho.Token{reader.Connect, func() paho.Token { return reader.Subscribe("airhold/v1/+/sum/day", 1, nil) }} {
		if tok := step(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
	}
	t.Cleanup(func() { reader.Disconnect(0) })
	return said, func(c *config.Machine) { c.MQTT.Broker = "tcp://" + m.addr }
}

// A box that begins anew says what the day has come to, over the boot before: what its tank's readings were is in the log,
// and is reckoned from there in the plainest way. The new boot's own first seconds may be in the sum already.
func TestDaySumsUpItsBoots(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: minutes of two boxes; others run under the detector")
	}
	said, to := office(t)
	dir := t.TempDir()
	play(t, standOptions{story: rig.ShopStory, dir: dir, boot: "one", whole: true, script: []cue{{5 * time.Minute, func(*stand) {}}}})
	tank := func() (s sums) {
		var all []raw
		one := readBoot(t, dir)
		for i := range one.entries {
			if e := &one.entries[i]; e.Kind == store.IsReading {
				all = append(all, raw{Reading: e.Reading})
			}
		}
		return reckon(all, func(r *raw) bool { return r.Channel == one.table.Find("tank") })
	}()
	if tank.count < 1000 {
		t.Fatalf("boot one has %d readings of the tank; want five minutes of them", tank.count)
	}
	play(t, standOptions{
		story: rig.ShopStory, dir: dir, boot: "two", rate: 20, change: to,
		script: []cue{{40 * time.Second, func(*stand) {}}},
	})
	select {
	case s := <-said:
		by := map[string]publish.Summary{}
		for _, v := range s.Values {
			by[v.ID] = v
		}
		got, runs := by["tank"], by["compressor.runs"]
		if got.Unit != "kPa" || got.Reference != units.Gauge || got.Mean == nil || runs.Count == 0 {
			t.Fatalf("the day's tank %+v, compressor.runs %+v; want both, in kPa gauge", got, runs)
		}
		own := int64(got.Count) - tank.count
		span := float64(own)/float64(got.Count)*(*got.Max-*got.Min) + 0.01
		if own < 0 || own > 600 || *got.Min > tank.min/1e3+0.01 || *got.Max < tank.max/1e3-0.01 || math.Abs(*got.Mean-tank.mean/1e3) > span {
			t.Errorf("the day's tank: %d readings, %v to %v, mean %v kPa; boot one had %+v", got.Count, *got.Min, *got.Max, *got.Mean, tank)
		}
		if s.Journal.Records == 0 || s.Alarms.Date != "2026-04-28" {
			t.Errorf("the day is %q, with the journal's head %+v", s.Alarms.Date, s.Journal)
		}
	case <-time.After(10 * time.Second):
		t.Error("no sum of the day was said")
	}
}

// shifted is a clock whose wall clock is later than that of the story.
type shifted struct {
	*clock.Virtual

	by time.Duration
}

func (c shifted) Sample() clock.Sample {
	s := c.Virtual.Sample()
	s.UTC = s.UTC.Add(c.by)
	return s
}

// A day that ends while the box runs is said at once, and again when its last minutes are kept: those that the first word
// could not have.
func TestDayThatHasEndedIsSaidWhole(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: minutes of a box; others run under the detector")
	}
	said, to := office(t)
	const end = 5 * time.Minute // of the first day, in boot time
	s := newStand(t, standOptions{story: rig.ShopStory, rate: 60, change: to, box: func(o *firmware.BoxOptions) {
		v, ok := o.Clock.(*clock.Virtual)
		if !ok {
			t.Fatal("the stand's clock is another one")
		}
		now := v.Sample()
		midnight := now.UTC.Truncate(24 * time.Hour).Add(24 * time.Hour)
		o.Clock = shifted{v, midnight.Sub(now.UTC) - (end - now.Boot)}
	}})
	s.start(cue{end + 5*time.Minute, func(*stand) {}})
	s.wait(time.Minute)
	var first string
	minutes := map[time.Duration]uint32{} // of the first day, by when it was said
	for len(said) > 0 {
		day := <-said
		if first == "" {
			first = day.Alarms.Date
		}
		if day.Alarms.Date != first {
			continue
		}
		at := time.Duration(day.Mono) * time.Millisecond
		minutes[at.Truncate(time.Minute)] = 0
		for _, v := range day.Values {
			if v.ID == "compressor.runs" {
				minutes[at.Truncate(time.Minute)] = v.Count
			}
		}
	}
	// Whole minutes of the boot clock up to the end; the story begins in its first one.
	if at, ok := minutes[end]; !ok || at >= minutes[end+3*time.Minute] || minutes[end+3*time.Minute] != 5 {
		t.Errorf("%s was said with these minutes: %v; want fewer than 5 at %v, and all 5 three minutes later", first, minutes, end)
	}
}

func brief(d alarms.HealthDay) string {
	return fmt.Sprintf("%q by %s, %g s, %d announced, %d put aside", d.Date, d.By, d.Running.SI, d.Announced, d.Shelved)
}
