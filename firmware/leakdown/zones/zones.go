// SPDX-License-Identifier: Apache-2.0

// Package zones tells from the pressures of the tank and of the ranks, watched together, which path of the air leaks.
//
// Words: a volume is the tank or one rank; a path is one way out of a volume: the tank side, the fill valve of a rank
// (from tank to rank), or a rank itself; a path is a class, because pressure cannot tell its parts apart; a watch is one
// stretch of time with everything shut; a flow is what left one volume, net, in one watch; rivals are answers that fit
// about as well and name other paths.
//
// # How to call it
//
//	out := zones.Analyse(zones.Options{Tank: setup, Ranks: ranks}, []zones.Recorded{closed, vented})
//
// with
//
//	func Analyse(o Options, watches []Recorded) Outcome
//
// where a Recorded has the readings of one watch by the volume's name ("tank", and the ranks' names). Live, a Watch
// takes the readings one by one and Close gives its Phase; Locate then judges the phases. Nothing is kept between calls.
//
// # How it judges
//
// Each path is a conductance after ISO 6358, whose critical ratio is only roughly known. Every set of no, one or two
// paths is fitted to the flows by least squares with flows that cannot be negative; a further path must gain 10 in
// chi-square. What the pressures cannot decide is said, with the step that would: one watch with everything closed sees a
// fill valve that passes into a leaking rank as a leak of the tank side, and only a second watch, with the ranks vented,
// tells.
//
// The package is pure: no clock, no I/O, no goroutine. It never moves air; people do, as the machine's manual says.
//
// Sources: ISO 6358 (flow through a restriction; ratio of real leaks from memory), mass balance of an ideal gas, JCGM 100
// (uncertainty). That filled rubber goes on stretching by a few per cent of its deflection per decade of time is from
// memory.
package zones

import (
	"time"

	"airhold/firmware/leakdown"
)

// TankName is the tank's key in readings and flows.
const TankName = "tank"

// PowerOff is what a rank's valves do without power, as the machine file declares it.
type PowerOff string

// What valves do without power. The empty word is Unknown.
const (
	Hold    PowerOff = "hold"
	Vent    PowerOff = "vent"
	Unknown PowerOff = "unknown"
)

// ShutOff is how a rank can be closed off, as the machine file declares it. The empty word is None.
type ShutOff string

// Ways to close a rank off.
const (
	ByHand ShutOff = "hand"
	None   ShutOff = "none"
)

// Options describe the machine. Pressures in Pa, volumes in m3, flows in m3/s ANR.
type Options struct {
	Tank      leakdown.Setup // the tank's test; Where and Full are set here
	Ranks     []Rank         // none to four
	Threshold float64        // m3/s ANR: a smaller leak is not reported; 0: 0.25 L/min
}

// Rank is one rank's bags and lines.
type Rank struct {
	Name               string  // "front": "front rank" and "front fill valve" in every answer
	Volume             float64 // m3 at VolumeAt
	VolumeAt           float64 // Pa gauge; 0: atmospheric pressure
	VolumeUncertainty  float64 // half width of a rectangular distribution, as a ratio; 0: 0.10
	Stretch            float64 // 1/Pa: growth with gauge pressure, as a share of Volume
	StretchUncertainty float64 // half width as a ratio of Stretch; 0: 0.2
	PowerOff           PowerOff
	ShutOff            ShutOff
}

// Recorded is what was read in one watch.
type Recorded struct {
	Name     string                       // for sentences: the file, or "first watch"
	Readings map[string][]leakdown.Sample // by TankName and the ranks' names; one common zero of time, never backwards
	Rested   map[string]time.Duration     // for each rank, how long it had rested at time zero since it was filled or vented; absent: not known
	Shut     []string                     // ranks whose hand valve was shut: nothing passes between tank and rank
}

// Flow is what left one volume in one watch, net: air that came in counts negative.
type Flow struct {
	Volume string
	Net    float64 // m3/s ANR; of the tank at the pressures of the start, of a rank at the mean ones
	U      float64 // standard uncertainty, of this watch alone, m3/s ANR
	Common float64 // standard uncertainty that all watches of the volume share (a warm wall), m3/s ANR
	Start  float64 // Pa absolute, when the watch began
	Mean   float64 // Pa absolute, over what was used
}

// Phase is one watch as flows.
type Phase struct {
	Name      string
	Barometer float64 // Pa absolute; 0: 101325
	Flows     []Flow  // the tank and every rank that was seen
	Shut      []string
	Notes     []string // sentences: what lowers the trust in this watch
	Remarks   []string // sentences that do not
	Duration  time.Duration
}

// Answer is the kind of an outcome.
type Answer string

// The answers.
const (
	Found      Answer = "found"       // the paths are named
	Nothing    Answer = "nothing"     // no leak above the threshold was seen
	CannotTell Answer = "cannot_tell" // rivals: Paths lists the paths of all of them
	NotJudged  Answer = "not_judged"  // the readings do not allow an answer
)

// Trust says whether something lowers the trust in an outcome.
type Trust string

// Trust in an outcome.
const (
	FullTrust  Trust = "full"
	LowerTrust Trust = "lower"
)

// Path is one place that leaks, or may.
type Path struct {
	Where     string            // "tank side", "front fill valve", "front rank"
	Includes  []string          // the parts that pressure cannot tell apart
	Leak      leakdown.Interval // m3/s ANR at the pressures at the start of watch Watch, 95 %
	Watch     int               // 1, or the first watch in which the path had pressure across it
	Posterior float64           // 0..1
	Into      string            // of a fill valve: the rank that takes the air; else empty
}

// Outcome is what the watches tell.
type Outcome struct {
	Answer     Answer
	Paths      []Path     // most probable first; empty when nothing leaks
	Sets       [][]string // the best set of paths and its rivals, by Where, best first
	CannotTell string     // "Cannot tell A from B.", with the step that would tell; empty where it can
	Step       string     // the step alone
	Trust      Trust
	Sentences  []string // for people, the main one first: findings, limits, reasons, cautions
	Missed     float64  // m3/s ANR: a single leak up to this may have been missed, 95 %
	ChiSquare  float64  // of the best set
	Freedom    int      // its degrees of freedom
	Phases     []Phase
}

const (
	litrePerMinute = 1e-3 / 60
	anrPressure    = 100e3 // Pa, ISO 8778
	anrKelvin      = 293.15
	defaultAir     = 101325.0
	maxRanks       = 4
)

// Analyse judges the readings of one or more watches.
func Analyse(o Options, watches []Recorded) Outcome {
	phases := make([]Phase, 0, len(watches))
	for _, r := range watches {
		w := NewWatch(o, r.Rested, r.Shut)
		for name, list := range r.Readings {
			for _, s := range list {
				w.Add(name, s)
			}
		}
		p := w.Close()
		p.Name = r.Name
		phases = append(phases, p)
	}
	return Locate(o, phases)
}
