// SPDX-License-Identifier: Apache-2.0

package sealed_test

import (
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/store/sealed"
)

func at(boot time.Duration, utc time.Time, q clock.Quality) clock.Sample {
	return clock.Sample{Boot: boot, UTC: utc, Quality: q}
}

// The expectations follow from the rule of can.md 3: the boot clock is the truth, a better clock's word goes before a
// worse one's, and raw times are never rewritten. They are worked out by hand.
func TestOffsetTable(t *testing.T) {
	t.Parallel()
	day := time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC)
	s, ms := time.Second, time.Millisecond
	type want struct {
		boot time.Duration
		utc  time.Time // zero: none
		q    clock.Quality
	}
	for name, c := range map[string]struct {
		samples []clock.Sample
		pieces  int
		wants   []want
	}{
		"never set": {[]clock.Sample{at(s, time.Unix(3, 0), clock.Unset), at(2*s, time.Time{}, clock.Good)}, 0, []want{{s, time.Time{}, clock.Unset}}},
		"one good sample dates everything, and is good for a minute": {
			[]clock.Sample{at(100*s, day, clock.Good)},
			1,
			[]want{{100 * s, day, clock.Good}, {41 * s, day.Add(-59 * s), clock.Good}, {0, day.Add(-100 * s), clock.Coarse}, {161 * s, day.Add(61 * s), clock.Coarse}},
		},
		"drift is laid on a line": {
			[]clock.Sample{at(0, day, clock.Good), at(10*s, day.Add(10*s+100*ms), clock.Good)},
			1,
			[]want{{5 * s, day.Add(5*s + 50*ms), clock.Good}, {2500 * ms, day.Add(2525 * ms), clock.Good}, {12 * s, day.Add(12*s + 100*ms), clock.Good}},
		},
		"the wrong year at first": {
			[]clock.Sample{
				at(0, time.Date(2019, 1, 1, 0, 0, 0, 0, time.UTC), clock.Unset), at(10*s, time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), clock.Coarse),
				at(20*s, day, clock.Good), at(21*s, day.Add(s), clock.Good),
			},
			1,
			[]want{{0, day.Add(-20 * s), clock.Good}, {20 * s, day, clock.Good}},
		},
		"a jump of a good clock parts the table": {
			[]clock.Sample{at(10*s, day, clock.Good), at(20*s, day.Add(10*s), clock.Good), at(30*s, day.Add(24*time.Hour), clock.Good), at(40*s, day.Add(24*time.Hour+10*s), clock.Good)},
			2,
			[]want{{29 * s, day.Add(19 * s), clock.Good}, {30 * s, day.Add(24 * time.Hour), clock.Good}, {15 * s, day.Add(5 * s), clock.Good}},
		},
		"years back and forth": {
			[]clock.Sample{at(10*s, day, clock.Coarse), at(20*s, day.AddDate(-30, 0, 0), clock.Coarse), at(30*s, day.AddDate(100, 0, 0), clock.Coarse)},
			3,
			[]want{{12 * s, day.Add(2 * s), clock.Coarse}, {22 * s, day.AddDate(-30, 0, 0).Add(2 * s), clock.Coarse}, {33 * s, day.AddDate(100, 0, 0).Add(3 * s), clock.Coarse}},
		},
		"a year no clock can mean": {
			[]clock.Sample{at(10*s, time.Date(30000, 1, 1, 0, 0, 0, 0, time.UTC), clock.Good), at(11*s, day, clock.Coarse)},
			1,
			[]want{{10 * s, day.Add(-s), clock.Coarse}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := sealed.NewOffsets(c.samples)
			if got := len(o.Pieces()); got != c.pieces {
				t.Errorf("%d pieces; want %d", got, c.pieces)
			}
			for _, w := range c.wants {
				ns, q := o.UTC(w.boot)
				if q != w.q || q != clock.Unset && !time.Unix(0, ns).Equal(w.utc) {
					t.Errorf("UTC(%v) = %v, %v; want %v, %v", w.boot, time.Unix(0, ns).UTC(), q, w.utc, w.q)
				}
			}
		})
	}
}

// The line between two samples, against the same sum with numbers of any size.
func TestOffsetsOnALineAreExact(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		span := 1 + r.Int64N(int64(30*24*time.Hour))
		drift := r.Int64N(int64(clock.StepThreshold)*2-1) - int64(clock.StepThreshold) + 1
		o := sealed.NewOffsets([]clock.Sample{at(0, day, clock.Good), at(time.Duration(span), day.Add(time.Duration(span+drift)), clock.Good)})
		x := r.Int64N(span)
		want := new(big.Int).Mul(big.NewInt(drift), big.NewInt(x))
		want.Quo(want, big.NewInt(span)) // cuts off toward zero
		want.Add(want, big.NewInt(day.UnixNano()+x))
		if got, _ := o.UTC(time.Duration(x)); got != want.Int64() {
			t.Fatalf("span %d, drift %d: UTC(%d) = %d; want %d", span, drift, x, got, want)
		}
	}
}

// Samples that say the same are not kept; what they would have said is.
func TestOffsetsOfASteadyDay(t *testing.T) {
	t.Parallel()
	var samples []clock.Sample
	for i := range 36_000 {
		b := time.Duration(i) * time.Second
		samples = append(samples, at(b, day.Add(b), clock.Good))
	}
	o := sealed.NewOffsets(samples)
	for _, b := range []time.Duration{0, 1, time.Hour, 10*time.Hour - time.Second, 5 * time.Hour, time.Minute} {
		if ns, q := o.UTC(b); ns != day.Add(b).UnixNano() || q != clock.Good {
			t.Errorf("UTC(%v) = %v, %v; want %v, good", b, time.Unix(0, ns).UTC(), q, day.Add(b))
		}
	}
}
