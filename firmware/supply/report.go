// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// The keys of the alarm catalogue that this package speaks of.
const (
	KeyLow        findings.Key = "tank-low"
	KeyShort      findings.Key = "tank-short"
	KeyHigh       findings.Key = "tank-high"
	KeyOffTarget  findings.Key = "rank-off-target"
	KeyNearCutIn  findings.Key = "need-near-cut-in"
	nearCutIn                  = 50e3
	highOverOut                = 70e3
	highOfRelief               = 0.95
	needsTank                  = "a tank pressure channel"
	needsTankNow               = "a good reading of the tank pressure channel"
	needsNeed                  = "a wanted pressure for a rank, or a rank's pressure and a lowered signal"
	needsCutIn                 = "a cut-in pressure (none configured, none learned yet) or a wanted pressure"
	needsCeiling               = "a relief setting, a safe working pressure or a cut-out pressure"
	assumedDetail              = "the need is assumed from the rank's own pressure while lowered"
	changedDetail              = "the wanted pressure has just changed"
)

// rankWords are the sentences of one rank, made once.
type rankWords struct{ target, targetNow, pressure, pressureNow string }

func wordsFor(where string) rankWords {
	return rankWords{
		target:      "a wanted pressure for the " + where,
		targetNow:   "a good reading of the wanted pressure for the " + where,
		pressure:    "a pressure channel of the " + where,
		pressureNow: "a good reading of the pressure channel of the " + where,
	}
}

func (s *Supply) gauge(pa float64) findings.Measure {
	return findings.Measure{SI: pa, Unit: s.kpa, Reference: units.Gauge}
}

func (s *Supply) report(at time.Duration) {
	tank := ""
	switch {
	case !s.tank.declared():
		tank = needsTank
	case !s.tank.alive(at):
		tank = needsTankNow
	}
	detail := ""
	if s.assumed {
		detail = assumedDetail
	}
	s.tell(at, KeyLow, findings.Below, s.lowLimit, tank, s.lowOK, needsCutIn, detail)
	s.tell(at, KeyShort, findings.Below, s.need, tank, s.needOK, needsNeed, detail)
	high, ok := s.highLimit()
	s.tell(at, KeyHigh, findings.Above, high, tank, ok, needsCeiling, "")
	s.near(at, detail)
	for i := range s.ranks {
		s.offTarget(&s.ranks[i], at)
	}
}

// hurry tells a tank that is beyond a limit at once, so that an alarm's delay begins and ends with a reading and not with the
// tick after it: by the mean of the last second as at ticks, against the limits of the last tick. That a tank is within its
// limits again is told at ticks.
func (s *Supply) hurry(at time.Duration, tank float64) {
	detail := ""
	if s.assumed {
		detail = assumedDetail
	}
	tell := func(key findings.Key, sense findings.Sense, limit float64, detail string) {
		s.sink.Find(findings.Finding{Key: key, At: at, Sense: sense, Detail: detail, Value: s.gauge(tank), Limit: s.gauge(limit)})
	}
	if s.lowOK && tank < s.lowLimit {
		tell(KeyLow, findings.Below, s.lowLimit, detail)
	}
	if s.needOK && tank < s.need {
		tell(KeyShort, findings.Below, s.need, detail)
	}
	if high, ok := s.highLimit(); ok && tank > high {
		tell(KeyHigh, findings.Above, high, "")
	}
}

func (s *Supply) tell(at time.Duration, key findings.Key, sense findings.Sense, limit float64, tank string, have bool, needs, detail string) {
	f := findings.Finding{Key: key, At: at, Sense: sense, Detail: detail}
	switch {
	case tank != "":
		f.Sight, f.Needs = findings.Unseen, tank
	case !have:
		f.Sight, f.Needs = findings.Unseen, needs
	default:
		f.Value, f.Limit = s.gauge(s.tank.mean), s.gauge(limit)
	}
	s.sink.Find(f)
}

// highLimit is the lowest ceiling that is known. Only the one over cut-out may be learned.
func (s *Supply) highLimit() (float64, bool) {
	limit := math.Inf(1)
	if s.outOK {
		limit = s.out + highOverOut
	}
	if s.o.Relief > 0 {
		limit = min(limit, highOfRelief*s.o.Relief)
	}
	if s.o.SafeWorking > 0 {
		limit = min(limit, s.o.SafeWorking)
	}
	return limit, !math.IsInf(limit, 1)
}

func (s *Supply) near(at time.Duration, detail string) {
	f := findings.Finding{Key: KeyNearCutIn, At: at, Sense: findings.Above, Detail: detail}
	switch {
	case !s.needOK:
		f.Sight, f.Needs = findings.Unseen, needsNeed
	case !s.inOK:
		f.Sight, f.Needs = findings.Unseen, "a cut-in pressure: none configured, none learned yet"
	default:
		f.Value, f.Limit = s.gauge(s.need), s.gauge(s.in-nearCutIn)
	}
	s.sink.Find(f)
}

// hurryRank tells a rank away from its target at once, as hurry does a tank: the target of the last tick has settled, and no
// other one came since.
func (s *Supply) hurryRank(k *rank, at time.Duration, mean float64) {
	if !k.target.alive(at) || k.stepped() || !k.settled(at) {
		return
	}
	if f := s.away(k, at, mean); f.Value.SI > f.Limit.SI {
		s.sink.Find(f)
	}
}

// away is how far a rank is from its target.
func (s *Supply) away(k *rank, at time.Duration, mean float64) findings.Finding {
	f := findings.Finding{Key: KeyOffTarget, Where: k.where, At: at, Sense: findings.Above, Detail: "too high"}
	f.Value = findings.Measure{SI: math.Abs(mean-k.asked) / k.asked, Unit: s.pct}
	f.Limit = findings.Measure{SI: offTarget, Unit: s.pct}
	if mean < k.asked {
		f.Detail = "too low"
	}
	return f
}

func (s *Supply) offTarget(k *rank, at time.Duration) {
	f := findings.Finding{Key: KeyOffTarget, Where: k.where, At: at, Sense: findings.Above}
	switch {
	case !k.p.declared():
		f.Needs = k.words.pressure
	case !k.p.alive(at):
		f.Needs = k.words.pressureNow
	case !k.target.declared():
		f.Needs = k.words.target
	case !k.target.alive(at):
		f.Needs = k.words.targetNow
	case !k.settled(at):
		// Nothing asked, or the valve is still answering: there is nothing to be off from.
		f.Sense, f.Detail = findings.Flag, changedDetail
		if k.asked <= 0 {
			f.Detail = "no pressure is wanted"
		}
		f.Value = s.gauge(k.p.mean)
		s.sink.Find(f)
		return
	default:
		s.sink.Find(s.away(k, at, k.p.mean))
		return
	}
	f.Sight = findings.Unseen
	s.sink.Find(f)
}
