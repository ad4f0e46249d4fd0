// SPDX-License-Identifier: Apache-2.0

package publish_test

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/publish"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// wallHand is a clock that is set to one moment, or to none.
type wallHand struct{ at time.Time }

func (h *wallHand) Sample() clock.Sample {
	if h.at.IsZero() {
		return clock.Sample{}
	}
	return clock.Sample{UTC: h.at, Quality: clock.Good}
}

func (h *wallHand) Sleep(ctx context.Context, _ time.Duration) error { return ctx.Err() }

// What each change is called, and that a page is what the contract says.
func TestJournalInWords(t *testing.T) {
	at := time.Date(2026, 4, 28, 14, 7, 3, 250_500_000, time.UTC)
	hand := &wallHand{}
	s, err := store.Open(t.TempDir(), store.Options{Clock: hand})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	kPa := units.Unit{Code: "kPa", Factor: 1000}
	state := alarms.State{Key: "air-leak", Where: "front rank", Value: findings.Measure{SI: 262e3, Unit: kPa, Reference: units.Gauge}}
	s.Event(0, "start", "airhold has started.")
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	hand.at = at
	var want []string
	for _, c := range []struct {
		from, to          alarms.StateName
		actor, why, words string
	}{
		{alarms.Normal, alarms.ActiveUnacked, "", "", "rang"},
		{alarms.ActiveUnacked, alarms.ActiveAcked, "A. Tester", "", "acknowledged"},
		{alarms.ActiveAcked, alarms.ActiveUnacked, "", "more urgent now", "asks again: more urgent now"},
		{alarms.ActiveUnacked, alarms.ReturnedUnacked, "", "", "returned, nobody had acknowledged it"},
		{alarms.ReturnedUnacked, alarms.Normal, "A. Tester", "", "acknowledged after it had returned"},
		{alarms.Normal, alarms.Shelved, "A. Tester", "", "put off"},
		{alarms.Shelved, alarms.ActiveUnacked, "", "shelf time over", "shown again, and it still stands: shelf time over"},
		{alarms.ActiveUnacked, alarms.Suppressed, "", "planter raised or standing", "held back: planter raised or standing"},
		{alarms.Suppressed, alarms.Normal, "", "", "returned"},
		{alarms.Normal, alarms.OutOfService, "B. Shop", "new hose ordered", "out of service: new hose ordered"},
		{alarms.OutOfService, alarms.Normal, "B. Shop", "", "shown again"},
		{alarms.Normal, alarms.Normal, "B. Shop", "looked at it", "note: looked at it"},
		{alarms.Normal, alarms.Normal, "B. Shop", "refused ack: it is hidden now", "refused ack: it is hidden now"},
	} {
		s.Transition(alarms.Transition{From: c.from, To: c.to, Actor: c.actor, Role: alarms.Operate, Via: "page", Reason: c.why, State: state})
		want = append([]string{c.words}, want...)
	}
	want = append(want, "airhold has started.")
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	memory, err := s.History()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = memory.Close() }()
	h := publish.NewHistory(memory, func(ctx context.Context) (publish.Chain, error) {
		c, err := memory.Chain(ctx)
		return publish.Chain{Records: c.Records, Checked: c.Checked, Holds: c.Why == "", Head: c.Head}, err
	})
	var got []string
	var documents []document
	for before := int64(0); ; {
		text, err := h.Journal(t.Context(), before, 5, "", time.Time{})
		var page publish.JournalPage
		if err != nil || json.Unmarshal(text, &page) != nil {
			t.Fatal(err, string(text))
		}
		documents = append(documents, document{"journal.json", string(text)})
		for _, r := range page.Records {
			got = append(got, r.Words)
			if (r.UTC == nil) != (r.Kind == "start") || r.UTC != nil && !r.UTC.Equal(at.Truncate(time.Millisecond)) {
				t.Errorf("record %d was at %v, clock %s", r.Seq, r.UTC, r.Clock)
			}
			if r.Kind == "alarm" && (r.Title != "Air leak" || r.Row != "announced" || r.Value == nil || r.Value.SI != 262e3 || r.Where != "front rank") {
				t.Errorf("record %d = %+v", r.Seq, r)
			}
		}
		if !page.More {
			break
		}
		before = page.Next
	}
	if len(got) != len(want) {
		t.Fatalf("%d records; want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("record %d from the end: %q; want %q", i, got[i], want[i])
		}
	}
	if v := judge(t, nil, documents); len(v.Faults) > 0 {
		t.Errorf("the pages are not what the contract says: %v", v.Faults)
	}
}
