// SPDX-License-Identifier: Apache-2.0

// Package clock holds the two times of the box: the boot clock, which only goes forward, and the estimate of UTC
// with its quality.
//
// Words: boot time is a time.Duration since the box (or the recording) started; a sample is one pair of boot time and
// wall time; a step is a jump of the wall clock against the boot clock. Only intake, the wiring and the outlets use
// the live clock; checks, alarms and physics never ask for the time.
package clock

import (
	"context"
	"time"
)

// Quality says how far the wall clock can be trusted.
type Quality uint8

// The qualities, worst first.
const (
	Unset  Quality = iota // no source has set it since power-up
	Coarse                // from a battery clock or bus time of a quarter second
	Good                  // from GNSS or network time
)

// String returns the word used in files and messages.
func (q Quality) String() string {
	switch q {
	case Coarse:
		return "coarse"
	case Good:
		return "good"
	default:
		return "unset"
	}
}

// Sample ties a boot time to a wall time.
type Sample struct {
	Boot    time.Duration
	UTC     time.Time
	Quality Quality
}

// StepThreshold is the jump of the wall clock against the boot clock that counts as a step; slower drift is slewing.
const StepThreshold = 500 * time.Millisecond

// Estimate turns boot time into UTC by the last sample.
type Estimate struct{ last Sample }

// Set takes a new sample and returns the step against the one before: zero for the first.
func (e *Estimate) Set(s Sample) time.Duration {
	var step time.Duration
	if !e.last.UTC.IsZero() {
		step = s.UTC.Sub(e.UTC(s.Boot))
	}
	e.last = s
	return step
}

// UTC returns the wall time at a boot time; the zero time where there has been no sample.
func (e *Estimate) UTC(boot time.Duration) time.Time {
	if e.last.UTC.IsZero() {
		return time.Time{}
	}
	return e.last.UTC.Add(boot - e.last.Boot)
}

// Quality returns the quality of the last sample.
func (e *Estimate) Quality() Quality { return e.last.Quality }

// Clock is the live clock of the box or of a simulated one.
type Clock interface {
	// Boot returns the time since the box started. It never goes backwards.
	Boot() time.Duration
	// Sample returns the present pair of boot and wall time.
	Sample() Sample
	// Sleep waits for d of this clock's time, or until ctx ends, whose error it then returns.
	Sleep(ctx context.Context, d time.Duration) error
}
