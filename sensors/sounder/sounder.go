// SPDX-License-Identifier: Apache-2.0

// Package sounder makes an alarm heard: a small sounder or buzzer on one output pin of the box, switched on and off in a
// rhythm that tells the alarm's priority. It is the only output that airhold has.
//
// Words: a pulse is one stretch of sound; a rhythm is the pulses of one announcement. The rhythms are our own (hmi 2.1), and
// only their counts and tempo differ: four quick pulses twice for high, two slow ones for medium, one short one for low.
// There is no tone: an active sounder has its own.
//
// Caution: a sounder or buzzer only, on a transistor where it takes more than the pin gives. Never a relay, and never a
// valve: nothing here knows whether it is safe to move one. No pulse is longer than Longest, so that whatever hangs on the
// pin by mistake is never held.
//
// It never decides what is announced, starts no goroutine, retries nothing and does not log. One caller at a time.
package sounder

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// Pin is the output pin. Out must not block. A periph.io gpio.PinOut is one.
type Pin interface {
	Out(l gpio.Level) error
}

// Urgency is how an alarm sounds.
type Urgency uint8

// The urgencies; a higher one sounds more pressing.
const (
	Low Urgency = iota + 1
	Medium
	High
)

// ErrPin says that the pin does not do what it is told; the cause is beside it.
var ErrPin = errors.New("the sounder's pin fails")

// Pulse is one stretch of sound and the silence after it.
type Pulse struct{ On, Off time.Duration }

// Longest is the longest pulse that any rhythm has.
const Longest = 400 * time.Millisecond

// Rhythm returns the pulses of one announcement; none for what is no urgency.
func Rhythm(u Urgency) []Pulse {
	quick, slow := Pulse{100 * time.Millisecond, 100 * time.Millisecond}, Pulse{Longest, 400 * time.Millisecond}
	switch u {
	case High:
		rest := Pulse{quick.On, 500 * time.Millisecond}
		return []Pulse{quick, quick, quick, rest, quick, quick, quick, quick}
	case Medium:
		return []Pulse{slow, slow}
	case Low:
		return []Pulse{{200 * time.Millisecond, 0}}
	}
	return nil
}

// Options say how the pin is wired.
type Options struct {
	ActiveLow bool // the sounder is on while the pin is low; default: while it is high
}

// Sounder is a sounder on a pin.
type Sounder struct {
	pin Pin
	on  gpio.Level
}

// New returns a sounder. It does not touch the pin; Off makes it an output that is silent.
func New(p Pin, o Options) *Sounder { return &Sounder{p, gpio.Level(!o.ActiveLow)} }

// Off switches the sounder off. Its error wraps ErrPin.
func (s *Sounder) Off() error {
	if err := s.pin.Out(!s.on); err != nil {
		return fmt.Errorf("%w: %w", ErrPin, err)
	}
	return nil
}

// Play sounds one announcement. It returns when that is over, when ctx ends (without an error), or when the pin fails, with
// an error that wraps ErrPin. Whatever happens, the last thing the pin is told is to be off.
func (s *Sounder) Play(ctx context.Context, u Urgency) (err error) {
	defer func() { err = errors.Join(err, s.Off()) }()
	for _, p := range Rhythm(u) {
		if err := s.pin.Out(s.on); err != nil {
			return fmt.Errorf("%w: %w", ErrPin, err)
		}
		over := !wait(ctx, p.On)
		if err := s.Off(); err != nil || over {
			return err
		}
		if !wait(ctx, p.Off) {
			return nil
		}
	}
	return nil
}

// wait waits for so long; false: ctx has ended.
func wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return ctx.Err() == nil
	}
}
