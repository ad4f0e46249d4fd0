// SPDX-License-Identifier: Apache-2.0

package trust

import (
	"time"

	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// FrozenOptions says when acquisition counts as standing still. The zero value of a field is its default.
type FrozenOptions struct {
	// Coarse lists analog channels whose converter step is larger than their noise (12 bit of a quiet sensor): they
	// stand still in health, so they are no witnesses.
	Coarse []readings.Channel

	Samples       int           // of each of several channels; 0: 20
	Span          time.Duration // for several channels; 0: 1 min
	AloneSamples  int           // of the only channel; 0: 50 (the stuck rule of a 16-bit converter)
	AloneSpan     time.Duration // for the only channel; 0: 5 min
	StillnessOdds float64       // samples needed times the share of samples that moved before; 0: 20
}

// Frozen sees a recording or an acquisition that stands still: every analog channel repeats its value to the last
// digit. Real sensors do not do that for long, because their noise is larger than a 16-bit step; all of them
// together never do. While frozen, analog readings are marked so, and nothing is concluded from them.
//
// One channel alone may stand still in health (a tight tank, recorded with few digits), so it is judged slowly, and
// by its own past: a channel that used to move in a share f of its samples must stand for StillnessOdds/f of them.
// For white noise e^-20 is then the chance of a false verdict.
type Frozen struct {
	o     FrozenOptions
	chans []stillness
	live  int // analog channels heard so far
	still int // of them, standing long enough
	on    bool
	since time.Duration
}

type stillness struct {
	analog bool
	seen   bool
	enough bool
	value  float64
	since  time.Duration
	n      int     // samples at this value after the first
	share  float64 // of samples that moved, in the past
	past   int
}

// NewFrozen makes a detector over all analog channels of t: everything but states.
func NewFrozen(o FrozenOptions, t *readings.Table) *Frozen {
	if o.Samples <= 0 {
		o.Samples = 20
	}
	if o.Span <= 0 {
		o.Span = time.Minute
	}
	if o.AloneSamples <= 0 {
		o.AloneSamples = 50
	}
	if o.AloneSpan <= 0 {
		o.AloneSpan = 5 * time.Minute
	}
	if o.StillnessOdds <= 0 {
		o.StillnessOdds = 20
	}
	f := &Frozen{o: o, chans: make([]stillness, t.Len())}
	for i := range f.chans {
		switch t.Info(readings.Channel(i)).Quantity {
		case units.QPressure, units.QTemperature, units.QHumidity, units.QLoad, units.QVoltage, units.QFraction:
			f.chans[i].analog = !isBox(t.Info(readings.Channel(i)).ID)
		default:
		}
	}
	for _, c := range o.Coarse {
		if c >= 0 && int(c) < len(f.chans) {
			f.chans[c].analog = false
		}
	}
	return f
}

// Read returns r, marked Frozen where it is an analog reading of a frozen acquisition. It allocates nothing.
func (f *Frozen) Read(r readings.Reading) readings.Reading {
	if r.Channel < 0 || int(r.Channel) >= len(f.chans) {
		return r
	}
	s := &f.chans[r.Channel]
	if !s.analog || r.Quality != readings.Good {
		return r
	}
	f.note(s, r)
	was := f.on
	f.on = f.live > 0 && f.still == f.live
	if f.on && !was {
		f.since = f.youngest()
	}
	if f.on {
		r.Quality = readings.Frozen
	}
	return r
}

func (f *Frozen) note(s *stillness, r readings.Reading) {
	if !s.seen {
		s.seen, s.value, s.since = true, r.Value, r.At
		f.live++
		return
	}
	moved := r.Value != s.value
	if moved {
		if s.past == 0 {
			s.share = 1
		}
		// The stretch that ends here: one sample moved out of n+1. Memory of about 200 samples.
		w := min(1, float64(s.n+1)/200)
		s.share += w * (1/float64(s.n+1) - s.share)
		s.past += s.n + 1
		s.value, s.since, s.n = r.Value, r.At, 0
	} else {
		s.n++
	}
	enough := f.enough(s, r.At)
	if enough != s.enough {
		s.enough = enough
		if enough {
			f.still++
		} else {
			f.still--
		}
	}
}

func (f *Frozen) enough(s *stillness, at time.Duration) bool {
	need, span := f.o.Samples, f.o.Span
	if f.live == 1 {
		need, span = f.o.AloneSamples, f.o.AloneSpan
		if s.past >= need && s.share > 0 {
			need = max(need, int(f.o.StillnessOdds/s.share))
		}
	}
	return s.n >= need && at-s.since >= span
}

// youngest is when the last of the channels stopped moving.
func (f *Frozen) youngest() time.Duration {
	t := time.Duration(0)
	for i := range f.chans {
		if s := &f.chans[i]; s.analog && s.seen {
			t = max(t, s.since)
		}
	}
	return t
}

// Since returns whether acquisition stands still, and since when.
func (f *Frozen) Since() (time.Duration, bool) { return f.since, f.on }
