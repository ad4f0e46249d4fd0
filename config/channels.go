// SPDX-License-Identifier: Apache-2.0

package config

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"airhold/sensors/units"
)

// Dimension bounds of a channel's written values; they catch a slipped unit, not a bad sensor.
func span(q units.Quantity) (lo, hi string) {
	switch q {
	case units.QPressure:
		return "-1 bar", "100 bar"
	case units.QTemperature:
		return "-60 Cel", "250 Cel"
	case units.QHumidity, units.QFraction:
		return "-20 %", "120 %"
	case units.QLoad:
		return "-100 kN", "100 kN"
	case units.QSpeed:
		return "-50 m/s", "50 m/s"
	case units.QRate:
		return "0 /min", "100000 /min"
	case units.QVoltage:
		return "-100 V", "100 V"
	case units.QAltitude:
		return "-500 m", "9000 m"
	default:
		return "0", "1"
	}
}

func (r *reader) channels(m *Machine, top object) {
	if e, ok := top.have["channels"]; ok {
		if kind := kindOf(r.resolve(e.value)); kind == "nothing" || kind == "\"key: value\" lines" {
			r.places["channels"] = e.at
		}
	}
	top.each("channels", func(e entry) {
		if !r.goodName(e.at, "channel", e.key) {
			return
		}
		if e.key == "time" {
			r.fail(e.at, "no channel can be called \"time\": recorded tables begin with that column", "", "")
			return
		}
		r.places["channels."+e.key] = e.at
		o, ok := r.object(e.value, e.at, fmt.Sprintf("channel %q", e.key), "channels."+e.key,
			"quantity", "reference", "unit", "source", "range", "filter", "plug", "calibration")
		if !ok {
			return
		}
		c := Channel{ID: e.key}
		o.must("quantity", "say what it measures: "+strings.Join(quantityWords(), ", "))
		o.must("source", "say where its readings come from: adc, can, csv or sim")
		c.Quantity = units.Quantity(o.word("quantity", quantityWords()...))
		d, known := c.Quantity.Dim()
		if known {
			r.unitAndReference(&c, o, d)
		}
		r.calibration(&c, o, d, known)
		c.Filter = o.duration("filter", "0 s", "10 min", 0)
		c.Plug, _ = o.text("plug")
		r.source(&c, o)
		at := e.at
		if signal, ok := r.places[o.path+".source.can.signal"]; ok {
			at = signal
		}
		c.At = Place{Line: at.line, Column: at.column}
		m.Channels = append(m.Channels, c)
	})
}

// The days a calibration can have been. This package reads no clock, so the last one only catches a slipped digit of
// the year.
const (
	firstCalibration = "1980-01-01"
	lastCalibration  = "2099-12-31"
)

// dayForm is a calendar date of ISO 8601 in the extended format.
const dayForm = time.DateOnly

// calibration reads when, against what and how well a channel was calibrated; d counts where its quantity is known.
func (r *reader) calibration(c *Channel, channel object, d units.Dim, known bool) {
	e, ok := channel.have["calibration"]
	if !ok {
		return
	}
	what := fmt.Sprintf("the calibration of channel %q", c.ID)
	o, _ := r.object(e.value, e.at, what, channel.path+".calibration", "date", "reference", "uncertainty")
	o.must("date", "say on which day it was done, as date: 2026-03-14")
	c.Calibrated.Date = o.day("date")
	c.Calibrated.Reference, _ = o.text("reference")
	if !known {
		return
	}
	if v, ok := o.quantity("uncertainty", d, "", ""); ok {
		u := v.Written() * v.Unit.Factor // a difference: 0.5 °C of uncertainty is 0.5 K
		lo, hi := span(c.Quantity)
		low, errLow := units.Parse(lo, d)
		high, errHigh := units.Parse(hi, d)
		written, _ := o.text("uncertainty")
		if u <= 0 || errLow == nil && errHigh == nil && u > high.SI-low.SI {
			r.fail(placeOf(o.have["uncertainty"].value), "\"uncertainty\" cannot be "+written,
				"more than zero and less than what such a channel can show; leave it out where it is not known", "")
			return
		}
		c.Calibrated.Uncertainty, c.Calibrated.Unit = u, v.Unit
	}
}

// day reads a calendar date; zero after a report.
func (o object) day(key string) time.Time {
	s, ok := o.text(key)
	if !ok {
		return time.Time{}
	}
	at := placeOf(o.have[key].value)
	allowed := "year-month-day, from " + firstCalibration + " to " + lastCalibration
	day, err := time.Parse(dayForm, s)
	if err != nil {
		o.r.fail(at, fmt.Sprintf("%q cannot be %q, which is no day of the calendar", key, s), allowed, otherDay(s))
		return time.Time{}
	}
	if s < firstCalibration || s > lastCalibration {
		o.r.fail(at, fmt.Sprintf("%q cannot be %s", key, s), allowed, "")
		return time.Time{}
	}
	return day
}

// otherDay is the date that s was probably meant to be, from forms with one usual reading (with points the day comes
// first: common practice, no source), so never from 3/4/2026.
func otherDay(s string) string {
	for _, form := range []string{"2006-1-2", "2006/1/2", "2006.1.2", "20060102", "2.1.2006", "2 Jan 2006", "2 January 2006", "Jan 2, 2006", "January 2, 2006", time.RFC3339} {
		if t, err := time.Parse(form, s); err == nil {
			return t.Format(dayForm)
		}
	}
	return ""
}

func quantityWords() []string {
	var out []string
	for _, q := range units.Quantities() {
		out = append(out, string(q))
	}
	return out
}

func (r *reader) unitAndReference(c *Channel, o object, d units.Dim) {
	c.Unit = units.Preferred(d)
	if e, ok := o.have["unit"]; ok {
		if u, ok := r.unit(e.value, d); ok {
			c.Unit = u
		}
	}
	switch c.Quantity {
	case units.QPressure:
		c.Reference = units.Gauge
		if c.ID == "barometer" || strings.HasSuffix(c.ID, "_abs") {
			c.Reference = units.Absolute
		}
		if w := o.word("reference", string(units.Gauge), string(units.Absolute)); w != "" {
			c.Reference = units.Reference(w)
		}
	default:
		if e, ok := o.have["reference"]; ok {
			r.fail(e.at, fmt.Sprintf("only a pressure has a \"reference\", and channel %q is of quantity %q", c.ID, c.Quantity), "", "")
		}
	}
	if e, ok := o.have["range"]; ok {
		lo, hi := span(c.Quantity)
		low, high, ok := r.pair(e.value, "\"range\"", d, d, lo, hi, lo, hi)
		switch {
		case ok && low >= high:
			r.fail(placeOf(e.value), "\"range\" starts at or above its end; write the low end first", "", "")
		case ok:
			c.Low, c.High = low, high
		}
	}
}

// unit reads the name of a unit. A UCUM name in brackets, as [psi], is a list to YAML and read as what was meant.
func (r *reader) unit(n ast.Node, d units.Dim) (units.Unit, bool) {
	at := placeOf(n)
	var s string
	if l, ok := r.resolve(n).(*ast.SequenceNode); ok && l.IsFlowStyle && len(l.Values) == 1 {
		inner, ok := r.scalar(l.Values[0], "\"unit\"")
		if !ok {
			return units.Unit{}, false
		}
		s = "[" + inner + "]"
	} else if s, ok = r.scalar(n, "\"unit\""); !ok {
		return units.Unit{}, false
	}
	u, err := units.ParseUnit(s, d)
	if err != nil {
		allowed := strings.Join(units.Units(d), ", ")
		if d == units.None {
			allowed = "1, or no \"unit\" at all"
		}
		r.fail(at, fmt.Sprintf("%q is no unit of %s", s, dimName(d)), allowed, nearest(s, units.Units(d)))
		return units.Unit{}, false
	}
	return u, true
}

func sourceKinds() []string {
	return []string{string(FromADC), string(FromCAN), string(FromCSV), string(FromSim)}
}

func (r *reader) source(c *Channel, o object) {
	e, ok := o.have["source"]
	if !ok {
		return
	}
	if s, ok := r.resolve(e.value).(*ast.StringNode); ok && s.Value == string(FromSim) {
		c.Kind = FromSim
		return
	}
	what := fmt.Sprintf("the source of channel %q", c.ID)
	src, ok := r.object(e.value, e.at, what, o.path+".source", sourceKinds()...)
	if !ok {
		return
	}
	if len(src.have) != 1 {
		if len(src.have) > 1 || len(src.odd) == 0 {
			r.fail(src.at, fmt.Sprintf("%s must be one thing, and %d are named", what, len(src.have)), strings.Join(sourceKinds(), ", "), "")
		}
		return
	}
	for kind := range src.have {
		c.Kind = SourceKind(kind)
	}
	switch c.Kind {
	case FromADC:
		r.adc(c, src)
	case FromCAN:
		r.can(c, src)
	case FromCSV:
		r.csv(c, src)
	case FromSim:
	}
}

func (r *reader) csv(c *Channel, src object) {
	o := src.child("csv", "column", "unit")
	o.must("column", "name the column of the recording")
	c.CSV.Column, _ = o.text("column")
	c.CSV.Unit = c.Unit
	d, known := c.Quantity.Dim()
	if e, ok := o.have["unit"]; ok && known {
		if u, ok := r.unit(e.value, d); ok {
			c.CSV.Unit = u
		}
	}
}

// signalPattern is "message.signal" of the catalogue, with conditions in brackets behind it where there are any.
var signalPattern = regexp.MustCompile(`^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*(\[[a-z0-9_=,. ]+\])?$`)

// nameForm is a NAME of SAE J1939-81: 64 bits in hexadecimal.
var nameForm = regexp.MustCompile(`^(0x)?[0-9A-Fa-f]{16}$`)

func (r *reader) can(c *Channel, src object) {
	c.CAN.Address = -1
	if s, ok := r.resolve(src.have["can"].value).(*ast.StringNode); ok { // can: wheel_speed.speed
		r.places[src.path+".can.signal"] = placeOf(s)
		c.CAN.Signal = s.Value
		r.signal(c, placeOf(s))
		return
	}
	o := src.child("can", "link", "signal", "dbc", "message", "address", "name")
	o.must("signal", "name the signal, as wheel_speed.speed")
	c.CAN.Link, _ = o.text("link")
	c.CAN.Signal, _ = o.text("signal")
	c.CAN.DBC, _ = o.text("dbc")
	c.CAN.Message, _ = o.text("message")
	c.CAN.Address = o.count("address", 0, 253, -1)
	if s, ok := o.text("name"); ok {
		if !nameForm.MatchString(s) {
			r.fail(placeOf(o.have["name"].value), fmt.Sprintf("%q is no NAME of a sender", s), "16 hexadecimal digits in quotation marks, as airhold bus prints them", "")
		} else {
			c.CAN.NAME = strings.ToUpper(strings.TrimPrefix(s, "0x"))
		}
	}
	_, hasDBC := o.have["dbc"]
	switch {
	case hasDBC:
		o.must("message", "name the message of the DBC that holds the signal")
	case c.CAN.Message != "":
		r.fail(o.have["message"].at, "\"message\" goes with \"dbc\"; a signal of the built-in catalogue is named message.signal in one word", "", "")
	case c.CAN.Signal != "":
		r.signal(c, r.places[o.path+".signal"])
	}
}

func (r *reader) signal(c *Channel, at place) {
	if !signalPattern.MatchString(c.CAN.Signal) {
		r.fail(at, fmt.Sprintf("%q is no signal of the catalogue", c.CAN.Signal), "message.signal, as wheel_speed.speed or engine.speed; or name a \"dbc\" and its \"message\"", "")
	}
}

func transducerKinds() []string {
	return []string{string(Ratiometric), string(ZeroToFive), string(FourTwenty), string(Divider), string(Voltage), string(Contact)}
}

func (r *reader) adc(c *Channel, src object) {
	o := src.child("adc", "board", "input", "rate", "transducer")
	o.must("board", "name the converter board")
	o.must("input", "say which input of the board, from 0")
	o.must("transducer", "say how the quantity becomes a voltage")
	c.ADC.Board, _ = o.text("board")
	c.ADC.Input = o.count("input", 0, 7, 0)
	c.ADC.Rate = o.si("rate", units.Rate, "0.01 Hz", "1000 Hz", 10)
	t := &c.ADC.Transducer
	t.DividerRatio, t.Gain = 1, 1
	if _, ok := o.have["transducer"]; !ok {
		return
	}
	x := o.child("transducer", "kind", "low", "high", "supply", "shunt", "divider_ratio", "pull", "table", "offset", "gain")
	x.must("kind", "say what it is: "+strings.Join(transducerKinds(), ", "))
	t.Kind = TransducerKind(x.word("kind", transducerKinds()...))
	t.Supply, _ = x.text("supply")
	t.DividerRatio = x.number("divider_ratio", 1, 100, 1)
	t.Gain = x.number("gain", 0.5, 2, 1)
	t.Shunt = units.Ohms(x.si("shunt", units.Resistance, "1 Ohm", "1000 Ohm", 0))
	t.Pull = units.Ohms(x.si("pull", units.Resistance, "10 Ohm", "10000 kOhm", 0))
	d, known := c.Quantity.Dim()
	if !known {
		return
	}
	lo, hi := span(c.Quantity)
	t.Low = x.si("low", d, lo, hi, 0)
	t.High = x.si("high", d, lo, hi, 0)
	if v, ok := x.quantity("offset", d, "", ""); ok {
		t.Offset = v.Written() * v.Unit.Factor // a difference: 0.5 °C of offset is 0.5 K
	}
	x.items("table", func(_ int, n ast.Node) {
		ohms, value, ok := r.pair(n, "an entry of \"table\"", units.Resistance, d, "0.1 Ohm", "100000 kOhm", lo, hi)
		if ok {
			t.Table = append(t.Table, TablePoint{Resistance: units.Ohms(ohms), Value: value})
		}
	})
}
