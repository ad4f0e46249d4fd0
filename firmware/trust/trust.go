// SPDX-License-Identifier: Apache-2.0

// Package trust says whether a sensor tells the truth, and whether the box that listens is well.
//
// Words: a sensor is faulty when the electrical signal cannot be one (open, shorted, outside its band), when the
// converter does not answer, or when it is stuck: fifty identical codes of a converter whose step is smaller than the
// noise. The effect of a load sensor is how far it moves the average of its rank, which the machine's control steers
// by. A rail is one sensor supply; a link is one CAN interface. Acquisition is frozen when all analog channels stand
// exactly still (Frozen), which makes a recording's rows no data.
//
// The package never asks for the time, rings nothing and takes no sensor out of anything; it tells. Two sensors in a
// rank cannot outvote each other, so it never says which of two is right.
//
// Sources: bands 0.05 and 0.95 of a ratiometric signal and the stuck rule are the design's own (common practice, no
// source); the current-loop bands are NAMUR NE 43, applied where the signal is converted; the effect of one cell on a
// mean of n is arithmetic.
package trust

import (
	"math"
	"strings"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
)

// Sensor is one watched channel.
type Sensor struct {
	Channel readings.Channel
	Rank    string // for a load sensor: its rank; empty for the tank
	Fine    bool   // the converter's step is smaller than the sensor's noise (16 bit): a repeated code means stuck
}

// Rail is one sensor supply that is measured.
type Rail struct {
	Channel readings.Channel
	Nominal float64 // V; 0: 5
}

// Options says what is watched. Zero values are the documented defaults, but a channel that is not there is
// readings.NoChannel.
type Options struct {
	Pressures []Sensor
	Loads     []Sensor
	Rails     []Rail
	Links     []string // names of CAN interfaces

	BoxVoltage readings.Channel // the box's own supply, V
	HotLimit   float64          // K; 0: 348.15 (75 degC)
	WeakLimit  float64          // V; 0: 11, or 22 once more than 18 V were seen
	DiskLimit  time.Duration    // 0: 24 h
}

const (
	stuckCodes = 50
	defaultHot = 348.15
	silent     = 5 * time.Second
	slowest    = 20 * time.Second
	minute     = 60 // ticks, a second apart, after which the slow mean has followed by two thirds
	maxQuality = int(readings.Frozen) + 1
)

// sensor is the state of one watched channel.
type sensor struct {
	Sensor

	key      findings.Key
	id       string
	wired    bool
	declared bool

	heard    bool
	quality  readings.Quality // of the newest reading
	heardAt  time.Duration    // of the newest reading, good or not
	interval time.Duration
	value    float64 // last good value
	known    bool
	raw      int32
	same     int // readings with this code after the first

	sum  float64
	n    int
	mean float64 // of the last second
	slow float64 // of about the last minute

	words  [maxQuality]string // evidence for each quality, with the plug
	stuck  string
	absent string
	gone   string
}

// Trust watches sensors, rails, links and the box. It is owned by one goroutine.
type Trust struct {
	o         Options
	sink      findings.Sink
	pressures []sensor
	loads     []sensor
	byChannel []*sensor
	gauges    [][]*gauge // by channel
	rails     []rail
	links     []link
	box       box
	unit      writes
}

// New makes a watcher. Channels outside t count as not declared.
func New(o Options, t *readings.Table, sink findings.Sink) *Trust {
	if o.HotLimit <= 0 {
		o.HotLimit = defaultHot
	}
	if o.DiskLimit <= 0 {
		o.DiskLimit = 24 * time.Hour
	}
	w := &Trust{o: o, sink: sink, byChannel: make([]*sensor, t.Len()), unit: unitsOfFindings()}
	w.pressures = w.watch(o.Pressures, KeyPressure, t)
	w.loads = w.watch(o.Loads, KeyLoad, t)
	for _, r := range o.Rails {
		w.rails = append(w.rails, newRail(r, t))
	}
	for _, l := range o.Links {
		w.links = append(w.links, newLink(l, t))
	}
	w.box = newBox(o, t)
	w.index(t.Len())
	return w
}

func (w *Trust) watch(list []Sensor, key findings.Key, t *readings.Table) []sensor {
	out := make([]sensor, len(list))
	for i, s := range list {
		k := &out[i]
		k.Sensor, k.key = s, key
		if s.Channel < 0 || int(s.Channel) >= t.Len() {
			continue
		}
		info := t.Info(s.Channel)
		k.declared, k.id, k.wired = true, info.ID, info.Wired
		k.sentences(info)
		w.byChannel[s.Channel] = k
	}
	return out
}

// sentences makes the evidence once, so that no reading builds text.
func (k *sensor) sentences(info readings.Info) {
	at := ""
	switch {
	case info.Plug != "":
		at = "; look at plug " + info.Plug + " when parked"
	case info.Source != "":
		at = "; look at " + info.Source + " when parked"
	}
	for q := range k.words {
		k.words[q] = sentence(readings.Quality(q)) + at
	}
	if info.Source != "" {
		// A converter that is silent is no matter of the sensor's plug.
		board := "; look at " + info.Source + " when parked"
		k.words[readings.NoAnswer] = sentence(readings.NoAnswer) + board
		k.words[readings.Late] = sentence(readings.Late) + board
	}
	k.words[readings.Frozen] = sentence(readings.Frozen)
	k.stuck = "stuck: fifty identical codes" + at
	k.gone = "no reading any more" + at
	k.absent = "a good reading of " + info.ID
}

func sentence(q readings.Quality) string {
	switch q {
	case readings.Open:
		return "signal line open"
	case readings.ShortGround:
		return "signal line shorted to ground"
	case readings.ShortSupply:
		return "signal line shorted to supply"
	case readings.OutOfBand:
		return "signal outside the sensor's band"
	case readings.Saturated:
		return "signal at the end of the sensor's range"
	case readings.BadSupply:
		return "sensor supply out of tolerance"
	case readings.Late:
		return "converter too late"
	case readings.NoAnswer:
		return "converter does not answer"
	case readings.Implausible:
		return "value outside the plausible range"
	case readings.Frozen:
		return "acquisition stands still: every channel repeats its value"
	case readings.Good, readings.NotAvailable:
		return ""
	default:
		return "reading of unknown quality"
	}
}

// Read takes one reading of any channel.
func (w *Trust) Read(r readings.Reading) {
	if r.Channel < 0 || int(r.Channel) >= len(w.byChannel) {
		return
	}
	if k := w.byChannel[r.Channel]; k != nil {
		k.take(r)
		w.hurry(k, r.At)
	}
	for _, g := range w.gauges[r.Channel] {
		g.take(r)
	}
	for i := range w.rails {
		if rail := &w.rails[i]; rail.volts.ch == r.Channel && rail.volts.at == r.At && rail.off() {
			w.sink.Find(rail.find(r.At, w.unit.volt))
		}
	}
	w.box.take(r)
}

// hurry tells a faulty reading at once, so that an alarm's delay begins and ends with a reading and not with the tick after
// it. That a sensor is well again is told at ticks: a contact that flickers would otherwise never be faulty for long.
func (w *Trust) hurry(k *sensor, at time.Duration) {
	if k.heardAt != at {
		return // older than what was told already
	}
	if faulty, _, words := k.bad(at); faulty {
		w.sink.Find(findings.Finding{Key: k.key, Where: k.id, At: at, Sense: findings.Flag, Active: true, Detail: words})
	}
}

// index lists the gauges of each channel, so that a reading asks only those it is for.
func (w *Trust) index(channels int) {
	w.gauges = make([][]*gauge, channels)
	add := func(g *gauge) {
		if g.ch >= 0 && int(g.ch) < channels {
			w.gauges[g.ch] = append(w.gauges[g.ch], g)
		}
	}
	for i := range w.rails {
		add(&w.rails[i].volts)
	}
	for i := range w.links {
		l := &w.links[i]
		for _, g := range []*gauge{&l.frames, &l.errors, &l.drops, &l.up, &l.state, &l.alone} {
			add(g)
		}
	}
	b := &w.box
	for _, g := range []*gauge{&b.heat, &b.flag, &b.volts, &b.disk, &b.clock, &b.lost} {
		add(g)
	}
}

func (k *sensor) take(r readings.Reading) {
	if k.heard {
		if r.At <= k.heardAt {
			return
		}
		d := min(r.At-k.heardAt, slowest)
		if k.interval == 0 {
			k.interval = d
		} else {
			k.interval += (d - k.interval) / 8
		}
	}
	k.quality, k.heardAt = r.Quality, r.At
	if coded := r.Raw != 0 || r.Volts != 0; coded && k.heard && r.Raw == k.raw {
		k.same++
	} else {
		k.same = 0 // without a converter, as in a recorded table, there is no code that could repeat
	}
	k.raw, k.heard = r.Raw, true
	if r.Quality == readings.Good && !math.IsNaN(r.Value) {
		if !k.known {
			k.mean, k.slow = r.Value, r.Value
		}
		k.value, k.known = r.Value, true
		k.sum += r.Value
		k.n++
	}
}

func (k *sensor) isStuck() bool {
	return k.Fine && k.wired && k.quality == readings.Good && k.same >= stuckCodes-1
}

func (k *sensor) isGone(at time.Duration) bool {
	limit := 2 * slowest
	if k.interval > 0 {
		limit = max(silent, 3*k.interval)
	}
	return at-k.heardAt > limit
}

// bad returns whether the sensor is faulty or merely unseen, with the words for it.
func (k *sensor) bad(at time.Duration) (faulty, unseen bool, words string) {
	switch {
	case !k.declared, !k.heard:
		return false, true, k.absent
	case k.isGone(at) && k.wired:
		return true, false, k.gone
	case k.isGone(at), k.quality == readings.NotAvailable:
		return false, true, k.absent
	case k.quality != readings.Good:
		return true, false, k.words[min(int(k.quality), maxQuality-1)]
	case k.isStuck():
		return true, false, k.stuck
	default:
		return false, false, ""
	}
}

// Trusted returns whether the channel may be believed now: watched, alive and without a fault.
func (w *Trust) Trusted(c readings.Channel, at time.Duration) bool {
	if c < 0 || int(c) >= len(w.byChannel) || w.byChannel[c] == nil {
		return false
	}
	faulty, unseen, _ := w.byChannel[c].bad(at)
	return !faulty && !unseen
}

// Tick lets a second pass and reports.
func (w *Trust) Tick(at time.Duration) {
	w.reportSensors(at, KeyPressure, w.pressures, "a pressure channel")
	w.reportSensors(at, KeyLoad, w.loads, "a load channel")
	for i := range w.rails {
		w.sink.Find(w.rails[i].find(at, w.unit.volt))
	}
	for i := range w.links {
		w.links[i].report(at, w.sink, w.unit.rate)
	}
	w.box.report(at, w.sink, w.links, w.unit)
}

func (w *Trust) reportSensors(at time.Duration, key findings.Key, list []sensor, need string) {
	if len(list) == 0 {
		w.sink.Find(findings.Finding{Key: key, At: at, Sight: findings.Unseen, Needs: need})
		return
	}
	for i := range list {
		k := &list[i]
		if k.n > 0 {
			k.mean = k.sum / float64(k.n)
			k.sum, k.n = 0, 0
			k.slow += (k.mean - k.slow) / minute
		}
		f := findings.Finding{Key: key, Where: k.id, At: at, Sense: findings.Flag}
		faulty, unseen, words := k.bad(at)
		switch {
		case !k.declared:
			f.Sight, f.Needs = findings.Unseen, need
		case unseen:
			f.Sight, f.Needs = findings.Unseen, words
		case faulty:
			f.Active, f.Detail = true, words
		}
		w.sink.Find(f)
	}
}

func isBox(id string) bool { return strings.Contains(id, ".") }
