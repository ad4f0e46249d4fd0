// SPDX-License-Identifier: Apache-2.0

package traffic

import (
	"fmt"
	"time"

	"airhold/bus"
)

// Thinner says which frames are worth keeping one by one. Keep takes every frame of a link in order and reports false for
// one that only says again what was said, over and over; such frames are counted by whoever thins.
type Thinner interface {
	Keep(f *bus.Frame) bool
}

const (
	loneRun     = 200         // repeats in a row before a lone talker is believed: about 0.06 s at 500 kbit/s
	loneDoubt   = 32          // and after it changed its frame, so many of the new one before it is again
	loneSilence = time.Second // without any frame ends it
	loneKeep    = time.Second // one in so much is kept while it lasts
	// loneBand is how far the time between repeats may be from what one frame takes: an acknowledged frame repeated
	// without a pause is a tenth shorter, and rates differ by two.
	loneBand = 0.25
)

// loneRates are the bitrates to try where it is not known.
func loneRates() [4]int64 { return [4]int64{125_000, 250_000, 500_000, 1_000_000} }

// Lone recognises the traffic of a bus on which one device talks and nobody acknowledges: a sender repeats an
// unacknowledged frame at once and for ever (ISO 11898-1; an error passive sender does not go off for it). It goes by the
// frames alone and their own times. A listener that stays silent, as airhold does, cannot be the one that acknowledges.
type Lone struct {
	meter   *Meter
	bitrate int64 // 0: not known

	last    bus.Frame // what repeats
	first   time.Duration
	n       int64 // how often in a row
	alone   bool
	doubt   int64 // repeats still wanted of a changed frame
	since   time.Duration
	rate    int64
	repeats int64         // while alone
	thinned int64         // in all
	kept    time.Duration // when one was last kept

	told    bus.Frame     // the last error report that tells of a state
	errorAt time.Duration // when an error report was last kept
	second  int64         // of error reports
	reports int           // in it
	passed  int64         // error reports that were counted and not kept, in all
}

// flood is how many error reports a second are kept one by one. A wrong bitrate or a broken wire can bring thousands, which
// say nothing more.
const flood = 100

// NewLone makes a Lone for a bitrate in bit/s, 0 where it is not known. One meter serves any number of links.
func NewLone(m *Meter, bitrate int64) *Lone { return &Lone{meter: m, bitrate: bitrate} }

// Report is what is known of a lone talker.
type Report struct {
	Frame   string        `json:"frame"`   // as candump writes it
	Since   time.Duration `json:"-"`       // first repeat
	Repeats int64         `json:"repeats"` // so far
	Rate    float64       `json:"-"`       // 1/s
	Bitrate int64         `json:"-"`       // bit/s that fits the rate
	Thinned int64         `json:"thinned"` // repeats that were counted and not kept, over all times
	Passed  int64         `json:"passed"`  // error reports that were counted and not kept, over all times
}

// Now reports whether there is a lone talker; the Report holds the last one where there was any.
func (l *Lone) Now() (Report, bool) {
	r := Report{Since: l.since, Repeats: l.repeats, Bitrate: l.rate, Thinned: l.thinned, Passed: l.passed}
	if l.rate > 0 {
		r.Frame = l.last.String()
		r.Rate = float64(l.rate) / float64(l.meter.stuffed(&l.last)+unansweredBits)
		if d := l.last.Boot - l.first; d > 0 && l.n > 1 {
			r.Rate = float64(l.n-1) / d.Seconds()
		}
	}
	return r, l.alone
}

// Keep takes a frame and reports whether it is worth keeping.
func (l *Lone) Keep(f *bus.Frame) bool {
	if f.Class == bus.Error {
		return l.keepError(f)
	}
	same := l.n > 0 && f.ID == l.last.ID && f.Length == l.last.Length && f.Data == l.last.Data &&
		f.IsExtended == l.last.IsExtended && f.IsRemote == l.last.IsRemote
	l.Tick(f.Boot)
	if !same || f.Boot < l.last.Boot || l.n == 0 {
		l.change(f)
		return true
	}
	l.n++
	l.last.Boot = f.Boot
	if !l.alone {
		if l.n >= loneRun {
			l.judge(f.Boot)
		}
		return true
	}
	l.repeats++
	if l.doubt > 0 {
		l.doubt--
		return true
	}
	if f.Boot-l.kept < loneKeep {
		l.thinned++
		return false
	}
	l.kept = f.Boot
	return true
}

// keepError thins error reports while a lone talker brings one with each repeat, and in a flood of them: what tells of
// another state is kept, and of the rest one a second.
func (l *Lone) keepError(f *bus.Frame) bool {
	if s := int64(f.Boot / time.Second); s != l.second {
		l.second, l.reports = s, 0
	}
	l.reports++
	const tells = classController | classOff | classRestarted
	if f.ID&tells != 0 && (f.ID != l.told.ID || f.Data[1] != l.told.Data[1]) {
		l.told, l.errorAt = *f, f.Boot
		return true
	}
	if d := f.Boot - l.errorAt; (l.alone || l.reports > flood) && d >= 0 && d < loneKeep {
		l.passed++
		return false
	}
	l.errorAt = f.Boot
	return true
}

// change begins with another frame. A lone talker may have a more urgent one: it is believed again once that repeats, and
// gone when it does not.
func (l *Lone) change(f *bus.Frame) {
	if l.doubt > 0 || f.Boot < l.last.Boot {
		l.alone = false
	}
	l.last, l.first, l.n = *f, f.Boot, 1
	l.doubt = loneDoubt
}

// judge believes in a lone talker when the repeats follow each other as closely as one frame lets them.
func (l *Lone) judge(at time.Duration) {
	period := (at - l.first).Seconds() / float64(l.n-1)
	bits := float64(l.meter.stuffed(&l.last) + unansweredBits)
	for _, rate := range loneRates() {
		if l.bitrate > 0 {
			rate = l.bitrate
		}
		if r := period * float64(rate) / bits; r < 1-loneBand || r > 1+loneBand {
			continue
		}
		l.alone, l.since, l.rate, l.repeats, l.kept, l.doubt = true, l.first, rate, l.n, at, 0
		return
	}
	// Judged by the newest repeats only: what came before the bus emptied counts no more.
	l.first, l.n = at, 1
}

// Tick takes note of the time while nothing comes.
func (l *Lone) Tick(at time.Duration) {
	if at-l.last.Boot > loneSilence {
		l.alone = false
		l.n = 0
	}
}

// Words say what is seen and what to do; empty where there is no lone talker.
func (l *Lone) Words() string {
	r, alone := l.Now()
	if !alone {
		return ""
	}
	return fmt.Sprintf("One device talks alone: it repeats %s about %.0f times a second, because nobody acknowledges it. "+
		"Airhold only listens and never acknowledges. Is the rest of the machine switched off, or is the plug to it out? "+
		"With a second device on the bus this ends by itself.", r.Frame, r.Rate)
}
