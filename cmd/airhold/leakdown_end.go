// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
)

// end tells the result of a test that the box led.
func (l *live) end(ctx context.Context, s *session.State) int {
	l.view.clear(l.asks)
	if s.Result == nil {
		fmt.Fprintln(l.stderr, "airhold leakdown: the box ended the test without a result.")
		return exitFailed
	}
	var err error
	if l.f.json {
		err = jsonLine(l.out, l.summary(s))
	} else {
		l.tellResult(s)
	}
	if err == nil && l.f.report != "" {
		err = l.report(ctx, s.Run)
	}
	if err != nil {
		fmt.Fprintf(l.stderr, "airhold leakdown: %v\n", err)
		return exitFailed
	}
	if s.Verdict == "stopped" {
		return exitFailed
	}
	return exitOK
}

// tellResult prints the result for a person.
func (l *live) tellResult(s *session.State) {
	r, v := s.Result, l.view.shown
	var b strings.Builder
	line := func(name, format string, a ...any) {
		fmt.Fprintf(&b, "  %-14s %s\n", name, fmt.Sprintf(format, a...))
	}
	limit := "its limit"
	if r.Limit != nil {
		limit = v.flowText(r.Limit.SI)
	}
	if r.Simulated {
		fmt.Fprint(&b, "\nSIMULATED: an invented machine.\n")
	}
	fmt.Fprintf(&b, "\n%s\n", verdictWords(r.Verdict, r.Where, limit))
	for _, text := range r.Reasons {
		fmt.Fprintln(&b, wrap(text, ""))
	}
	fmt.Fprintln(&b)
	if m := r.Leak; m != nil {
		line("leak", "%s %s, between %s and %s (95 %%), after %s", v.leak(m.SI), v.flowUnit(), v.leak(m.Low), v.leak(m.High), long(time.Duration(r.DecidedAt*float64(time.Second))))
	}
	if m := r.Drop; m != nil {
		line("pressure drop", "%s %s/min by the leak alone", figure(v.pressure.From(m.SI)*60), unitName(v.pressure))
	}
	if m := r.NaiveDrop; m != nil {
		line("gauge alone", "%s %s/min over the first minute, which mixes cooling and leak", figure(v.pressure.From(m.SI)*60), unitName(v.pressure))
	}
	if m := r.Hole; m != nil {
		line("like a hole of", "%s mm (sharp edge, discharge coefficient %.2g)", figure(m.Unit.From(m.SI)), r.Discharge)
	}
	if m := r.HoldTime; m != nil && r.HoldTo != nil {
		text := "about " + long(time.Duration(m.SI*float64(time.Second)))
		if r.HoldAtLeast {
			text = long(time.Duration(m.Low*float64(time.Second))) + " or longer"
		}
		line("holds", "%s, down to %s", text, v.pressureText(r.HoldTo.SI))
	}
	if r.Dominant != "" {
		line("least known", "%s. %s", r.Dominant, r.Help)
	}
	for _, p := range r.Paths {
		if p.Leak != nil {
			line(p.Where, "%s, between %s and %s; chance %s; pressure cannot tell apart: %s", v.flowText(p.Leak.SI), v.leak(p.Leak.Low), v.leak(p.Leak.High), chance(p.Posterior), strings.Join(p.Includes, ", "))
		}
	}
	if r.CannotTell != "" {
		fmt.Fprintln(&b, wrap(r.CannotTell, "  "))
	}
	if q := s.Before; q != nil && q.Leak != nil {
		when := "at a time not known"
		if len(q.At) >= 10 {
			when = "on " + q.At[:10]
		}
		line("last test", "%s between %s and %s, %s: %s", v.flowText(q.Leak.SI), v.leak(q.Leak.Low), v.leak(q.Leak.High), when, q.Verdict)
	}
	if s.Compare != "" {
		fmt.Fprintln(&b, wrap(s.Compare, "  "))
	}
	fmt.Fprintf(&b, "\nReport: %s/api/tests/%s/report\n\n%s\n", l.box.base, s.Run, leakdownCautions)
	fmt.Fprint(l.out, b.String())
}

type liveSummary struct {
	judgement

	Run        string             `json:"run"`
	Budget     []session.Term     `json:"budget"`
	Paths      []session.Path     `json:"paths"`
	CannotTell string             `json:"cannot_tell"`
	Before     *session.Result    `json:"before"`
	Compare    string             `json:"compare"`
	Report     string             `json:"report"`
	Simulated  bool               `json:"simulated"`
	Updates    map[string]liveFit `json:"updates"`
}

type liveFit struct {
	At         *findings.Measure `json:"at"`
	Leak       *findings.Measure `json:"leak"`
	PassChance float64           `json:"pass_chance"`
	FailChance float64           `json:"fail_chance"`
}

func (l *live) summary(s *session.State) *liveSummary {
	r := s.Result
	out := &liveSummary{
		Run: s.Run,
		judgement: judgement{
			Event: "summary", Zone: r.Zone, Where: r.Where, Verdict: r.Verdict, Reasons: append([]string{}, r.Reasons...),
			Took: seconds(time.Duration(r.DecidedAt * float64(time.Second))), Watched: seconds(time.Duration(r.Duration * float64(time.Second))),
			Pressure: r.Start, Limit: r.Limit, Leak: r.Leak, Drop: r.Drop, NaiveDrop: r.NaiveDrop, PassChance: &s.Pass, FailChance: &s.Fail,
			Dominant: r.Dominant, Help: r.Help, Cautions: oneLine(leakdownCautions), DecidedAt: findings.Round(r.DecidedAt),
		},
		Budget: r.Budget, Paths: append([]session.Path{}, r.Paths...), CannotTell: r.CannotTell,
		Before: s.Before, Compare: s.Compare, Report: fmt.Sprintf("%s/api/tests/%s/report", l.box.base, s.Run), Simulated: r.Simulated,
		Updates: map[string]liveFit{},
	}
	if at, err := time.Parse(time.RFC3339, r.At); err == nil {
		out.Start, out.DecidedAt = r.At, at.Add(time.Duration(r.DecidedAt*float64(time.Second))).UTC().Format(time.RFC3339)
	}
	if h := r.Hole; h != nil {
		mm := func(v float64) float64 { return findings.Round(h.Unit.From(v)) }
		out.Hole = &holeAnswer{Value: mm(h.SI), Unit: "mm", Low: mm(h.Low), High: mm(h.High), Confidence: 0.95, Coefficient: r.Discharge}
	}
	if h := r.HoldTime; h != nil {
		sec := func(v float64) *float64 { v = findings.Round(math.Round(v)); return &v }
		out.Hold = &holdAnswer{Unit: "s", Low: *sec(h.Low), Confidence: 0.95, AtLeast: r.HoldAtLeast, To: r.HoldTo}
		if !r.HoldAtLeast {
			out.Hold.Value, out.Hold.High = sec(h.SI), sec(h.High)
		}
	}
	for _, u := range s.Updates {
		out.Updates[strconv.Itoa(int(math.Round(u.At)))] = liveFit{seconds(time.Duration(u.At * float64(time.Second))), u.Leak, u.Pass, u.Fail}
	}
	return out
}
