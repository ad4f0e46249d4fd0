// SPDX-License-Identifier: Apache-2.0

package clock_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/clock"
)

// TestBusTimeTakesTheLeastDelay sends a device's time once a second, each message some milliseconds late, as buses and
// schedulers are. The estimate may be off by the least delay of a minute, and by no more than the boot clock drifts meanwhile.
func TestBusTimeTakesTheLeastDelay(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(1, 2))
	start := time.Date(2026, time.April, 28, 5, 10, 0, 0, time.UTC)
	var b clock.BusTime
	if _, q := b.Offset(0); q != clock.Unset {
		t.Errorf("quality %s before anything was heard", q)
	}
	const drift = 20e-6 // of the boot clock; common crystals, from memory
	for i := range 600 {
		boot := time.Duration(i)*time.Second + time.Duration(dice.ExpFloat64()*float64(30*time.Millisecond)) + time.Millisecond
		b.Hear(7, boot, start.Add(time.Duration(float64(time.Duration(i)*time.Second)*(1+drift))), clock.Good)
	}
	off, q := b.Offset(600 * time.Second)
	truth := start.Add(time.Duration(600*(1+drift)*float64(time.Second))).Sub(time.Unix(0, 0)) - 600*time.Second
	if d := off - truth; q != clock.Good || d > 2*time.Millisecond || d < -6*time.Millisecond {
		t.Errorf("the offset is off by %s, %s", d, q)
	}
	if _, q := b.Offset(3 * time.Hour); q != clock.Coarse {
		t.Errorf("quality %s after hours of silence", q)
	}
}

func TestBusTimeIsNotLedAstray(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, time.April, 28, 5, 10, 0, 0, time.UTC)
	at := func(s int) time.Duration { return time.Duration(s) * time.Second }
	var b clock.BusTime
	for i := range 60 {
		b.Hear(7, at(i), start.Add(at(i)), clock.Good)
		b.Hear(9, at(i), start.Add(at(i)+20*time.Second), clock.Coarse)           // another device, worse and wrong
		b.Hear(8, at(i), time.Date(1990, 1, 1, 0, 0, i, 0, time.UTC), clock.Good) // one without a fix
	}
	b.Hear(7, at(60), start.Add(at(60)+time.Hour), clock.Good) // one message gone wrong
	want := start.Sub(time.Unix(0, 0))
	if off, q := b.Offset(at(61)); off != want || q != clock.Good {
		t.Errorf("offset %s, %s; want %s, good", off, q, want)
	}
	// The device set its clock: after some seconds it is believed.
	for i := 61; i < 80; i++ {
		b.Hear(7, at(i), start.Add(at(i)-3*time.Hour), clock.Good)
	}
	if off, _ := b.Offset(at(80)); off != want-3*time.Hour {
		t.Errorf("offset %s after the device set its clock; want %s", off, want-3*time.Hour)
	}
	// It falls silent, and the other one is followed.
	for i := 80; i < 120; i++ {
		b.Hear(9, at(i), start.Add(at(i)+20*time.Second), clock.Coarse)
	}
	if off, q := b.Offset(at(120)); off != want+20*time.Second || q != clock.Coarse {
		t.Errorf("offset %s, %s, of the second device; want %s, coarse", off, q, want+20*time.Second)
	}
	s := clock.Sample{Boot: at(120), UTC: time.Unix(5, 0), Quality: clock.Unset}
	if got := b.Better(s); !got.UTC.Equal(start.Add(at(140))) || got.Quality != clock.Coarse {
		t.Errorf("Better = %+v", got)
	}
	s.Quality = clock.Good
	if got := b.Better(s); got != s {
		t.Errorf("a good clock was replaced by %+v", got)
	}
}
