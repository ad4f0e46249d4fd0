// SPDX-License-Identifier: Apache-2.0

// Package leakdown judges a leak-down test: a closed volume of air is watched, and from its falling pressure the package
// tells what cooling took and what a leak took, how sure that is, and whether the leak is below a limit.
//
// Words: a test is one closed volume from the first second after the air was shut in; an estimate is what is known at
// one time of it; the verdict is pass, fail, undecided or invalid; a signature is how this machine's air cools, learned
// from clean tests and used as the next test's prior; the budget is the list of uncertainties (JCGM 100).
//
// The package is pure: it is driven by the samples' own time, does no I/O and keeps no goroutine. It never judges what
// it should not: a rising pressure, a compressor start, a bad sensor or a gap end the test as invalid with the reason.
//
// Sources: physics of a cooling, leaking volume (mass and energy balance of an ideal gas), ISO 6358 (flow through a
// leak), JCGM 100 (uncertainty), Wald's sequential idea for the early verdict. NOTES.md says what was tried.
package leakdown

import (
	"time"
)

// Setup says what is tested and what is known beforehand. SI throughout; pressures are Pa, volumes m3, flows m3/s ANR,
// temperatures K. A zero field takes the default its comment names.
type Setup struct {
	Where              string  // "tank side", "front rank": the place in words
	Rank               bool    // bags: they stretch, start at 0.3 bar instead of 2 bar, and are judged after 3 min of rest only
	Volume             float64 // m3; of a rank at atmospheric pressure, or with VolumeAtStart at the test's start pressure
	VolumeUncertainty  float64 // half width of a rectangular distribution, as a ratio; 0: 0.03 (ranks 0.10)
	VolumeAtStart      bool    // Volume holds at the start pressure
	Stretch            float64 // 1/Pa: relative growth of the volume with gauge pressure
	StretchUncertainty float64 // as a ratio; 0: 0.2
	Barometer          float64 // Pa absolute; 0: 101325
	BarometerSD        float64 // Pa; 0: 1500
	Limit              float64 // m3/s ANR at the test's start pressure; 0: 3 L/min
	WallSD             float64 // K: how far the wall may be from the air around; 0: 10 K. 3 K after 60 min of rest out of the sun
	Ambient            float64 // K; 0: not known
	FullScale          float64 // Pa: the sensor's range, for noise and offset; 0: 1 MPa
	Discharge          float64 // coefficient of the hole a leak is compared with; 0: 0.61
	Needed             float64 // Pa gauge: hold time ends here; 0: not asked
	SafeWorking        float64 // Pa gauge: rated limit; a start above it is named in the reasons; 0: not known
	Signature          *Signature
	SinceFill          time.Duration // of a rank: from its last fill to the test's start; 0: not known
	Full               bool          // go on to the end of the data after the verdict
}

// Sample is one reading of the tested volume.
type Sample struct {
	At       time.Duration // any zero, never backwards
	Pressure float64       // Pa gauge
	Bad      bool          // the reading has no value (sensor fault, supply fault, out of band)
	Wall     float64       // K of the wall sensor; 0: none
	Ambient  float64       // K of the air around; 0: none
}

// Verdict is the outcome of a test.
type Verdict string

// The verdicts.
const (
	Measuring Verdict = "measuring"
	Pass      Verdict = "pass"
	Fail      Verdict = "fail"
	Undecided Verdict = "undecided"
	Invalid   Verdict = "invalid"
)

// Interval is a value with its 95 % interval.
type Interval struct{ Value, Low, High float64 }

// Term is one line of the uncertainty budget.
type Term struct {
	Key   string  // cooling, wall, volume, leak_shape, sensor, noise
	Words string  // "cooling of the air", "heat in the tank's wall" ...
	U     float64 // standard uncertainty, m3/s ANR
	Help  string  // what would make it smaller
}

// Estimate is what is known at one time of a test.
type Estimate struct {
	At         time.Duration // since the test's start
	Leak       Interval      // m3/s ANR at the test's start pressure
	Drop       Interval      // Pa/s at the start pressure, cooling removed, positive when falling
	PassChance float64       // that the leak is below the limit
	FailChance float64
	Verdict    Verdict // at this time
	Cooling    float64 // Pa the cooling has taken so far
	Lost       float64 // Pa the leak has taken so far
	Budget     []Term  // largest first
}

// Point is a pressure (Pa gauge) at a time since the test's start.
type Point struct {
	At       time.Duration
	Pressure float64
}

// Band is the fit at one time with its 95 % band.
type Band struct {
	At             time.Duration
	Value, Low, Up float64 // Pa gauge
}

// Curve is what a screen or a report draws. All are thinned to the number of points asked for.
type Curve struct {
	Measured []Point
	Fit      []Band  // from the start to the newest sample
	Ahead    []Band  // where the fit goes on
	Cooling  []Point // if there were only cooling
	Limit    []Point // cooling and a leak exactly at the limit: the edge of what passes
}

// Result is the outcome of a whole test.
type Result struct {
	Where         string
	Verdict       Verdict
	Reasons       []string      // sentences
	DecidedAt     time.Duration // since the start; 0 where nothing was decided
	Duration      time.Duration // watched
	StartPressure float64       // Pa gauge
	Limit         float64       // m3/s ANR
	Estimate      Estimate      // at the decision; with Full, or without one, the last
	NaiveDrop     float64       // Pa/s over the first minute; NaN where there is none
	Hole          Interval      // m, diameter
	Discharge     float64
	Hold          HoldTime
	Dominant      Term
	Updates       []Estimate
	Signature     *Signature // how the air cooled, where this test was clean enough to learn from; else nil
}

// HoldTime is how long the volume stays above a pressure.
type HoldTime struct {
	Known    bool          // a needed pressure was given and the leak is not zero
	AtLeast  bool          // the leak may be nothing: High means nothing
	Value    time.Duration // seconds as time
	Low      time.Duration
	High     time.Duration
	Pressure float64 // Pa gauge it has to hold
}

// Signature is how one volume's air cools: the posterior of the cooling's time constant (at 10 K of excess) and of its
// exponent, with the number of clean tests behind it.
type Signature struct {
	LogTau   float64 `json:"log_tau"`    // ln s
	LogTauSD float64 `json:"log_tau_sd"` // at least 0.15
	N        float64 `json:"exponent"`
	NSD      float64 `json:"exponent_sd"` // at least 0.05
	Slow     float64 `json:"slow_share"`
	SlowSD   float64 `json:"slow_share_sd"`
	Tests    int     `json:"tests"`
}

// Disturbance is something that spoils a test from outside the pressure itself.
type Disturbance string

// The disturbances a session or a recording can report. Each ends the test as invalid.
const (
	CompressorStarted Disturbance = "the compressor started"
	ValveMoved        Disturbance = "a valve moved"
	PlanterMoved      Disturbance = "the planter moved or was lowered"
	SupplyOff         Disturbance = "the sensors' supply is off or out of tolerance"
	SensorLost        Disturbance = "the pressure sensor gave no value"
)
