// SPDX-License-Identifier: Apache-2.0

// Package water reckons the water that compressing moist air leaves in a tank: how many litres stand in it since the last
// drain, how much went on to the ranks, where its air begins to leave water, and whether the coming night may freeze it.
//
// Words: the balance is the reckoning from humidity, air taken in and the tank's wall; a climate is the air of a usual day
// from the machine file; blind air is air taken in while its water, or whether the compressor ran, was not known; the
// probe is a moisture probe inside the tank; past the tank is what left the tank as vapour.
//
// Every ten seconds the balance adds the vapour of the air taken in, takes away that of the air that left (what was taken
// in less what the tank's pressure shows to have stayed), and turns to water what the air in the tank cannot hold at the
// wall's temperature of just then. So a cold night counts only for the air that was in the tank that night. It does so four
// times: as likely, for least and for most water in the tank, and for most vapour past it. Drops that the air carries along
// are in none of them: the litres are at most. Where the water of the intake air is not known the balance says so; it
// assumes no climate of its own.
//
// The package never asks for the time, rings nothing (delays and deadbands are the alarm engine's) and drives no valve.
//
// Sources: physics of firmware/humidair; the intervals of what is put in are common practice without a source and stand
// beside their constants; the night's cooling law is Brunt's (freeze.go).
package water

import (
	"math"
	"strings"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/humidair"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Compressor is what this package asks of the compressor's watcher. The methods are called at ticks on the owner's
// goroutine and change nothing.
type Compressor interface {
	// Settled returns up to when the answers of OnShare are final.
	Settled() time.Duration
	// OnShare returns the share of a stretch of time, 0 to 1, in which air was delivered; false where it is not known.
	OnShare(from, to time.Duration) (share float64, known bool)
}

// Climate is the air of a usual working day, for a machine that does not measure it.
type Climate struct {
	Temperature float64 // K
	Humidity    float64 // relative, 0 to 1, over liquid water
	Uncertainty float64 // share by which its water may be off, to either side
}

// Options says which channels and limits count. SI; the zero value of a field is its documented default, but a channel
// that is not there is readings.NoChannel.
type Options struct {
	Tank      readings.Channel // tank pressure, Pa gauge
	Wall      readings.Channel // temperature of the tank's wall, K
	Ambient   readings.Channel // temperature of the air taken in, K
	Humidity  readings.Channel // of the same air, 0 to 1 over liquid water
	Barometer readings.Channel // Pa absolute
	Wet       readings.Channel // probe in the tank: 1 while it stands in water
	Ignition  readings.Channel // 0 or 1
	Drive     readings.Channel // drive speed, 1/s

	Climate *Climate // nil: none
	Around  float64  // air pressure around where no barometer is alive, Pa absolute; 0: 101.325 kPa

	Volume      float64 // tank, m3; 0: not known
	Delivery    float64 // rated free air delivery: m3/s of air as it is taken in; 0: not known
	DrainVolume float64 // m3 of water at which draining is overdue; 0: 0.5 L
	Dryer       bool    // a dryer between compressor and tank

	Compressor Compressor // nil: none is watched

	UTC   func(at time.Duration) (time.Time, bool) // nil: never known
	Saved []byte                                   // what Save gave; nil: nothing
	Notes findings.Notes                           // nil: nobody listens
}

const (
	defaultDrain  = 0.5e-3 // m3
	drainEarly    = 0.6    // share of the drain volume at which the reminder comes: 0.3 of 0.5 L
	standardAir   = 101325.0
	waterDensity  = 998.0 // kg/m3 at 20 degC
	slotLength    = 10 * time.Second
	longestTick   = 10 * time.Minute // between two ticks; what is longer was not watched
	turning       = 0.5              // 1/s: a shaft below 30 /min drives nothing
	parkedAfter   = 10 * time.Minute // without drive
	inertiaOfRate = 3600.0           // s, over which the rate of filling is averaged
)

// Water watches the water of one tank. It is owned by one goroutine.
type Water struct {
	o    Options
	sink findings.Sink
	unit struct{ volume, temperature units.Unit }

	tank, wall, ambient, humidity, baro, wet, ign, drive input

	measured string // words for what the channels say
	needs    string // what the machine lacks for a balance, empty: nothing
	begun    time.Duration
	now      time.Duration
	started  bool

	slots   slots
	slotAt  time.Duration // when the open slot began
	gauge   mean          // of the tank over it
	balance balance
	probe   probe
	night   night
	source  source
	dew     findings.Measure
	dewAt   time.Duration
	noted   noted
}

// New makes a watcher. Channels outside t count as not declared; saved bytes that cannot be read count as none, and the
// journal gets a note.
func New(o Options, t *readings.Table, sink findings.Sink) *Water {
	if !(o.DrainVolume > 0) {
		o.DrainVolume = defaultDrain
	}
	if !(o.Around > 0) {
		o.Around = standardAir
	}
	if c := o.Climate; c != nil && !(c.Temperature >= coldestAir && c.Temperature <= hottestAir && c.Humidity >= 0 && c.Humidity <= 1 && c.Uncertainty >= 0) {
		o.Climate = nil
	}
	w := &Water{o: o, sink: sink}
	w.unit.volume, w.unit.temperature = units.Preferred(units.Volume3), units.Preferred(units.Temperature)
	for _, p := range []struct {
		in        *input
		ch        readings.Channel
		low, high float64
	}{
		{&w.tank, o.Tank, -20e3, 5e6},
		{&w.wall, o.Wall, coldestAir, 400},
		{&w.ambient, o.Ambient, coldestAir, hottestAir},
		{&w.humidity, o.Humidity, 0, 1.05}, // a good instrument may read a little over in fog
		{&w.baro, o.Barometer, 50e3, 110e3},
		{&w.wet, o.Wet, 0, 1},
		{&w.ign, o.Ignition, 0, 1},
		{&w.drive, o.Drive, -1e4, 1e4},
	} {
		p.in.ch, p.in.low, p.in.high = readings.NoChannel, p.low, p.high
		if p.ch >= 0 && int(p.ch) < t.Len() {
			p.in.ch = p.ch
		}
	}
	if w.humidity.declared() && w.ambient.declared() {
		w.measured = sourceWords(t.Info(w.humidity.ch).Source, t.Info(w.ambient.ch).Source)
	}
	w.needs = w.lacks()
	w.balance.reset()
	w.load(o.Saved)
	return w
}

func sourceWords(humidity, temperature string) string {
	from := "measured"
	if strings.HasPrefix(humidity, "can ") {
		from = "from the bus"
	}
	if humidity == "" || temperature == "" {
		return from
	}
	return from + ": humidity " + humidity + ", temperature " + temperature
}

// lacks names the first thing that the machine file would have to say for a balance.
func (w *Water) lacks() string {
	switch {
	case w.o.Dryer:
		return ""
	case w.o.Compressor == nil:
		return "a compressor whose runs can be seen"
	case !w.tank.declared():
		return "a tank pressure channel"
	case !(w.o.Volume > 0):
		return "the tank's volume"
	case !(w.o.Delivery > 0):
		return "the compressor's rated delivery"
	case (!w.humidity.declared() || !w.ambient.declared()) && w.o.Climate == nil:
		return "a humidity and an ambient temperature channel, or a climate in the machine file"
	default:
		return ""
	}
}

// Read takes one reading of any channel.
func (w *Water) Read(r readings.Reading) {
	switch ch := r.Channel; {
	case ch < 0:
	case ch == w.tank.ch:
		if w.tank.take(r) {
			w.gauge.add(r.Value)
		}
	case ch == w.wall.ch:
		w.wall.take(r)
	case ch == w.ambient.ch:
		w.ambient.take(r)
	case ch == w.humidity.ch:
		w.humidity.take(r)
	case ch == w.baro.ch:
		w.baro.take(r)
	case ch == w.wet.ch:
		w.wet.take(r)
	case ch == w.ign.ch:
		w.ign.take(r)
	case ch == w.drive.ch:
		w.drive.take(r)
	}
}

// Tick lets a second pass: what is due is reckoned, and the findings are reported. A time before the last one changes
// nothing.
func (w *Water) Tick(at time.Duration) {
	switch {
	case !w.started:
		w.started, w.begun, w.now, w.slotAt = true, at, at, at
	case at < w.now:
		return
	case at-w.now > longestTick:
		w.balance.missed(at - w.now)
		w.note(at, "water-unwatched", "Nobody watched the tank's water for a while; air taken in during that time is not in its balance.")
		w.slotAt, w.gauge = at, mean{}
	}
	w.now = at
	w.air(at)
	w.park(at)
	if at-w.slotAt >= slotLength {
		w.closeSlot(at)
	}
	w.settle()
	w.look(at)
	w.report(at)
}

// Drained says that the tank's water was let out: the balance starts from an empty tank. At is now; water that came since
// cannot be told from what was let out.
func (w *Water) Drained(at time.Duration) {
	w.note(at, "drained", w.drainedWords())
	w.balance.drain(w.utc(at))
	w.slots.drainedAt = max(at, w.now)
}

func (w *Water) utc(at time.Duration) int64 {
	if w.o.UTC == nil {
		return 0
	}
	t, ok := w.o.UTC(at)
	if !ok {
		return 0
	}
	return t.Unix()
}

func (w *Water) note(at time.Duration, kind, text string) {
	if w.o.Notes != nil {
		w.o.Notes.Note(at, kind, text)
	}
}

// around returns the air pressure around the machine.
func (w *Water) around(at time.Duration) float64 {
	if w.baro.alive(at) {
		return w.baro.value
	}
	return w.o.Around
}

// mean of a slot's readings.
type mean struct {
	sum float64
	n   int
}

func (m *mean) add(v float64) { m.sum, m.n = m.sum+v, m.n+1 }

func (m *mean) value() (float64, bool) {
	if m.n == 0 {
		return 0, false
	}
	return m.sum / float64(m.n), true
}

func litres(kg float64) float64 { return kg / waterDensity }

// dewPointOf returns where air of absolute pressure p with ratio kg of vapour for a kg of dry air begins to leave water.
func dewPointOf(ratio, p float64) (float64, bool) {
	pv, err := humidair.RatioPressure(ratio, units.PressureAbs(p))
	if err != nil || !(pv > 0) {
		return math.NaN(), false
	}
	d, err := humidair.DepositPoint(pv)
	if err != nil {
		return math.NaN(), false
	}
	return float64(d.Temperature), true
}
