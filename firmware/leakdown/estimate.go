// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"fmt"
	"math"
	"sort"
	"time"
)

// A sensor strapped to the wall tells how the wall changes once the warmth of the filling has spread through it.
const (
	wallSettles  = 60.0 // s
	wallTrendSD  = 0.3  // K over the whole watch: sensor, its contact, one place for the whole wall
	wallSensorSD = 0.4  // K in the time wallTau
)

// discrepancy is how far, in Pa, the model may be from the air at time t: more in the first seconds, when the jet of the
// last filling still stirs the tank.
func discrepancy(t float64) float64 { return 100 * (1 + 4*math.Exp(-t/8)) }

// conversion returns the flow in m3/s ANR that one unit of iLeak means at the start, and the start pressure in Pa gauge.
func (t *Test) conversion() (perUnit, start float64) {
	measured := t.charged()
	start = t.s.pressure(t.tiles[t.best].a[iLevel])
	if math.Abs(start-measured) > 0.02*(measured+t.s.Barometer) { // the supply held it a moment longer
		start = measured
	}
	return leakUnit * t.s.size(start) * (start + t.s.Barometer) / anrPressure * anrTemperature / t.kelvin(), start
}

// charged is the measured pressure the test began with: the highest until the lines have settled, for a valve may still be
// closing in the first second.
func (t *Test) charged() float64 {
	top := t.g.blocks[t.shut].pressure
	for _, b := range t.g.blocks[t.shut:] {
		if b.t-t.origin() > deadTime+1 {
			break
		}
		top = math.Max(top, b.pressure)
	}
	return top
}

// kelvin is the temperature of the air around, or what is assumed.
func (t *Test) kelvin() float64 {
	switch {
	case len(t.g.wall) > 0:
		return t.g.wall[0].kelvin
	case len(t.g.air) > 0:
		return t.g.air[0].kelvin
	case t.s.Ambient > 0:
		return t.s.Ambient
	default:
		return anrTemperature
	}
}

func (t *Test) kelvinSD() float64 {
	if len(t.g.wall) > 0 || len(t.g.air) > 0 || t.s.Ambient > 0 {
		return 2
	}
	return 8
}

// origin is when the air was shut in, s after the first sample.
func (t *Test) origin() float64 {
	if t.shut == 0 {
		return 0
	}
	return t.g.blocks[t.shut].t
}

// data gives the blocks that count as data for the fit.
func (t *Test) data() []datum {
	b := t.g.blocks
	floor := math.Log(emptied) + b[t.shut].y
	from := t.origin()
	out := make([]datum, 0, len(b))
	for i := t.shut; i < len(b); i++ {
		if b[i].y < floor {
			break
		}
		if b[i].off || b[i].t-from < deadTime {
			continue
		}
		d := discrepancy(b[i].t-from) * t.s.slope(b[i].pressure)
		// A long block stands for as many short ones, which share one discrepancy each.
		out = append(out, datum{t: b[i].t - from, y: b[i].y, w: 1 / (b[i].variance + d*d/b[i].span)})
	}
	return out
}

// estimate makes the estimate of time at; false where it cannot.
func (t *Test) estimate(at float64) bool {
	t.g.flush(t.g.lastAny)
	if len(t.g.blocks) == 0 {
		return false
	}
	if t.next == 0 || len(t.updates) == 0 {
		if reason := t.suits(); reason != "" {
			t.void(reason)
			return false
		}
	}
	d := t.data()
	if len(d) < 4 {
		return false
	}
	if !t.fit(d) {
		return false
	}
	e := t.sum(at)
	t.judge(&e)
	t.updates = append(t.updates, e)
	if e.Verdict != Measuring && t.atPass == nil {
		kept := e
		t.atPass = &kept
	}
	if t.verdict == Measuring && at >= lastTime {
		t.undecided(fmt.Sprintf("After %s the leak is too near the limit, or the air too restless, to say more.", seconds(at)))
		t.updates[len(t.updates)-1].Verdict = Undecided
	}
	return true
}

func (t *Test) gas() gas {
	return gas{wall: t.kelvin(), start: t.g.blocks[t.shut].pressure + t.s.Barometer, outside: t.s.Barometer, b: leakCritical}
}

// fit fits all tiles, leaves out blocks that stand far from the best fit, and fits again where it did.
func (t *Test) fit(d []datum) bool {
	g := t.gas()
	for range 3 {
		for i := range t.tiles {
			if t.idle(i) {
				t.tiles[i].log = math.Inf(-1)
				continue
			}
			fitTile(&g, d, &t.tiles[i])
		}
		share, ok := weights(t.tiles)
		if !ok {
			return false
		}
		t.share = share
		t.best = 0
		for i := range share {
			if share[i] > share[t.best] {
				t.best = i
			}
		}
		if !t.leaveOut(&g, d) {
			break
		}
		d = t.data()
	}
	return true
}

// idle reports whether a tile had so little weight the last time that it can rest this time; each gets its turn again.
func (t *Test) idle(i int) bool {
	return t.share != nil && t.share[i] < 1e-5 && (len(t.updates)+i)%6 != 0
}

// leaveOut marks single blocks that no smooth curve comes near to and reports whether it marked any. It also takes the
// size of the residuals against what they should be.
func (t *Test) leaveOut(g *gas, d []datum) bool {
	f := newFlight(g, &t.tiles[t.best].a, false)
	sum := 0.0
	worst, at := 0.0, -1.0
	for i := range d {
		f.to(d[i].t)
		r := d[i].y - f.at()
		z := r * r * d[i].w
		sum += z
		if z > worst {
			worst, at = z, d[i].t
		}
	}
	n := float64(len(d))
	t.ratio = math.Sqrt(sum / math.Max(n-3, 1))
	rest := math.Sqrt((sum - worst) / math.Max(n-4, 1))
	if worst < 36 || math.Sqrt(worst) < 6*rest || t.skip > len(t.g.blocks)/10 || n < 10 {
		return false
	}
	for i := range t.g.blocks {
		if t.g.blocks[i].t-t.origin() == at {
			t.g.blocks[i].off = true
			t.skip++
			return true
		}
	}
	return false
}

// wallHeat is the heat capacity of a sheet steel tank, J/K for each m3 of its volume (common practice, no source).
const wallHeat = 170e3

// wallDrift is what the wall's own slow change of temperature looks like, 1/s: a mean (a wall is warm after a charge, and
// what the air gives off warms it further) and a standard deviation. No watching makes it smaller: it is a floor.
func (t *Test) wallDrift() (mean, sd float64) {
	sd = t.s.WallSD / (t.kelvin() * wallTau)
	mean, sd = 0.7*sd, 0.75*sd
	if !t.s.Rank {
		const airHeat = 718.0 / 287.055 // cv over R
		share := (t.g.blocks[t.shut].pressure + t.s.Barometer) / t.kelvin() * airHeat / wallHeat
		warmed := share * math.Max(0, t.tiles[t.best].a[iHot]) / wallTau
		mean += warmed
		sd = math.Hypot(sd, 0.5*warmed)
	}
	slope, over, ok := trend(t.g.wall, wallSettles)
	if !ok {
		return mean, sd
	}
	seen := math.Hypot(wallTrendSD/over, wallSensorSD/wallTau) / t.kelvin()
	w := sd * sd / (sd*sd + seen*seen)
	return mean + w*(-slope/t.kelvin()-mean), sd * math.Sqrt(1-w)
}

// sum makes the estimate of the tiles' fits.
func (t *Test) sum(at float64) Estimate {
	per, start := t.conversion()
	s := &t.s
	pAbs := start + s.Barometer
	driftMean, driftSD := t.wallDrift()
	scale := math.Max(1, t.ratio) // residuals larger than they should be widen what was fitted
	stretch := s.Stretch * pAbs / (1 + s.Stretch*start)
	relative := func() (volume, shape, sensor float64) {
		volume = s.VolumeUncertainty / math.Sqrt(3)
		if s.Rank {
			volume = math.Hypot(volume, s.StretchUncertainty*stretch)
			shape = 0.02
		}
		sensor = math.Hypot(0.0025*s.FullScale/math.Sqrt(3), s.BarometerSD) / pAbs
		return volume, shape, math.Hypot(sensor, t.kelvinSD()/t.kelvin())
	}
	uV, uShape, uSensor := relative()
	wall := driftSD / leakUnit * per
	creep := t.creep() / leakUnit * per
	m := make(mixture, 0, len(t.tiles))
	for i := range t.tiles {
		if t.share[i] < 1e-9 {
			continue
		}
		q := (t.tiles[i].a[iLeak] - driftMean/leakUnit) * per
		sd := math.Sqrt(math.Max(t.tiles[i].cov[iLeak][iLeak], 0)) * per * scale
		b := q * q * (uV*uV + uShape*uShape + uSensor*uSensor)
		m = append(m, part{t.share[i], q, math.Sqrt(sd*sd + b + wall*wall + creep*creep)})
	}
	mean, sd := m.moments()
	lo, hi := m.interval()
	e := Estimate{
		At: time.Duration(at * float64(time.Second)), Verdict: Measuring,
		Leak:       Interval{math.Min(math.Max(0, mean), hi), lo, hi},
		FailChance: m.above(s.Limit),
	}
	e.FailChance = math.Max(0, math.Min(1, e.FailChance))
	e.PassChance = 1 - e.FailChance
	fall := leakUnit / per / s.slope(start) // Pa/s for one m3/s
	e.Drop = Interval{e.Leak.Value * fall, e.Leak.Low * fall, e.Leak.High * fall}
	q := math.Abs(mean)
	typeB := q*q*(uV*uV+uShape*uShape+uSensor*uSensor) + wall*wall + creep*creep
	e.Budget = t.budget(math.Sqrt(math.Max(sd*sd-typeB, 0)), wall, creep, q*uV, q*uShape, q*uSensor)
	e.Cooling, e.Lost = t.split()
	t.rising = mean+2*1.96*sd < 0 || t.rose()
	return e
}

// creep is how fast the volume of freshly filled bags still grows, 1/s: rubber creeps with the logarithm of time, by
// about half a per cent for each factor of e (common practice, no source).
func (t *Test) creep() float64 {
	if !t.s.Rank {
		return 0
	}
	since := t.s.SinceFill.Seconds()
	if since <= 0 {
		since = 60
	}
	return 0.005 / (since + t.g.lastAny/2)
}

func (t *Test) budget(cooling, wall, creep, volume, shape, sensor float64) []Term {
	where := "tank"
	if t.s.Rank {
		where = "rank"
	}
	terms := []Term{
		{"cooling", "how the air cools", cooling, "Watching longer tells more; after a few clean tests on this machine less time is needed."},
		{"wall", "warmth in the wall of the " + where, wall, "Let it stand an hour out of the sun before the test, or strap a temperature sensor to the wall."},
		{"volume", "the volume of the " + where, volume, "Measure the volume, or declare it with a smaller uncertainty."},
		{"sensor", "sensor, barometer and temperature of the air", sensor, "Give the temperature of the air and the barometer."},
	}
	if t.s.Rank {
		terms = append(terms,
			Term{"creep", "bags that still stretch", creep, "Let the bags rest for three minutes or more after filling."},
			Term{"leak_shape", "the shape of the leak", shape, "Nothing: it is small."})
	}
	sort.SliceStable(terms, func(i, j int) bool { return terms[i].U > terms[j].U })
	return terms
}

// split tells what cooling and leak have taken so far, in Pa.
func (t *Test) split() (cooling, lost float64) {
	g := t.gas()
	a := t.tiles[t.best].a
	end := t.g.blocks[len(t.g.blocks)-1].t - t.origin()
	both := newFlight(&g, &a, false)
	both.to(end)
	a[iLeak] = math.Min(0, a[iLeak]) // what warms while it cools is no leak turned round
	alone := newFlight(&g, &a, false)
	alone.to(end)
	start := t.s.pressure(a[iLevel])
	dry := t.s.pressure(alone.at())
	return start - dry, dry - t.s.pressure(both.at())
}

// rose reports whether the pressure stands higher than it should: above its start by more than chance and a thousandth, or
// above its lowest by half a per cent.
func (t *Test) rose() bool {
	const few = 4
	b := t.g.blocks[t.shut:]
	for len(b) > 0 && b[0].t-t.origin() < deadTime {
		b = b[1:]
	}
	if len(b) < 3*few {
		return false
	}
	of := func(i int) (y, v float64) {
		for _, x := range b[i : i+few] {
			y, v = y+x.y/few, v+x.variance/few/few
		}
		return y, v
	}
	head, v0 := of(0)
	now, v1 := of(len(b) - few)
	lowest := now
	for i := range len(b) - few {
		y, _ := of(i)
		lowest = math.Min(lowest, y)
	}
	noise := math.Sqrt(v0 + v1)
	return now-head > math.Max(4*noise, 1e-3) || now-lowest > 5e-3+6*noise
}

// judge gives the verdict where it is sure.
func (t *Test) judge(e *Estimate) {
	if t.verdict != Measuring {
		e.Verdict = t.verdict
		t.doubt(e)
		return
	}
	end := &t.g.blocks[len(t.g.blocks)-1]
	gross := t.gross(end)
	switch {
	case t.rising:
		t.void("The pressure rises although nothing should fill: " + t.whyRising())
		e.Verdict = Invalid
		return
	case t.ratio > 6 && !gross:
		t.void(fmt.Sprintf("The pressure does not follow a volume of air that cools and leaks (it is %.0f times farther off than it should be): "+
			"something moved, or the leak opens and closes.", t.ratio))
		e.Verdict = Invalid
		return
	}
	if t.s.Rank && t.s.SinceFill.Seconds() > 0 && t.s.SinceFill.Seconds()+e.At.Seconds() < restRank {
		return
	}
	switch {
	case e.FailChance < risk:
		t.decide(e, Pass, fmt.Sprintf("Sure to more than 99 %% after %s: the leak is below the limit.", seconds(e.At.Seconds())))
	case e.PassChance < risk*math.Min(1, e.At.Seconds()/60): // the first seconds look most like a leak
		t.decide(e, Fail, fmt.Sprintf("Sure to more than 99 %% after %s: the leak is above the limit.", seconds(e.At.Seconds())))
	case gross:
		e.FailChance, e.PassChance = 1, 0
		t.decide(e, Fail, fmt.Sprintf("After %s the pressure has fallen farther than any cooling could take it.", seconds(e.At.Seconds())))
	}
}

// doubt says once where the rest of a watch speaks against the verdict that was given.
func (t *Test) doubt(e *Estimate) {
	against := t.verdict == Pass && e.PassChance < risk || t.verdict == Fail && e.FailChance < risk
	if against && !t.doubted {
		t.doubted = true
		t.reasons = append(t.reasons, fmt.Sprintf("After %s the rest of the watch speaks against this verdict: test again and watch to the end.",
			seconds(e.At.Seconds())))
	}
}

func (t *Test) decide(e *Estimate, v Verdict, why string) {
	e.Verdict, t.verdict, t.decided = v, v, e.At
	t.reasons = append(t.reasons, why)
	if t.g.spikes+t.skip > 0 {
		t.reasons = append(t.reasons, fmt.Sprintf("%d single readings stood out and were left out.", t.g.spikes+t.skip))
	}
}

// mostCooling is the largest share of its pressure that a filled volume can lose by cooling alone: air 50 K warmer than
// its wall is warmer than a compressor's delivery leaves it.
const mostCooling = 0.16

// gross reports whether more air is gone than cooling and twice the limit together could take.
func (t *Test) gross(end *block) bool {
	per, _ := t.conversion()
	limit := t.s.Limit / per * leakUnit // 1/s
	fall := t.g.blocks[t.shut].y - end.y
	return fall > -math.Log1p(-mostCooling)+2*limit*end.t
}

func (t *Test) whyRising() string {
	if slope, over, ok := trend(t.g.wall, 0); ok && slope*over > 0.3 {
		return "the tank is warming, perhaps by the sun. Test it in the shade."
	}
	if slope, over, ok := trend(t.g.air, 0); ok && slope*over > 0.3 {
		return "the air around is warming, perhaps the sun is on the tank. Test it in the shade."
	}
	return "the compressor runs, a valve lets air in, or the sun warms the tank."
}
