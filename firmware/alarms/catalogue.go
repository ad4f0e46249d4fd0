// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"time"

	"airhold/firmware/findings"
)

// Kind says how a row is brought to people.
type Kind uint8

// The kinds of row.
const (
	Announced Kind = iota // sounds and counts in the alarm rates
	ShopNote              // silent: nobody in the cab can do anything about it
	Reminder              // silent: care or set-up that is due
	PageMade              // made in the browser, which alone can notice it; the engine takes no finding for it
)

// String returns the word used in messages.
func (k Kind) String() string {
	switch k {
	case ShopNote:
		return "note"
	case Reminder:
		return "reminder"
	case Announced, PageMade:
	}
	return "announced"
}

// Place says from where a row's action may be done.
type Place string

// The places to act from.
const (
	FromSeat Place = "from the seat"
	Parked   Place = "parked"
)

// Suppressor is a rule that hides rows while it holds.
type Suppressor uint8

// The suppressors.
const (
	S1 Suppressor = iota + 1 // sensor supply off
	S2                       // CAN silent
	S3                       // planter raised, or slower than 0.5 m/s
	S4                       // a leak-down test is running
	S5                       // engine or compressor drive off
	S6                       // a sensor it is computed from is faulted
	S7                       // start-up (the engine's own hold; see Options.Hold)
	S8                       // engine cranking
)

// String says the rule in words.
func (s Suppressor) String() string {
	switch s {
	case S1:
		return "sensor supply off"
	case S2:
		return "CAN silent"
	case S3:
		return "planter raised or standing"
	case S4:
		return "leak-down test running"
	case S5:
		return "engine or compressor drive off"
	case S6:
		return "its sensor is faulted"
	case S7:
		return "just started"
	case S8:
		return "engine cranking"
	default:
		return "unknown rule"
	}
}

// The times in which a person should act.
const (
	AtOnce = 2 * time.Minute
	Soon   = 15 * time.Minute
	Today  = 24 * time.Hour
)

// Step gives a row another priority. All of its conditions that are set must hold; the first step that holds counts.
// Within one episode a priority only rises.
type Step struct {
	Priority  Priority
	Where     string  // this place only
	Planting  bool    // only while S3 does not hold
	OverLimit bool    // only while both value and limit are known and the value is above the limit
	Under     float64 // only while the value is known and under this, SI
}

// Row is one alarm of the catalogue.
type Row struct {
	Key   findings.Key
	Title string // noun and state; fits a line of a tablet
	Kind  Kind

	Condition   string
	Cause       string
	Consequence string
	Do          string // one imperative line
	Caution     string
	Where       Place
	Respond     time.Duration // AtOnce, Soon or Today
	Priority    Priority
	Steps       []Step

	Limit    string        // in words; the finding carries the number
	OnDelay  time.Duration // how long the raw condition must hold
	OffDelay time.Duration // how long it must be gone, beyond the deadband
	Deadband float64       // SI, around the limit; 0 for a flag
	Share    float64       // deadband as a share of the limit, where the limit is a learned quantity
	Latching bool          // stays until reset after it is gone

	Suppressors []Suppressor   // rules that hide it
	Inputs      []string       // places of sensors it is computed from, beside its own place; S6 there hides it
	Children    []findings.Key // what it explains when they start within the group window
	Raises      Suppressor     // rule that holds while it is active; 0 for none
	Hides       []findings.Key // rows that say less than this one does while it is active
}

// Catalogue returns every row, in the order in which lists show them. The values are our own starting points; a
// machine file may override delays, deadbands and priorities. Every call returns a fresh copy.
func Catalogue() []Row {
	var rows []Row
	rows = append(rows, airRows()...)
	rows = append(rows, compressorRows()...)
	rows = append(rows, workRows()...)
	rows = append(rows, waterRows()...)
	rows = append(rows, sensorRows()...)
	rows = append(rows, boxRows()...)
	return append(rows, reminderRows()...)
}
