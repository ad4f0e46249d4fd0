// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"fmt"
	"math"
	"strings"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// Budget is where the air goes, as far as it is known, m3/s ANR. Where gives and use are known,
//
//	gives + short = use + spare, and where split is, use = bags + drains + leak
type Budget struct {
	Gives           float64 // what the compressor can deliver
	GivesLow        float64 // 95 % interval of a learned or measured figure; both zero: rated
	GivesHigh       float64
	GivesKnown      bool
	Rated           bool    // Gives is the machine file's figure, brought to the air it takes in, not measured
	Use             float64 // all takers and losses together
	UseLow, UseHigh float64 // 95 % interval
	UseKnown        bool
	Spare           float64 // Gives less Use, never negative
	Short           float64 // Use less Gives, never negative
	Overhang        float64 // by how much the use exceeds what comes now, while the compressor runs
	OverhangUnknown bool    // no volume, no state or no fall to tell it by

	Split  bool // Use is split into Bags, Drains and Leak
	Bags   findings.Measure
	Drains findings.Measure // also known without Split, where the machine file declares a bleed
	Leak   findings.Measure
}

const (
	// hotGas is by how much the rise of the still hot gas overstates delivery in a normal cycle: middle and 5-95 %
	// bounds of a simulation (design paper, section 4.3). A learned figure is divided by it and carries its width.
	hotGas, hotGasLow, hotGasHigh = 1.48, 1.35, 1.62

	refKelvin    = 293.15 // ANR, ISO 8778
	ratedDoubt   = 0.15   // of a rated delivery, as a ratio, for the interval of what is reckoned from it; common practice, no source
	restingDoubt = 0.2    // of a use that is told from the resting tank's fall alone; common practice, no source
	stale        = 0.15   // share of the present use that the split's mean may miss before it is no longer shown
)

// Budget returns the budget.
func (s *Supply) Budget() Budget {
	b := Budget{OverhangUnknown: true}
	s.gives(&b)
	b.Use, b.UseLow, b.UseHigh, b.UseKnown = s.use(&b)
	s.overhang(&b)
	if s.o.Bleed > 0 {
		b.Drains = findings.Measure{SI: s.o.Bleed, Unit: s.flow, Reference: units.ANR}
	}
	s.split(&b)
	if b.GivesKnown && b.UseKnown {
		b.Spare, b.Short = math.Max(0, b.Gives-b.Use), math.Max(0, b.Use-b.Gives)
	}
	return b
}

// gives is what the compressor can deliver now: as measured by a pump-up, else as rated and as worn as its trend says, else
// as the tank's own rise tells. A displacement compressor takes in the same volume at each pressure around, so a rated
// figure becomes less ANR on a mountain and in the heat: delivery*p/p0*T0/T (ISO 1217's intake conditions, from memory).
func (s *Supply) gives(b *Budget) {
	d := s.o.Measured
	if d != nil {
		if m, ok := d.PumpUp(); ok && m.SI > 0 {
			b.Gives, b.GivesKnown = m.SI, true
			if m.Low != 0 || m.High != 0 {
				b.GivesLow, b.GivesHigh = math.Min(m.Low, m.SI), math.Max(m.High, m.SI)
			}
			return
		}
	}
	if s.o.Delivery > 0 {
		b.Gives, b.GivesKnown, b.Rated = s.o.Delivery*s.intake(), true, true
		if d != nil {
			if ratio, low, high, ok := d.Trend(); ok && ratio > 0 {
				b.GivesLow, b.GivesHigh = b.Gives*math.Min(low, ratio)*(1-ratedDoubt), b.Gives*math.Max(high, ratio)*(1+ratedDoubt)
				b.Gives, b.Rated = b.Gives*ratio, false
			}
		}
		return
	}
	if s.o.Compressor == nil || s.o.Volume <= 0 {
		return
	}
	if fall, rise := s.o.Compressor.Rates(); rise > 0 {
		hot := (rise + fall) * s.o.Volume / refPressure
		b.Gives, b.GivesLow, b.GivesHigh, b.GivesKnown = hot/hotGas, hot/hotGasHigh, hot/hotGasLow, true
	}
}

// intake is the ANR air in a volume of what the compressor takes in; 1 where nothing is known of it.
func (s *Supply) intake() float64 {
	share := 1.0
	switch p := s.glass.mean; {
	case s.glass.alive(s.now) && p > 50e3 && p < 120e3:
		share = p / refPressure
	case s.o.Around > 0:
		share = s.o.Around / refPressure
	}
	if k := s.air.mean; s.air.alive(s.now) && k > 220 && k < 340 {
		share *= refKelvin / k
	}
	return share
}

// use is the mean of what was taken over the duty window: what came less what was stored. Without a delivery, what the
// resting tank loses.
func (s *Supply) use(b *Budget) (use, low, high float64, known bool) {
	if s.o.Compressor == nil || s.o.Volume <= 0 {
		return 0, 0, 0, false
	}
	on, _, duty := s.o.Compressor.Works()
	stored, over, ok := s.trace.change(s.now, s.o.DutyWindow)
	if s.o.Delivery > 0 && b.GivesKnown && on && ok && over >= s.o.DutyWindow*9/10 {
		kept := s.o.Volume / refPressure * stored / over.Seconds()
		down, up := b.GivesLow, b.GivesHigh
		if down == 0 && up == 0 {
			down, up = b.Gives*(1-ratedDoubt), b.Gives*(1+ratedDoubt)
		}
		return math.Max(0, b.Gives*duty-kept), math.Max(0, down*duty-kept), math.Max(0, up*duty-kept), true
	}
	if fall, _ := s.o.Compressor.Rates(); fall > 0 {
		use = s.o.Volume / refPressure * fall
		return use, use * (1 - restingDoubt), use * (1 + restingDoubt), true
	}
	return 0, 0, 0, false
}

func (s *Supply) overhang(b *Budget) {
	if s.o.Compressor == nil || s.o.Volume <= 0 || !s.fallOK {
		return
	}
	if known, on, _ := s.o.Compressor.Works(); known {
		b.OverhangUnknown = false
		if on {
			b.Overhang = math.Max(0, s.o.Volume/refPressure*s.fall)
		}
	}
}

// split takes bags, drains and leak from who tells them apart; use is then their sum, so that the parts add up. A split
// whose mean has not yet caught up with a tank that falls while its compressor runs is not shown: the present use is.
func (s *Supply) split(b *Budget) {
	falls := b.GivesKnown && b.Overhang > 0 && s.runs.steady(s)
	now := b.Gives + b.Overhang
	if s.o.Split != nil {
		bags, drains, leak, known := s.o.Split.Flows()
		sum := bags.SI + drains.SI + leak.SI
		if known && !math.IsNaN(sum) && !math.IsInf(sum, 0) && (!falls || sum > now*(1-stale)) {
			b.Bags, b.Drains, b.Leak = s.whole(bags), s.whole(drains), s.whole(leak)
			b.Use, b.UseKnown, b.Split = b.Bags.SI+b.Drains.SI+b.Leak.SI, true, true
			b.UseLow, b.UseHigh = b.Use, b.Use
			for _, m := range [...]findings.Measure{b.Bags, b.Drains, b.Leak} {
				if m.Low != 0 || m.High != 0 {
					b.UseLow, b.UseHigh = b.UseLow+m.Low-m.SI, b.UseHigh+m.High-m.SI
				}
			}
			return
		}
	}
	if falls && (!b.UseKnown || now > b.Use) {
		b.Use, b.UseKnown = now, true
		b.UseLow, b.UseHigh = math.Min(b.UseLow, now), math.Max(b.UseHigh, now)
		if b.UseLow == 0 {
			b.UseLow = b.Overhang
		}
	}
}

// whole is a part of the budget: no part is negative, but its interval may say that it is as good as none.
func (s *Supply) whole(m findings.Measure) findings.Measure {
	if m.Unit.IsZero() {
		m.Unit, m.Reference = s.flow, units.ANR
	}
	if m.SI < 0 {
		m.SI = 0
	}
	if m.Low != 0 || m.High != 0 {
		m.Low, m.High = math.Max(0, m.Low), math.Max(m.SI, m.High)
	}
	return m
}

// Words is the budget as a sentence for people.
func (b *Budget) Words() string {
	var w strings.Builder
	switch {
	case b.GivesKnown && b.Rated:
		fmt.Fprintf(&w, "The compressor can give %s L/min ANR (rated, not measured)", litres(b.Gives))
	case b.GivesKnown:
		fmt.Fprintf(&w, "The compressor can give %s L/min ANR%s", litres(b.Gives), between(b.GivesLow, b.GivesHigh))
	default:
		w.WriteString("What the compressor can give is not known yet")
	}
	switch {
	case !b.UseKnown:
		w.WriteString("; what is used is not known yet.")
		return w.String()
	case b.Split:
		fmt.Fprintf(&w, ": bags take %s, drains %s, leaks %s%s", litres(b.Bags.SI), litres(b.Drains.SI), litres(b.Leak.SI), between(b.Leak.Low, b.Leak.High))
	case !b.Drains.IsZero():
		fmt.Fprintf(&w, ": %s are used, %s of it by drains; bags and leaks are not told apart", litres(b.Use), litres(b.Drains.SI))
	default:
		fmt.Fprintf(&w, ": %s are used; bags and leaks are not told apart", litres(b.Use))
	}
	switch {
	case !b.GivesKnown:
		w.WriteString(" (L/min ANR).")
	case b.Short > 0:
		fmt.Fprintf(&w, "; %s too little.", litres(b.Short))
	default:
		fmt.Fprintf(&w, "; %s to spare.", litres(b.Spare))
	}
	return w.String()
}

// litres writes a flow in L/min.
func litres(si float64) string {
	const perLitre = 60e3
	v := si * perLitre
	if v < 9.95 {
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.0f", v)
}

func between(low, high float64) string {
	if low == 0 && high == 0 {
		return ""
	}
	return fmt.Sprintf(" (%s to %s)", litres(low), litres(high))
}
