// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
)

// resultPoints is how many points a line of a kept curve has: fewer than a screen's, because results are kept for years.
const resultPoints = 60

// State tells screens everything; nil while there was no test yet. The caller may keep and change it.
func (s *Session) State() *State {
	r := s.run
	if r == nil {
		return nil
	}
	v := r.asked
	out := &State{
		Run: r.id, Zone: r.zone, Where: v.where, Step: r.step, Phase: r.phase, Phases: r.phases, By: r.by, Started: stamp(s.utc(r.started)),
		Limit: flow(r.limit), Ticks: append([]Tick{}, r.ticks...), Left: s.left(), Conditions: append([]Condition{}, s.conditions()...),
		Next: s.next(), Do: append([]string{}, s.do()...), Hear: s.hear(), Cautions: s.cautions(),
		Updates: []Update{}, HeldBack: s.Running(), Verdict: "measuring", Reasons: []string{},
	}
	if v.alive(s.now) {
		out.Pressure = gauge(v.now)
	}
	if r.phase > 1 && r.step == Isolate {
		out.Target = gauge(ventTo)
	} else if r.target > 0 {
		out.Target = gauge(r.target)
	}
	if s.o.Tank.SafeWorking > 0 {
		out.Safe = gauge(s.o.Tank.SafeWorking)
	}
	out.CanGo = s.canGo(out)
	s.tellWatch(out)
	if r.result != nil {
		out.Result, out.Verdict, out.Reasons = r.result, r.result.Verdict, append([]string{}, r.result.Reasons...)
	}
	return out
}

func (s *Session) canGo(out *State) bool {
	if out.Next == "" || out.Step == MakeSafe && out.Left > 0 {
		return false
	}
	for _, k := range out.Conditions {
		if k.Met == no && (out.Step != Isolate || k.ID == "vented") {
			return false
		}
	}
	return true
}

// tellWatch adds what the watch has shown: of the asked volume, in the first watch.
func (s *Session) tellWatch(out *State) {
	r := s.run
	var res *leakdown.Result
	switch {
	case r.first != nil:
		res = r.first
	case r.asked.test != nil:
		x := r.asked.test.Result()
		res = &x
	default:
		return
	}
	out.Seconds = math.Max(0, math.Floor(res.Duration.Seconds()))
	if r.phase > 1 && r.step == Watch {
		out.Seconds = math.Floor((s.now - r.begun).Seconds())
	}
	out.Verdict = string(res.Verdict)
	out.Reasons = append(out.Reasons, res.Reasons...)
	for i := range res.Updates {
		e := &res.Updates[i]
		out.Updates = append(out.Updates, Update{At: e.At.Seconds(), Leak: interval(e.Leak), Pass: round3(e.PassChance), Fail: round3(e.FailChance)})
	}
	n := len(res.Updates)
	if n == 0 {
		return
	}
	e := &res.Updates[n-1]
	out.Leak, out.Drop = interval(e.Leak), fall(e.Drop)
	out.Pass, out.Fail = round3(e.PassChance), round3(e.FailChance)
	out.Cooling, out.Lost = drop(e.Cooling), drop(e.Lost)
}

// round3 rounds a chance so that it prints alike on every processor.
func round3(p float64) float64 { return math.Round(p*1000) / 1000 }

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

func interval(i leakdown.Interval) *findings.Measure {
	m := flow(i.Value)
	m.Low, m.High = i.Low, i.High
	return m
}

func fall(i leakdown.Interval) *findings.Measure {
	return &findings.Measure{SI: i.Value, Unit: perMinute(), Low: i.Low, High: i.High}
}

// Curve is what a screen draws of the watch, with at most n points a line; nil where nothing was watched.
func (s *Session) Curve(n int) *Curve {
	r := s.run
	if r == nil {
		return nil
	}
	if r.firstCurve != nil {
		return r.firstCurve
	}
	if r.asked.test == nil {
		return nil
	}
	ahead := time.Minute
	if d := 2*time.Minute - (s.now - r.asked.since); d > ahead {
		ahead = d
	}
	return s.curveOf(r.asked, n/2, ahead)
}

// curveOf draws a volume with at most 2n+1 points a line.
func (s *Session) curveOf(v *volume, n int, ahead time.Duration) *Curve {
	c := v.test.Curve(n, ahead)
	out := &Curve{Run: s.run.id, Measured: [][2]float64{}, Fit: [][4]float64{}, Ahead: [][4]float64{}, Cooling: [][2]float64{}, Limit: [][2]float64{}}
	for _, p := range c.Measured {
		out.Measured = append(out.Measured, point(p))
	}
	for _, p := range c.Fit {
		out.Fit = append(out.Fit, band(p))
	}
	for _, p := range c.Ahead {
		if ahead <= 0 {
			break
		}
		out.Ahead = append(out.Ahead, band(p))
	}
	for _, p := range c.Cooling {
		out.Cooling = append(out.Cooling, point(p))
	}
	for _, p := range c.Limit {
		out.Limit = append(out.Limit, point(p))
	}
	return out
}

func point(p leakdown.Point) [2]float64 { return [2]float64{tenth(p.At), pascals(p.Pressure)} }

func band(b leakdown.Band) [4]float64 {
	return [4]float64{tenth(b.At), pascals(b.Value), pascals(b.Low), pascals(b.Up)}
}

func tenth(d time.Duration) float64 { return math.Round(d.Seconds()*10) / 10 }

// pascals is a pressure in kPa to the nearest ten pascals.
func pascals(pa float64) float64 { return math.Round(pa/10) / 100 }

// judged ends a test whose verdict stands.
func (s *Session) judged() {
	r := s.run
	res := r.first
	if res == nil {
		x := r.asked.test.Result()
		res = &x
		if s.pathsSeen() && len(r.phasesDone) == 0 {
			r.phasesDone = append(r.phasesDone, s.phaseOf())
		}
		r.firstCurve = s.curveOf(r.asked, resultPoints, 0)
	}
	out := s.resultOf(res)
	s.paths(out)
	s.learn()
	s.finish(out)
	s.said("test-verdict", verdictWords(r.asked.where, out))
}

// pathsSeen says whether one early watch was long enough to say anything of the paths: every rank that is seen must have
// rested, and then be watched for a minute.
func (s *Session) pathsSeen() bool {
	seen := false
	for _, v := range s.volumes[1:] {
		if v.test == nil {
			continue
		}
		seen = true
		from := v.since
		if v.hasMove {
			from = max(from, v.moved+restNeed)
		}
		if s.now-from < time.Minute {
			return false
		}
	}
	return seen
}

// end ends a test without a verdict of the estimator.
func (s *Session) end(verdict, kind, why string) {
	r := s.run
	var out *Result
	if t := r.asked.test; t != nil {
		t.Close()
		res := t.Result()
		if r.firstCurve == nil {
			r.firstCurve = s.curveOf(r.asked, resultPoints, 0)
		}
		out = s.resultOf(&res)
	} else {
		out = s.resultOf(&leakdown.Result{Where: r.asked.where, Limit: r.limit, NaiveDrop: math.NaN()})
	}
	out.Verdict, out.Reasons, out.DecidedAt = verdict, []string{why}, 0
	s.finish(out)
	s.said(kind, fmt.Sprintf("Leak-down test of the %s: %s", r.asked.where, why))
}

func (s *Session) finish(out *Result) {
	r := s.run
	if r.step == Watch && len(r.stages) > 0 && r.stages[len(r.stages)-1].Words != "Watch" {
		s.stage("Watch", fmt.Sprintf("%.0f s", out.Duration))
	}
	out.Steps = r.stages
	r.result, r.step = out, Done
	for _, v := range s.volumes {
		if v != r.asked || r.first != nil {
			v.test = nil
		}
		v.kept = nil
	}
	s.change()
	if s.o.Out != nil {
		s.o.Out.Finished(out)
	}
}

// learn hands out how the tank's air cools, where the watch was clean enough.
func (s *Session) learn() {
	v := s.volumes[0]
	if v.test == nil || s.run.phase > 1 {
		return // the second watch begins with air that has cooled already
	}
	v.test.Close()
	sign := v.test.Result().Signature
	if sign == nil {
		return
	}
	s.sign[v.name] = *sign
	if s.o.Out != nil {
		s.o.Out.Learned(v.name, *sign)
	}
}

// resultOf writes an estimator's result down.
func (s *Session) resultOf(res *leakdown.Result) *Result {
	r := s.run
	out := &Result{
		Run: r.id, At: stamp(s.utc(r.shutIn)), Zone: r.zone, Where: r.asked.where, By: r.by, Phases: r.phases,
		Verdict: string(res.Verdict), Reasons: append([]string{}, res.Reasons...), DecidedAt: res.DecidedAt.Seconds(), Duration: tenth(res.Duration),
		Limit: flow(r.limit), Discharge: s.o.Discharge, Budget: []Term{}, Curve: r.firstCurve, Simulated: s.o.Simulated,
	}
	if r.shutIn == 0 {
		out.At = stamp(s.utc(r.started))
	}
	if res.Duration > 0 {
		out.Start = gauge(res.StartPressure)
	}
	if !math.IsNaN(res.NaiveDrop) {
		out.NaiveDrop = &findings.Measure{SI: res.NaiveDrop, Unit: perMinute()}
	}
	if len(res.Updates) == 0 {
		return out
	}
	e := &res.Estimate
	out.Leak, out.Drop = interval(e.Leak), fall(e.Drop)
	out.Hole = &findings.Measure{SI: res.Hole.Value, Unit: millimetre(), Low: res.Hole.Low, High: res.Hole.High}
	if h := res.Hold; h.Known {
		m := &findings.Measure{SI: h.Value.Seconds(), Unit: second(), Low: h.Low.Seconds(), High: h.High.Seconds()}
		if h.AtLeast { // the leak may be nothing: only the lower end means something
			m.SI, m.High = m.Low, m.Low
		}
		out.HoldTime, out.HoldAtLeast, out.HoldTo = m, h.AtLeast, gauge(h.Pressure)
	}
	switch res.Verdict {
	case leakdown.Pass:
		out.Sure = round3(e.PassChance)
	case leakdown.Fail:
		out.Sure = round3(e.FailChance)
	default:
	}
	out.Dominant, out.Help = res.Dominant.Words, res.Dominant.Help
	for _, t := range e.Budget {
		out.Budget = append(out.Budget, Term{Words: t.Words, U: flow(t.U)})
	}
	return out
}

// paths adds which path leaks, as far as the watches tell.
func (s *Session) paths(out *Result) {
	r := s.run
	if len(r.phasesDone) == 0 {
		if out.Verdict == string(leakdown.Fail) && len(s.volumes) > 1 {
			out.CannotTell = "Where it leaks this watch cannot tell: it was over before the bags had rested. A test with two watches tells."
		}
		return
	}
	z := zones.Locate(s.zoneOptions(), r.phasesDone)
	for _, p := range z.Paths {
		out.Paths = append(out.Paths, Path{Where: p.Where, Includes: append([]string{}, p.Includes...), Leak: interval(p.Leak), Posterior: round3(p.Posterior)})
	}
	out.CannotTell = z.CannotTell
	for _, said := range z.Sentences {
		if said != z.CannotTell {
			out.Reasons = append(out.Reasons, said)
		}
	}
}

// verdictWords is the verdict as the journal tells it.
func verdictWords(where string, r *Result) string {
	leak := "no estimate"
	if r.Leak != nil {
		u := r.Leak.Unit
		leak = fmt.Sprintf("%.2f L/min ANR, between %.2f and %.2f (95 %%)", u.From(r.Leak.SI), u.From(r.Leak.Low), u.From(r.Leak.High))
	}
	return fmt.Sprintf("Leak-down test of the %s: %s after %.0f s. It leaks %s; limit %s.", where, r.Verdict, r.DecidedAt, leak, flowWords(r.Limit.SI))
}
