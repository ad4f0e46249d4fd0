// SPDX-License-Identifier: Apache-2.0

package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

const (
	missing  = "not recorded"
	notKnown = "not known"
)

// known reports whether m carries a number that can be told.
func known(m *findings.Measure) bool { return m != nil && !m.IsZero() && finite(m.SI) }

// banded reports whether m carries an interval that can be told.
func banded(m *findings.Measure) bool {
	return known(m) && finite(m.Low) && finite(m.High) && (m.Low != 0 || m.High != 0) && m.Low <= m.High
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// decimals returns how many places show the spread in one digit, or in two where the first is a one or a two (JCGM 100,
// 7.2.6: two are enough); of a value without a spread, three digits.
func decimals(v, spread float64) int {
	if spread > 0 {
		return min(4, max(0, -int(math.Floor(math.Log10(spread/3)))))
	}
	if v == 0 {
		return 0
	}
	return min(4, max(0, 2-int(math.Floor(math.Log10(math.Abs(v))))))
}

// digits prints v with n decimals; minus zero is zero.
func digits(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if f, err := strconv.ParseFloat(s, 64); err == nil && f == 0 {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// plain prints v as a person would write it who rounds to three digits: 3, 0.25, 742.
func plain(v float64) string {
	s := digits(v, decimals(v, 0))
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// figure is a quantity as the sheet shows it; Text is never empty.
type figure struct {
	Text string // "0.4" or "not known"
	Band string // "0.1 to 0.8"; empty without an interval
	Unit string // "L/min ANR"
	Also string // in the other unit: "0.014 scfm"

	AlsoBand string
}

// tell prints m in unit u, and in the unit that the other half of the trade reads beside it. A zero u is m's own.
func tell(m *findings.Measure, u units.Unit) figure {
	if !known(m) {
		return figure{Text: notKnown}
	}
	if u.IsZero() {
		u = m.Unit
	}
	f := figure{Unit: unitWords(u.Code, m.Reference)}
	f.Text, f.Band = inUnit(m, u)
	if other := secondUnit(u); !other.IsZero() {
		f.Also, f.AlsoBand = inUnit(m, other)
		f.Also += " " + unitWords(other.Code, m.Reference)
	}
	return f
}

func inUnit(m *findings.Measure, u units.Unit) (text, band string) {
	v := u.From(m.SI)
	if !banded(m) {
		return plain(v), ""
	}
	lo, hi := u.From(m.Low), u.From(m.High)
	n := decimals(v, (hi-lo)/2)
	return digits(v, n), digits(lo, n) + " to " + digits(hi, n)
}

// unitWords writes a UCUM code as people do; free air says its reference.
func unitWords(code string, ref units.Reference) string {
	words := strings.NewReplacer("[psi]", "psi", "[in_i]", "in", "Cel", "°C", "[degF]", "°F").Replace(code)
	if code == "scfm" {
		return "scfm"
	}
	if ref == units.ANR || code == "L/min" || code == "m3/h" {
		return words + " ANR"
	}
	return words
}

// secondUnit returns the unit that shops of the other half of the trade read beside u; the zero Unit where there is none.
func secondUnit(u units.Unit) units.Unit {
	const psi, inch = "[psi]", "[in_i]"
	switch u.Code {
	case "L/min":
		return unitOf("scfm", units.FlowRate)
	case "scfm":
		return unitOf("L/min", units.FlowRate)
	case "kPa", "bar":
		return unitOf(psi, units.Pressure)
	case psi:
		return unitOf("kPa", units.Pressure)
	case "kPa/min", "bar/min":
		return aMinute(unitOf(psi, units.Pressure))
	case "[psi]/min":
		return aMinute(unitOf("kPa", units.Pressure))
	case "mm":
		return unitOf(inch, units.Length)
	default:
		return units.Unit{}
	}
}

// aMinute is a unit of pressure, a minute.
func aMinute(u units.Unit) units.Unit {
	return units.Unit{Code: u.Code + "/min", Dim: units.None, Factor: u.Factor / 60}
}

// unitOf is for codes that this package writes itself; an unknown one gives the zero Unit.
func unitOf(code string, d units.Dim) units.Unit {
	u, err := units.ParseUnit(code, d)
	if err != nil {
		return units.Unit{}
	}
	return u
}

// inline prints a quantity inside a sentence: "3 L/min ANR (0.105 scfm)".
func inline(m *findings.Measure) string {
	f := tell(m, units.Unit{})
	s := strings.TrimSpace(f.Text + " " + f.Unit)
	if f.Also != "" {
		s += " (" + f.Also + ")"
	}
	return strings.ReplaceAll(s, " ", "\u00a0") // a figure stays with its unit
}

// span prints a length of time in the unit that people use for it.
func span(s float64) string {
	switch {
	case !finite(s) || s < 0:
		return notKnown
	case s < 119.5:
		return digits(s, 0) + " s"
	case s < 5970: // 99.5 min
		return plain2(s/60) + " min"
	case s < 48*3600:
		return plain2(s/3600) + " h"
	default:
		return digits(s/86400, 0) + " days"
	}
}

// secondsOf prints a time of the watch, which people follow in seconds.
func secondsOf(s float64) string {
	if !finite(s) || s <= 0 {
		return "a time that is not recorded"
	}
	return digits(s, 0) + " s"
}

// plain2 rounds to two digits below ten, to whole ones above.
func plain2(v float64) string {
	if v >= 9.95 {
		return digits(v, 0)
	}
	return strings.TrimSuffix(digits(v, 1), ".0")
}

// percent prints a chance: what is not certain never reads 100 %.
func percent(p float64) string {
	switch {
	case !finite(p) || p <= 0 || p > 1:
		return notKnown
	case p >= 0.9995:
		return "over 99.9 %"
	case p > 0.99:
		return strings.TrimSuffix(digits(math.Floor(p*1000)/10, 1), ".0") + " %"
	case p < 0.01:
		return "under 1 %"
	default:
		return digits(math.Floor(p*100), 0) + " %"
	}
}

// moment prints a time with its zone; empty for none.
func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	zone := t.Format("-07:00")
	if _, off := t.Zone(); off == 0 {
		zone = ""
	}
	// A true minus sign: a hyphen would let the line break behind it.
	return fmt.Sprintf("%s UTC%s", t.Format("2 January 2006, 15:04"), strings.Replace(zone, "-", "\u2212", 1))
}

// parsed reads a time of a Result; the zero Time for none.
func parsed(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || t.Year() <= 1 {
		return time.Time{}
	}
	return t
}

// upper gives a sentence its capital letter.
func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 || r == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// cut keeps a text on its place of the sheet: at most n runes on one line, control signs gone.
func cut(s string, n int) string {
	s = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(s, "?"), func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r)
	}), " ")
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return strings.TrimSpace(string([]rune(s)[:n-1])) + "…"
}

// either returns s cut to n runes, or instead where s says nothing.
func either(s, instead string, n int) string {
	if s = cut(s, n); s == "" {
		return instead
	}
	return s
}
