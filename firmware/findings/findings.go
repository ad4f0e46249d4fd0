// SPDX-License-Identifier: Apache-2.0

// Package findings holds what a check may say: which matter, where, what was seen, against which limit, how sure.
//
// Words: a finding is one statement of one check about one place at one time; its key is a row of the alarm
// catalogue, its place a word people use ("tank side", "front rank", "load_3"). A finding never decides to ring:
// delays, deadbands, suppression and priorities belong to firmware/alarms. A check whose input is missing or dead
// says Unseen and what it needs; it never says Normal.
package findings

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"airhold/sensors/units"
)

// Key names a matter; each is a row of the alarm catalogue.
type Key string

// Sense says on which side of the limit a value is bad.
type Sense uint8

// The senses.
const (
	Flag  Sense = iota // no limit: Active says it
	Above              // bad above the limit
	Below              // bad below the limit
)

// Sight says whether the check can see its matter at all.
type Sight uint8

// The sights.
const (
	Seen   Sight = iota // Value (or Active) means something
	Unseen              // an input is missing or dead: Needs says which
)

// Finding is one statement of a check. The alarm engine compares Value with Limit and applies the row's deadband; for
// a Flag it takes Active.
type Finding struct {
	Key    Key
	Where  string // place; empty where there is only one
	At     time.Duration
	Sense  Sense
	Sight  Sight
	Active bool    // for Flag
	Value  Measure // for Above and Below; for Flag what was seen, as evidence
	Limit  Measure
	Needs  string // for Unseen: what the machine would need, in the installer's words
	Detail string // one clause of evidence or the place's plug; a constant string, never built for each reading

	Since    time.Duration // when the matter began, by the check's own reckoning; 0: when it is first found
	Explains bool          // what the row calls its children follows from this one now, whenever they began
}

// Sink takes findings. Implementations are owned by one goroutine and must not keep it waiting.
type Sink interface{ Find(f Finding) }

// Measure is a quantity as contracts write it: SI inside, Unit outside, with an interval where it is an estimate.
type Measure struct {
	SI        float64
	Unit      units.Unit
	Reference units.Reference
	Low, High float64 // 95 % interval, SI; both zero: none
}

// IsZero reports whether m holds nothing.
func (m Measure) IsZero() bool { return m.Unit.IsZero() }

// Round rounds to six significant digits, so that a value prints alike on every processor.
func Round(v float64) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	s := strconv.FormatFloat(v, 'e', 5, 64)
	r, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return v
	}
	return r
}

type measureJSON struct {
	Value      float64         `json:"value"`
	Unit       string          `json:"unit"`
	Reference  units.Reference `json:"reference,omitempty"`
	Low        *float64        `json:"low,omitempty"`
	High       *float64        `json:"high,omitempty"`
	Confidence float64         `json:"confidence,omitempty"`
}

// MarshalJSON writes the contract's form: value, unit, reference, and for an estimate low, high and confidence. A
// zero Measure, or one whose value is no number, is null.
func (m Measure) MarshalJSON() ([]byte, error) {
	if m.IsZero() || math.IsNaN(m.SI) || math.IsInf(m.SI, 0) {
		return []byte("null"), nil
	}
	out := measureJSON{Value: Round(m.Unit.From(m.SI)), Unit: m.Unit.Code, Reference: m.Reference}
	if m.Low != 0 || m.High != 0 {
		lo, hi := Round(m.Unit.From(m.Low)), Round(m.Unit.From(m.High))
		out.Low, out.High, out.Confidence = &lo, &hi, 0.95
	}
	return json.Marshal(out)
}

// UnmarshalJSON reads what MarshalJSON wrote; null is the zero Measure. A unit that is none of ours is an error.
func (m *Measure) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*m = Measure{}
		return nil
	}
	var in measureJSON
	if err := json.Unmarshal(data, &in); err != nil {
		return err
	}
	u, ok := unitCoded(in.Unit)
	if !ok {
		return fmt.Errorf("a quantity in %q: no such unit", in.Unit)
	}
	*m = Measure{SI: u.SI(in.Value), Unit: u, Reference: in.Reference}
	if in.Low != nil && in.High != nil {
		m.Low, m.High = u.SI(*in.Low), u.SI(*in.High)
	}
	return nil
}

// unitCoded finds the unit that is written with a code.
func unitCoded(code string) (units.Unit, bool) {
	if code == "kPa/min" { // a fall of pressure: a word of reports, of no file
		return units.Unit{Code: code, Dim: units.None, Factor: 1000.0 / 60}, true
	}
	for d := units.Pressure; d <= units.Density; d++ {
		if u, err := units.ParseUnit(code, d); err == nil && u.Code == code {
			return u, true
		}
	}
	if code == "1" {
		return units.Preferred(units.None), true
	}
	return units.Unit{}, false
}
