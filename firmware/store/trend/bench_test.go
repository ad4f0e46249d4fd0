// SPDX-License-Identifier: Apache-2.0

package trend_test

import (
	"net/url"
	"strconv"
	"testing"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/store"
	"airhold/firmware/store/trend"
	"airhold/sensors/units"
)

// made is a folder with so many days of minutes of 40 series, a boot a day.
func made(tb testing.TB, days int) (dir string, end time.Time) {
	tb.Helper()
	dir = tb.TempDir()
	start := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	series := make([]store.Series, 40)
	for i := range series {
		series[i] = store.Series{ID: "c" + strconv.Itoa(i), Channel: true, Unit: units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1000}}
	}
	for d := range days {
		minutes := make([]store.Minute, 24*60)
		var clocks []clock.Sample
		for i := range minutes {
			minutes[i] = store.Minute{Number: int64(i), Tallies: make([]store.Tally, len(series))}
			for k := range minutes[i].Tallies {
				v := float64(d*1440 + i + k)
				minutes[i].Tallies[k] = store.Tally{Count: 600, Min: v, Max: v + 2, Mean: v + 1}
			}
			if at := time.Duration(i) * time.Minute; i%10 == 0 {
				clocks = append(clocks, clock.Sample{Boot: at, UTC: start.Add(time.Duration(d)*24*time.Hour + at), Quality: clock.Good})
			}
		}
		b := store.BootMinutes{Number: int64(d) + 1, ID: "b" + strconv.Itoa(d), Series: series}
		if err := store.AddMinutes(tb.Context(), dir, &b, minutes, clocks); err != nil {
			tb.Fatal(err)
		}
	}
	return dir, start.Add(time.Duration(days) * 24 * time.Hour)
}

// BenchmarkTenDays is five curves over ten days in which the box never rested.
func BenchmarkTenDays(b *testing.B) {
	dir, end := made(b, 10)
	for b.Loop() {
		q, err := trend.Parse(url.Values{"channels": {"c0,c1,c2,c30,c39"}, "from": {"-10d"}}, clock.Sample{UTC: end, Quality: clock.Good})
		if err != nil {
			b.Fatal(err)
		}
		a, err := trend.Run(b.Context(), trend.Options{Dir: dir}, q)
		if err != nil || len(a.Series) != 5 || a.Series[0].Count[3] == 0 {
			b.Fatal(a, err)
		}
	}
}

// Over a whole number of days every minute counts once: 600 readings a minute, whatever the buckets are.
func TestNoMinuteIsLostOrCountedTwice(t *testing.T) {
	t.Parallel()
	dir, end := made(t, 3)
	for _, points := range []string{"2", "7", "600", "2000"} {
		q, err := trend.Parse(url.Values{"channels": {"c7"}, "from": {"-400d"}, "points": {points}}, clock.Sample{UTC: end, Quality: clock.Good})
		if err != nil {
			t.Fatal(err)
		}
		a, err := trend.Run(t.Context(), trend.Options{Dir: dir}, q)
		if err != nil {
			t.Fatal(err)
		}
		var n int64
		for _, c := range a.Series[0].Count {
			n += c
		}
		if want := int64(3 * 1440 * 600); n != want || len(a.Series[0].Count) > q.Points+1 {
			t.Errorf("points=%s: %d readings in %d buckets; want %d in at most %d", points, n, len(a.Series[0].Count), want, q.Points+1)
		}
	}
}
