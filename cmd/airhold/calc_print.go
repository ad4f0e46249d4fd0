// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// What calc says beneath an answer about air under pressure.
const (
	calcCaution = "Caution: a computed figure, not a measured one. Compressed air can hurt; the machine's manual, local rules and licensed practice come first."
	calcCharged = "Caution: whoever charges or bleeds a tank stays below its safe working pressure, wears eye protection, never feels for a leak with a hand and never loosens a fitting under pressure. The machine's manual, local rules and licensed practice come first."
	calcLinkage = "Caution: bags move linkages when they fill or vent; nobody stands at the row units. The machine's manual, local rules and licensed practice come first."
)

// calcField is one field of an answer: a findings.Measure, a text or a bool.
type calcField struct {
	key   string
	value any
}

type calcFields []calcField

// MarshalJSON writes the fields as an object in their order.
func (f calcFields) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, x := range f {
		if i > 0 {
			b.WriteByte(',')
		}
		v, err := json.Marshal(x.value)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", x.key, err)
		}
		b.WriteString(strconv.Quote(x.key))
		b.WriteByte(':')
		b.Write(v)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// calcAnswer is what a verb found.
type calcAnswer struct {
	fields  calcFields
	formula string // with its source
	notes   []string
	caution string
}

func (a calcAnswer) writeJSON(w io.Writer, verb string, in *calcInput) error {
	all := calcFields{{"event", "summary"}, {"verb", verb}, {"input", in.fields()}}
	all = append(all, a.fields...)
	all = append(all, calcField{"formula", a.formula})
	if len(a.notes) > 0 {
		all = append(all, calcField{"notes", a.notes})
	}
	lines := json.NewEncoder(w)
	lines.SetEscapeHTML(false)
	return lines.Encode(all)
}

// fields lists what went into the answer, in the order of the verb's flags.
func (in *calcInput) fields() calcFields {
	out := calcFields{}
	for _, f := range in.flags {
		if v, ok := in.shown(f); ok {
			out = append(out, calcField{strings.ReplaceAll(f.name, "-", "_"), v})
		}
	}
	return out
}

// shown returns the value of f as the answer repeats it.
func (in *calcInput) shown(f calcFlag) (any, bool) {
	if f.isSwitch() {
		return true, in.switches[f.name]
	}
	if word, ok := in.words[f.name]; ok {
		return word, true
	}
	var list []findings.Measure
	for _, v := range in.values[f.name] {
		m := findings.Measure{SI: v.SI, Unit: v.Unit, Reference: f.reference}
		if v.Unit.Dim == units.FlowRate {
			m.Reference = in.referenceOf(v.Unit)
		}
		list = append(list, m)
	}
	switch {
	case len(list) == 0:
		return nil, false
	case f.repeats:
		return list, true
	default:
		return list[0], true
	}
}

func (a calcAnswer) writeText(w io.Writer, in *calcInput) error {
	var b strings.Builder
	for _, f := range a.fields {
		name := strings.ReplaceAll(f.key, "_", " ")
		if strings.HasPrefix(f.key, "u_") {
			name = f.key // the symbol of an uncertainty
		}
		fmt.Fprintf(&b, "%s: %s\n", name, sayField(f.value, plain))
	}
	for _, n := range a.notes {
		fmt.Fprintln(&b, n)
	}
	given, assumed := in.say(true), in.say(false)
	if given != "" {
		fmt.Fprintf(&b, "Given: %s.\n", given)
	}
	if assumed != "" {
		fmt.Fprintf(&b, "Assumed: %s.\n", assumed)
	}
	fmt.Fprintf(&b, "Formula: %s\n", a.formula)
	if a.caution != "" {
		fmt.Fprintln(&b, a.caution)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// say lists the inputs that were given, or those that were not.
func (in *calcInput) say(given bool) string {
	var out []string
	for _, f := range in.flags {
		v, ok := in.shown(f)
		if !ok || in.given[f.name] != given {
			continue
		}
		name := strings.ReplaceAll(strings.TrimSuffix(f.name, "-abs"), "-", " ")
		if f.isSwitch() {
			out = append(out, name)
		} else {
			out = append(out, name+" "+sayField(v, asGiven))
		}
	}
	return strings.Join(out, ", ")
}

// sayField writes a field as a person reads it.
func sayField(value any, digits func(float64) string) string {
	switch v := value.(type) {
	case findings.Measure:
		return sayMeasure(v, digits)
	case []findings.Measure:
		var all []string
		for _, m := range v {
			all = append(all, sayMeasure(m, digits))
		}
		return strings.Join(all, " and ")
	case bool:
		if v {
			return "yes"
		}
		return "no"
	default:
		return fmt.Sprint(v)
	}
}

func sayMeasure(m findings.Measure, digits func(float64) string) string {
	s := digits(m.Unit.From(m.SI))
	if word := unitWord(m.Unit.Code); word != "" {
		s += " " + word
	}
	switch m.Reference {
	case units.NoReference:
	case units.Gauge, units.Absolute, units.ANR:
		s += " " + string(m.Reference)
	default:
		s += " (" + string(m.Reference) + ")"
	}
	if m.Low != 0 || m.High != 0 {
		s += fmt.Sprintf(", 95 %% between %s and %s", digits(m.Unit.From(m.Low)), digits(m.Unit.From(m.High)))
	}
	return s
}

// unitWord is the trade's word for a UCUM code.
func unitWord(code string) string {
	switch code {
	case "1":
		return ""
	case "Cel":
		return "°C"
	case "[degF]":
		return "°F"
	case "[in_i]":
		return "in"
	case "[ft_i]":
		return "ft"
	case "[cft_i]":
		return "ft3"
	case "[gal_us]":
		return "gal"
	case "[lbf_av]":
		return "lbf"
	case "[sin_i]":
		return "in2"
	default:
		return strings.Trim(code, "[]")
	}
}

// plain writes a number with five significant digits, without an exponent where a person can do without.
func plain(v float64) string {
	size := math.Abs(v)
	if size != 0 && (size < 1e-3 || size >= 1e7) {
		return strconv.FormatFloat(v, 'g', 5, 64)
	}
	digits := 4
	if size > 0 {
		digits = max(0, 4-int(math.Floor(math.Log10(size))))
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// asGiven writes a number as the user did, to what floating point leaves of it.
func asGiven(v float64) string { return strconv.FormatFloat(v, 'g', 10, 64) }

// Measures for the fields of an answer.

func measure(si float64, code string, d units.Dim, r units.Reference) findings.Measure {
	u, err := units.ParseUnit(code, d)
	if err != nil {
		u = units.Preferred(d)
	}
	return findings.Measure{SI: si, Unit: u, Reference: r}
}

func inAbsolute(p units.PressureAbs) findings.Measure {
	return measure(float64(p), "kPa", units.Pressure, units.Absolute)
}

func inCelsius(t units.Kelvin) findings.Measure {
	return measure(float64(t), "Cel", units.Temperature, units.NoReference)
}

func inGrams(w units.KilogramsPerCubicMetre) findings.Measure {
	return measure(float64(w), "g/m3", units.Density, units.NoReference)
}

func pureNumber(v float64) findings.Measure {
	return findings.Measure{SI: v, Unit: units.Preferred(units.None)}
}

func (in *calcInput) referenceOf(u units.Unit) units.Reference {
	switch u.Code {
	case in.scfm.Code:
		return in.scfmAt
	case "NL/min":
		return "101.325 kPa, 0 Cel"
	default:
		return units.ANR
	}
}

// inFlow is a flow in the unit the user asked for, L/min ANR unless another.
func (in *calcInput) inFlow(q units.Flow) findings.Measure {
	u := units.Preferred(units.FlowRate)
	if word, ok := in.words["unit"]; ok {
		if chosen, err := units.ParseUnit(word, units.FlowRate); err == nil {
			u = chosen
		}
	}
	if u.Code == in.scfm.Code {
		u = in.scfm
	}
	return findings.Measure{SI: float64(q), Unit: u, Reference: in.referenceOf(u)}
}

// bothWays says a flow in the unit that the answer itself does not have: scfm beside L/min ANR, and the other way round.
func (in *calcInput) bothWays(what string, q units.Flow) string {
	other := findings.Measure{SI: float64(q), Unit: in.scfm, Reference: in.scfmAt}
	if in.inFlow(q).Reference != units.ANR {
		other = findings.Measure{SI: float64(q), Unit: units.Preferred(units.FlowRate), Reference: units.ANR}
	}
	return fmt.Sprintf("The %s is also %s.", what, sayMeasure(other, plain))
}
