// SPDX-License-Identifier: Apache-2.0

package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/session"
	"airhold/sensors/units"
)

// The lists of the sheet end here, so that it stays one sheet; what was left out is counted.
const (
	mostInstruments = 6
	mostSteps       = 6
	mostHistory     = 3
	mostReasons     = 4
	mostTerms       = 6
	mostPaths       = 3
)

// view is the sheet's text, ready to be set.
type view struct {
	Machine, Headline, Where string
	When, By, Place          string
	Software, Run            string
	Simulated                bool
	Sure                     []string // how sure, in sentences
	Reasons                  []string
	Drawing                  template.HTML
	Caption                  string
	HasBefore                bool
	Size                     string // of the letters: much to say is said smaller, to stay on one side
	NowAt, BeforeAt          string
	Rows                     []row
	Meaning                  string // what the figures mean
	Compare                  string
	Paths                    []pathRow
	CannotTell               string
	Budget                   []termRow
	Together                 string
	Help                     string
	Instruments              []Instrument
	OfInstruments            int
	Steps                    []stepView
	Watched                  string
	History                  []historyRow
	OfHistory                int      // how many are kept
	Silent                   []string // what the test does not say
	Cautions                 []string
}

// row is one line of before and now.
type row struct {
	Name, Note  string
	Before, Now figure
}

type pathRow struct{ Where, Includes, Leak, Chance string }

type termRow struct{ Words, U, Share string }

type stepView struct{ Words, At, Note string }

type historyRow struct{ At, Outcome, Leak, Limit, By string }

func (in *Input) simulated() bool { return in.Simulated || in.Now.Simulated }

// view puts the whole sheet into words.
func (in *Input) view() *view {
	now := &in.Now
	when := in.When
	if when.IsZero() {
		when = parsed(now.At)
	}
	v := &view{
		Machine: either(in.Machine, "machine without a name", 70), Where: upper(either(now.Where, "Air system", 32)),
		When: either(moment(when), "time not known", 60), Place: either(in.Place, missing, 50),
		By: either(in.By, either(now.By, missing, 36), 36), Software: either(in.Software, missing, 36), Run: either(now.Run, missing, 40),
		Simulated: in.simulated(), HasBefore: in.Before != nil, Help: either(now.Help, "", 200), Compare: either(in.Compare, "", 160),
		CannotTell: either(now.CannotTell, "", 280), Watched: watched(now), Cautions: cautions(),
	}
	v.Headline = headline(v.Where, now.Verdict)
	v.Sure = sureness(in)
	for _, r := range now.Reasons {
		// Said elsewhere on the sheet: how sure, and what cannot be told apart.
		if r = cut(r, 260); r == "" || r == cut(now.CannotTell, 260) || strings.HasPrefix(r, sureTo) && strings.HasPrefix(v.Sure[0], sureTo) {
			continue
		}
		if len(v.Reasons) < mostReasons {
			v.Reasons = append(v.Reasons, upper(r))
		}
	}
	v.draw(in)
	v.compare(in)
	v.paths(now)
	v.budget(now)
	v.instruments(in)
	for _, s := range firstOf(in.Steps, mostSteps) {
		at := ""
		if !s.At.IsZero() {
			at = s.At.Format("15:04")
		}
		v.Steps = append(v.Steps, stepView{upper(either(s.Words, "step", 20)), at, either(s.Note, "", 50)})
	}
	v.history(in)
	v.Silent = silent(now)
	v.Size = v.size()
	return v
}

// How many lines of lists and sentences the sheet has room for in its usual letters, and in the smaller ones.
const roomy, snug = 8, 15

// size picks the letters that keep the sheet on one side.
func (v *view) size() string {
	switch n := v.lines(); {
	case n <= roomy:
		return "usual"
	case n <= snug:
		return "tight"
	default:
		return "packed"
	}
}

// lines counts what makes the sheet long, in lines of a table.
func (v *view) lines() int {
	side := 2*len(v.Paths) + len(v.Budget) + textLines(v.CannotTell, 60) + textLines(v.Help, 60) // beside the figures, which take nine
	n := len(v.Instruments) + len(v.History) + max(0, side-9)
	for _, r := range v.Reasons {
		n += textLines(r, 150)
	}
	for _, s := range v.Steps {
		n = max(n, textLines(s.Note, 24)-1)
	}
	return n
}

func textLines(s string, width int) int { return (utf8.RuneCountInString(s) + width - 1) / width }

func firstOf[T any](s []T, n int) []T { return s[:min(n, len(s))] }

// verdictWords tells a verdict; only a pass is ever told as one.
func verdictWords(verdict string) string {
	switch verdict {
	case string(leakdown.Pass):
		return "passes"
	case string(leakdown.Fail):
		return "fails"
	case string(leakdown.Undecided):
		return "not decided"
	case string(leakdown.Invalid):
		return "test not valid"
	case "stopped":
		return "stopped, no verdict"
	default:
		return "no verdict"
	}
}

func judged(verdict string) bool {
	return verdict == string(leakdown.Pass) || verdict == string(leakdown.Fail)
}

func headline(where, verdict string) string {
	if judged(verdict) {
		return where + " " + verdictWords(verdict)
	}
	return where + ": " + verdictWords(verdict)
}

// sureTo begins the sentence that tells how sure a verdict is.
const sureTo = "Sure to "

// sureness says how sure the verdict is, against which limit and at which pressure.
func sureness(in *Input) []string {
	now := &in.Now
	sure := in.Sure
	if sure == 0 {
		sure = now.Sure
	}
	limit := "The limit is not recorded."
	if known(now.Limit) {
		limit = "Limit: " + inline(now.Limit)
		if known(now.Start) {
			limit += ", at a start pressure of " + inline(now.Start) + " gauge"
		}
		limit += "."
	}
	var out []string
	switch {
	case judged(now.Verdict) && sure > 0 && sure <= 1:
		side := "below"
		if now.Verdict == string(leakdown.Fail) {
			side = "above"
		}
		out = append(out, fmt.Sprintf(sureTo+"%s after %s that the leak is %s the limit.", percent(sure), secondsOf(now.DecidedAt), side))
	case judged(now.Verdict):
		out = append(out, fmt.Sprintf("Decided after %s.", secondsOf(now.DecidedAt)))
	case now.Verdict == string(leakdown.Undecided):
		out = append(out, "The leak lies too near the limit, or the air was too restless, to say on which side of it.")
	default:
		return []string{"This test says nothing about the air system. It has to be done again.", limit}
	}
	if known(now.Limit) && banded(now.Leak) {
		switch l, u := now.Leak, now.Limit; {
		case l.High < u.SI:
			out = append(out, "The whole 95 % interval of the leak lies below the limit.")
		case l.Low > u.SI:
			out = append(out, "The whole 95 % interval of the leak lies above the limit.")
		default:
			out = append(out, "The 95 % interval of the leak reaches across the limit.")
		}
	}
	return append(out, limit)
}

func watched(r *session.Result) string {
	if r.Duration <= 0 || !finite(r.Duration) {
		return missing
	}
	s := span(r.Duration)
	if r.Phases > 1 {
		s += fmt.Sprintf(" in %d phases", r.Phases)
	}
	return s
}

func (v *view) draw(in *Input) {
	const width, height, em = 760, 190, 10.5
	p, ok := newPlot(in, width, height, em, 0.6*em)
	if !ok {
		v.Caption = "No curve was kept of this test."
		return
	}
	v.Drawing = p.svg("Pressure of " + v.Where + " in kPa gauge, after the air was shut in")
	v.Caption = "Gauge pressure. Limit: cooling and a leak exactly at the limit; a curve below it leaks more. Only cooling: if nothing leaked."
	if p.beforeLeftOut {
		v.Caption += " The earlier test began at another pressure and is not drawn."
	}
}

// compare sets the figures of now, and of the earlier test where there is one.
func (v *view) compare(in *Input) {
	now, before := &in.Now, in.Before
	if before == nil {
		before = &session.Result{}
	}
	v.NowAt, v.BeforeAt = shortMoment(in.When), shortMoment(parsed(before.At))
	if in.When.IsZero() {
		v.NowAt = shortMoment(parsed(now.At))
	}
	pair := func(name, note string, then, at *findings.Measure) {
		f := tell(at, units.Unit{})
		u := units.Unit{}
		if known(at) {
			u = at.Unit
		}
		g := tell(then, u)
		v.Rows = append(v.Rows, row{name, strings.TrimPrefix(either(f.Unit, g.Unit, 20)+note, ", "), g, f})
	}
	pair("leak", "", before.Leak, now.Leak)
	pair("pressure drop", "", before.Drop, now.Drop)
	pair("drop on a gauge", ", 1st minute", before.NaiveDrop, now.NaiveDrop)
	hole := before.Hole
	if before.Discharge != now.Discharge {
		hole = nil
	}
	pair("like a hole of", "", hole, now.Hole)
	if known(now.HoldTime) { // somebody asked how long
		then := holdFigure(before)
		if !sameHold(before, now) {
			then = figure{Text: "not compared"}
		}
		v.Rows = append(v.Rows, row{"holds for", holdNote(now), then, holdFigure(now)})
	}
	v.Rows = append(v.Rows, row{"verdict", "", figure{Text: verdictWords(before.Verdict)}, figure{Text: verdictWords(now.Verdict)}})
	v.Meaning = "In brackets: the 95 % interval. Leak: free air lost at the start pressure; scfm counts at 68 °F and 14.696 psia. " +
		"Pressure drop: cooling taken out; on a gauge it is in. " + holeNote(now)
}

func shortMoment(t time.Time) string {
	if t.IsZero() {
		return "time not known"
	}
	return t.Format("2 Jan 2006 15:04")
}

// sameHold reports whether both hold times run between the same pressures, to 3 %.
func sameHold(a, b *session.Result) bool {
	near := func(x, y *findings.Measure) bool {
		return known(x) && known(y) && math.Abs(x.SI-y.SI) <= 0.03*math.Abs(y.SI)
	}
	return near(a.HoldTo, b.HoldTo) && near(a.Start, b.Start)
}

func holeNote(r *session.Result) string {
	const same = "Hole: one round hole that would leak as much, "
	switch {
	case !(r.Discharge > 0) || !finite(r.Discharge):
		return same + "its discharge coefficient is not recorded."
	case r.Discharge < 0.7:
		return same + "sharp-edged, discharge coefficient " + plain(r.Discharge) + "."
	case r.Discharge > 0.9:
		return same + "well rounded, discharge coefficient " + plain(r.Discharge) + "."
	default:
		return same + "discharge coefficient " + plain(r.Discharge) + "."
	}
}

func holdNote(r *session.Result) string {
	if !known(r.HoldTo) {
		return "down to the need"
	}
	to := tell(r.HoldTo, units.Unit{})
	return "down to " + to.Text + " " + to.Unit
}

func holdFigure(r *session.Result) figure {
	m := r.HoldTime
	if !known(m) {
		return figure{Text: notKnown}
	}
	switch {
	case r.HoldAtLeast && banded(m):
		return figure{Text: "at least " + span(m.Low)}
	case r.HoldAtLeast:
		return figure{Text: "at least " + span(m.SI)}
	case banded(m):
		return figure{Text: span(m.SI), Band: span(m.Low) + " to " + span(m.High)}
	default:
		return figure{Text: span(m.SI)}
	}
}

func (v *view) paths(now *session.Result) {
	for _, p := range firstOf(now.Paths, mostPaths) {
		v.Paths = append(v.Paths, pathRow{
			Where: upper(either(p.Where, "a place without a name", 24)), Includes: includes(p.Includes),
			Leak: oneLine(p.Leak), Chance: percent(p.Posterior),
		})
	}
}

// includes names the parts of a place; several look the same to a pressure sensor.
func includes(parts []string) string {
	if len(parts) < 2 {
		return cut(strings.Join(parts, ""), 90)
	}
	return "one or more of " + cut(strings.Join(parts, ", "), 90) + ": pressure cannot part these"
}

// oneLine prints a leak with its interval on one line.
func oneLine(m *findings.Measure) string {
	f := tell(m, units.Unit{})
	if f.Band == "" {
		return strings.TrimSpace(f.Text + " " + f.Unit)
	}
	return f.Text + " (" + f.Band + ") " + f.Unit
}

// budget lists the terms, largest first, each with its share of the whole variance.
func (v *view) budget(now *session.Result) {
	var terms []session.Term
	sum := 0.0
	for _, t := range now.Budget {
		if known(t.U) {
			terms = append(terms, t)
			sum += t.U.SI * t.U.SI
		}
	}
	if len(terms) == 0 {
		return
	}
	slices.SortStableFunc(terms, func(a, b session.Term) int {
		switch x, y := math.Abs(a.U.SI), math.Abs(b.U.SI); {
		case x > y:
			return -1
		case x < y:
			return 1
		default:
			return 0
		}
	})
	unit := terms[0].U.Unit
	n := decimals(0, math.Abs(unit.From(terms[0].U.SI))) + 1
	for _, t := range firstOf(terms, mostTerms) {
		share := 0.0
		if sum > 0 {
			share = 100 * t.U.SI * t.U.SI / sum
		}
		v.Budget = append(v.Budget, termRow{upper(either(t.Words, "unnamed", 44)), digits(math.Abs(unit.From(t.U.SI)), n), digits(share, 0) + " %"})
	}
	v.Together = digits(unit.From(math.Sqrt(sum)), n) + " " + unitWords(unit.Code, terms[0].U.Reference)
}

func (v *view) instruments(in *Input) {
	v.OfInstruments = len(in.Instruments)
	for _, i := range firstOf(in.Instruments, mostInstruments) {
		v.Instruments = append(v.Instruments, Instrument{
			Channel: either(i.Channel, "no name", 16), Sensor: either(i.Sensor, missing, 60), Calibrated: either(i.Calibrated, missing, 16),
			Against: either(i.Against, missing, 40), Uncertainty: either(i.Uncertainty, missing, 20),
		})
	}
}

func (v *view) history(in *Input) {
	v.OfHistory = len(in.History)
	for i := range firstOf(in.History, mostHistory) {
		h := &in.History[i]
		limit := tell(h.Limit, units.Unit{})
		v.History = append(v.History, historyRow{
			At: either(moment(parsed(h.At)), "time not known", 60), Outcome: verdictWords(h.Verdict), Leak: oneLine(h.Leak),
			Limit: strings.TrimSpace(limit.Text + " " + limit.Unit), By: either(h.By, missing, 30),
		})
	}
}

// silent says what the test does not say.
func silent(now *session.Result) []string {
	start := "the pressure it was done at"
	if known(now.Start) {
		start = inline(now.Start)
	}
	return []string{
		"How much is lost at another pressure: the figures belong to " + start + ". A leak grows with pressure, and some open only above one.",
		"What is lost at work: valves stood still, nothing shook or bent, the compressor rested.",
		"Whether a bag or hose leaks while it moves, or at another height of the row unit.",
		"The exact spot: closed valves part the air into a few places, soapy water shows the point. The hole only pictures the amount; there may be several.",
		"How it will be tomorrow, or that tank, relief valve or anything else is safe: nothing was inspected.",
	}
}

// cautions are for whoever acts on the sheet.
func cautions() []string {
	return []string{
		"Compressed air injures. The machine's manual, local rules and licensed practice come before this sheet.",
		"Level ground, engine off and key out unless the compressor is needed; planter lowered, or blocked so that it cannot come down.",
		"Nobody at the row units while bags fill or vent: they move the linkages.",
		"Eye protection. Search with soapy water, never with a hand or the face.",
		"Pressure off and gauge at zero before a fitting, plug or bag is opened; none is loosened under pressure.",
		"Drain from the side, slowly. Compressor, filter, drive: engine off, no air, cooled down.",
		"Stay below the tank's safe working pressure; never touch the relief valve's setting.",
	}
}
