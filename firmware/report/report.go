// SPDX-License-Identifier: Apache-2.0

// Package report turns a finished leak-down test into paper: one sheet that a shop hands to the machine's owner, and its
// curve as a picture.
//
// Words: the sheet is one HTML file that stands alone (styles and drawing are inside, no script, nothing is fetched) and
// prints on one side of A4 or US Letter; the curve is the pressure as measured, the fit with its 95 % band, what cooling
// alone would do, and the edge of what still passes; an instrument is one channel the test rested on and who checked it
// against what; the budget is the list of what makes the leak uncertain.
//
// It computes no leak and judges nothing: it says what the test found, how sure that is and what it does not say. It
// reads no clock and no file. Text from outside (names, places, sentences) is escaped.
//
// Sources: flows at the reference of ISO 8778 (100 kPa, 20 degC, 65 %); uncertainty as in JCGM 100.
package report

import (
	"time"

	"airhold/firmware/leakdown/session"
)

// Input is all a report tells. Only Machine and Now are needed: what is missing is named as not recorded.
type Input struct {
	Machine   string
	Simulated bool      // stamps every part; Now.Simulated does so too
	When      time.Time // of the watch's start, shown in its own zone; zero: Now.At; without that "time not known"
	By        string    // who tested; empty: Now.By
	Place     string    // where the machine stood
	Software  string    // "airhold 1.2.0"

	Sure float64 // chance, 0..1, that the verdict pass or fail is right; 0: Now.Sure

	Instruments []Instrument
	Steps       []Step // in their order

	Now     session.Result
	Before  *session.Result  // the last judged test of the same place; nil: none
	Compare string           // one sentence about the two (State.Compare); empty: none
	History []session.Result // of the same place, newest first; the sheet has room for the first three
}

// Instrument is one channel the test rested on. Every text may be empty: the sheet says "not recorded".
type Instrument struct {
	Channel     string // "tank"
	Sensor      string // in words: "0 to 10 bar, ratiometric"
	Calibrated  string // date, "2026-03-14"
	Against     string // the reference instrument
	Uncertainty string // of the calibration, with unit: "±1.5 kPa"
}

// Step is one step of the test as it was done.
type Step struct {
	Words string    // "Fill", "Isolate"
	At    time.Time // when it was left; zero: not known
	Note  string    // "7 of 7 seen", "to 742 kPa"; may be empty
}
