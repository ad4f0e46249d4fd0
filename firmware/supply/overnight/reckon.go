// SPDX-License-Identifier: Apache-2.0

package overnight

import (
	"fmt"
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/humidair"
	"airhold/sensors/units"
)

// Standard uncertainties. Common practice, no source, but where one is named.
const (
	wallOffWall = 0.4  // K, a sensor strapped to the wall, from evening to morning
	wallOfAir   = 0.05 // of the difference between wall and air: what the strapped sensor sees of the air

	tankOverAir     = 5.0 // K by which a tank is warmer than the air right after work, sun and compressor together
	tankOverAirDoub = 4.0
	tankCools       = time.Hour // in which that falls to 1/e
	airEvening      = 1.5       // K, tank against air once it has cooled down
	airMorning      = 2.5       // K, tank behind a warming or under a clear sky
	rankEvening     = 2.0       // K, bags against the air
	rankMorning     = 1.5
	rankByWall      = 5.0 // K, bags against the wall of the tank, where nothing else is measured

	sensorNight  = 3e-4    // of full scale, repeatability over a night
	sensorKelvin = 1.15e-4 // of full scale for each K: 0.02 % as the edge of a rectangle
	pressureRead = 150.0   // Pa, noise of the means
	glassDoubt   = 220.0   // Pa, a barometer from evening to morning: one on the bus tells steps of 500 Pa
	weatherDoubt = 600.0   // Pa, weather of one night: 10 hPa at the edge of a rectangle, without a barometer
	stretchDoubt = 0.2

	// vapourShare is how near the air inside is to saturation: at most one, at least none, and nobody measures it.
	vapourShare, vapourDoubt = 0.5, 0.29

	normal95  = 1.96
	certain   = 4.0 // standard uncertainties by which a leak has to be below nothing before someone must have charged
	lostShare = 0.3 // of the evening's pressure, gone without a cause: a place that did not hold; our own starting value
)

// warmth is a temperature of the air inside.
type warmth struct {
	kelvin, doubt float64
	wall          bool
}

// warm takes the temperature of a place's air from the wall or from the air around. settled is for how long it has had time
// to come near the air around.
func warm(tank, evening bool, wall, air float64, settled time.Duration) (warmth, bool) {
	switch {
	case tank && wall > 0:
		w := warmth{kelvin: wall, doubt: wallOffWall, wall: true}
		if air > 0 {
			w.doubt = math.Hypot(w.doubt, wallOfAir*(wall-air))
		} else if evening {
			w.doubt = math.Hypot(w.doubt, wallOfAir*tankOverAir)
		}
		return w, true
	case tank && air > 0 && evening:
		left := math.Exp(-settled.Hours() / tankCools.Hours())
		return warmth{kelvin: air + tankOverAir*left, doubt: math.Hypot(airEvening, tankOverAirDoub*left)}, true
	case tank && air > 0:
		return warmth{kelvin: air, doubt: airMorning}, true
	case air > 0 && evening:
		return warmth{kelvin: air, doubt: rankEvening}, true
	case air > 0:
		return warmth{kelvin: air, doubt: rankMorning}, true
	case wall > 0:
		return warmth{kelvin: wall, doubt: rankByWall, wall: true}, true
	}
	return warmth{}, false
}

// vapour is the pressure of saturated vapour; zero where the formula does not reach.
func vapour(kelvin float64) float64 {
	p, err := humidair.Saturation(units.Kelvin(kelvin))
	if err != nil {
		return 0
	}
	return float64(p)
}

func (o *Overnight) reckon(p *place) Hold {
	tank := p == &o.places[0]
	h := Hold{Where: p.Where}
	e, m := &p.old, &p.morn
	h.Why = o.refuse(p)
	if e.has {
		h.From, h.Rested = p.gauge(e.pressure), e.rested
	}
	if m.has {
		h.To = p.gauge(m.p)
	}
	seconds := o.span(p, &h)
	if h.Why != "" {
		return h
	}
	t1, ok1 := warm(tank, true, e.wall, e.air, e.rested)
	t2, ok2 := warm(tank, false, m.wall, m.air, 0)
	if !ok1 || !ok2 {
		h.Why = "no temperature of the tank's wall or of the air in the evening"
		if ok1 {
			h.Why = "no temperature of the tank's wall or of the air in the morning"
		}
		return h
	}
	t1.kelvin += e.excess
	t1.doubt = math.Hypot(t1.doubt, e.doubt)
	h.Warm = "air"
	if t1.wall && t2.wall {
		h.Warm = "tank wall"
	}
	kelvin := units.Preferred(units.Temperature)
	h.WarmFrom = interval(t1.kelvin, t1.doubt, kelvin, "")
	h.WarmTo = interval(t2.kelvin, t2.doubt, kelvin, "")
	o.balance(p, &h, t1, t2, seconds)
	return h
}

// refuse says why a place's night cannot be known, as far as that can be said before the clock is asked.
func (o *Overnight) refuse(p *place) string {
	e, m := &p.old, &p.morn
	switch {
	case p.sense.ch < 0:
		return "a pressure channel of the " + p.Where + " is needed"
	case !(p.Volume.Volume > 0):
		return "the volume of the " + p.Where + " is not in the machine file"
	case o.unread:
		return "what was kept of the evening could not be read"
	case !e.has:
		return "no reading was kept of the evening"
	case p.why != "":
		return p.why
	case e.ran:
		return "the machine ran in between"
	case e.busy:
		return "the machine was still at work when the power went"
	case e.sensor != "" && p.sensor != "" && e.sensor != p.sensor:
		return "the pressure sensor of the " + p.Where + " or its calibration was changed"
	case !m.has:
		return "no still reading of the " + p.Where + " in the morning"
	case o.gaugeOf(p, e.pressure, e.glass) < emptyGauge:
		return "the " + p.Where + " was left without pressure"
	}
	return ""
}

// span tells how long the night was, s, and writes its ends; it sets why it cannot.
func (o *Overnight) span(p *place, h *Hold) float64 {
	e, m := &p.old, &p.morn
	why := ""
	seconds := 0.0
	var now time.Time
	trusted := false
	if o.o.UTC != nil && m.has {
		now, trusted = o.o.UTC(m.at)
	}
	if trusted {
		h.ToAt = now
	}
	if e.has && e.trusted {
		h.FromAt = e.utc
	}
	switch {
	case !e.has || !m.has:
	case e.here: // of this boot: its own clock tells
		seconds = (m.at - e.at).Seconds()
	case !e.trusted:
		why = "the clock was not right in the evening"
	case !trusted:
		why = "the clock is not right this morning"
		o.waits = h.Why == ""
	default:
		seconds = now.Sub(e.utc).Seconds()
		if seconds < 0 {
			why = "the clock went backwards"
		}
	}
	h.Hours = math.Max(0, seconds/3600)
	p.short = false
	if why == "" && e.has && m.has && seconds < shortest.Seconds() {
		p.short = true
		why = fmt.Sprintf("only %.1f h lie between the two readings, %.0f h are needed", h.Hours, shortest.Hours())
	}
	if h.Why == "" {
		h.Why = why
	}
	return seconds
}

// gaugeOf is a reading of the place as gauge pressure.
func (o *Overnight) gaugeOf(p *place, reading, glass float64) float64 {
	if !p.absolute {
		return reading
	}
	if glass <= 0 {
		glass = o.o.Around
	}
	return reading - glass
}

// balance draws the balance of the air. Everything that is not exact is moved by its standard uncertainty, once for each,
// and the changes of the leak are added as squares (JCGM 100, 5.1.2, by differences).
func (o *Overnight) balance(p *place, h *Hold, t1, t2 warmth, seconds float64) {
	e, m := &p.old, &p.morn
	b := night{
		p1: e.pressure, p2: m.p, t1: t1.kelvin, t2: t2.kelvin, v: p.Volume.Volume, stretch: p.Stretch,
		share: vapourShare, seconds: seconds, absolute: p.absolute,
	}
	glass := glassDoubt
	b.b1, b.b2 = e.glass, m.glass
	if b.b1 <= 0 || b.b2 <= 0 {
		glass = weatherDoubt
		known := math.Max(b.b1, b.b2)
		if known <= 0 {
			known = o.o.Around
		}
		b.b1, b.b2 = known, known
	}
	drift := math.Hypot(sensorNight, sensorKelvin*(t1.kelvin-t2.kelvin)) * p.FullScale
	q, cool := b.leak(), b.explained()
	var uq, uc float64
	vary := func(change func(n *night)) {
		n := b
		change(&n)
		uq = math.Hypot(uq, n.leak()-q)
		uc = math.Hypot(uc, n.explained()-cool)
	}
	vary(func(n *night) { n.t1 += t1.doubt })
	vary(func(n *night) { n.t2 += t2.doubt })
	vary(func(n *night) { n.b2 += glass })
	vary(func(n *night) { n.share += vapourDoubt })
	measured := uc // what follows does not touch what is explained, only what is measured
	vary(func(n *night) { n.p2 += math.Hypot(drift, pressureRead) })
	vary(func(n *night) { n.v *= 1 + p.Uncertainty/math.Sqrt(3) })
	vary(func(n *night) { n.stretch *= 1 + stretchDoubt })
	kpa := units.Preferred(units.Pressure)
	h.Cooling = interval(cool, measured, kpa, "")
	h.Lost = interval(b.p1-b.p2-cool, uq*seconds*refPressure/b.v*b.t2/refKelvin, kpa, "")
	h.Leak = interval(q, uq, units.Preferred(units.FlowRate), units.ANR)
	switch {
	case q+certain*uq < 0:
		who := "someone charged it"
		if p != &o.places[0] {
			who = "its fill valve passes, or someone charged it"
		}
		h.Why = fmt.Sprintf("the pressure rose by %.0f kPa more than warmth explains: %s", -h.Lost.SI/1e3, who)
	case o.gaugeOf(p, m.p, m.glass) < emptyGauge:
		h.Why = fmt.Sprintf("the %s is empty: drained, or leaked out (then more than %s L/min ANR)", p.Where, litres(math.Max(0, h.Leak.Low), 3))
	default:
		h.Known = true
		return
	}
	h.Cooling, h.Lost, h.Leak = findings.Measure{}, findings.Measure{}, findings.Measure{}
}

// night is the balance of one place.
type night struct {
	p1, p2, t1, t2, b1, b2 float64 // readings and barometer, Pa; K
	v, stretch             float64
	share                  float64 // of saturated vapour
	seconds                float64
	absolute               bool
}

// amount is p*V/T of the dry air, Pa m3/K.
func (n *night) amount(p, t, around float64) float64 {
	gauge, abs := p, p+around
	if n.absolute {
		gauge, abs = p-around, p
	}
	return (abs - n.share*vapour(t)) * n.v * (1 + n.stretch*gauge) / t
}

func (n *night) leak() float64 {
	return refKelvin / refPressure * (n.amount(n.p1, n.t1, n.b1) - n.amount(n.p2, n.t2, n.b2)) / n.seconds
}

// explained is the fall that the reading would have shown without a leak: the evening's air at the morning's temperature
// and barometer. amount grows with p, so the secant finds it.
func (n *night) explained() float64 {
	want := n.amount(n.p1, n.t1, n.b1)
	lo, hi := n.p1, n.p1*n.t2/n.t1+1
	flo := n.amount(lo, n.t2, n.b2) - want
	for range 50 {
		fhi := n.amount(hi, n.t2, n.b2) - want
		if fhi == flo || math.Abs(hi-lo) < 1e-6 {
			break
		}
		lo, hi, flo = hi, hi-fhi*(hi-lo)/(fhi-flo), fhi
	}
	return n.p1 - hi
}

func (p *place) gauge(pa float64) findings.Measure {
	ref := units.Gauge
	if p.absolute {
		ref = units.Absolute
	}
	return findings.Measure{SI: pa, Unit: units.Preferred(units.Pressure), Reference: ref}
}

func interval(v, u float64, unit units.Unit, ref units.Reference) findings.Measure {
	return findings.Measure{SI: v, Unit: unit, Reference: ref, Low: v - normal95*u, High: v + normal95*u}
}
