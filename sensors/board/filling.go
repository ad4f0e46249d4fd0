// SPDX-License-Identifier: Apache-2.0

package board

import "time"

// Filling tells from free space how long a disk lasts. The zero value is ready; one goroutine owns it.
//
// The rate is the mean fall of free space over the last ten minutes, but never below Least: so a disk that is all but
// full is seen at start, and the answer is always a finite time, at most what the least rate allows.
type Filling struct {
	// Least is the smallest rate reckoned with, bytes a second; default 10000, about what twelve channels at 10 Hz
	// and a quiet bus write before they are packed (estimated, not measured).
	Least float64

	marks []mark // oldest first, a minute apart
}

type mark struct {
	at   time.Duration
	free uint64
}

const (
	markEvery    = time.Minute
	markKeep     = 10
	leastDefault = 10000
)

// Left returns how long the disk lasts, with free bytes at boot time at. Times must not go backwards; one that does
// begins anew. Free space that grows (a day was packed, a file deleted) also begins anew.
func (f *Filling) Left(at time.Duration, free uint64) time.Duration {
	if n := len(f.marks); n > 0 && (at < f.marks[n-1].at || free > f.marks[n-1].free) {
		f.marks = f.marks[:0]
	}
	if n := len(f.marks); n == 0 || at-f.marks[n-1].at >= markEvery {
		if n == markKeep+1 {
			copy(f.marks, f.marks[1:])
			f.marks = f.marks[:n-1]
		}
		f.marks = append(f.marks, mark{at, free})
	}
	rate := f.Least
	if rate <= 0 {
		rate = leastDefault
	}
	if first := f.marks[0]; at-first.at >= markEvery {
		rate = max(rate, float64(first.free-free)/(at-first.at).Seconds())
	}
	seconds := float64(free) / rate
	return time.Duration(min(seconds, longest.Seconds()) * float64(time.Second))
}

// longest caps the answer where a huge disk would not fit a time.Duration.
const longest = 100 * 365 * 24 * time.Hour
