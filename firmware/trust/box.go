// SPDX-License-Identifier: Apache-2.0

package trust

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// The keys of the alarm catalogue that this package speaks of.
const (
	KeyPressure     findings.Key = "pressure-fault"
	KeyLoad         findings.Key = "load-fault"
	KeyRail         findings.Key = "sensor-supply-off"
	KeySilent       findings.Key = "can-silent"
	KeyErrors       findings.Key = "can-errors"
	KeyUnanswered   findings.Key = "can-unanswered"
	KeyHot          findings.Key = "box-hot"
	KeyUndervoltage findings.Key = "box-undervoltage"
	KeyDisk         findings.Key = "disk-full"
	KeyClock        findings.Key = "clock-unset"
	KeyGap          findings.Key = "log-gap"
	KeyLost         findings.Key = "readings-lost"
)

const (
	railBand   = 0.05
	errorLimit = 50.0 / 60 // error frames, 1/s
	weak12     = 11.0      // V
	weak24     = 22.0      // V
	is24       = 18.0      // V: no 12 V system charges so high
)

// gauge is the newest good value of a channel.
type gauge struct {
	ch   readings.Channel
	seen bool
	v    float64
	at   time.Duration
	step time.Duration // between readings
	was  float64       // at the last tick
	told bool
}

func find(t *readings.Table, id string) gauge { return gauge{ch: t.Find(id)} }

func (g *gauge) take(r readings.Reading) {
	if r.Quality != readings.Good || math.IsNaN(r.Value) {
		return
	}
	if g.seen && r.At > g.at {
		g.step = min(r.At-g.at, slowest)
	}
	g.seen, g.v, g.at = true, r.Value, r.At
}

func (g *gauge) alive(at time.Duration) bool {
	return g.ch != readings.NoChannel && g.seen && at-g.at <= max(silent, 3*g.step)
}

// grew reports whether a counter grew since the last tick. The first value is no growth: it may be older than us.
func (g *gauge) grew() bool {
	grown := g.seen && g.told && g.v > g.was
	if g.seen {
		g.was, g.told = g.v, true
	}
	return grown
}

// writes are the units of findings, looked up once.
type writes struct{ volt, rate, heat, hour units.Unit }

func unitsOfFindings() writes {
	w := writes{
		volt: units.Preferred(units.Voltage), rate: units.Preferred(units.Rate),
		heat: units.Preferred(units.Temperature), hour: units.Preferred(units.Time),
	}
	if h, err := units.ParseUnit("h", units.Time); err == nil {
		w.hour = h
	}
	return w
}

type rail struct {
	id      string
	volts   gauge
	nominal float64
	missing string
}

func newRail(r Rail, t *readings.Table) rail {
	ch := r.Channel
	if ch < 0 || int(ch) >= t.Len() {
		ch = readings.NoChannel
	}
	if r.Nominal <= 0 {
		r.Nominal = 5
	}
	id := t.Info(ch).ID
	missing := "a channel that measures the sensor supply"
	if id != "" {
		missing = "a good reading of " + id
	}
	return rail{id: id, volts: gauge{ch: ch}, nominal: r.Nominal, missing: missing}
}

// off says whether the newest voltage is out of tolerance.
func (r *rail) off() bool {
	return r.volts.seen && (r.volts.v < r.nominal*(1-railBand) || r.volts.v > r.nominal*(1+railBand))
}

func (r *rail) find(at time.Duration, volt units.Unit) findings.Finding {
	f := findings.Finding{Key: KeyRail, Where: r.id, At: at}
	if !r.volts.alive(at) {
		f.Sight, f.Needs = findings.Unseen, r.missing
		return f
	}
	f.Value = findings.Measure{SI: r.volts.v, Unit: volt}
	if r.volts.v < r.nominal {
		f.Sense, f.Limit = findings.Below, findings.Measure{SI: r.nominal * (1 - railBand), Unit: volt}
	} else {
		f.Sense, f.Limit = findings.Above, findings.Measure{SI: r.nominal * (1 + railBand), Unit: volt}
	}
	return f
}

type link struct {
	name                                    string
	frames, errors, drops, up, state, alone gauge
}

func newLink(name string, t *readings.Table) link {
	return link{
		name:   name,
		frames: find(t, name+readings.LinkFrames), errors: find(t, name+readings.LinkErrors),
		drops: find(t, name+readings.LinkDrops), up: find(t, name+readings.LinkUp),
		state: find(t, name+readings.LinkState), alone: find(t, name+readings.LinkAlone),
	}
}

// States of a controller as readings.LinkState has them.
const (
	stateWarning = 2
	stateOff     = 4
)

// why says what the controller knows of a link without frames; empty where it knows nothing.
func (l *link) why(at time.Duration) string {
	switch {
	case !l.state.alive(at) || l.state.v < stateWarning:
		return ""
	case l.state.v >= stateOff:
		return "the controller has left the bus (bus off)"
	default:
		return "only errors are heard: the bitrate may be wrong, or a wire off"
	}
}

func (l *link) report(at time.Duration, sink findings.Sink, rate units.Unit) {
	f := findings.Finding{Key: KeySilent, Where: l.name, At: at, Sense: findings.Flag}
	switch {
	case l.up.alive(at) && l.up.v < 0.5:
		f.Active, f.Detail = true, "the interface is down"
	case l.frames.alive(at):
		f.Active = l.frames.v <= 0
		f.Value = findings.Measure{SI: l.frames.v, Unit: rate}
		if f.Active {
			if f.Detail = l.why(at); f.Detail == "" {
				f.Detail = "no frame in the last second"
			}
		}
	default:
		f.Sight, f.Needs = findings.Unseen, "a CAN interface that reports its frames"
	}
	sink.Find(f)
	f = findings.Finding{Key: KeyErrors, Where: l.name, At: at, Sense: findings.Above}
	switch {
	case l.state.alive(at) && l.state.v >= stateOff:
		f.Sense, f.Active, f.Detail = findings.Flag, true, "the controller has left the bus (bus off)"
	case l.errors.alive(at):
		f.Value = findings.Measure{SI: l.errors.v, Unit: rate}
		f.Limit = findings.Measure{SI: errorLimit, Unit: rate}
	default:
		f.Sight, f.Needs = findings.Unseen, "a CAN interface that reports its errors"
	}
	sink.Find(f)
	f = findings.Finding{Key: KeyUnanswered, Where: l.name, At: at, Sense: findings.Flag}
	if l.alone.alive(at) {
		if f.Active = l.alone.v > 0.5; f.Active {
			f.Value = findings.Measure{SI: l.frames.v, Unit: rate}
			f.Detail = "one device repeats one frame without end: nobody acknowledges it"
		}
	} else {
		f.Sight, f.Needs = findings.Unseen, "a CAN interface whose frames are followed"
	}
	sink.Find(f)
}

type box struct {
	o                                    Options
	heat, flag, volts, disk, clock, lost gauge
	high                                 bool // a 24 V machine
	gapNow                               bool
	chans                                []cadence
}

// cadence is how regularly a wired channel comes.
type cadence struct {
	wired bool
	at    time.Duration
	step  time.Duration
	n     int
}

func newBox(o Options, t *readings.Table) box {
	b := box{
		o:    o,
		heat: find(t, readings.BoxTemperature), flag: find(t, readings.BoxUndervoltage),
		disk: find(t, readings.BoxDiskLeft), clock: find(t, readings.BoxClock), lost: find(t, readings.BoxLost),
		volts: gauge{ch: readings.NoChannel}, chans: make([]cadence, t.Len()),
	}
	if o.BoxVoltage >= 0 && int(o.BoxVoltage) < t.Len() {
		b.volts.ch = o.BoxVoltage
	}
	for i := range b.chans {
		b.chans[i].wired = t.Info(readings.Channel(i)).Wired
	}
	return b
}

// take follows a reading that the gauges have already taken.
func (b *box) take(r readings.Reading) {
	if r.Channel == b.volts.ch && b.volts.seen && b.volts.v > is24 {
		b.high = true
	}
	c := &b.chans[r.Channel]
	if !c.wired || (c.n > 0 && r.At <= c.at) {
		return
	}
	// A channel that came regularly and at least once a second, and then left out more than a second, has a hole.
	d := r.At - c.at
	const regular = 20
	if c.n > regular && c.step <= time.Second && d > time.Second+c.step {
		b.gapNow = true
	} else if c.n > 0 {
		c.step += (min(d, slowest) - c.step) / 8
	}
	c.at = r.At
	c.n++
}

func (b *box) report(at time.Duration, sink findings.Sink, links []link, u writes) {
	f := findings.Finding{Key: KeyHot, At: at, Sense: findings.Above}
	if b.heat.alive(at) {
		f.Value = findings.Measure{SI: b.heat.v, Unit: u.heat}
		f.Limit = findings.Measure{SI: b.o.HotLimit, Unit: u.heat}
	} else {
		f.Sight, f.Needs = findings.Unseen, "a board that reports its temperature"
	}
	sink.Find(f)
	sink.Find(b.supply(at, u.volt))

	f = findings.Finding{Key: KeyDisk, At: at, Sense: findings.Below}
	if b.disk.alive(at) {
		f.Value = findings.Measure{SI: b.disk.v, Unit: u.hour}
		f.Limit = findings.Measure{SI: b.o.DiskLimit.Seconds(), Unit: u.hour}
	} else {
		f.Sight, f.Needs = findings.Unseen, "a log whose disk is measured"
	}
	sink.Find(f)

	f = findings.Finding{Key: KeyClock, At: at, Sense: findings.Flag}
	if b.clock.alive(at) {
		f.Active = b.clock.v < 0.5 // clock quality unset is zero
	} else {
		f.Sight, f.Needs = findings.Unseen, "a clock that reports its quality"
	}
	sink.Find(f)

	sink.Find(findings.Finding{Key: KeyGap, At: at, Sense: findings.Flag, Active: b.gapNow})
	b.gapNow = false

	f = findings.Finding{Key: KeyLost, At: at, Sense: findings.Flag, Active: b.lost.grew()}
	for i := range links {
		f.Active = links[i].drops.grew() || f.Active
	}
	if !b.lost.seen {
		f.Sight, f.Needs = findings.Unseen, "an input that counts what it lost"
		f.Active = false
	}
	sink.Find(f)
}

// supply tells of the board's own flag where it is raised, else of the measured voltage.
func (b *box) supply(at time.Duration, volt units.Unit) findings.Finding {
	f := findings.Finding{Key: KeyUndervoltage, At: at, Sense: findings.Flag}
	switch {
	case b.flag.alive(at) && b.flag.v > 0.5:
		f.Active, f.Detail = true, "the board says its supply is low"
	case b.volts.alive(at):
		limit := b.o.WeakLimit
		if limit <= 0 {
			if limit = weak12; b.high {
				limit = weak24
			}
		}
		f.Sense = findings.Below
		f.Value, f.Limit = findings.Measure{SI: b.volts.v, Unit: volt}, findings.Measure{SI: limit, Unit: volt}
	case b.flag.alive(at):
	default:
		f.Sight, f.Needs = findings.Unseen, "a board with an under-voltage flag, or a channel for the box's supply"
	}
	return f
}
