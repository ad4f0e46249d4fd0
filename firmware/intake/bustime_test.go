// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/signals"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
)

// TestBusSaysTheTime sends published example frames: canboat's sample of NMEA 2000 system time (2011-04-25 10:16:50.0001)
// and the time and date of AgIsoStack++'s tests (2023-08-07 22:49:41 UTC), with its year moved to 2026 so that the clock is
// plausible. The last has the code of local time without an offset, which says nothing of UTC.
func TestBusSaysTheTime(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, frame string
		want        time.Time
		quality     clock.Quality
	}{
		// 20569 days after 1970-01-01 is 2026-04-26 (0x5059); the time of day is the sample's own.
		{"system time", "0DF01024#10F0595021470F16", time.Date(2026, 4, 26, 10, 16, 50, 100_000, time.UTC), clock.Good},
		{"time and date", "18FEE647#A43116081C297D78", time.Date(2026, 8, 7, 22, 49, 41, 0, time.UTC), clock.Coarse},
		{"local time", "18FEE647#A43116081C297DFA", time.Time{}, clock.Unset},
		{"not available", "0DF01024#10F0FFFFFFFFFFFF", time.Time{}, clock.Unset},
	} {
		var frame can.Frame
		if err := frame.UnmarshalString(c.frame); err != nil {
			t.Fatal(err)
		}
		frame.IsExtended = true
		heard := intake.BusTime{}
		decoder := signals.NewDecoder()
		const boots = 6
		for i := range boots { // the same time again and again: the first is the least late
			decoder.Frame(bus.Frame{Frame: frame, Boot: time.Hour + time.Duration(i)*time.Second}, heard.Hear)
		}
		off, q := heard.Offset(time.Hour + boots*time.Second)
		if q != c.quality {
			t.Errorf("%s: quality %s, want %s", c.name, q, c.quality)
			continue
		}
		if got := time.Unix(0, int64(time.Hour+off)).UTC(); q != clock.Unset && got.Sub(c.want).Abs() > time.Microsecond {
			t.Errorf("%s: %s at the first frame, want %s", c.name, got, c.want)
		}
	}
}
