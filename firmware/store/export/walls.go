// SPDX-License-Identifier: Apache-2.0

package export

import (
	"time"

	"airhold/firmware/clock"
)

// walls finds the boot time of what a capture stamped with the wall clock. The kernel stamps a frame with the wall clock
// as it then was, right or wrong; the boot's own clock samples say what boot time that was. Frames come in the order of
// boot time, so a wall time that the clock showed twice is told apart by what came before.
type walls struct {
	samples []clock.Sample
	at      int
	tries   int // searches that found nothing
}

// slack is how far a frame may lie before or after the samples it is between: they are a second apart.
const slack = 3 * time.Second

// farMost bounds how often all samples are searched for a stamp that fits none.
const farMost = 1000

// unset is the end of the first year of the wall clock: what is stamped before was stamped with the boot time itself.
const unset = int64(365 * 24 * time.Hour)

func newWalls(samples []clock.Sample) *walls {
	w := &walls{}
	for _, s := range samples {
		if y := s.UTC.Year(); !s.UTC.IsZero() && y >= 1970 && y < 2262 {
			w.samples = append(w.samples, s)
		}
	}
	return w
}

// boot returns the boot time of a stamp in nanoseconds since 1970; false where no sample is near.
func (w *walls) boot(ns int64) (time.Duration, bool) {
	if ns < unset {
		return time.Duration(ns), true
	}
	for i := w.at; i < min(w.at+3, len(w.samples)); i++ {
		if at, ok := w.near(i, ns); ok {
			w.at = i
			return at, true
		}
	}
	if w.tries >= farMost {
		return 0, false
	}
	for i := range w.samples { // after a gap, or in another file
		if at, ok := w.near((w.at+i)%len(w.samples), ns); ok {
			w.at = (w.at + i) % len(w.samples)
			return at, true
		}
	}
	w.tries++
	return 0, false
}

// near tries the sample before a stamp.
func (w *walls) near(i int, ns int64) (time.Duration, bool) {
	s := &w.samples[i]
	at := s.Boot + time.Duration(ns-s.UTC.UnixNano())
	low, high := s.Boot-slack, s.Boot+slack
	if i == 0 {
		low = s.Boot - time.Hour // the links may be up before the log is
	}
	if i+1 < len(w.samples) {
		high = max(high, w.samples[i+1].Boot)
	} else {
		high = s.Boot + time.Hour
	}
	// Where the next sample's word is the same, it is left to that one: the nearest counts.
	if i+1 < len(w.samples) && at >= w.samples[i+1].Boot {
		next := w.samples[i+1].Boot + time.Duration(ns-w.samples[i+1].UTC.UnixNano())
		if next >= w.samples[i+1].Boot-slack {
			return 0, false
		}
	}
	return at, at >= low && at < high
}
