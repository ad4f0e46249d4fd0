// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// bubbleClock is a clock by the time of the synctest bubble.
type bubbleClock struct{ start time.Time }

func newClock() bubbleClock { return bubbleClock{time.Now()} }

func (c bubbleClock) Boot() time.Duration { return time.Since(c.start) }

func (c bubbleClock) Sample() clock.Sample { return clock.Sample{Boot: c.Boot()} }

func (c bubbleClock) Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// fakeBus is an I2C bus with ADS1115 register pairs at any number of addresses, and with what can go wrong on one.
type fakeBus struct {
	mu    sync.Mutex
	chips map[uint16]*fakeChip
	hang  chan struct{} // not nil: every transaction waits until it is closed
	calls int
	nack  int // so many transactions fail
}

type fakeChip struct {
	volts   [4]float64
	config  uint16
	gone    bool
	late    bool
	garbage bool
}

var errNACK = errors.New("remote I/O error")

func (b *fakeBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	hang := b.hang
	b.mu.Unlock()
	if hang != nil {
		<-hang
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.calls++
	c := b.chips[addr]
	switch {
	case b.nack > 0:
		b.nack--
		return errNACK
	case c == nil || c.gone:
		return errNACK
	case len(w) == 3 && w[0] == 1:
		c.config = uint16(w[1])<<8 | uint16(w[2])
	case len(w) == 1 && w[0] == 1 && len(r) == 2:
		got := c.config | 0x8000
		if c.late {
			got &^= 0x8000
		}
		if c.garbage {
			got ^= 0x5A5A
		}
		r[0], r[1] = byte(got>>8), byte(got)
	case len(w) == 1 && w[0] == 0 && len(r) == 2:
		code := int16(min(c.volts[c.config>>12&3]/6.144*32768, 32767)) // +-6.144 V, two's complement
		r[0], r[1] = byte(uint16(code)>>8), byte(uint16(code))
	default:
		return errors.New("unexpected transaction")
	}
	return nil
}

func (b *fakeBus) SetSpeed(physic.Frequency) error { return nil }
func (b *fakeBus) String() string                  { return "fake" }

// set changes the bus while it is polled.
func (b *fakeBus) set(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
}

// sink keeps what intake sends.
type sink struct {
	mu     sync.Mutex
	got    []readings.Reading
	faults []readings.MachineFault
}

func (s *sink) Reading(r readings.Reading) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.got = append(s.got, r)
}

func (s *sink) Fault(f readings.MachineFault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = append(s.faults, f)
}

// take returns what came since the last call.
func (s *sink) take() []readings.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.got
	s.got = nil
	return out
}

// of keeps the readings of one channel.
func of(all []readings.Reading, c readings.Channel) []readings.Reading {
	var out []readings.Reading
	for _, r := range all {
		if r.Channel == c {
			out = append(out, r)
		}
	}
	return out
}

// counts says how many readings of each quality there are.
func counts(all []readings.Reading) map[readings.Quality]int {
	out := make(map[readings.Quality]int)
	for _, r := range all {
		out[r.Quality]++
	}
	return out
}

// wait lets time pass in the bubble.
func wait(d time.Duration) { time.Sleep(d) }

// kPa is the unit of the tests' pressures.
func kPa() units.Unit { return units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1000} }

func volt() units.Unit { return units.Unit{Code: "V", Dim: units.Voltage, Factor: 1} }

func must[T any](t *testing.T) func(T, error) T {
	t.Helper()
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

var _ intake.Out = (*sink)(nil)
