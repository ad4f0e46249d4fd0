// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"airhold/config"
	"airhold/firmware/leakdown"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

const (
	// longestTest is what an estimator looks at; reading further would only take time.
	longestTest = 600 * time.Second

	tankZone = "tank"

	supplyLow, supplyHigh = 4.75, 5.25 // V, of a 5 V sensor supply (common practice, no source)
	driveTurns            = 50.0 / 60  // 1/s: below it a drive stands
	planterMoves          = 0.5        // m/s
)

// recording is one table of readings as a leak-down test needs it. Times count from the table's first row.
type recording struct {
	path    string
	notes   map[string]string
	clock   time.Time // of the first row; zero: the table has none
	samples map[string][]leakdown.Sample
	events  []disturbance
	remarks []string // sentences about what was seen beside the pressure
	column  map[string]string
	unit    map[string]units.Unit
	wanted  map[string]mean // targets of ranks, by rank
	air     mean            // barometer
	oldest  time.Duration   // of what was kept
	newest  time.Duration
}

type disturbance struct {
	at   time.Duration
	what leakdown.Disturbance
}

// mean gathers a mean.
type mean struct {
	sum float64
	n   int
}

func (m *mean) add(v float64) { m.sum, m.n = m.sum+v, m.n+1 }

func (m *mean) value() (float64, bool) { return m.sum / float64(max(m.n, 1)), m.n > 0 }

// role is what a channel tells a test.
type role uint8

const (
	zonePressure role = iota
	rankTarget
	compressorRuns
	driveSpeed
	groundSpeed
	inWork
	supplyVolts
	barometerAir
	wallHeat
	airHeat
)

// input is one column that is read.
type input struct {
	role role
	zone string // of a pressure or a target: tank, or the rank's name
	ch   config.Channel
}

// inputs lists what is read of a table: what the machine file declares, and the documented columns where it declares none.
func inputs(m *config.Machine) []input {
	var out []input
	seen := map[string]bool{}
	add := func(r role, zone, id string, undeclared units.Quantity, ref units.Reference) {
		if id == "" || seen[id] {
			return
		}
		c, ok := m.Channel(id)
		if !ok {
			dim, known := undeclared.Dim()
			if !known {
				return
			}
			c = config.Channel{ID: id, Quantity: undeclared, Reference: ref, Unit: documentedUnit(undeclared, dim)}
		}
		seen[id] = true
		out = append(out, input{role: r, zone: zone, ch: c})
	}
	add(zonePressure, tankZone, m.Tank.Channel, units.QPressure, units.Gauge)
	for _, r := range m.Ranks {
		add(zonePressure, r.Name, r.Pressure, "", "")
		add(rankTarget, r.Name, r.Target, "", "")
	}
	for _, c := range m.Compressors {
		add(compressorRuns, "", c.Running, units.QState, "")
		add(driveSpeed, "", c.Drive, units.QRate, "")
	}
	add(compressorRuns, "", "running", units.QState, "")
	add(driveSpeed, "", "drive", units.QRate, "")
	add(groundSpeed, "", "speed", units.QSpeed, "")
	add(inWork, "", "lowered", units.QState, "")
	for _, id := range supplies(m) {
		add(supplyVolts, "", id, units.QVoltage, "")
	}
	add(barometerAir, "", "barometer", units.QPressure, units.Absolute)
	add(wallHeat, "", wallChannel(m), units.QTemperature, "")
	add(airHeat, "", "ambient", units.QTemperature, "")
	return out
}

// documentedUnit is the unit in which a column is written that the machine file does not declare.
func documentedUnit(q units.Quantity, dim units.Dim) units.Unit {
	if q == units.QSpeed {
		if u, err := units.ParseUnit("m/s", units.Speed); err == nil {
			return u
		}
	}
	return units.Preferred(dim)
}

// supplies lists the supplies that the pressures are read against.
func supplies(m *config.Machine) []string {
	out := []string{}
	for _, c := range m.Channels {
		if s := c.ADC.Transducer.Supply; c.Quantity == units.QPressure && c.Kind == config.FromADC && s != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return append(out, "sensor_supply")
}

func wallChannel(m *config.Machine) string {
	if m.Tank.Wall != "" {
		return m.Tank.Wall
	}
	return "wall"
}

// readRecording reads the part of a table that is the test. Its error is for a person; exit code 3 goes with it.
func readRecording(path string, m *config.Machine, zone string, f *leakdownFlags, stderr io.Writer) (*recording, error) {
	list := inputs(m)
	o := store.CSVOptions{}
	r := &recording{
		path: path, samples: map[string][]leakdown.Sample{}, column: map[string]string{}, unit: map[string]units.Unit{}, wanted: map[string]mean{},
	}
	for i, in := range list {
		c := store.CSVChannel{ID: in.ch.ID, Unit: in.ch.Unit, Channel: readings.Channel(i)}
		if in.ch.Kind == config.FromCSV {
			c.Column, c.Unit = in.ch.CSV.Column, in.ch.CSV.Unit
		}
		if in.role == zonePressure {
			r.unit[in.zone], r.column[in.zone] = c.Unit, in.ch.ID
			if c.Column != "" {
				r.column[in.zone] = c.Column
			}
			c.Required = in.zone == zone
			if c.Required {
				o.Headerless = []string{"time", r.column[in.zone]}
			}
		}
		o.Channels = append(o.Channels, c)
	}
	c, err := store.OpenCSV(path, o)
	if err != nil {
		return nil, err
	}
	defer c.Close() //nolint:errcheck // only read
	r.notes = c.Notes()
	if t, ok := c.HasClock(); ok {
		r.clock = t
	}
	err = r.fill(c, list, f)
	for _, p := range c.Problems() {
		fmt.Fprintf(stderr, "%s: %s\n", path, p)
	}
	if more := c.ProblemCount() - int64(len(c.Problems())); more > 0 {
		fmt.Fprintf(stderr, "%s: and %d more such places\n", path, more)
	}
	if err != nil {
		return nil, err
	}
	if len(r.samples[zone]) == 0 {
		return nil, fmt.Errorf("%s: no usable reading of %s in column %q%s", path, zoneWords(zone), r.column[zone], within(f))
	}
	return r, nil
}

func within(f *leakdownFlags) string {
	switch {
	case f.until > 0:
		return fmt.Sprintf(" between %v and %v after the first row", f.start, f.until)
	case f.start > 0:
		return fmt.Sprintf(" from %v after the first row on", f.start)
	default:
		return ""
	}
}

func zoneWords(zone string) string {
	if zone == tankZone {
		return "the tank's pressure"
	}
	return "the " + zone + " rank's pressure"
}

// fill reads row by row.
func (r *recording) fill(c *store.CSV, list []input, f *leakdownFlags) error {
	w := watcher{r: r, supply: map[readings.Channel]int{}, last: map[readings.Channel]float64{}}
	end := f.start + longestTest
	if f.until > 0 {
		end = min(end, f.until)
	}
	var e store.Entry
	for {
		err := c.Next(&e)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if e.At < f.start {
			w.before(&list[e.Reading.Channel], e.Reading.Value)
			continue
		}
		if f.until > 0 && e.At > f.until {
			return nil
		}
		w.take(&list[e.Reading.Channel], &e)
		// One row beyond the end is read too: it shows a gap that reaches over it.
		if e.At > end && list[e.Reading.Channel].role == zonePressure {
			return nil
		}
	}
}

// warmth is a temperature that each zone's samples take over once a reading.
type warmth struct {
	kelvin float64
	used   map[string]bool
}

func (w *warmth) set(v float64) { w.kelvin, w.used = v, map[string]bool{} }

func (w *warmth) next(zone string) float64 {
	if w.used == nil || w.used[zone] {
		return 0
	}
	w.used[zone] = true
	return w.kelvin
}

// watcher turns readings into samples and disturbances.
type watcher struct {
	r       *recording
	begun   bool
	supply  map[readings.Channel]int // readings out of tolerance in a row
	last    map[readings.Channel]float64
	wall    warmth
	air     warmth
	moves   int
	running bool // believed, since a column says so
}

// before keeps what holds on from before the test.
func (w *watcher) before(in *input, v float64) {
	switch in.role {
	case wallHeat:
		w.wall.set(v)
	case airHeat:
		w.air.set(v)
	default:
	}
}

func (w *watcher) disturb(at time.Duration, d leakdown.Disturbance) {
	w.r.events = append(w.r.events, disturbance{at, d})
}

func (w *watcher) take(in *input, e *store.Entry) {
	v, at, ch := e.Reading.Value, e.At, e.Reading.Channel
	if !w.begun {
		w.begun, w.r.oldest = true, at
	}
	w.r.newest = at
	before, known := w.last[ch]
	w.last[ch] = v
	switch in.role {
	case zonePressure:
		s := leakdown.Sample{At: at, Pressure: v, Ambient: w.air.next(in.zone), Bad: w.supplyOff()}
		if in.zone == tankZone {
			s.Wall = w.wall.next(tankZone)
		}
		if lo, hi := in.ch.Low, in.ch.High; (lo != 0 || hi != 0) && (v < lo || v > hi) {
			s.Bad = true
		}
		w.r.samples[in.zone] = append(w.r.samples[in.zone], s)
	case rankTarget:
		m := w.r.wanted[in.zone]
		m.add(v)
		w.r.wanted[in.zone] = m
	case compressorRuns:
		w.running = true
		switch {
		case v < 0.5:
		case !known:
			w.disturb(at, "the compressor was running when the watch began; let the test begin where it has stopped, with --start")
		case before < 0.5:
			w.disturb(at, leakdown.CompressorStarted)
		}
	case driveSpeed:
		switch {
		case v < driveTurns:
		case !known:
			w.r.remark("The compressor's drive was turning during the watch. That the compressor gave no air is not proved by these readings.")
		case before < driveTurns && !w.running:
			w.disturb(at, leakdown.CompressorStarted)
		}
	case groundSpeed:
		if math.Abs(v) <= planterMoves {
			w.moves = 0
			return
		}
		if w.moves++; w.moves == 2 { // a single one is the receiver's noise
			w.disturb(at, leakdown.PlanterMoved)
		}
	case inWork:
		if known && (v < 0.5) != (before < 0.5) {
			w.disturb(at, leakdown.PlanterMoved)
		}
	case supplyVolts:
		if v >= supplyLow && v <= supplyHigh {
			w.supply[ch] = 0
			return
		}
		if w.supply[ch]++; w.supply[ch] == 2 {
			w.disturb(at, leakdown.SupplyOff)
		}
	case barometerAir:
		w.r.air.add(v)
	case wallHeat:
		w.wall.set(v)
	case airHeat:
		w.air.set(v)
	}
}

func (w *watcher) supplyOff() bool {
	for _, n := range w.supply {
		if n > 0 {
			return true
		}
	}
	return false
}

func (r *recording) remark(text string) {
	if !slices.Contains(r.remarks, text) {
		r.remarks = append(r.remarks, text)
	}
}
