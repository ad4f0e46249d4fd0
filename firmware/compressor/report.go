// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// The keys of the alarm catalogue that this package speaks of.
const (
	KeyOverworked findings.Key = "comp-overworked"
	KeyNoBuild    findings.Key = "comp-no-build"
	KeyShortCycle findings.Key = "comp-short-cycle"
	KeyDelivery   findings.Key = "delivery-low"
)

// Details of a finding, for rows whose wording or priority depends on what could be seen.
const (
	// NoBuildDriven says the drive is seen turning.
	NoBuildDriven = "the drive turns"
	// NoBuildUnseen says no drive signal exists: medium priority at most.
	NoBuildUnseen = "not building, or not switched on"
	// FromPressure says the duty is inferred.
	FromPressure = "on and off inferred from tank pressure"
	// FromChannel says the duty is measured.
	FromChannel = "on and off from the running channel"
	// ChargeExcused says a charge from an empty tank is under way.
	ChargeExcused = "charging from an empty tank"
)

const (
	noBuildBelow = 20e3 // Pa under cut-in
	noBuildShare = 0.25 // of delivery
	driveSpan    = 30 * time.Second
	blindSpan    = 60 * time.Second
)

func (c *Compressor) report(at time.Duration) {
	c.reportDuty(at)
	c.reportBuild(at)
	c.reportCycle(at)
	c.reportDelivery(at)
}

func (c *Compressor) reportDuty(at time.Duration) {
	c.excuse(at)
	c.ledger.dutyMax = max(c.ledger.dutyMax, c.ledger.duty(at, c.o.DutyWindow, false))
	f := findings.Finding{Key: KeyOverworked, Where: c.o.Name, At: at, Sense: findings.Above}
	f.Limit = findings.Measure{SI: c.o.DutyLimit, Unit: c.unit.share}
	switch {
	case c.o.Control == Proportional || c.o.Control == ReliefHeld:
		f.Sight, f.Needs = findings.Unseen, "a compressor that starts and stops, or loads and unloads"
	case c.signalled():
		f.Detail = FromChannel
	case c.tank.alive(at):
		f.Detail = FromPressure
	default:
		f.Sight, f.Needs = findings.Unseen, c.missing(at)
	}
	if f.Sight == findings.Seen {
		f.Value = findings.Measure{SI: c.ledger.duty(at, c.o.DutyWindow, true), Unit: c.unit.share}
		if c.ledger.isOpen && c.ledger.excused {
			f.Detail = ChargeExcused
		}
	}
	c.sink.Find(f)
}

func (c *Compressor) missing(at time.Duration) string {
	switch {
	case c.tank.ch == readings.NoChannel && c.running.ch == readings.NoChannel:
		return "a tank pressure channel or a running channel"
	case c.tank.ch == readings.NoChannel:
		return "a good reading of the running channel"
	case c.tank.seen && !c.tank.alive(at), !c.tank.seen:
		return "a good reading of the tank pressure channel"
	default:
		return ""
	}
}

// excuse marks the open run as a charge from an empty tank, until twice the time it needs; a run that ended keeps
// its mark.
func (c *Compressor) excuse(at time.Duration) {
	l := &c.ledger
	if !l.isOpen {
		return
	}
	l.excused = false
	if !(l.from <= c.o.EmptyBelow) || c.o.Volume <= 0 || c.o.Delivery <= 0 {
		return
	}
	goal, ok := c.CutOut()
	if !ok {
		if goal, ok = c.CutIn(); !ok {
			return
		}
		goal += minGap
	}
	need := c.o.Volume * (goal - l.from) / (refPressure * c.o.Delivery) // s, isothermal
	l.excused = at-l.start <= time.Duration(2*need*float64(time.Second))
}

func (c *Compressor) reportBuild(at time.Duration) {
	f := findings.Finding{Key: KeyNoBuild, Where: c.o.Name, At: at, Sense: findings.Flag}
	cutIn, known := c.CutIn()
	driven, turns := c.driven(at)
	engine := c.ign.alive(at)
	span := blindSpan
	if driven {
		span = driveSpan
	}
	slope, have := c.recent.slope(at, span)
	switch {
	case c.tank.ch == readings.NoChannel:
		f.Needs = "a tank pressure channel"
	case !c.tank.alive(at):
		f.Needs = "a good reading of the tank pressure channel"
	case !driven && !engine:
		f.Needs = "a drive, running or ignition channel"
	case !known:
		f.Needs = "a cut-in pressure: none configured, none learned yet"
	}
	if f.Needs != "" {
		f.Sight = findings.Unseen
		c.sink.Find(f)
		return
	}
	c.engage(at, turns)
	low := c.tank.value < cutIn-noBuildBelow && (!driven || c.engaged(at))
	f.Value = findings.Measure{SI: c.tank.value, Unit: c.unit.pressure, Reference: units.Gauge}
	f.Limit = findings.Measure{SI: cutIn - noBuildBelow, Unit: c.unit.pressure, Reference: units.Gauge}
	switch {
	case driven && c.o.Volume > 0 && c.o.Delivery > 0:
		f.Detail = NoBuildDriven
		if turns && low && have {
			// Against a quarter of the delivery, so that the row's deadband is one of delivery.
			gives := slope*c.o.Volume/refPressure + c.spent()
			f.Sense = findings.Below
			f.Value = findings.Measure{SI: gives, Unit: c.unit.flow, Reference: units.ANR}
			f.Limit = findings.Measure{SI: noBuildShare * c.o.Delivery, Unit: c.unit.flow, Reference: units.ANR}
		}
	case driven:
		f.Detail = NoBuildDriven
		f.Active = turns && low && have && slope <= 0
	default:
		f.Detail = NoBuildUnseen
		f.Active = c.ign.value > 0.5 && low && have && slope <= 0
	}
	c.sink.Find(f)
}

// spent is what goes out of the tank, m3/s ANR: as the rests showed it, or as whoever watches for leaks knows it now. A leak
// that takes all the air is no compressor that gives none.
func (c *Compressor) spent() float64 {
	rests := max(0, c.idleFall) * c.o.Volume / refPressure
	if c.o.Use == nil {
		return rests
	}
	if use, known := c.o.Use(); known {
		return max(rests, use)
	}
	return rests
}

// engage follows since when the drive turns and whether the compressor was seen delivering since.
func (c *Compressor) engage(at time.Duration, turns bool) {
	if !turns {
		c.drives, c.delivered = false, false
		return
	}
	if !c.drives {
		c.drives, c.drivenSince = true, at
	}
	if state, _ := c.State(); state == On {
		c.delivered = true
	}
}

// engaged says whether a compressor that does not build must be meant to. A drive that turns is not proof: an engine's
// speed says nothing of a hydraulic motor that the operator has yet to switch on. So either it delivered since the
// drive began to turn, or the drive has turned for so long that nobody waits to switch it on.
func (c *Compressor) engaged(at time.Duration) bool {
	return c.delivered || (c.drives && at-c.drivenSince >= switchOnPatience)
}

// driven says whether a signal tells that the compressor is driven, and whether it is.
func (c *Compressor) driven(at time.Duration) (seen, turns bool) {
	if c.drive.alive(at) {
		return true, c.drive.value > turning
	}
	if c.running.alive(at) {
		return true, c.running.value > 0.5
	}
	return false, false
}

// recent holds about a minute of pressure, one mean a second.
type recent struct {
	ring [64]point
	n    int
	open point
	k    int
}

func (q *recent) drop() { q.n, q.k = 0, 0 }

func (q *recent) add(at time.Duration, v float64) {
	if q.k > 0 && at-q.open.at >= time.Second {
		q.ring[q.n%len(q.ring)] = point{at: q.open.at, v: q.open.v / float64(q.k)}
		q.n++
		q.k = 0
	}
	if q.k == 0 {
		q.open = point{at: at}
	}
	q.open.v += v
	q.k++
}

// slope is the least-squares slope over the last span, Pa/s; false where less than half of it was seen.
func (q *recent) slope(at, span time.Duration) (float64, bool) {
	var n, st, sv, stt, stv float64
	oldest := at
	for i := max(0, q.n-len(q.ring)); i < q.n; i++ {
		p := q.ring[i%len(q.ring)]
		if at-p.at > span {
			continue
		}
		oldest = min(oldest, p.at)
		t := (p.at - at).Seconds()
		n++
		st += t
		sv += p.v
		stt += t * t
		stv += t * p.v
	}
	den := n*stt - st*st
	if n < 3 || den <= 0 || at-oldest < span/2 {
		return 0, false
	}
	return (n*stv - st*sv) / den, true
}
