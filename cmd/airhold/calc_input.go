// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// calcUsageError is an error in how the flags were put together, as opposed to a value that physics refuses.
type calcUsageError struct{ words string }

func (e calcUsageError) Error() string { return e.words }

func calcMisuse(format string, a ...any) error { return calcUsageError{fmt.Sprintf(format, a...)} }

// calcFlag is one flag of a verb.
type calcFlag struct {
	name, words string
	dims        []units.Dim // what its value may be; none: one of choices, or with no choices a switch
	choices     []string
	reference   units.Reference
	preset      string // taken where the flag is not given
	needed      bool
	repeats     bool
}

func (f calcFlag) isSwitch() bool { return len(f.dims) == 0 && len(f.choices) == 0 }

func (f calcFlag) explain() string {
	s := f.words
	if len(f.choices) > 0 {
		s += ": " + strings.Join(f.choices, " or ")
	}
	if f.reference == units.Gauge || f.reference == units.Absolute {
		s += ", " + string(f.reference)
	}
	switch {
	case f.preset != "":
		s += " (" + f.preset + " unless given)"
	case f.needed:
		s += " (needed)"
	}
	if f.repeats {
		s += "; may be given more than once"
	}
	return s
}

// allowed names what the value of f may be written in.
func (f calcFlag) allowed() string {
	var words []string
	for _, d := range f.dims {
		words = append(words, units.Units(d)...)
	}
	return strings.Join(words, ", ")
}

// parse reads a value of f. A message names the units of all that f may be.
func (f calcFlag) parse(text string) (units.Value, error) {
	var last error
	for _, d := range f.dims {
		v, err := units.Parse(text, d)
		if err == nil {
			return v, nil
		}
		last = err
		if !errors.Is(err, units.ErrUnknownUnit) && !errors.Is(err, units.ErrNoUnit) {
			break
		}
	}
	switch {
	case len(f.dims) == 1:
		return units.Value{}, calcMisuse("--%s %q: %v", f.name, text, last)
	case errors.Is(last, units.ErrUnknownUnit), errors.Is(last, units.ErrNoUnit):
		return units.Value{}, calcMisuse("--%s %q: a number with one of the units %s", f.name, text, f.allowed())
	default:
		return units.Value{}, calcMisuse("--%s %q: %v", f.name, text, last)
	}
}

// Flags that several verbs have.

func valueOf(name string, d units.Dim, words string) calcFlag {
	return calcFlag{name: name, words: words, dims: []units.Dim{d}}
}

func (f calcFlag) must() calcFlag                   { f.needed = true; return f }
func (f calcFlag) or(preset string) calcFlag        { f.preset = preset; return f }
func (f calcFlag) from(r units.Reference) calcFlag  { f.reference = r; return f }
func (f calcFlag) oneOf(choices ...string) calcFlag { f.choices, f.dims = choices, nil; return f }

// number is a plain number, or one in per cent.
func number(name, words string) calcFlag {
	return calcFlag{name: name, words: words, dims: []units.Dim{units.None, units.Ratio}}
}

func gauge(name, words string) calcFlag {
	return valueOf(name, units.Pressure, words).from(units.Gauge)
}

func absolute(name, words string) calcFlag {
	return valueOf(name, units.Pressure, words).from(units.Absolute)
}

func airAround() []calcFlag {
	return []calcFlag{
		absolute("barometer", "pressure of the air around").or("101.325 kPa"),
		valueOf("altitude", units.Length, "height above sea level, in place of --barometer (ISO 2533)"),
	}
}

func flowUnits() []calcFlag {
	return []calcFlag{
		calcFlag{name: "unit", words: "unit of the flow"}.oneOf(units.Units(units.FlowRate)...),
		valueOf("scfm-at", units.Temperature, "reference temperature of scfm, given and answered (68 °F unless given)"),
	}
}

func discharge() calcFlag {
	return number("cd", "discharge coefficient: about 0.61 sharp-edged, 0.97 well rounded, 1 ideal").or("0.61")
}

func overWhat() calcFlag {
	return calcFlag{name: "over", words: "what saturation counts from"}.oneOf("water", "ice")
}

func flagsOf(groups ...[]calcFlag) []calcFlag { return slices.Concat(groups...) }

// calcInput is what the user gave a verb, and what stands in for what was not given.
type calcInput struct {
	flags    []calcFlag
	values   map[string][]units.Value
	words    map[string]string
	switches map[string]bool
	given    map[string]bool
	scfm     units.Unit
	scfmAt   units.Reference
}

// read parses the arguments of v.
func (v calcVerb) read(args []string) (in *calcInput, asJSON bool, err error) {
	set := flag.NewFlagSet(v.name, flag.ContinueOnError)
	set.SetOutput(io.Discard)
	set.BoolVar(&asJSON, "json", false, "")
	texts := map[string][]string{}
	in = &calcInput{flags: v.flags, values: map[string][]units.Value{}, words: map[string]string{}, switches: map[string]bool{}, given: map[string]bool{}}
	for _, f := range v.flags {
		keep := func(text string) error {
			texts[f.name] = append(texts[f.name], text)
			return nil
		}
		if f.isSwitch() {
			set.BoolFunc(f.name, "", keep)
		} else {
			set.Func(f.name, "", keep)
		}
	}
	if err := parseArgs(set, args); err != nil {
		return nil, false, err
	}
	if set.NArg() > 0 {
		return nil, false, calcMisuse("%q is one word too many; a value of two words needs quotes", set.Arg(0))
	}
	for _, f := range v.flags {
		given := texts[f.name]
		in.given[f.name] = len(given) > 0
		switch {
		case len(given) > 1 && !f.repeats:
			return nil, false, calcMisuse("--%s was given %d times", f.name, len(given))
		case len(given) == 0 && f.needed:
			return nil, false, calcMisuse("--%s is missing: %s", f.name, f.words)
		case len(given) == 0 && f.preset != "":
			given = []string{f.preset}
		}
		for _, text := range given {
			if err := in.take(f, text); err != nil {
				return nil, false, err
			}
		}
	}
	return in, asJSON, in.setFoot()
}

// take keeps one value of f.
func (in *calcInput) take(f calcFlag, text string) error {
	switch {
	case f.isSwitch():
		in.switches[f.name] = text == "true"
		if text != "true" && text != "false" {
			return calcMisuse("--%s takes no value", f.name)
		}
	case len(f.choices) > 0:
		if !slices.Contains(f.choices, text) {
			return calcMisuse("--%s %q: it is one of %s", f.name, text, strings.Join(f.choices, ", "))
		}
		in.words[f.name] = text
	default:
		v, err := f.parse(text)
		if err != nil {
			return err
		}
		in.values[f.name] = append(in.values[f.name], v)
	}
	return nil
}

// setFoot fixes what one scfm is, in the answer and in the flows that were given.
func (in *calcInput) setFoot() error {
	at := units.Kelvin(293.15)
	in.scfmAt = "14.696 psia, 68 degF"
	if v, ok := in.values["scfm-at"]; ok {
		at = units.Kelvin(v[0].SI)
		in.scfmAt = units.Reference(fmt.Sprintf("14.696 psia, %s %s", plain(v[0].Written()), strings.Replace(v[0].Unit.Code, "[degF]", "degF", 1)))
	}
	foot, err := pneumatics.StandardCubicFoot(at)
	if err != nil {
		return calcMisuse("--scfm-at: %v", err)
	}
	in.scfm = units.Unit{Code: "scfm", Dim: units.FlowRate, Factor: float64(foot)}
	for name, list := range in.values {
		for i, v := range list {
			if v.Unit.Dim == units.FlowRate && v.Unit.Code == in.scfm.Code {
				in.values[name][i] = units.Value{SI: in.scfm.SI(v.Written()), Unit: in.scfm}
			}
		}
	}
	return nil
}

// has reports whether there is a value for the flag, given or preset.
func (in *calcInput) has(name string) bool { return len(in.values[name]) > 0 }

// si returns the value of a flag that has one.
func (in *calcInput) si(name string) float64 { return in.values[name][0].SI }

func (in *calcInput) flow(name string) units.Flow { return units.Flow(in.si(name)) }
func (in *calcInput) volume() units.Volume        { return units.Volume(in.si("volume")) }
func (in *calcInput) temperature(name string) units.Kelvin {
	return units.Kelvin(in.si(name))
}

// span returns the time of a flag as a duration.
func (in *calcInput) span(name string) (time.Duration, error) {
	s := in.si(name)
	if !(s >= 0) || s > 200*365.25*86400 {
		return 0, fmt.Errorf("--%s: a time of %s s", name, plain(s))
	}
	return time.Duration(math.Round(s * float64(time.Second))), nil
}

// around is the pressure of the air around, by barometer or by altitude.
func (in *calcInput) around() (units.PressureAbs, error) {
	if !in.has("altitude") {
		return units.PressureAbs(in.si("barometer")), nil
	}
	if in.given["barometer"] {
		return 0, calcMisuse("--altitude stands in place of --barometer; give one of them")
	}
	h, err := pneumatics.Geopotential(units.Metres(in.si("altitude")))
	if err != nil {
		return 0, err
	}
	p, err := pneumatics.StandardPressure(h)
	if err != nil {
		return 0, err
	}
	in.values["barometer"] = []units.Value{{SI: float64(p), Unit: units.Preferred(units.Pressure)}}
	return p, nil
}

// pressure is an absolute pressure, given as such by --NAME-abs or as a gauge one by --NAME.
func (in *calcInput) pressure(name string, around units.PressureAbs) (units.PressureAbs, error) {
	g, a := in.has(name), in.has(name+"-abs")
	switch {
	case g && a:
		return 0, calcMisuse("--%s (gauge) and --%s-abs (absolute) say the same; give one of them", name, name)
	case g:
		return units.PressureGauge(in.si(name)).Abs(around), nil
	case a:
		return units.PressureAbs(in.si(name + "-abs")), nil
	default:
		return 0, calcMisuse("--%s (gauge) or --%s-abs (absolute) is missing", name, name)
	}
}
