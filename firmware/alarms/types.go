// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"time"

	"airhold/firmware/findings"
)

// Priority is how an alarm is announced (hmi: consequence times time to respond).
type Priority uint8

// The priorities.
const (
	Low Priority = iota + 1
	Medium
	High
)

// String returns the word used in files and messages.
func (p Priority) String() string {
	switch p {
	case High:
		return "high"
	case Medium:
		return "medium"
	case Low:
		return "low"
	default:
		return "none"
	}
}

// MarshalText writes the word.
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// StateName is the state shown outside, derived from the four fields of State.
type StateName string

// The names of ISA-18.2 / IEC 62682 that airhold shows.
const (
	Normal          StateName = "normal"
	ActiveUnacked   StateName = "active_unacked"
	ActiveAcked     StateName = "active_acked"
	ReturnedUnacked StateName = "returned_unacked"
	LatchedAcked    StateName = "latched_acked"
	LatchedUnacked  StateName = "latched_unacked"
	Shelved         StateName = "shelved"
	Suppressed      StateName = "suppressed"
	OutOfService    StateName = "out_of_service"
)

// Visibility is the fourth field of an alarm's state.
type Visibility uint8

// The visibilities.
const (
	Shown Visibility = iota
	IsShelved
	IsSuppressed
	IsOutOfService
)

// State is the whole state of one alarm: four orthogonal fields (condition, acknowledgement, latch, visibility) and
// what people want to know about it.
type State struct {
	Key   findings.Key
	Where string

	Active     bool // condition, after delays and deadband
	Unacked    bool
	Latched    bool
	Visibility Visibility

	Sight    findings.Sight
	Needs    string        // why it cannot be seen
	Onset    time.Duration // when the raw condition first held
	Since    time.Duration // when the present state began
	Priority Priority
	Value    findings.Measure
	Limit    findings.Measure
	Detail   string

	ShelvedUntil time.Duration // boot clock, while shelved
	By           string        // who shelved it or took it out of service
	Why          string
	Rule         string // which rule suppresses it

	Group    string // key and place of the root of its group; empty: stands alone
	FirstOut bool   // the earliest onset of its group
	Standing bool   // active for more than a day and seen: it stands in a list of its own
	Silent   bool   // announced inside its root's place, or a note: without sound
	Announce uint32 // how often it has sounded since the start; a step up asks an outlet to sound it
	Damped   bool   // it chattered, so its off-delay is doubled for a while
	Seq      uint64 // number of its last transition
}

// Name derives the state shown outside.
func (s *State) Name() StateName {
	switch s.Visibility {
	case IsOutOfService:
		return OutOfService
	case IsSuppressed:
		return Suppressed
	case IsShelved:
		return Shelved
	case Shown:
	}
	switch {
	case s.Active && s.Unacked:
		return ActiveUnacked
	case s.Active:
		return ActiveAcked
	case s.Latched && s.Unacked:
		return LatchedUnacked
	case s.Latched:
		return LatchedAcked
	case s.Unacked:
		return ReturnedUnacked
	default:
		return Normal
	}
}

// Verb is what a person may tell the alarm engine.
type Verb string

// The verbs.
const (
	Ack      Verb = "ack"
	Shelve   Verb = "shelve"
	Unshelve Verb = "unshelve"
	Reset    Verb = "reset"
	TakeOut  Verb = "out-of-service"
	PutBack  Verb = "in-service"
	Note     Verb = "note"

	// CareDone records an item of the care list, Forget drops what was learned; Where names it. The engine refuses them as
	// alarms; the spine has them carried out beside it.
	CareDone Verb = "care-done"
	Forget   Verb = "forget"

	// TestStart, TestStep and TestStop are the leak-down test's; the engine refuses them, the spine hands them to the test.
	TestStart Verb = "test-start"
	TestStep  Verb = "test-step"
	TestStop  Verb = "test-stop"
)

// IsTest says whether a verb belongs to the leak-down test.
func (v Verb) IsTest() bool { return v == TestStart || v == TestStep || v == TestStop }

// IsCare says whether a verb belongs to the care list or to what was learned.
func (v Verb) IsCare() bool { return v == CareDone || v == Forget }

// Role is what a person may do.
type Role string

// The roles.
const (
	View    Role = "view"
	Operate Role = "operate"
	Service Role = "service"
)

// Command is what a person told the box.
type Command struct {
	ID    string        `json:"id"` // idempotence: a repeated id is answered as before
	Verb  Verb          `json:"verb"`
	Key   findings.Key  `json:"key"`
	Where string        `json:"where,omitempty"`
	For   time.Duration `json:"for,omitempty"` // how long to shelve, running time
	By    string        `json:"by"`
	Role  Role          `json:"role"`
	Via   string        `json:"via"` // "page", "cli"
	Why   string        `json:"why,omitempty"`
	Age   time.Duration `json:"age,omitempty"` // how old it was when it arrived; zero: just now

	Args map[string]string `json:"args,omitempty"` // of the leak-down test's verbs; "answer" of CareDone
}

// Answer is what the box says to a command.
type Answer struct {
	ID    string `json:"id"`
	OK    bool   `json:"ok"`
	Error string `json:"error,omitempty"` // a sentence for the person
}

// Transition is one change of one alarm's named state, or of its suppression, as the journal keeps it.
type Transition struct {
	Seq      uint64
	At       time.Duration
	From, To StateName
	State    State // after the transition
	Actor    string
	Role     Role
	Via      string
	Reason   string
}
