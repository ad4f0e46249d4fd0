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
