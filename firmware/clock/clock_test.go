// SPDX-License-Identifier: Apache-2.0

package clock_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"airhold/firmware/clock"
)

var day = time.Date(2026, 4, 28, 5, 10, 0, 0, time.UTC)

func TestEstimateFollowsTheLastSampleAndReportsTheStep(t *testing.T) {
	var e clock.Estimate
	if got := e.UTC(5 * time.Second); !got.IsZero() {
		t.Errorf("UTC without a sample = %v; want the zero time", got)
	}
	if step := e.Set(clock.Sample{Boot: 10 * time.Second, UTC: day, Quality: clock.Coarse}); step != 0 {
		t.Errorf("first step = %v; want 0", step)
	}
	if got := e.UTC(15 * time.Second); !got.Equal(day.Add(5 * time.Second)) {
		t.Errorf("UTC(15 s) = %v; want 5 s after the sample", got)
	}
	step := e.Set(clock.Sample{Boot: 20 * time.Second, UTC: day.Add(24*time.Hour + 10*time.Second), Quality: clock.Good})
	if step != 24*time.Hour {
		t.Errorf("step = %v; want 24 h", step)
	}
	if e.Quality() != clock.Good {
		t.Errorf("quality = %v; want good", e.Quality())
	}
}

func TestVirtualTimeStandsStillWhileAParticipantWorks(t *testing.T) {
	v := clock.NewVirtual(day, 0)
	leave := v.Join()
	defer leave()
	for range 1000 {
		if got := v.Boot(); got != 0 {
			t.Fatalf("Boot = %v while the only participant works; want 0", got)
		}
	}
	woken := make(chan time.Duration, 1)
	go func() {
		if v.SleepApart(context.Background(), time.Second) == nil {
			woken <- v.Boot()
		}
	}()
	for range 1_000_000 {
		if err := v.Sleep(t.Context(), 100*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		select {
		case at := <-woken:
			if at < time.Second {
				t.Errorf("the bystander woke at %v; want 1 s or later", at)
			}
			return
		default:
		}
	}
	t.Fatal("the bystander never woke")
}

func TestVirtualWakesInOrderOneParticipantAtATime(t *testing.T) {
	v := clock.NewVirtual(day, 0)
	type beat struct {
		who int
		at  time.Duration
	}
	beats := make(chan beat, 100)
	periods := []time.Duration{30 * time.Millisecond, 70 * time.Millisecond}
	var leaves []func()
	for range periods {
		leaves = append(leaves, v.Join())
	}
	done := make(chan struct{})
	for who, p := range periods {
		go func() {
			defer func() { leaves[who](); done <- struct{}{} }()
			for v.Boot() < 420*time.Millisecond {
				if v.Sleep(context.Background(), p) != nil {
					return
				}
				beats <- beat{who, v.Boot()}
			}
		}()
	}
	<-done
	<-done
	close(beats)
	var last time.Duration
	count := map[int]int{}
	for b := range beats {
		if b.at < last {
			t.Errorf("beat at %v after one at %v", b.at, last)
		}
		if b.at%periods[b.who] != 0 {
			t.Errorf("participant %d woke at %v; want a multiple of %v", b.who, b.at, periods[b.who])
		}
		last = b.at
		count[b.who]++
	}
	if count[0] != 14 || count[1] != 6 {
		t.Errorf("beats = %v; want 14 of the 30 ms one and 6 of the 70 ms one in 420 ms", count)
	}
}

func TestVirtualKeepsToItsRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := clock.NewVirtual(day, 60)
		leave := v.Join()
		defer leave()
		begun := time.Now()
		if err := v.Sleep(t.Context(), time.Minute); err != nil {
			t.Fatal(err)
		}
		if d := time.Since(begun); d != time.Second {
			t.Errorf("a simulated minute at rate 60 took %v; want 1 s", d)
		}
	})
}

func TestVirtualEarlierSleeperIsNotKeptByALaterTimer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := clock.NewVirtual(day, 1)
		late := make(chan error, 1)
		go func() { late <- v.SleepApart(t.Context(), time.Hour) }()
		synctest.Wait()
		begun := time.Now()
		if err := v.SleepApart(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
		if d := time.Since(begun); d != time.Second {
			t.Errorf("slept %v; want 1 s", d)
		}
		<-late
	})
}

func TestSleepEndsWithItsContext(t *testing.T) {
	v := clock.NewVirtual(day, 1)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for name, c := range map[string]clock.Clock{"virtual": v, "live": clock.Live{}} {
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: Sleep = %v; want context.Canceled", name, err)
		}
	}
}

func TestStepMovesTheWallClockOnly(t *testing.T) {
	v := clock.NewVirtual(day, 0)
	v.Step(24 * time.Hour)
	s := v.Sample()
	if s.Boot != 0 || !s.UTC.Equal(day.Add(24*time.Hour)) {
		t.Errorf("Sample = %+v; want boot 0 and a day later", s)
	}
}

func TestLiveNeverGoesBack(t *testing.T) {
	var l clock.Live
	last := l.Boot()
	for range 1000 {
		now := l.Boot()
		if now < last {
			t.Fatalf("Boot went from %v to %v", last, now)
		}
		last = now
	}
}
