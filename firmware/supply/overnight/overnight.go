// SPDX-License-Identifier: Apache-2.0

// Package overnight tells in the morning what the night has let out: no test is needed for it.
//
// Words: a place is still while nothing works on it: no compressor, no valve, no driving; its rest is how long that has
// been so. The evening is the newest still reading before the power went, kept over the night by Save; the morning is the
// mean of the first still minute of the next boot. A place held when its leak is small, and it lost when a good part of
// its air is gone. Warmth is the temperature of the air inside, taken from the wall of the tank where that is measured,
// else from the air around.
//
//	q = T0/p0*(n1 - n2)/dt    n = p*V/T    p absolute without its vapour, V m3, T K, dt s
//
// is the mean leak of the night, m3/s ANR. A tank is read while it still cools from its last run: the rest's own curve
// tells how far the air was above its wall. The interval holds the warmth at both ends, drift of the sensor, weather where
// no barometer is, vapour, and volume. A partial drain looks exactly like a leak, and a small charge like a smaller one.
//
// The package never asks for the time, rings nothing and drives nothing. Save is to be called at least once a minute:
// whatever happened between the last Save and the loss of power is not seen.
//
// Sources: pressure-change method with temperature (EN 1779 technique D, from memory), ANR after ISO 8778, uncertainty
// after JCGM 100. Widths without a source beside them are common practice, no source.
package overnight

import (
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
)

// Volume is one closed volume: the tank, or a rank that holds its air when the power goes.
type Volume struct {
	Name        string // as a reason names it
	Where       string // "tank", "front rank"
	Pressure    readings.Channel
	Volume      float64 // m3 at the pressure of the air around; 0: not known
	Uncertainty float64 // of Volume, 95 %, as a ratio; 0: 0.03
	Stretch     float64 // 1/Pa: relative growth of the volume with gauge pressure
	Holds       bool    // it keeps its air when the power goes; the tank always does
	Sensor      string  // names sensor and calibration: another one in the morning makes the night not known; may be empty
	FullScale   float64 // Pa, of the sensor; 0: 1 MPa
}

// Options says what holds, what tells how warm it is, and how the day of the calendar is told. SI; a channel that is not
// there is readings.NoChannel.
type Options struct {
	Volumes   []Volume // first the tank
	Wall      readings.Channel
	Ambient   readings.Channel
	Barometer readings.Channel
	Ignition  readings.Channel // 0 or 1
	Drive     readings.Channel // drive of the compressor, 1/s
	Speed     readings.Channel // m/s

	Around float64 // Pa absolute, taken where no barometer is; 0: 101325

	UTC   func(at time.Duration) (t time.Time, trusted bool) // of a moment of this boot, also an earlier one; nil: no clock
	Saved []byte                                             // what Save gave in the boot before; nil: nothing
	Notes findings.Notes                                     // nil: nobody listens
}

// Hold is what the night did to one place.
type Hold struct {
	Where   string
	From    findings.Measure // Pa gauge in the evening
	To      findings.Measure // and in the morning
	Cooling findings.Measure // Pa of the fall that temperature and weather explain, with its interval
	Lost    findings.Measure // Pa of the fall that they do not
	Leak    findings.Measure // m3/s ANR, mean over the night, with its interval
	Hours   float64          // between the two
	Known   bool
	Why     string // not known: why

	FromAt, ToAt     time.Time        // UTC; zero where no clock says
	WarmFrom, WarmTo findings.Measure // K taken for the air inside
	Warm             string           // what measured it: "tank wall" or "air"
	Rested           time.Duration    // since the last run or fill before From
}

// Word is the whole night in one word.
type Word string

// The words.
const (
	Held     Word = "held"
	Lost     Word = "lost"
	NotKnown Word = "not_known"
)

// Overnight watches for the night. It is owned by one goroutine.
type Overnight struct {
	held []Hold
}

// New makes a watch. Channels outside t count as not declared; Saved that cannot be read counts as none and is said so.
func New(o Options, t *readings.Table) *Overnight {
	return &Overnight{}
}

// Read takes one reading of any channel.
func (o *Overnight) Read(r readings.Reading) {}

// Tick lets a second pass.
func (o *Overnight) Tick(at time.Duration) {}

// Held returns what the night did, the tank first; empty until the first still minute of a boot is over. The caller does
// not change it.
func (o *Overnight) Held() []Hold { return o.held }

// State returns the night in one word, and for NotKnown why; the empty word while nothing is to be said.
func (o *Overnight) State() (word Word, why string) { return "", "" }

// Words returns the first line of the day; empty while nothing is to be said.
func (o *Overnight) Words() string { return "" }

// Learned implements findings.Keeper.
func (o *Overnight) Learned() []findings.Learned { return nil }

// Forget implements findings.Keeper.
func (o *Overnight) Forget(name string) bool { return false }

// Save implements findings.Keeper.
func (o *Overnight) Save() []byte { return nil }

// Evening is how a machine was left: what Seed makes Saved bytes of, for a simulated night.
type Evening struct {
	At        time.Time
	Wall      float64 // K; 0: not measured
	Ambient   float64 // K; 0: not measured
	Barometer float64 // Pa absolute; 0: not measured
	Left      []Left
}

// Left is one place in the evening.
type Left struct {
	Where    string
	Pressure float64       // as its channel reads, Pa
	Excess   float64       // K by which its air was warmer than what the warmth is taken from
	Doubt    float64       // K, standard uncertainty of Excess
	Rested   time.Duration // since the last run or fill
}

// Seed returns what Save would have kept of an evening.
func Seed(e Evening) []byte { return nil }
