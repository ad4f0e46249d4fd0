// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/intake"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Sensor is everything that a screen shows of one channel: GET /api/sensor.
type Sensor struct {
	ID       string           `json:"id"`
	Name     string           `json:"name"`             // "Load sensor 2"
	Says     string           `json:"says"`             // what it does, to follow its name: "reads high", "stuck", "no signal"
	Why      string           `json:"why,omitempty"`    // what that rests on
	Do       string           `json:"do,omitempty"`     // from the seat
	Then     string           `json:"then,omitempty"`   // once parked, with its caution
	Priority string           `json:"priority"`         // of the alarm that stands: none, low, medium, high
	Alarm    string           `json:"alarm,omitempty"`  // its title
	State    string           `json:"state,omitempty"`  // of that alarm
	Out      bool             `json:"out_of_service"`   // an alarm of it is taken out of service
	Quality  string           `json:"quality"`          // of the last reading
	Since    *time.Time       `json:"since,omitempty"`  // it has been so; missing where no clock was set
	Lasts    publish.Quantity `json:"lasts,omitempty"`  // for so long
	Age      int64            `json:"age"`              // ms since the last good value
	Value    publish.Quantity `json:"value,omitempty"`  // last good one
	Zero     publish.Quantity `json:"zero,omitempty"`   // what a load sensor reads while the planter is raised
	Source   string           `json:"source,omitempty"` // board and input, or signal
	Plug     string           `json:"plug,omitempty"`   // as the machine file names it

	Electrical *SensorElectrical  `json:"electrical,omitempty"`
	Rank       *SensorRank        `json:"rank,omitempty"`
	Calibrated *SensorCalibration `json:"calibrated,omitempty"`
}

// SensorElectrical is what a meter at the plug would show, and what the box sees.
type SensorElectrical struct {
	Supply     publish.Quantity `json:"supply,omitempty"` // measured; missing: nobody measures it
	SupplyID   string           `json:"supply_id,omitempty"`
	SupplyLow  publish.Quantity `json:"supply_low,omitempty"`
	SupplyHigh publish.Quantity `json:"supply_high,omitempty"`
	Signal     publish.Quantity `json:"signal,omitempty"` // V, or mA of a current loop
	Low        publish.Quantity `json:"low,omitempty"`    // a working sensor reads no less
	High       publish.Quantity `json:"high,omitempty"`   // and no more
	Raw        int32            `json:"raw"`              // the converter's code
	Sentence   string           `json:"sentence"`         // in the installer's words
}

// SensorRank is what a load sensor does to the average of its rank.
type SensorRank struct {
	Name    string           `json:"name"`
	Sensors []SensorBeside   `json:"sensors"`           // all of the rank, in the order of the machine file
	Wanted  publish.Quantity `json:"wanted,omitempty"`  // the load that was asked for
	Average publish.Quantity `json:"average,omitempty"` // as a machine reads it that counts this sensor
	Rest    publish.Quantity `json:"rest,omitempty"`    // of the others that may be believed
	Shift   publish.Quantity `json:"shift,omitempty"`   // Average less Rest
	AsZero  bool             `json:"as_zero"`           // it has no value: the average is that of a machine that counts it as no load
	Others  int              `json:"others"`            // that may be believed
	Counted bool             `json:"counted"`           // by the machine's own control, as the machine file says
}

// SensorBeside is one sensor of a rank.
type SensorBeside struct {
	ID       string           `json:"id"`
	Name     string           `json:"name"`
	Value    publish.Quantity `json:"value,omitempty"`
	Believed bool             `json:"believed"`
}

// SensorCalibration is when a channel was compared with something better.
type SensorCalibration struct {
	Date        string           `json:"date"` // 2026-03-14
	Reference   string           `json:"reference,omitempty"`
	Uncertainty publish.Quantity `json:"uncertainty,omitempty"`
}

// sensors is what the spine knows of every channel at one time; it never changes once it is made.
type sensors struct {
	all    []Sensor           // by channel
	newest []readings.Reading // of channels that have spoken
	now    time.Duration
}

// A load sensor reads high or low where it stands this far from its rank's others for about a minute, and its zero has moved
// where it reads this much with the planter raised. The limits of the design, common practice, no source.
const (
	leanLeast = 150  // N
	leanShare = 0.30 // of the others' average
	zeroLimit = 50   // N
)

// sensorsNow tells of every channel. It runs on the spine's goroutine.
func (s *Spine) sensorsNow() *sensors {
	out := &sensors{all: make([]Sensor, len(s.last)), now: s.now}
	states := s.engine.States(nil)
	for i := range s.last {
		c := readings.Channel(i)
		info, l := s.table.Info(c), &s.last[i]
		v := Sensor{ID: info.ID, Name: sensorName(s.o.Machine, info.ID), Quality: l.quality.String(), Source: info.Source, Plug: info.Plug, Priority: alarms.Priority(0).String()}
		if !l.heard {
			v.Quality = readings.NotAvailable.String()
		} else {
			out.newest = append(out.newest, readings.Reading{At: l.at, Channel: c, Value: l.value, Volts: l.volts, Raw: l.raw, Quality: l.quality})
			v.Lasts = &findings.Measure{SI: (s.now - l.since).Seconds(), Unit: units.Preferred(units.Time)}
			if at, ok := s.trustedUTC(l.since); ok {
				at = at.Truncate(time.Second)
				v.Since = &at
			}
		}
		if l.good {
			v.Value = &findings.Measure{SI: l.value, Unit: info.Unit, Reference: info.Reference}
			v.Age = (s.now - l.goodAt).Milliseconds()
		}
		s.rankOf(&v, c, info)
		s.alarmOf(&v, states)
		s.sayOf(&v, c, l)
		s.calibrationOf(&v)
		if info.Wired {
			s.wiresOf(&v, l, info)
		}
		out.all[i] = v
	}
	return out
}

// sensorName is a channel's name as people say it.
func sensorName(m *config.Machine, id string) string {
	words := strings.ReplaceAll(id, "_", " ")
	if n, ok := strings.CutPrefix(id, "load_"); ok && strings.Trim(n, "0123456789") == "" {
		words = "load sensor " + n
	}
	if id == m.Tank.Channel {
		words = "tank pressure"
	}
	for _, k := range m.Ranks {
		if id == k.Pressure {
			words = k.Name + " rank pressure"
		}
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// rankOf tells what a load sensor does to its rank's average.
func (s *Spine) rankOf(v *Sensor, c readings.Channel, info readings.Info) {
	name := s.trust.Rank(c)
	i := slices.IndexFunc(s.o.Machine.Ranks, func(k config.Rank) bool { return k.Name == name })
	if name == "" || i < 0 {
		return
	}
	k := &s.o.Machine.Ranks[i]
	newton := func(si float64) publish.Quantity { return &findings.Measure{SI: si, Unit: info.Unit} }
	r := &SensorRank{Name: name, Sensors: []SensorBeside{}, Counted: len(k.MachineCounts) == 0 || slices.Contains(k.MachineCounts, v.ID)}
	for _, id := range k.Loads {
		ch := s.table.Find(id)
		b := SensorBeside{ID: id, Name: sensorName(s.o.Machine, id), Believed: s.trust.Trusted(ch, s.now)}
		if ch != readings.NoChannel && s.last[ch].good {
			b.Value = newton(s.last[ch].value)
		}
		r.Sensors = append(r.Sensors, b)
	}
	if wanted, ok := s.value(s.table.Find(k.LoadTarget), s.now); ok {
		r.Wanted = newton(wanted)
	}
	if e, ok := s.trust.Effect(c, s.now); ok {
		r.Average, r.Rest, r.Shift, r.AsZero, r.Others = newton(e.Rest+e.Shift), newton(e.Rest), newton(e.Shift), e.AsZero, e.Others
	}
	v.Rank = r
}

// alarmOf finds what stands of this sensor, the most pressing first.
func (s *Spine) alarmOf(v *Sensor, states []alarms.State) {
	var first *alarms.State
	for i := range states {
		st := &states[i]
		if st.Where != v.ID {
			continue
		}
		v.Out = v.Out || st.Visibility == alarms.IsOutOfService
		if (st.Active || st.Unacked) && (first == nil || st.Priority > first.Priority) {
			first = st
		}
	}
	if first == nil {
		return
	}
	row, _ := s.engine.Row(first.Key)
	v.Alarm, v.State, v.Priority, v.Why = row.Title, string(first.Name()), first.Priority.String(), first.Detail
	if row.Where == alarms.Parked {
		v.Do, v.Then = "Carry on", strings.TrimSpace(row.Do+". "+row.Caution)
	} else {
		v.Do = row.Do
	}
}

// sayOf puts what a sensor does in a few words. What the trust in it says comes first, then what stands beside it.
func (s *Spine) sayOf(v *Sensor, c readings.Channel, l *lastValue) {
	words, stuck := s.trust.Fault(c, s.now)
	if words != "" && v.Why == "" {
		v.Why = words
	}
	switch {
	case stuck:
		v.Says = "stuck"
		return
	case !l.heard:
		v.Says = "not seen"
		return
	case l.quality != readings.Good:
		v.Says = badSays(l.quality)
		return
	case words != "" || s.now-l.goodAt > silentAfter && v.Rank != nil:
		v.Says = "not seen"
		return
	}
	v.Says = "no fault seen"
	r := v.Rank
	if r == nil {
		return
	}
	if down, seen := s.value(s.lowered, s.now); seen && down < 0.5 {
		v.Zero = v.Value
		if math.Abs(l.value) > zeroLimit {
			v.Says = "zero moved"
			v.Why = fmt.Sprintf("the planter is raised, and it reads %.0f N", l.value)
		}
		return
	}
	e, ok := s.trust.Effect(c, s.now)
	if !ok || math.Abs(e.Lean) < math.Max(leanLeast, leanShare*math.Abs(e.Rest)) {
		return
	}
	side := "above"
	v.Says = "reads high"
	if e.Lean < 0 {
		side, v.Says = "below", "reads low"
	}
	if e.Others == 1 {
		v.Says = "differs from the other one"
		v.Why = fmt.Sprintf("%.0f N %s it over the last minute; of two, nobody can tell which is right", math.Abs(e.Lean), side)
		return
	}
	v.Why = fmt.Sprintf("%.0f N %s the average of the other %d over the last minute", math.Abs(e.Lean), side, e.Others)
}

func badSays(q readings.Quality) string {
	switch q {
	case readings.Open, readings.ShortGround, readings.ShortSupply, readings.NoAnswer, readings.Late:
		return "no signal"
	case readings.BadSupply:
		return "supply is wrong"
	case readings.Frozen:
		return "stands still"
	case readings.NotAvailable:
		return "not seen"
	case readings.OutOfBand, readings.Saturated, readings.Implausible:
		return "reads what it cannot"
	case readings.SourceError:
		return "its sender says it is broken"
	case readings.Good:
	}
	return ""
}

func (s *Spine) calibrationOf(v *Sensor) {
	c, ok := s.o.Machine.Channel(v.ID)
	if !ok || c.Calibrated.Date.IsZero() {
		return
	}
	v.Calibrated = &SensorCalibration{Date: c.Calibrated.Date.Format(time.DateOnly), Reference: c.Calibrated.Reference}
	if u := c.Calibrated.Uncertainty; u > 0 {
		unit := c.Calibrated.Unit
		unit.Offset = 0 // a difference
		v.Calibrated.Uncertainty = &findings.Measure{SI: u, Unit: unit}
	}
}

// wiresOf tells the electrical side of a wired sensor, as far as the spine sees it.
func (s *Spine) wiresOf(v *Sensor, l *lastValue, info readings.Info) {
	e := &SensorElectrical{Raw: l.raw}
	volt := units.Preferred(units.Voltage)
	c, _ := s.o.Machine.Channel(info.ID)
	signal := volt
	if c.ADC.Transducer.Kind == config.FourTwenty {
		signal = units.Unit{Code: "mA", Dim: units.Current, Factor: 1e-3}
	}
	if l.heard && l.quality != readings.NoAnswer {
		e.Signal = &findings.Measure{SI: l.volts, Unit: signal}
	}
	if e.SupplyID = c.ADC.Transducer.Supply; e.SupplyID != "" {
		if at := s.table.Find(e.SupplyID); at != readings.NoChannel && s.last[at].good && s.now-s.last[at].goodAt <= silentAfter {
			e.Supply = &findings.Measure{SI: s.last[at].value, Unit: volt}
		}
	}
	v.Electrical = e
}

// Sensor implements tablet.Sensors.
func (b *Box) Sensor(id string) []byte {
	known := b.sensors.Load()
	c := b.table.Find(id)
	if known == nil || c == readings.NoChannel {
		return nil
	}
	v := known.all[c]
	if v.Electrical != nil {
		e := *v.Electrical
		b.judged(&e, c, known)
		v.Electrical = &e
	}
	text, err := json.Marshal(v)
	b.said(err)
	return text
}

// judged adds what a good sensor would show, and the installer's sentence.
func (b *Box) judged(e *SensorElectrical, c readings.Channel, known *sensors) {
	volt := units.Preferred(units.Voltage)
	for _, a := range b.inputs.analog {
		if low, high, loop, ok := a.Healthy(c, known.now); ok {
			unit := volt
			if loop {
				unit = units.Unit{Code: "mA", Dim: units.Current, Factor: 1e-3}
			}
			e.Low, e.High = &findings.Measure{SI: low, Unit: unit}, &findings.Measure{SI: high, Unit: unit}
		}
		if i := slices.IndexFunc(known.newest, func(r readings.Reading) bool { return r.Channel == c }); i >= 0 {
			for _, p := range a.Inputs(known.newest[i : i+1]) {
				e.Sentence = strings.TrimPrefix(p.Sentence, p.ID+": ")
			}
		}
	}
	if e.SupplyID != "" {
		low, high := intake.SupplyRange()
		e.SupplyLow, e.SupplyHigh = &findings.Measure{SI: low, Unit: volt}, &findings.Measure{SI: high, Unit: volt}
	}
}
