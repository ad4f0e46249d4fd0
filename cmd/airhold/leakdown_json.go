// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/sensors/units"
)

func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

func nan() float64 { return math.NaN() }

// The units of the answers.
func unitOfDrop() units.Unit  { return units.Unit{Code: "kPa/min", Dim: units.None, Factor: 1e3 / 60} }
func unitOfHole() units.Unit  { return units.Unit{Code: "mm", Dim: units.Length, Factor: 1e-3} }
func unitOfLitre() units.Unit { return units.Preferred(units.Volume3) }

func leakMeasure(v leakdown.Interval) *findings.Measure {
	return &findings.Measure{SI: v.Value, Unit: units.Preferred(units.FlowRate), Reference: units.ANR, Low: v.Low, High: v.High}
}

func flowMeasure(v float64) *findings.Measure {
	return &findings.Measure{SI: v, Unit: units.Preferred(units.FlowRate), Reference: units.ANR}
}

func gaugeMeasure(v float64) *findings.Measure {
	return &findings.Measure{SI: v, Unit: units.Preferred(units.Pressure), Reference: units.Gauge}
}

// change is a difference of pressures: it has no reference.
func changeMeasure(v float64) *findings.Measure {
	return &findings.Measure{SI: v, Unit: units.Preferred(units.Pressure)}
}

type estimateFields struct {
	At         *findings.Measure `json:"at"`
	Leak       *findings.Measure `json:"leak"`
	Drop       *findings.Measure `json:"drop"`
	Verdict    leakdown.Verdict  `json:"verdict"`
	PassChance float64           `json:"pass_chance"`
	FailChance float64           `json:"fail_chance"`
	Cooling    *findings.Measure `json:"cooling"`
	Lost       *findings.Measure `json:"lost"`
}

type estimateLine struct {
	Event string `json:"event"`

	estimateFields //nolint:embeddedstructfieldcheck // JSON keeps the order of the fields, and the event comes first
}

func fieldsOf(e *leakdown.Estimate) estimateFields {
	return estimateFields{
		At: seconds(e.At), Leak: leakMeasure(e.Leak), Drop: dropMeasure(e.Drop), Verdict: e.Verdict,
		PassChance: findings.Round(clampChance(e.PassChance)), FailChance: findings.Round(clampChance(e.FailChance)),
		Cooling: changeMeasure(e.Cooling), Lost: changeMeasure(e.Lost),
	}
}

// clampChance keeps a chance from being said with more digits than any model is worth.
func clampChance(p float64) float64 { return math.Round(min(max(p, 0), 1)*1e4) / 1e4 }

func dropMeasure(v leakdown.Interval) *findings.Measure {
	return &findings.Measure{SI: v.Value, Unit: unitOfDrop(), Low: v.Low, High: v.High}
}

// holeAnswer is the hole that would leak as much.
type holeAnswer struct {
	Value       float64 `json:"value"`
	Unit        string  `json:"unit"`
	Low         float64 `json:"low"`
	High        float64 `json:"high"`
	Confidence  float64 `json:"confidence"`
	Coefficient float64 `json:"discharge_coefficient"`
}

// holdAnswer is how long the air holds. Value is null where the leak may be nothing: then it is at least Low.
type holdAnswer struct {
	Value      *float64          `json:"value"`
	Unit       string            `json:"unit"`
	Low        float64           `json:"low"`
	High       *float64          `json:"high"`
	Confidence float64           `json:"confidence"`
	AtLeast    bool              `json:"at_least"`
	To         *findings.Measure `json:"to"`
	ToWords    string            `json:"to_words"`
}

type budgetLine struct {
	Key   string            `json:"key"`
	Words string            `json:"words"`
	U     *findings.Measure `json:"u"`
}

// judgement is what every summary of a test tells, of a recording and of a live one alike (contract of `leakdown --json`).
type judgement struct {
	Event      string            `json:"event"`
	Zone       string            `json:"zone"`
	Where      string            `json:"where"`
	Verdict    string            `json:"verdict"`
	Reasons    []string          `json:"reasons"`
	Start      any               `json:"start"`
	DecidedAt  any               `json:"decided_at"`
	Took       *findings.Measure `json:"took"`
	Watched    *findings.Measure `json:"duration"`
	Pressure   *findings.Measure `json:"start_pressure"`
	Limit      *findings.Measure `json:"limit"`
	Leak       *findings.Measure `json:"leak"`
	Drop       *findings.Measure `json:"drop"`
	NaiveDrop  *findings.Measure `json:"naive_drop"`
	PassChance *float64          `json:"pass_chance"`
	FailChance *float64          `json:"fail_chance"`
	Hole       *holeAnswer       `json:"hole"`
	Hold       *holdAnswer       `json:"hold_time"`
	Dominant   string            `json:"dominant_uncertainty"`
	Help       string            `json:"would_help"`
	Cautions   string            `json:"cautions"`
}

type leakdownSummary struct {
	judgement

	Machine   string                    `json:"machine"`
	Cooling   *findings.Measure         `json:"cooling"`
	Lost      *findings.Measure         `json:"lost"`
	Budget    []budgetLine              `json:"budget"`
	Volume    *findings.Measure         `json:"volume"`
	Barometer *findings.Measure         `json:"barometer"`
	Assumed   []string                  `json:"assumed"`
	NotSaid   []string                  `json:"not_said"`
	Updates   map[string]estimateFields `json:"updates"`
}

// when writes a time of the recording as the contract asks: UTC, or seconds where the recording has no clock.
func (r *recording) when(at time.Duration) any {
	if !r.clock.IsZero() {
		return r.clock.Add(at).UTC().Truncate(time.Millisecond).Format(time.RFC3339Nano)
	}
	return math.Round(at.Seconds()*1000) / 1000
}

func jsonLine(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// printJSON prints the estimates and the summary.
func (o *outcome) printJSON(w io.Writer) error {
	for i := range o.result.Updates {
		if err := jsonLine(w, estimateLine{"estimate", fieldsOf(&o.result.Updates[i])}); err != nil {
			return err
		}
	}
	return jsonLine(w, o.summary())
}

func (o *outcome) summary() *leakdownSummary {
	r, p := &o.result, &o.plan
	first := o.rec.samples[p.zone][0].At
	s := &leakdownSummary{
		Machine: o.machine.Name,
		judgement: judgement{
			Event: "summary", Zone: p.zone, Where: r.Where, Verdict: string(r.Verdict), Reasons: append([]string{}, r.Reasons...),
			Start: o.rec.when(first), Watched: seconds(r.Duration), Pressure: gaugeMeasure(r.StartPressure), Limit: flowMeasure(r.Limit),
			NaiveDrop: dropMeasure(leakdown.Interval{Value: r.NaiveDrop}), Cautions: oneLine(leakdownCautions),
		},
		Volume:    &findings.Measure{SI: p.setup.Volume, Unit: unitOfLitre()},
		Barometer: &findings.Measure{SI: orElse(p.setup.Barometer, 101325), Unit: units.Preferred(units.Pressure), Reference: units.Absolute},
		Assumed:   append([]string{}, p.assumed...), NotSaid: o.notSaid(), Updates: map[string]estimateFields{}, Budget: []budgetLine{},
	}
	s.Reasons = append(s.Reasons, o.rec.remarks...)
	if r.DecidedAt > 0 {
		s.DecidedAt, s.Took = o.rec.when(first+r.DecidedAt), seconds(r.DecidedAt)
	}
	if len(r.Updates) == 0 {
		return s
	}
	e := &r.Estimate
	pass, fail := findings.Round(clampChance(e.PassChance)), findings.Round(clampChance(e.FailChance))
	s.Leak, s.Drop, s.PassChance, s.FailChance = leakMeasure(e.Leak), dropMeasure(e.Drop), &pass, &fail
	s.Cooling, s.Lost = changeMeasure(e.Cooling), changeMeasure(e.Lost)
	s.Dominant, s.Help = r.Dominant.Words, r.Dominant.Help
	s.Hole = holeOf(r)
	s.Hold = o.hold()
	for _, t := range e.Budget {
		s.Budget = append(s.Budget, budgetLine{t.Key, t.Words, flowMeasure(t.U)})
	}
	for i := range r.Updates {
		s.Updates[strconv.Itoa(int(math.Round(r.Updates[i].At.Seconds())))] = fieldsOf(&r.Updates[i])
	}
	return s
}

func holeOf(r *leakdown.Result) *holeAnswer {
	h := r.Hole
	if math.IsNaN(h.Value) || math.IsNaN(h.Low) || math.IsNaN(h.High) {
		return nil
	}
	mm := func(v float64) float64 { return findings.Round(unitOfHole().From(v)) }
	return &holeAnswer{Value: mm(h.Value), Unit: "mm", Low: mm(h.Low), High: mm(h.High), Confidence: 0.95, Coefficient: r.Discharge}
}

func (o *outcome) hold() *holdAnswer {
	h := o.result.Hold
	if !h.Known {
		return nil
	}
	sec := func(d time.Duration) float64 { return findings.Round(math.Round(d.Seconds())) }
	a := &holdAnswer{Unit: "s", Low: sec(h.Low), Confidence: 0.95, AtLeast: h.AtLeast, To: gaugeMeasure(h.Pressure), ToWords: o.plan.holdTo}
	if h.Value > 0 {
		v := sec(h.Value)
		a.Value = &v
	}
	if !h.AtLeast {
		v := sec(h.High)
		a.High = &v
	}
	return a
}
