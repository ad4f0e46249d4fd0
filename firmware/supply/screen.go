// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"time"

	"airhold/firmware/readings"
)

// Pressure is a pressure for screens: the mean of the last second, how old and how good.
type Pressure struct {
	Value   float64 // Pa gauge; means something only while Alive
	Alive   bool
	Age     time.Duration // since the newest good reading
	Quality readings.Quality
}

func (f *feed) pressure(now time.Duration) Pressure {
	p := Pressure{Value: f.mean, Alive: f.alive(now), Quality: f.quality}
	if !f.heard {
		p.Quality = readings.NotAvailable
	}
	if f.seen {
		p.Age = max(0, now-f.at)
	}
	return p
}

// Tank returns the tank's pressure.
func (s *Supply) Tank() Pressure { return s.tank.pressure(s.now) }

// Fall returns how fast the tank falls over the last minute, Pa/s, positive when falling; false where under half a
// minute was seen.
func (s *Supply) Fall() (float64, bool) { return s.fall, s.fallOK }

// Limit returns the pressure under which the reserve is low, Pa gauge.
func (s *Supply) Limit() (float64, bool) { return s.lowLimit, s.lowOK }

// Need returns the pressure the tank must keep: the highest need and the loss in the lines, Pa gauge. assumed says it
// comes from a rank's own pressure and not from a wanted one.
func (s *Supply) Need() (pa float64, assumed, known bool) { return s.need, s.assumed, s.needOK }

// RankState is one rank for screens.
type RankState struct {
	Name     string
	Pressure Pressure
	Need     float64 // Pa gauge
	Known    bool    // the need is known
	Assumed  bool    // the need is assumed
	Short    float64 // by how much the pressure is below the need, Pa; 0: it is not
}

// Ranks returns how many ranks there are.
func (s *Supply) Ranks() int { return len(s.ranks) }

// Rank returns the i-th rank.
func (s *Supply) Rank(i int) RankState {
	k := &s.ranks[i]
	r := RankState{Name: k.Name, Pressure: k.p.pressure(s.now), Need: k.need, Known: k.known, Assumed: k.assumed}
	if r.Known && r.Pressure.Alive && k.p.mean < k.need {
		r.Short = k.need - k.p.mean
	}
	return r
}

// State returns the one word for the supply, and for NotKnown why.
func (s *Supply) State() (word Word, why string) {
	switch {
	case !s.tank.declared():
		return NotKnown, needsTank
	case !s.tank.alive(s.now):
		return NotKnown, needsTankNow
	case s.needOK && s.tank.mean < s.need:
		return Short, ""
	case s.lowOK && s.tank.mean < s.lowLimit:
		return Low, ""
	case !s.needOK:
		return NotKnown, needsNeed
	default:
		return Holds, ""
	}
}

// Reserve returns how long the tank would keep the need if the compressor stopped now, at the present use; false where
// tank, need or use are not known, or nothing is used.
func (s *Supply) Reserve() (time.Duration, bool) {
	if !s.tank.alive(s.now) || !s.needOK {
		return 0, false
	}
	above := s.tank.mean - s.need
	if above <= 0 {
		return 0, true
	}
	rate := 0.0 // Pa/s
	if use, ok := s.use(); ok && s.o.Volume > 0 {
		rate = use * refPressure / s.o.Volume
	} else if s.o.Compressor != nil {
		rate, _ = s.o.Compressor.Rates()
	}
	if rate <= 0 {
		return 0, false
	}
	const most = 99 * 3600.0 // s: beyond that nobody asks
	return time.Duration(min(above/rate, most) * float64(time.Second)), true
}

// Budget is where the air goes, as far as it is known, m3/s ANR.
type Budget struct {
	Gives           float64 // what the compressor can deliver
	GivesLow        float64 // 90 % interval of a learned figure; both zero: rated
	GivesHigh       float64
	GivesKnown      bool
	Rated           bool    // Gives is the machine file's figure, not measured
	Use             float64 // all takers and losses together
	UseKnown        bool    // the split between bags, drains and leak is not known
	Spare           float64 // Gives less Use, never negative
	Overhang        float64 // by how much the use exceeds what comes, while the compressor runs
	OverhangUnknown bool    // no volume, no state or no fall to tell it by
}

// hotGas is by how much the rise of the still hot gas overstates delivery in a normal cycle: middle and 5-95 %
// bounds of a simulation (design paper, section 4.3). A learned figure is divided by it and carries its width.
const hotGas, hotGasLow, hotGasHigh = 1.48, 1.35, 1.62

// Budget returns the budget.
func (s *Supply) Budget() Budget {
	b := Budget{OverhangUnknown: true}
	switch {
	case s.o.Delivery > 0:
		b.Gives, b.GivesKnown, b.Rated = s.o.Delivery, true, true
	case s.o.Compressor != nil && s.o.Volume > 0:
		if fall, rise := s.o.Compressor.Rates(); rise > 0 {
			hot := (rise + fall) * s.o.Volume / refPressure
			b.Gives, b.GivesLow, b.GivesHigh, b.GivesKnown = hot/hotGas, hot/hotGasHigh, hot/hotGasLow, true
		}
	}
	b.Use, b.UseKnown = s.use()
	if b.GivesKnown && b.UseKnown {
		b.Spare = max(0, b.Gives-b.Use)
	}
	if s.o.Compressor == nil || s.o.Volume <= 0 || !s.fallOK {
		return b
	}
	if known, on, _ := s.o.Compressor.Works(); known {
		b.OverhangUnknown = false
		if on {
			b.Overhang = max(0, s.o.Volume/refPressure*s.fall)
		}
	}
	return b
}

// use is the mean of what was taken over the duty window: what came less what was stored. Without a delivery, what the
// resting tank loses.
func (s *Supply) use() (float64, bool) {
	if s.o.Compressor == nil || s.o.Volume <= 0 {
		return 0, false
	}
	known, _, duty := s.o.Compressor.Works()
	stored, over, ok := s.trace.change(s.now, s.o.DutyWindow)
	if s.o.Delivery > 0 && known && ok && over >= s.o.DutyWindow*9/10 {
		return max(0, s.o.Delivery*duty-s.o.Volume/refPressure*stored/over.Seconds()), true
	}
	if fall, _ := s.o.Compressor.Rates(); fall > 0 {
		return s.o.Volume / refPressure * fall, true
	}
	return 0, false
}
