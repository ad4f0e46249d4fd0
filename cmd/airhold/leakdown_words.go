// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/leakdown"
	"airhold/sensors/units"
)

// verdictWords is the answer in one sentence.
func verdictWords(verdict, where, limit string) string {
	switch leakdown.Verdict(verdict) {
	case leakdown.Pass:
		return fmt.Sprintf("PASS: the %s leaks less than %s.", where, limit)
	case leakdown.Fail:
		return fmt.Sprintf("FAIL: the %s leaks more than %s.", where, limit)
	case leakdown.Undecided:
		return fmt.Sprintf("UNDECIDED: whether the %s leaks more or less than %s cannot be said yet.", where, limit)
	case leakdown.Invalid:
		return fmt.Sprintf("INVALID: this test of the %s does not count.", where)
	default:
		return fmt.Sprintf("The test of the %s was ended before a verdict.", where)
	}
}

// shown writes figures in the units that the machine file chose for people.
type shown struct{ pressure, flow units.Unit }

func shownIn(m *config.Machine) shown {
	s := shown{units.Preferred(units.Pressure), units.Preferred(units.FlowRate)}
	if m != nil && !m.Display.Pressure.IsZero() {
		s.pressure = m.Display.Pressure
	}
	if m != nil && !m.Display.Flow.IsZero() {
		s.flow = m.Display.Flow
	}
	return s
}

func (s shown) flowUnit() string {
	switch s.flow.Code {
	case "L/min", "m3/h", "m3/s":
		return s.flow.Code + " ANR"
	case "scfm":
		return "scfm (14.696 psia, 68 °F)"
	default:
		return s.flow.Code
	}
}

func (s shown) leak(v float64) string { return figure(s.flow.From(v)) }

func (s shown) flowText(v float64) string { return s.leak(v) + " " + s.flowUnit() }

func (s shown) pressureText(v float64) string {
	return figure(s.pressure.From(v)) + " " + unitName(s.pressure)
}

func (s shown) dropText(v leakdown.Interval) string {
	per := func(p float64) string { return figure(s.pressure.From(p) * 60) }
	return fmt.Sprintf("%s %s/min, between %s and %s", per(v.Value), unitName(s.pressure), per(v.Low), per(v.High))
}

// figure writes three digits, as many as any of these figures is worth, and never an exponent.
func figure(v float64) string {
	a := math.Abs(v)
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "?"
	case a >= 100:
		return fmt.Sprintf("%.0f", v)
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	case a >= 0.995 || a == 0:
		return strings.TrimSuffix(fmt.Sprintf("%.2f", v), ".00")
	case a >= 0.0995:
		return fmt.Sprintf("%.2f", v)
	case a >= 0.0005:
		return fmt.Sprintf("%.3f", v)
	default:
		return "0"
	}
}

// long writes a length of time as people say it.
func long(d time.Duration) string {
	switch {
	case d < 3*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 3*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 72*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	default:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	}
}

// printWords prints the test for a person.
func (o *outcome) printWords(w io.Writer) error {
	var b strings.Builder
	r, p, s := &o.result, &o.plan, shownIn(o.machine)
	fmt.Fprintf(&b, "Leak-down test of the %s of %q, from %s\n", r.Where, o.machine.Name, o.rec.path)
	fmt.Fprintf(&b, "%s watched, from %s on", long(r.Duration), s.pressureText(r.StartPressure))
	if at, ok := o.rec.when(o.rec.samples[p.zone][0].At).(string); ok {
		fmt.Fprintf(&b, "; begun %s %s UTC", at[:10], at[11:19])
	}
	fmt.Fprint(&b, "\n\n")
	fmt.Fprintln(&b, verdictWords(string(r.Verdict), r.Where, s.flowText(r.Limit)))
	for _, reason := range r.Reasons {
		fmt.Fprintln(&b, wrap(reason, ""))
	}
	for _, remark := range o.rec.remarks {
		fmt.Fprintln(&b, wrap(remark, ""))
	}
	if len(r.Updates) > 0 {
		o.figures(&b, s)
	}
	if len(p.assumed) > 0 {
		fmt.Fprint(&b, "\nTaken for granted\n")
		for _, a := range p.assumed {
			fmt.Fprintln(&b, wrap(a, "- "))
		}
	}
	fmt.Fprint(&b, "\nWhat this test does not say\n")
	for _, n := range o.notSaid() {
		fmt.Fprintln(&b, wrap(n, "- "))
	}
	fmt.Fprintf(&b, "\n%s\n", leakdownCautions)
	_, err := io.WriteString(w, b.String())
	return err
}

// figures prints what was found, one line each.
func (o *outcome) figures(b *strings.Builder, s shown) {
	r, e := &o.result, &o.result.Estimate
	line := func(name, format string, a ...any) {
		fmt.Fprintf(b, "  %-14s %s\n", name, fmt.Sprintf(format, a...))
	}
	fmt.Fprintln(b)
	if e.Leak.Value <= 0 {
		line("leak", "none seen; it may be up to %s (95 %%)", s.flowText(e.Leak.High))
	} else {
		line("leak", "%s %s, between %s and %s (95 %%)", s.leak(e.Leak.Value), s.flowUnit(), s.leak(e.Leak.Low), s.leak(e.Leak.High))
	}
	line("limit", "%s at the start pressure; chance below it %s, above it %s", s.flowText(r.Limit), chance(e.PassChance), chance(e.FailChance))
	line("pressure drop", "%s, by the leak alone", s.dropText(e.Drop))
	if !math.IsNaN(r.NaiveDrop) {
		line("gauge alone", "%s %s/min over the first minute, which mixes cooling and leak", figure(s.pressure.From(r.NaiveDrop)*60), unitName(s.pressure))
	}
	line("cooling took", "%s in %s; the leak took %s", s.pressureText(e.Cooling), long(e.At), s.pressureText(max(e.Lost, 0)))
	if h := holeOf(r); h != nil {
		line("like a hole of", "%s mm, between %s and %s (sharp edge, discharge coefficient %.2g)", figure(h.Value), figure(h.Low), figure(h.High), h.Coefficient)
	}
	line("holds", "%s", o.holdWords(s))
	line("least known", "%s. %s", r.Dominant.Words, r.Dominant.Help)
}

func (o *outcome) holdWords(s shown) string {
	h := &o.result.Hold
	if !h.Known {
		if o.result.Hold.Pressure <= 0 {
			return "not known: say with --hold-to down to which pressure"
		}
		return fmt.Sprintf("not at all: the test began at or below %s (%s)", s.pressureText(h.Pressure), o.plan.holdTo)
	}
	to := fmt.Sprintf("down to %s (%s)", s.pressureText(h.Pressure), o.plan.holdTo)
	if h.AtLeast {
		return fmt.Sprintf("%s or longer, %s", long(h.Low), to)
	}
	return fmt.Sprintf("about %s, between %s and %s, %s", long(h.Value), long(h.Low), long(h.High), to)
}

func chance(p float64) string {
	switch {
	case p < 0.001:
		return "under 0.1 %"
	case p > 0.999:
		return "over 99.9 %"
	default:
		return figure(p*100) + " %"
	}
}

// notSaid lists what nobody should read into the result.
func (o *outcome) notSaid() []string {
	var out []string
	if o.plan.setup.Rank {
		out = append(out, "Where in the rank: bags, hoses and the exhaust valve's seat are one volume to a pressure sensor. Air that comes in through its fill valve hides a leak of the same size.")
	} else {
		out = append(out, "Where on the tank side: shell, fittings, drain and the compressor's check valve are one volume to a pressure sensor, and a fill valve that passes air into a rank counts with them.",
			"Anything about the ranks. Test them with --zone, or tell the paths apart with --phases.")
	}
	return append(out,
		"The leak at another pressure: leaks open and close with pressure.",
		"That anything is strong enough: this is no proof of strength and replaces no inspection, gauge or relief valve.")
}

// wrap breaks a sentence at 100 columns; further lines stand under the first word.
func wrap(text, mark string) string {
	const width = 100
	var b strings.Builder
	b.WriteString(mark)
	at := len(mark)
	for i, word := range strings.Fields(text) {
		n := len([]rune(word))
		if i > 0 && at+1+n > width {
			b.WriteString("\n" + strings.Repeat(" ", len(mark)))
			at = len(mark)
		} else if i > 0 {
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += n
	}
	return b.String()
}
