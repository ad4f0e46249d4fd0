// SPDX-License-Identifier: Apache-2.0

// Package session leads a person through a leak-down test on the machine: make safe, fill, isolate, watch, result. It is
// a pure state machine, driven by readings, ticks and the person's commands in their order, so that a replay of the log
// repeats the test.
//
// Words: a step is one of the five; a tick is one line the person has walked round and seen; a condition is what the box
// checks by itself before a step may be left; a phase is one watch (a second one, with the ranks vented, tells paths
// apart that look alike in the first); a disturbance voids the test.
//
// It never drives anything: the person charges, closes and vents, as the machine's manual says.
package session

import "airhold/firmware/findings"

// Step is one of the five steps.
type Step string

// The steps, in their order.
const (
	MakeSafe Step = "make_safe"
	Fill     Step = "fill"
	Isolate  Step = "isolate"
	Watch    Step = "watch"
	Done     Step = "result"
)

// State is the whole test as screens see it: the CLI, the HTTP API, MQTT (topic test/{run}) and the page share it.
type State struct {
	Run     string            `json:"run"`  // id of this test; [a-z0-9-]
	Zone    string            `json:"zone"` // tank, front, rear: as the person asked
	Where   string            `json:"where"`
	Step    Step              `json:"step"`
	Phase   int               `json:"phase"`  // 1 or 2
	Phases  int               `json:"phases"` // how many were asked for
	By      string            `json:"by,omitempty"`
	Started string            `json:"started,omitempty"` // RFC 3339; absent without a clock
	Limit   *findings.Measure `json:"limit"`             // L/min ANR

	Ticks      []Tick      `json:"ticks"`      // of make safe
	Left       int         `json:"left"`       // ticks still open
	Conditions []Condition `json:"conditions"` // what the box checks in this step
	CanGo      bool        `json:"can_go"`     // next is allowed now
	Next       string      `json:"next"`       // words for the button: "Next: fill"; empty where the box goes on by itself
	Do         []string    `json:"do"`         // what to do in this step
	Hear       string      `json:"hear,omitempty"`
	Cautions   []string    `json:"cautions"`

	Pressure *findings.Measure `json:"pressure"` // of the zone, now; null while not seen
	Target   *findings.Measure `json:"target"`   // to fill to
	Safe     *findings.Measure `json:"safe"`     // safe working pressure of the tank

	Seconds  float64           `json:"seconds"`   // watched so far
	Leak     *findings.Measure `json:"leak"`      // with its interval; null before the first estimate
	Drop     *findings.Measure `json:"drop"`      // kPa/min, cooling removed
	Pass     float64           `json:"pass"`      // chance, 0..1
	Fail     float64           `json:"fail"`      // chance, 0..1
	Cooling  *findings.Measure `json:"cooling"`   // kPa taken by cooling so far
	Lost     *findings.Measure `json:"lost"`      // kPa taken by the leak so far
	Updates  []Update          `json:"updates"`   // the band over time
	HeldBack bool              `json:"held_back"` // air alarms are held back

	Verdict string   `json:"verdict"` // measuring, pass, fail, undecided, invalid, stopped
	Reasons []string `json:"reasons"`
	Result  *Result  `json:"result,omitempty"`  // from the step "result" on
	Before  *Result  `json:"before,omitempty"`  // the last judged test of the same place
	Compare string   `json:"compare,omitempty"` // one sentence: better, worse, no clear change
}

// Tick is one line of make safe.
type Tick struct {
	ID   string `json:"id"`
	Text string `json:"text"`
	Note string `json:"note,omitempty"`
	Done bool   `json:"done"`
}

// Condition is one thing the box checks.
type Condition struct {
	ID   string `json:"id"`
	Text string `json:"text"`          // "compressor off"
	Sees string `json:"sees"`          // "0 /min drive", "742 kPa": what it sees now; "not seen" where it cannot
	Met  string `json:"met"`           // yes, no, not_seen
	Why  string `json:"why,omitempty"` // what to do where it is not met
}

// Update is one estimate of the watch.
type Update struct {
	At   float64           `json:"at"` // s
	Leak *findings.Measure `json:"leak"`
	Pass float64           `json:"pass"`
	Fail float64           `json:"fail"`
}

// Result is a finished test, as history, report and comparison keep it.
type Result struct {
	Run         string            `json:"run"`
	At          string            `json:"at,omitempty"` // RFC 3339 of the watch's start
	Zone        string            `json:"zone"`
	Where       string            `json:"where"`
	By          string            `json:"by,omitempty"`
	Phases      int               `json:"phases"`
	Verdict     string            `json:"verdict"`
	Reasons     []string          `json:"reasons"`
	DecidedAt   float64           `json:"decided_at"` // s
	Duration    float64           `json:"duration"`   // s
	Start       *findings.Measure `json:"start"`      // pressure
	Limit       *findings.Measure `json:"limit"`
	Leak        *findings.Measure `json:"leak"`
	Drop        *findings.Measure `json:"drop"`
	NaiveDrop   *findings.Measure `json:"naive_drop"`
	Hole        *findings.Measure `json:"hole"` // mm
	Discharge   float64           `json:"discharge"`
	HoldTime    *findings.Measure `json:"hold_time"`     // s
	HoldAtLeast bool              `json:"hold_at_least"` // the upper end is open
	HoldTo      *findings.Measure `json:"hold_to"`       // pressure it has to hold
	Dominant    string            `json:"dominant_uncertainty"`
	Help        string            `json:"help,omitempty"` // what would narrow it
	Paths       []Path            `json:"paths,omitempty"`
	CannotTell  string            `json:"cannot_tell,omitempty"` // "cannot tell A from B", with the step that would tell
	Budget      []Term            `json:"budget"`
	Sure        float64           `json:"sure,omitempty"` // chance, 0..1, that a verdict of pass or fail is right
	Steps       []Stage           `json:"steps,omitempty"`
	Curve       *Curve            `json:"curve,omitempty"`
	Simulated   bool              `json:"simulated,omitempty"`
}

// Stage is one step of a test as it was done.
type Stage struct {
	Words string `json:"words"`
	At    string `json:"at,omitempty"` // RFC 3339: when it was left
	Note  string `json:"note,omitempty"`
}

// Term is one line of the uncertainty budget.
type Term struct {
	Words string            `json:"words"`
	U     *findings.Measure `json:"u"`
}

// Path is one place that leaks, as the zones tell it.
type Path struct {
	Where     string            `json:"where"`    // a class: tank side, front fill valve, front rank
	Includes  []string          `json:"includes"` // parts pressure cannot tell apart
	Leak      *findings.Measure `json:"leak"`
	Posterior float64           `json:"posterior"`
}

// Curve is what is drawn, in kPa gauge over seconds; topic test/{run}/curve and GET /api/test/curve carry it.
type Curve struct {
	Run      string       `json:"run,omitempty"`
	Measured [][2]float64 `json:"measured"` // [s, kPa]
	Fit      [][4]float64 `json:"fit"`      // [s, kPa, low, high]
	Ahead    [][4]float64 `json:"ahead"`
	Cooling  [][2]float64 `json:"cooling"` // if there were only cooling
	Limit    [][2]float64 `json:"limit"`   // the edge of what passes
}
