// SPDX-License-Identifier: Apache-2.0

package units

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Errors that Parse and ParseUnit wrap.
var (
	// ErrNoUnit says a quantity was written as a bare number.
	ErrNoUnit = errors.New("unit missing")
	// ErrUnknownUnit says a unit is none that airhold knows for this dimension.
	ErrUnknownUnit = errors.New("unknown unit")
	// ErrNotNumber says the part before the unit is no number.
	ErrNotNumber = errors.New("not a number")
	// ErrImpossible says that no such value exists, as a temperature below absolute zero.
	ErrImpossible = errors.New("impossible value")
)

type spelling struct {
	unit  Unit
	words []string // further spellings people use; the first one listed is shown in messages
}

// table returns every unit of a dimension, the preferred one first.
func table(d Dim) []spelling {
	const (
		psi    = 6894.757293168361 // 4.4482216152605 N / (0.0254 m)^2
		lbf    = 4.4482216152605
		inch   = 0.0254
		foot   = 0.3048
		cubicF = foot * foot * foot
	)
	switch d {
	case None:
		return []spelling{{Unit{"1", None, 1, 0}, []string{""}}}
	case Pressure:
		return []spelling{
			{Unit{"kPa", d, 1e3, 0}, []string{"kPa"}},
			{Unit{"bar", d, 1e5, 0}, []string{"bar"}},
			{Unit{"[psi]", d, psi, 0}, []string{"psi"}},
			{Unit{"Pa", d, 1, 0}, []string{"Pa"}},
			{Unit{"hPa", d, 1e2, 0}, []string{"hPa", "mbar"}},
			{Unit{"MPa", d, 1e6, 0}, []string{"MPa"}},
		}
	case Temperature:
		return []spelling{
			{Unit{"Cel", d, 1, 273.15}, []string{"Cel", "°C", "C", "degC"}},
			{Unit{"[degF]", d, 5.0 / 9, 273.15 - 32*5.0/9}, []string{"°F", "F", "degF"}},
			{Unit{"K", d, 1, 0}, []string{"K"}},
		}
	case Force:
		return []spelling{
			{Unit{"N", d, 1, 0}, []string{"N"}},
			{Unit{"kN", d, 1e3, 0}, []string{"kN"}},
			{Unit{"[lbf_av]", d, lbf, 0}, []string{"lbf", "lb"}},
			{Unit{"kgf", d, 9.80665, 0}, []string{"kgf", "kg"}},
		}
	case Speed:
		return []spelling{
			{Unit{"m/s", d, 1, 0}, []string{"m/s"}},
			{Unit{"km/h", d, 1 / 3.6, 0}, []string{"km/h"}},
			{Unit{"[mi_i]/h", d, 0.44704, 0}, []string{"mph"}},
		}
	case Voltage:
		return []spelling{{Unit{"V", d, 1, 0}, []string{"V"}}, {Unit{"mV", d, 1e-3, 0}, []string{"mV"}}}
	case Current:
		return []spelling{{Unit{"A", d, 1, 0}, []string{"A"}}, {Unit{"mA", d, 1e-3, 0}, []string{"mA"}}}
	case Resistance:
		return []spelling{{Unit{"Ohm", d, 1, 0}, []string{"Ohm", "ohm", "Ω"}}, {Unit{"kOhm", d, 1e3, 0}, []string{"kOhm", "kohm", "kΩ"}}}
	case Ratio:
		return []spelling{{Unit{"%", d, 1e-2, 0}, []string{"%"}}, {Unit{"1", d, 1, 0}, nil}}
	case Rate:
		return []spelling{
			{Unit{"/min", d, 1.0 / 60, 0}, []string{"/min", "rpm", "1/min"}},
			{Unit{"/s", d, 1, 0}, []string{"/s", "Hz", "1/s"}},
			{Unit{"/h", d, 1.0 / 3600, 0}, []string{"/h", "1/h"}},
		}
	case Volume3:
		return []spelling{
			{Unit{"L", d, 1e-3, 0}, []string{"L", "l"}},
			{Unit{"m3", d, 1, 0}, []string{"m3"}},
			{Unit{"mL", d, 1e-6, 0}, []string{"mL", "ml"}},
			{Unit{"[gal_us]", d, 231 * inch * inch * inch, 0}, []string{"gal"}},
			{Unit{"[cft_i]", d, cubicF, 0}, []string{"ft3", "cu ft"}},
		}
	case FlowRate:
		// scfm here is 1 ft3/min at 14.696 psia (101.325 kPa) and 68 degF, carried to ANR (100 kPa, 20 degC) by the
		// gas law: 28.692 L/min ANR. NL/min is DIN 1343 (0 degC, 101.325 kPa): 1.08744 L/min ANR.
		return []spelling{
			{Unit{"L/min", d, 1e-3 / 60, 0}, []string{"L/min", "l/min", "L/min ANR"}},
			{Unit{"scfm", d, cubicF / 60 * 101.325 / 100, 0}, []string{"scfm"}},
			{Unit{"NL/min", d, 1e-3 / 60 * 101.325 / 100 * 293.15 / 273.15, 0}, []string{"NL/min", "Nl/min"}},
			{Unit{"m3/h", d, 1.0 / 3600, 0}, []string{"m3/h"}},
			{Unit{"m3/s", d, 1, 0}, []string{"m3/s"}},
		}
	case Time:
		return []spelling{
			{Unit{"s", d, 1, 0}, []string{"s"}},
			{Unit{"min", d, 60, 0}, []string{"min"}},
			{Unit{"h", d, 3600, 0}, []string{"h"}},
			{Unit{"d", d, 86400, 0}, []string{"d", "day", "days"}},
			{Unit{"ms", d, 1e-3, 0}, []string{"ms"}},
		}
	case Length:
		return []spelling{
			{Unit{"m", d, 1, 0}, []string{"m"}},
			{Unit{"mm", d, 1e-3, 0}, []string{"mm"}},
			{Unit{"cm", d, 1e-2, 0}, []string{"cm"}},
			{Unit{"km", d, 1e3, 0}, []string{"km"}},
			{Unit{"[in_i]", d, inch, 0}, []string{"in"}},
			{Unit{"[ft_i]", d, foot, 0}, []string{"ft"}},
		}
	case Area:
		return []spelling{
			{Unit{"cm2", d, 1e-4, 0}, []string{"cm2"}},
			{Unit{"m2", d, 1, 0}, []string{"m2"}},
			{Unit{"mm2", d, 1e-6, 0}, []string{"mm2"}},
			{Unit{"[sin_i]", d, inch * inch, 0}, []string{"in2"}},
		}
	case Compliance:
		return []spelling{
			{Unit{"%/bar", d, 1e-7, 0}, []string{"%/bar"}},
			{Unit{"%/[psi]", d, 1e-2 / psi, 0}, []string{"%/psi"}},
			{Unit{"%/kPa", d, 1e-5, 0}, []string{"%/kPa"}},
		}
	case MassFlow:
		return []spelling{
			{Unit{"kg/s", d, 1, 0}, []string{"kg/s"}},
			{Unit{"g/s", d, 1e-3, 0}, []string{"g/s"}},
			{Unit{"kg/h", d, 1.0 / 3600, 0}, []string{"kg/h"}},
		}
	case Conductance:
		return []spelling{
			{Unit{"m3/(s.Pa)", d, 1, 0}, []string{"m3/(s.Pa)"}},
			{Unit{"L/(s.bar)", d, 1e-8, 0}, []string{"L/(s.bar)", "dm3/(s.bar)"}},
			{Unit{"L/(min.bar)", d, 1e-8 / 60, 0}, []string{"L/(min.bar)"}},
		}
	case Density:
		return []spelling{
			{Unit{"g/m3", d, 1e-3, 0}, []string{"g/m3"}},
			{Unit{"kg/m3", d, 1, 0}, []string{"kg/m3"}},
		}
	default:
		return nil
	}
}

// Units lists the words people may write for a dimension, one for each unit, for messages.
func Units(d Dim) []string {
	var out []string
	for _, s := range table(d) {
		if len(s.words) > 0 && s.words[0] != "" {
			out = append(out, s.words[0])
		}
	}
	return out
}

// Preferred returns the unit in which airhold's files and messages write a dimension (kPa, Cel, N, L/min, ...).
func Preferred(d Dim) Unit {
	t := table(d)
	if len(t) == 0 {
		return Unit{Code: "1", Dim: d, Factor: 1}
	}
	return t[0].unit
}

// ParseUnit finds the unit written as word (a UCUM code or a common spelling) in dimension d. Upper and lower case may
// be mixed up where that cannot change the size: "KPA" is read, "mPa" for MPa or "MV" for mV is not.
func ParseUnit(word string, d Dim) (Unit, error) {
	word = strings.TrimSpace(word)
	if u, ok := lookUp(word, d, func(a, b string) bool { return a == b }); ok {
		return u, nil
	}
	if u, ok := lookUp(word, d, strings.EqualFold); ok && !prefixInDoubt(word, d) {
		return u, nil
	}
	return Unit{}, fmt.Errorf("%w %q; use one of: %s", ErrUnknownUnit, word, strings.Join(Units(d), ", "))
}

func lookUp(word string, d Dim, same func(a, b string) bool) (Unit, bool) {
	for _, s := range table(d) {
		if same(word, s.unit.Code) {
			return s.unit, true
		}
		for _, w := range s.words {
			if same(word, w) {
				return s.unit, true
			}
		}
	}
	return Unit{}, false
}

// prefixInDoubt reports whether the first letter of word could be milli as well as mega: what follows it is a unit too.
func prefixInDoubt(word string, d Dim) bool {
	if len(word) < 2 || (word[0] != 'm' && word[0] != 'M') {
		return false
	}
	_, ok := lookUp(word[1:], d, strings.EqualFold)
	return ok
}

// Split parts the text of a quantity into its number and its unit, neither of them checked.
func Split(text string) (number, unit string) {
	text = strings.ReplaceAll(strings.TrimSpace(text), "\u2212", "-") // a minus sign as a word processor sets it
	i := 0
	for i < len(text) && strings.IndexByte("+-.0123456789eE", text[i]) >= 0 {
		if (text[i] == 'e' || text[i] == 'E') && !exponentAt(text, i) {
			break
		}
		i++
	}
	return text[:i], strings.TrimSpace(text[i:])
}

// Parse reads a quantity with its unit ("7.6 bar", "38 L", "60 %") into SI. A length may be a fraction, as drills are
// named ("1/8 in", "1 1/2 in"). A bare number wraps ErrNoUnit, unless d is None; NaN and infinities wrap ErrNotNumber, a
// temperature below absolute zero ErrImpossible.
func Parse(text string, d Dim) (Value, error) {
	number, word := Split(text)
	n, err := strconv.ParseFloat(number, 64)
	if d == Length && err == nil {
		n, word = fraction(n, word)
	}
	if err != nil || strings.HasPrefix(word, ",") {
		return Value{}, fmt.Errorf("%w: %q", ErrNotNumber, text)
	}
	if word == "" && d != None {
		return Value{}, fmt.Errorf("%w after %s; use one of: %s", ErrNoUnit, strings.TrimSpace(text), strings.Join(Units(d), ", "))
	}
	u, err := ParseUnit(word, d)
	if err != nil {
		return Value{}, err
	}
	v := Value{SI: u.SI(n), Unit: u}
	if math.IsInf(v.SI, 0) {
		return Value{}, fmt.Errorf("%w: %q is too large", ErrNotNumber, text)
	}
	if d == Temperature && v.SI < -1e-9 {
		return Value{}, fmt.Errorf("%w: %q is below absolute zero", ErrImpossible, text)
	}
	return v, nil
}

// fraction finishes a number that is written as a fraction, n/8 or n 1/8, and returns what follows it. Anything else
// comes back as it is.
func fraction(n float64, rest string) (float64, string) {
	top, bottom, ok := strings.Cut(rest, "/")
	if !ok {
		return n, rest
	}
	digits := 0
	for digits < len(bottom) && bottom[digits] >= '0' && bottom[digits] <= '9' {
		digits++
	}
	under, err := strconv.ParseUint(bottom[:digits], 10, 16)
	if err != nil || under == 0 {
		return n, rest
	}
	word := strings.TrimSpace(bottom[digits:])
	if top == "" {
		return n / float64(under), word
	}
	over, err := strconv.ParseUint(top, 10, 16)
	if err != nil || n < 0 || n != math.Trunc(n) {
		return n, rest
	}
	return n + float64(over)/float64(under), word
}

func exponentAt(s string, i int) bool {
	j := i + 1
	if j < len(s) && (s[j] == '+' || s[j] == '-') {
		j++
	}
	return i > 0 && j < len(s) && s[j] >= '0' && s[j] <= '9'
}
