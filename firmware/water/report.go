// SPDX-License-Identifier: Apache-2.0

package water

import (
	"fmt"
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/humidair"
	"airhold/sensors/units"
)

// The keys of the alarm catalogue that this package speaks of.
const (
	KeyWater  findings.Key = "water-in-tank"
	KeyFreeze findings.Key = "freeze-risk"
)

// Details of a finding: what it rests on, and where probe and balance contradict each other.
const (
	FromBalance     = "by the balance, at most"
	FromClimate     = "by the balance with the machine file's climate, at most"
	ProbeWet        = "the probe in the tank is wet"
	ProbeWetOnly    = "the probe in the tank is wet, though the balance says there is hardly any water"
	ProbeWetDryer   = "the probe in the tank is wet behind a dryer"
	ProbeDry        = "the probe in the tank is dry"
	ProbeDryBalance = "by the balance, though the probe in the tank is dry"
	DryerDeclared   = "a dryer is declared: no water is counted after it"
	FreezeTonight   = "lowest temperature expected until morning"
	FreezeNow       = "the tank is that cold already"
	FreezeLater     = "tonight is told when the machine is switched off"
)

// probe is the moisture probe in the tank.
type probe struct{ seen, wet bool }

const hardlyAny = 0.05e-3 // m3

// look follows the probe and notes where it contradicts the balance.
func (w *Water) look(at time.Duration) {
	w.probe.seen = w.wet.alive(at)
	w.probe.wet = w.probe.seen && w.wet.value > 0.5
	now, n := w.verdict(), &w.noted
	if now != n.verdict {
		n.verdict, n.since = now, at
	}
	if now == n.told || at-n.since < noteAfter {
		return
	}
	n.told = now
	switch now {
	case ProbeWetOnly, ProbeWetDryer:
		w.note(at, "water-probe", "The probe in the tank is wet, and the balance does not explain it: look at the drain, and at a line that another source may fill.")
	case ProbeDryBalance:
		w.note(at, "water-probe", "The balance says that the tank's water is over its drain volume, and the probe in the tank is dry: one of them is wrong, or somebody drained without saying so.")
	}
}

// noteAfter is how long probe and balance must say the same before the journal is told.
const noteAfter = 5 * time.Minute

// noted is what they say, since when, and what the journal was told last.
type noted struct {
	verdict, told string
	since         time.Duration
}

// verdict says what probe and balance say together; empty without a probe.
func (w *Water) verdict() string {
	known := w.known()
	b := &w.balance
	switch {
	case !w.probe.seen:
		return ""
	case w.probe.wet && w.o.Dryer:
		return ProbeWetDryer
	case w.probe.wet && known && litres(b.v[top].liquid) < hardlyAny:
		return ProbeWetOnly
	case w.probe.wet:
		return ProbeWet
	case known && !w.o.Dryer && litres(w.low()) > w.o.DrainVolume:
		return ProbeDryBalance
	default:
		return ProbeDry
	}
}

// known says whether the balance may be shown.
func (w *Water) known() bool {
	if w.o.Dryer {
		return true
	}
	return w.needs == "" && w.source.from != unknown && w.balance.sound() && w.balance.filled
}

func (w *Water) low() float64 { return math.Min(w.balance.v[least].liquid, w.balance.v[likely].liquid) }

func (w *Water) high() float64 { return math.Max(w.balance.v[top].liquid, w.balance.v[likely].liquid) }

// liquid is the water in the tank, m3 with its interval.
func (w *Water) liquid() findings.Measure {
	return findings.Measure{
		SI: litres(w.balance.v[likely].liquid), Low: litres(w.low()), High: litres(w.high()), Unit: w.unit.volume,
	}
}

func (w *Water) report(at time.Duration) {
	w.reportWater(at)
	if at-w.dewAt >= slotLength || w.dewAt == 0 {
		w.dewAt = at
		w.dew = w.dewPoint()
	}
	w.reportFreeze(at)
}

func (w *Water) reportWater(at time.Duration) {
	f := findings.Finding{Key: KeyWater, At: at, Detail: w.verdict()}
	if w.known() {
		f.Value = w.liquid()
	}
	f.Limit = findings.Measure{SI: w.o.DrainVolume, Unit: w.unit.volume}
	switch {
	case w.probe.wet:
		f.Sense, f.Active = findings.Flag, true
	case w.o.Dryer:
		f.Sense = findings.Flag
		f.Detail = DryerDeclared
	case w.known():
		f.Sense = findings.Above
		switch {
		case f.Detail == ProbeDryBalance:
		case w.source.from == assumed:
			f.Detail = FromClimate
		default:
			f.Detail = FromBalance
		}
	case w.probe.seen:
		f.Sense = findings.Flag
	default:
		f.Sight, f.Needs = findings.Unseen, w.missing(at)
	}
	w.sink.Find(f)
}

// missing names what the balance lacks now, in the installer's words.
func (w *Water) missing(at time.Duration) string {
	switch {
	case w.needs != "":
		return w.needs
	case w.source.from == unknown && !w.humidity.alive(at):
		return "a good reading of the humidity channel"
	case w.source.from == unknown:
		return "a good reading of the ambient temperature channel"
	case !w.balance.filled && !w.tank.alive(at):
		return "a good reading of the tank pressure channel"
	case !w.balance.filled:
		return "the first ten seconds of readings"
	case w.balance.shared == 0:
		return "a compressor whose runs can be seen: one that starts and stops, or loads and unloads"
	default:
		return "a recorded drain: too much air was taken in while its water, or the compressor's runs, could not be seen"
	}
}

// dewPoint returns where the tank's air begins to leave water at the tank's pressure, with its interval.
func (w *Water) dewPoint() findings.Measure {
	b := &w.balance
	if w.o.Dryer || !w.known() || !(b.air > 0) {
		return findings.Measure{}
	}
	at, ok := dewPointOf(b.v[likely].vapour/b.air, b.pressure)
	if !ok {
		return findings.Measure{}
	}
	low, high := at, at
	for _, r := range []rule{least, top, gone} {
		if d, ok := dewPointOf(b.v[r].vapour/b.air, b.pressure); ok {
			low, high = math.Min(low, d), math.Max(high, d)
		}
	}
	return findings.Measure{SI: at, Low: low, High: high, Unit: w.unit.temperature}
}

// coldNow returns the wall's temperature, else that of the air around.
func (w *Water) coldNow(at time.Duration) (float64, bool) {
	switch {
	case w.wall.alive(at):
		return w.wall.value, true
	case w.ambient.alive(at):
		return w.ambient.value, true
	default:
		return 0, false
	}
}

// wetAt says whether a tank of this temperature has enough water to freeze; false for known where nobody can tell.
func (w *Water) wetAt(kelvin float64) (wet, known bool) {
	switch {
	case w.probe.wet:
		return true, true
	case w.o.Dryer:
		return false, true
	case !w.known():
		return false, false
	case litres(w.balance.v[likely].liquid) > wetEnough:
		return true, true
	default:
		return !w.dew.IsZero() && w.dew.SI > kelvin-dewMargin, true
	}
}

// freeze judges the risk now. While the machine is not left, tonight is not yet judged.
func (w *Water) freeze(at time.Duration) (risk Risk, lowest findings.Measure, wet bool, needs string) {
	now, ok := w.coldNow(at)
	if !ok {
		return RiskUnknown, lowest, false, "a wall or an ambient temperature channel"
	}
	n := &w.night
	if n.known {
		f := n.forecast
		lowest = findings.Measure{SI: math.Min(now, f.lowest), Low: f.low, High: f.high, Unit: w.unit.temperature}
		lowest.Low, lowest.High = math.Min(lowest.Low, lowest.SI), math.Max(lowest.High, lowest.SI)
	}
	coldest := now
	if n.known && n.parked {
		coldest = lowest.SI
	}
	wet, known := w.wetAt(coldest)
	switch {
	case coldest > freezeBelow:
		return NoRisk, lowest, wet, ""
	case !known:
		return RiskUnknown, lowest, false, w.missing(at)
	case !wet:
		return NoRisk, lowest, false, ""
	case now <= freezeBelow:
		return RiskNow, lowest, true, ""
	default:
		return RiskTonight, lowest, true, ""
	}
}

func (w *Water) reportFreeze(at time.Duration) {
	risk, lowest, wet, needs := w.freeze(at)
	f := findings.Finding{Key: KeyFreeze, At: at, Sense: findings.Flag, Value: lowest}
	f.Limit = findings.Measure{SI: freezeBelow, Unit: w.unit.temperature}
	if risk == RiskUnknown {
		f.Sight, f.Needs = findings.Unseen, needs
		w.sink.Find(f)
		return
	}
	now, _ := w.coldNow(at)
	parked := w.night.parked && w.night.known
	if wet { // the limit is the alarm engine's: it may be another one
		f.Sense = findings.Below
		if !parked {
			f.Value = findings.Measure{SI: now, Unit: w.unit.temperature}
		}
	}
	switch {
	case !parked && now > freezeBelow:
		f.Detail = FreezeLater
	case now > freezeBelow:
		f.Detail = FreezeTonight
	default:
		f.Detail = FreezeNow
	}
	w.sink.Find(f)
}

// State is what is known of the water now.
type State struct {
	Known    bool             // Liquid and PastTank mean something
	Liquid   findings.Measure // in the tank since the last drain, m3 of water, with its interval; drops that the air carried along would make it less
	PastTank findings.Measure // gone on to the ranks as vapour since then, m3 of water, at most
	DewPoint findings.Measure // of the tank's air at its pressure, K: below it water or ice forms; zero: not known
	Source   string           // where the humidity of the intake air is known from, in words
	Why      string           // what the figures rest on or lack; where Known is false, what is missing
	Probe    string           // what the probe says, beside the balance; empty: none is fitted
	Freeze   Freeze
	Emptied  bool // a drain was recorded; before the first one nobody knows what stood in the tank

	DrainIn      time.Duration // until the drain volume is reached at the last hour's rate
	DrainInKnown bool
}

// State returns what is known now.
func (w *Water) State() State {
	s := State{Known: w.known(), DewPoint: w.dew, Source: w.sourceIs(), Emptied: w.balance.emptied, Probe: w.probeIs()}
	switch {
	case w.o.Dryer:
		s.Liquid, s.PastTank = findings.Measure{Unit: w.unit.volume}, findings.Measure{Unit: w.unit.volume}
		s.Why = "a dryer is declared: no water is counted after it; only a probe in the tank would show that it fails"
	case s.Known:
		s.Liquid = w.liquid()
		s.PastTank = findings.Measure{SI: litres(math.Max(w.balance.v[gone].passed, w.balance.v[likely].passed)), Unit: w.unit.volume}
		s.Why = w.restsOn()
		if left := w.o.DrainVolume - s.Liquid.SI; left <= 0 {
			s.DrainInKnown = true
		} else if rate := litres(w.balance.rate); rate > 1e-9 && left/rate < 1e7 {
			s.DrainIn, s.DrainInKnown = time.Duration(left/rate*float64(time.Second)), true
		}
	default:
		s.Why = "needs " + w.missing(w.now)
	}
	risk, lowest, wet, _ := w.freeze(w.now)
	s.Freeze = Freeze{Risk: risk, Lowest: lowest, Wet: wet, Words: freezeWords(risk, w.night.parked), Icing: w.icing()}
	return s
}

func (w *Water) sourceIs() string {
	switch w.source.from {
	case measured:
		return w.measured
	case held:
		return "last measured value, held for up to 15 min"
	case assumed:
		return "the machine file's climate, not measured"
	case dried:
		return DryerDeclared
	case unknown:
		return "not known"
	default:
		return "not known"
	}
}

func (w *Water) probeIs() string {
	if !w.wet.declared() {
		return ""
	}
	if !w.probe.seen {
		return "the probe in the tank does not answer"
	}
	v := w.verdict()
	if v == ProbeDryBalance {
		return "the probe in the tank is dry, though the balance says the drain volume is passed"
	}
	return v
}

func (w *Water) restsOn() string {
	b := &w.balance
	switch {
	case b.unwatched > 60:
		return "air taken in while nobody watched is missing"
	case b.blind > 0.01*(b.known+b.blind) && b.blind > 0.05:
		return "at most; for a part of the air its water, or whether it was taken in, was not known and is in the upper end only"
	case !b.emptied:
		return "at most; what stood in the tank before the first drain that was recorded is not known"
	case !w.wall.alive(w.now):
		return "at most; without a wall sensor the tank's temperature is taken from the air around"
	default:
		return "at most; drops that the air carries along are not counted"
	}
}

func freezeWords(r Risk, parked bool) string {
	switch {
	case r == RiskNow:
		return "tank and lines are at freezing already: drain, parked, as the manual says; valves may be stuck, do not force them"
	case r == RiskTonight:
		return "expected to freeze tonight: drain before leaving it, parked, stand to the side, open slowly"
	case r == NoRisk && !parked:
		return "not expected to freeze now; tonight is judged when the machine is switched off"
	case r == NoRisk:
		return "not expected to freeze tonight"
	default:
		return "not known"
	}
}

const (
	icingBelow = 278.15 // K of the air around; common practice, no source
	exhaustTo  = 20.0   // K by which an exhaust that works gets colder than the air around; the jet itself falls by 45 K and more
)

// icing says whether air let out leaves ice at an exhaust: expansion cools it, above 0 degC too.
func (w *Water) icing() string {
	if !w.ambient.alive(w.now) || w.ambient.value > icingBelow || w.dew.IsZero() {
		return ""
	}
	d, err := humidair.LetOut(units.Kelvin(w.dew.SI), units.PressureAbs(w.balance.pressure), units.PressureAbs(w.around(w.now)))
	if err != nil || !d.Ice || float64(d.Temperature) < w.ambient.value-exhaustTo {
		return ""
	}
	return "air let out may leave ice at the exhausts, above 0 degC too: it cools as it expands"
}

// Level returns the water in the tank as State does, and whether it is known. It allocates nothing.
func (w *Water) Level() (findings.Measure, bool) {
	if w.o.Dryer || !w.known() {
		return findings.Measure{}, false
	}
	return w.liquid(), true
}

// Full says whether the tank should be drained by litres; DrainDue says it in words. It allocates nothing.
func (w *Water) Full() bool {
	return w.probe.wet || !w.o.Dryer && w.known() && litres(w.balance.v[likely].liquid) >= drainEarly*w.o.DrainVolume
}

// DrainDue says whether the tank should be drained by litres, earlier than the alarm: at 0.6 of the drain volume. The words
// say how much there is, or why it is not known. By days and hours is the care list's.
func (w *Water) DrainDue() (due bool, words string) {
	switch {
	case w.probe.wet:
		return true, w.verdict()
	case w.o.Dryer:
		return false, DryerDeclared
	case !w.known():
		return false, "how much water is in the tank is not known: needs " + w.missing(w.now)
	default:
		return w.Full(), w.amount()
	}
}

func (w *Water) amount() string {
	l := w.liquid()
	return fmt.Sprintf("%.2f L of water in the tank by the balance (%.2f to %.2f L)", l.SI*1e3, l.Low*1e3, l.High*1e3)
}

func (w *Water) drainedWords() string {
	if !w.known() || w.o.Dryer {
		return "Tank drained. How much water was in it is not known."
	}
	return "Tank drained. Before that: " + w.amount() + "."
}
