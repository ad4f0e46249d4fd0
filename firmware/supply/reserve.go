// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"math"
	"time"
)

const (
	steadyFor  = 30 * time.Second // that a compressor must have run before a falling tank says what is used
	restedFor  = 2 * time.Minute  // that it must have rested before the tank's fall is not mostly cooling
	coolTau    = 60.0             // s, in which the tank's air comes near its wall; on the slow side, so that nothing is promised too early
	coolShare  = 1 - 1/hotGas     // of a run's rise that is heat, and goes
	reserveTop = 99 * time.Hour   // beyond that nobody asks
)

// runs follows when the compressor started and stopped.
type runs struct {
	known, on bool
	since     time.Duration // of this state
	from      float64       // Pa gauge when the run began
	hot       float64       // Pa of the tank's pressure that will go as its air cools, at since
}

func (r *runs) tick(s *Supply) {
	known, on := false, false
	if s.o.Compressor != nil {
		known, on, _ = s.o.Compressor.Works()
	}
	if !known || !s.tank.alive(s.now) {
		*r = runs{hot: r.left(s), since: s.now}
		return
	}
	if r.known && r.on == on {
		return
	}
	left := r.left(s)
	from := s.tank.mean - left
	*r = runs{known: true, on: on, since: s.now, from: from, hot: left}
}

// left is the part of the tank's pressure that is heat.
func (r *runs) left(s *Supply) float64 {
	if r.known && r.on {
		return math.Max(0, (s.tank.mean-r.from)*coolShare)
	}
	return r.hot * math.Exp(-(s.now-r.since).Seconds()/coolTau)
}

// steady reports whether the compressor has run for long enough that a falling tank means something.
func (r *runs) steady(s *Supply) bool { return r.known && r.on && s.now-r.since >= steadyFor }

// Reserve returns how long the tank would keep the need if the compressor stopped now, at the present use; false where
// tank, need or use are not known, or nothing is used. Air that is still hot from the compressor counts as what it will be
// when it has cooled, and a use that grows counts at once: what is said is not too long.
func (s *Supply) Reserve() (time.Duration, bool) {
	d, _, _, ok := s.reserve()
	return d, ok
}

// ReserveRange returns the bounds of Reserve, from what is not known of use and volume.
func (s *Supply) ReserveRange() (low, high time.Duration, ok bool) {
	_, low, high, ok = s.reserve()
	return low, high, ok
}

func (s *Supply) reserve() (mid, low, high time.Duration, ok bool) {
	if !s.tank.alive(s.now) || !s.needOK {
		return 0, 0, 0, false
	}
	above := s.tank.mean - s.runs.left(s) - s.need
	if above <= 0 {
		return 0, 0, 0, true
	}
	b := s.Budget()
	var rate, least, most float64 // Pa/s
	volume := s.o.Volume
	switch {
	case b.UseKnown && volume > 0:
		use := math.Max(b.Use, s.restingUse())
		doubt := s.o.Uncertainty
		if doubt <= 0 {
			doubt = 0.03
		}
		rate = use * refPressure / volume
		least = math.Max(rate/2, b.UseLow*refPressure/volume) / (1 + doubt)
		most = math.Max(use, b.UseHigh) * refPressure / volume * (1 + doubt)
	case s.o.Compressor != nil:
		rate, _ = s.o.Compressor.Rates()
		least, most = rate*(1-restingDoubt), rate*(1+restingDoubt)
	}
	if !(rate > 0) {
		return 0, 0, 0, false
	}
	span := func(rate float64) time.Duration {
		return time.Duration(math.Min(above/rate, reserveTop.Seconds()) * float64(time.Second))
	}
	return span(rate), span(most), span(math.Min(rate, least)), true
}

// restingUse is what a tank loses that has rested for long: it tells a leak that began minutes ago long before the mean
// does. Zero where it has not rested.
func (s *Supply) restingUse() float64 {
	if r := &s.runs; r.known && !r.on && s.now-r.since >= restedFor && s.fallOK {
		return math.Max(0, s.fall*s.o.Volume/refPressure)
	}
	return 0
}
