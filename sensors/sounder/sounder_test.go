// SPDX-License-Identifier: Apache-2.0

package sounder_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"airhold/sensors/sounder"
)

// line is periph's test pin, with the times at which it was told something new, and a fault from a call on.
type line struct {
	gpiotest.Pin

	start time.Time
	said  []string
	calls int
	fails int // from this call on; 0: never
}

func now() time.Time { return time.Now() } //nolint:forbidigo // the bubble's own time

var errLine = errors.New("line gone")

func (l *line) Out(level gpio.Level) error {
	l.calls++
	if l.fails > 0 && l.calls >= l.fails {
		return errLine
	}
	if before := l.Read(); before != level {
		l.said = append(l.said, fmt.Sprintf("%d %s", now().Sub(l.start).Milliseconds(), level))
	}
	return l.Pin.Out(level)
}

// The rhythms of hmi 2.1: High 4+4 quick, Medium 2 slow, Low 1.
func TestRhythmsOnThePin(t *testing.T) {
	for _, tc := range []struct {
		name      string
		u         sounder.Urgency
		activeLow bool
		want      string
	}{
		{"low", sounder.Low, false, "0 High, 200 Low"},
		{"medium", sounder.Medium, false, "0 High, 400 Low, 800 High, 1200 Low"},
		{"high", sounder.High, false, "0 High, 100 Low, 200 High, 300 Low, 400 High, 500 Low, 600 High, 700 Low," +
			" 1200 High, 1300 Low, 1400 High, 1500 Low, 1600 High, 1700 Low, 1800 High, 1900 Low"},
		{"active low", sounder.Low, true, "0 High, 0 Low, 200 High"},
		{"nothing", 0, false, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := &line{start: now()}
				s := sounder.New(l, sounder.Options{ActiveLow: tc.activeLow})
				if err := s.Off(); err != nil {
					t.Fatal(err)
				}
				if err := s.Play(t.Context(), tc.u); err != nil {
					t.Fatal(err)
				}
				if got := strings.Join(l.said, ", "); got != tc.want {
					t.Errorf("the pin said %s\nwant %s", got, tc.want)
				}
			})
		})
	}
}

// Stopped at any moment, the pin is off.
func TestStoppedInMidPulseIsOff(t *testing.T) {
	for ms := range 40 {
		synctest.Test(t, func(t *testing.T) {
			l := &line{start: now()}
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(50*ms+25)*time.Millisecond)
			defer cancel()
			if err := sounder.New(l, sounder.Options{}).Play(ctx, sounder.High); err != nil {
				t.Fatal(err)
			}
			if l.Read() != gpio.Low {
				t.Errorf("stopped after %d ms: the pin is high", 50*ms+25)
			}
		})
	}
}

func TestFailingPinIsNamedAndReleased(t *testing.T) {
	for call := 1; call <= 4; call++ { // the fifth switches off what is off
		synctest.Test(t, func(t *testing.T) {
			l := &line{start: now(), fails: call}
			err := sounder.New(l, sounder.Options{}).Play(t.Context(), sounder.Medium)
			if !errors.Is(err, sounder.ErrPin) || !errors.Is(err, errLine) {
				t.Errorf("fails from call %d on: %v; want ErrPin and the cause", call, err)
			}
			if l.calls < call+1 {
				t.Errorf("fails from call %d on: %d calls; want at least one more try to switch off", call, l.calls)
			}
		})
	}
}

// Whatever hangs on the pin by mistake is never held: no pulse is longer than Longest, and an announcement ends within 3 s.
func TestNoRhythmHoldsThePin(t *testing.T) {
	for u := sounder.Low; u <= sounder.High; u++ {
		var all time.Duration
		for _, p := range sounder.Rhythm(u) {
			all += p.On + p.Off
			if p.On <= 0 || p.On > sounder.Longest {
				t.Errorf("urgency %d has a pulse of %v; want up to %v", u, p.On, sounder.Longest)
			}
		}
		if all <= 0 || all > 3*time.Second {
			t.Errorf("urgency %d sounds for %v; want up to 3 s", u, all)
		}
	}
}
