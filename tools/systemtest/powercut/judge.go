// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// Story is what the recorder's work came to, in the order in which it was told.
type Story []Beat

// slack is what a busy machine may add to an interval beside the commit itself.
const slack = 100 * time.Millisecond

// Demand returns what a disk must hold when power goes after n of its writes: what the recorder had said to be safe by
// then, and what was given to it longer ago than one interval and what a commit takes. Beats may be late on a busy
// machine: the longest pause between two is forgiven too.
func (s Story) Demand(n int, every time.Duration) (safe, due Counts) {
	last := -1
	for i := range s {
		if s[i].Writes <= n {
			last = i
		}
	}
	if last < 0 {
		return Counts{}, Counts{}
	}
	for _, b := range s[:last+1] {
		safe = safe.most(b.Synced)
	}
	longest := slack + s.late()
	for _, b := range s {
		longest = max(longest, b.Took+slack+s.late())
	}
	for _, b := range s[:last+1] {
		if b.At <= s[last].At-every-longest {
			due = due.most(b.Offered)
		}
	}
	due.Boots = 0
	return safe, due
}

// late is the longest pause between two beats.
func (s Story) late() time.Duration {
	at := make([]time.Duration, 0, len(s))
	for _, b := range s {
		at = append(at, b.At)
	}
	slices.Sort(at)
	var longest time.Duration
	for i := 1; i < len(at); i++ {
		longest = max(longest, at[i]-at[i-1])
	}
	return longest
}

func (c Counts) most(d Counts) Counts {
	return Counts{max(c.Frames, d.Frames), max(c.Entries, d.Entries), max(c.Learned, d.Learned), max(c.Boots, d.Boots)}
}

// What a check can find.
var (
	// ErrLost: a record that was said to be safe is gone.
	ErrLost = errors.New("what was said to be safe is lost")
	// ErrLate: more is gone than one interval's worth.
	ErrLate = errors.New("more than one interval is lost")
	// ErrFalse: something is there that was never recorded, or not in its place.
	ErrFalse = errors.New("a record that never was")
	// ErrStuck: the box cannot go on with what is there.
	ErrStuck = errors.New("the next boot cannot go on")
)

// Judge compares what is there with what must be.
func Judge(found, safe, due Counts) error {
	var errs []error
	for _, c := range []struct {
		name             string
		found, safe, due int
	}{
		{"frames", found.Frames, safe.Frames, due.Frames},
		{"log entries", found.Entries, safe.Entries, due.Entries},
		{"learned value", found.Learned, safe.Learned, due.Learned},
		{"boots", found.Boots, safe.Boots, due.Boots},
	} {
		if c.found < c.safe {
			errs = append(errs, fmt.Errorf("%s: %d are there of %d: %w", c.name, c.found, c.safe, ErrLost))
		}
		if c.found < c.due {
			errs = append(errs, fmt.Errorf("%s: %d are there of %d: %w", c.name, c.found, c.due, ErrLate))
		}
	}
	return errors.Join(errs...)
}
