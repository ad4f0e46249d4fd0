// SPDX-License-Identifier: Apache-2.0

package clock

import (
	"context"
	"time"

	"golang.org/x/sys/unix"
)

// Live is the box's own clock: CLOCK_BOOTTIME, which also counts suspended time, and the kernel's wall clock.
type Live struct{}

// Boot returns the time since the kernel started.
func (Live) Boot() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return 0
	}
	return time.Duration(ts.Nano())
}

// Sample pairs boot and wall time. The quality is the kernel's word: disciplined by a time service is Good, a clock
// that was at least set to a plausible year is Coarse.
func (l Live) Sample() Sample {
	s := Sample{Boot: l.Boot(), UTC: time.Now().UTC()}
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	switch {
	case err == nil && state != unix.TIME_ERROR && tx.Status&unix.STA_UNSYNC == 0:
		s.Quality = Good
	case s.UTC.Year() >= firstPlausibleYear:
		s.Quality = Coarse
	}
	return s
}

// Within is how far the kernel's wall clock may be off, by the kernel's own reckoning (maxerror of adjtimex(2): half the
// way to the source's root and back, and what a crystal may run off since); false where no time service tells it.
func (Live) Within() (time.Duration, bool) {
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	if err != nil || state == unix.TIME_ERROR || tx.Status&unix.STA_UNSYNC != 0 {
		return 0, false
	}
	return time.Duration(tx.Maxerror) * time.Microsecond, true
}

// Sleep waits for d.
func (Live) Sleep(ctx context.Context, d time.Duration) error { return sleep(ctx, d) }
