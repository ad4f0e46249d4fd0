// SPDX-License-Identifier: Apache-2.0

package compressor

import "time"

// timeline is the answer that will not change any more: which state held until when. It only grows at its end.
type timeline struct {
	ring [1024]turn // the oldest go first: 500 cycles, ten hours of a busy planter
	n    int
	last State
	upTo time.Duration
}

// turn is the begin of a state.
type turn struct {
	at    time.Duration
	state State
}

// hold lets s hold from the end of the timeline until to. What is already settled stays.
func (l *timeline) hold(to time.Duration, s State) {
	if to <= l.upTo {
		return
	}
	if l.n == 0 || s != l.last {
		l.ring[l.n%len(l.ring)] = turn{l.upTo, s}
		l.n++
		l.last = s
	}
	l.upTo = to
}

// begin sets where the timeline starts.
func (l *timeline) begin(at time.Duration) {
	if l.n == 0 {
		l.upTo = at
	}
}

// share returns the share of from..to that was On; false where a part of it is not settled, not known or too old.
func (l *timeline) share(from, to time.Duration) (float64, bool) {
	if to <= from || to > l.upTo {
		return 0, false
	}
	on, end := time.Duration(0), l.upTo
	for i := l.n - 1; i >= 0 && i >= l.n-len(l.ring); i-- {
		t := l.ring[i%len(l.ring)]
		if t.at < to && end > from {
			switch t.state {
			case On:
				on += min(end, to) - max(t.at, from)
			case Off:
			case Unknown:
				return 0, false
			default:
				return 0, false
			}
		}
		if t.at <= from {
			return on.Seconds() / (to - from).Seconds(), true
		}
		end = t.at
	}
	return 0, false
}

// Settled returns the boot time up to which the answer of OnShare will not change any more. From pressure it follows
// the present by some seconds while the state is plain, and waits while it is not; from a running channel it is the
// channel's newest reading.
func (c *Compressor) Settled() time.Duration { return c.line.upTo }

// OnShare returns the share, 0 to 1, of a stretch of boot time that the compressor spent delivering. known is false
// where the stretch does not end before Settled, where the state was not known in a part of it, or where it is too
// long ago: some hundred runs are kept.
func (c *Compressor) OnShare(from, to time.Duration) (share float64, known bool) {
	return c.line.share(from, to)
}

// signal takes a reading of a running channel at a time: an edge lies between it and the last one, which it follows or
// not.
func (l *timeline) signal(edge, at time.Duration, follows, was, on bool) {
	state := func(on bool) State {
		if on {
			return On
		}
		return Off
	}
	if !follows {
		l.hold(at, Unknown)
		return
	}
	if was != on {
		l.hold(edge, state(was))
	}
	l.hold(at, state(on))
}

// unsure is how far back a start may still be put by the evidence that shows it.
const unsure = 20 * time.Second

// settle lets the timeline grow.
func (c *Compressor) settle(at time.Duration) {
	l := &c.line
	if !c.switches() {
		l.hold(at, Unknown)
		return
	}
	if c.signalled() {
		return // each reading of the channel settles
	}
	if c.fine.active {
		if !c.fine.seg.have {
			l.hold(at, Unknown) // nothing was seen since the last hole
		}
		return
	}
	f := &c.infer
	switch f.state {
	case On:
		l.hold(f.since, Off)
		l.hold(f.evidence, On)
	case Off:
		if l.last == On {
			l.hold(f.since, On)
		}
		l.hold(max(at-unsure, f.since), Off)
	case Unknown:
		l.hold(at-unsure, Unknown)
	}
}
