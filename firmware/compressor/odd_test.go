// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"slices"
	"testing"
	"time"

	"airhold/firmware/compressor"
	"airhold/firmware/rig"
	"airhold/sensors/units"
)

func TestSeasonLeaks(t *testing.T) {
	// A leak on the tank must not pass for rest or for a run, at any size. One that lets the compressor never rest is told
	// within a quarter of an hour of its begin, the catalogue's time to respond: the pressure has to fall to the cut-in,
	// six minutes of running make 60 % of the window, the row waits one more, and a leak as big as the delivery looks
	// like rest for a while.
	const leakAt = 80 * time.Minute // lunch is after 2.4 of the 6 hours
	for _, tc := range []struct {
		leak float64 // L/min ANR
		over time.Duration
		f1   float64
		ring bool
		seed uint64
	}{
		{20, 0, 0.985, false, 101},
		{60, 30 * time.Minute, 0.97, false, 103},
		{140, 0, 0.95, true, 101},
		{140, 0, 0.95, true, 103},
		{180, 30 * time.Minute, 0.95, true, 103},
	} {
		seed := tc.seed
		o := rig.DayOptions{Seed: seed, Hours: 6}
		o.Leak = rig.DayLeak{Where: "tank side", Flow: units.Flow(tc.leak * litre), At: leakAt, Over: tc.over}
		v := watchDay(o, sees{}, nil)
		t.Logf("%3.0f L/min over %v, seed %d: F1 %.4f, duty %+.2f points of %.1f, rang %v", tc.leak, tc.over, seed, v.f1, 100*v.error, 100*v.duty, v.ears.bell.rang)
		if v.f1 < tc.f1 {
			t.Errorf("%v L/min, seed %d: F1 = %.4f; want %.3f", tc.leak, seed, v.f1, tc.f1)
		}
		if !tc.ring {
			continue
		}
		at := leakAt + tc.over + 15*time.Minute
		if !slices.ContainsFunc(v.ears.bell.rang, func(r time.Duration) bool { return r > leakAt && r < at }) {
			t.Errorf("%v L/min, seed %d: rang at %v; want by %v", tc.leak, seed, v.ears.bell.rang, at)
		}
	}
}

func TestOddDays(t *testing.T) {
	at := rig.Span{At: 3 * time.Hour, For: 20 * time.Minute}
	for _, tc := range []struct {
		name  string
		extra rig.DayExtra
		with  sees
		most  time.Duration // true on-time not seen
		note  string
	}{
		{"engine idles all day", rig.DayExtra{Idle: true}, sees{}, time.Minute, ""},
		{"parked in the sun", rig.DayExtra{Parked: true}, sees{}, 0, ""},
		{"shop line, engine seen off", rig.DayExtra{Parked: true, Shop: at}, sees{drive: true, ignition: true}, 0, compressor.NoteShop},
		{"stuck sensor", rig.DayExtra{Stuck: at}, sees{}, 20 * time.Minute, compressor.NoteStuck},
		{"drifting sensor", rig.DayExtra{Drift: 30e3}, sees{}, 2 * time.Minute, ""},
		{"gap", rig.DayExtra{Gap: at}, sees{}, 20 * time.Minute, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			v := watchDay(rig.DayOptions{Seed: 103, Hours: 6, Extra: tc.extra}, tc.with, nil)
			missed := v.extra - time.Duration(v.error*float64(6*time.Hour))
			t.Logf("%v on, %v of none, %v missed, notes %v", v.on, v.extra, missed, v.ears.notes)
			if none := v.on / 50; v.extra > none || missed > tc.most {
				t.Errorf("on-time of none %v, missed %v; want at most %v, %v", v.extra, missed, none, tc.most)
			}
			if tc.note != "" && !slices.Contains(v.ears.notes, tc.note) {
				t.Errorf("notes = %v; want %s among them", v.ears.notes, tc.note)
			}
			if tc.note == "" && len(v.ears.notes) > 0 {
				t.Errorf("notes = %v; want none", v.ears.notes)
			}
			if len(v.ears.bell.rang) > 0 {
				t.Errorf("rang at %v; want never", v.ears.bell.rang)
			}
		})
	}
}

func TestHoleIsNotKnown(t *testing.T) {
	for _, x := range []rig.DayExtra{
		{Stuck: rig.Span{At: time.Hour, For: 20 * time.Minute}}, {Gap: rig.Span{At: time.Hour, For: 20 * time.Minute}},
	} {
		v := watchDay(rig.DayOptions{Seed: 104, Hours: 2, Extra: x}, sees{}, nil)
		if share, known := v.c.OnShare(65*time.Minute, 75*time.Minute); known {
			t.Errorf("%+v: OnShare of the hole = %v; want not known", x, share)
		}
		if _, known := v.c.OnShare(30*time.Minute, 59*time.Minute); !known {
			t.Errorf("%+v: OnShare before the hole is not known", x)
		}
	}
}
