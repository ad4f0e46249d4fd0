// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"time"

	"airhold/firmware/rig"
)

// What a season is drawn from: machines, days and sensors from firmware/rig/season_ranges.go, and what the machine file
// knows wrongly about them from here. The table prints both. All of it is common practice without a source.

// wrong says how far a machine file is from the machine, to either side.
type wrong struct {
	tank     float64 // of the volume
	rank     float64 // of a rank's volume
	stretch  float64 // of its stretch
	delivery float64 // of the delivery
	relief   float64 // of the relief valve's setting
	known    float64 // share of the files that give cut-in and cut-out, then within 10 kPa; the others have them learned
}

func wrongs() wrong {
	return wrong{tank: 0.03, rank: 0.10, stretch: 0.20, delivery: 0.10, relief: 0.01, known: 0.5}
}

// leakCase is one kind of leak of the table.
type leakCase struct {
	rank     bool
	size     float64 // L/min ANR, a tank's at 7 bar g, a rank's at 2 bar g
	bar, aim float64 // min, mean delay
}

// leakCases are the leaks, with what the delay must be and should be.
func leakCases() []leakCase {
	return []leakCase{
		{false, 2, 4, 2.5},
		{false, 5, 2, 1},
		{false, 10, 2, 1},
		{false, 20, 2, 0.7},
		{false, 40, 2, 0.7},
		{true, 5, 32, 15},
		{true, 10, 11, 6},
		{true, 20, 9, 4},
		{true, 40, 7, 3},
	}
}

func (c leakCase) words() string {
	if c.rank {
		return fmt.Sprintf("one rank +%g L/min", c.size)
	}
	return fmt.Sprintf("tank side +%g L/min", c.size)
}

// Leak days and days of a weak compressor.
const (
	leakDay     = 8.0 // h
	onsetFrom   = 2.5 // h; a leak begins somewhere from here ...
	onsetTo     = 4.5 // ... to here
	weakShare   = 0.2
	weakBar     = 3 * time.Hour
	eveningFrom = 15.0 // o'clock
	eveningTo   = 18.5
	nightHours  = 10.0
)

// nightLeaks are the leaks of the nights, L/min ANR at 7 and 2 bar g; a third of them is none.
func nightLeaks() span { return span{0.01, 3} }

// oddKinds are the days on which no leak may be raised whatever is wrong.
func oddKinds() []oddKind {
	somewhere := func(d dice, low, high float64) rig.Span {
		return rig.Span{At: hours(between2(d, 1, 6)), For: time.Duration(between2(d, low, high) * float64(time.Minute))}
	}
	return []oddKind{
		{"frozen acquisition, 2 to 20 min", func(d dice, o *rig.DayOptions) { o.Extra.Frozen = somewhere(d, 2, 20) }, false},
		{"a gap of 1 to 30 min", func(d dice, o *rig.DayOptions) { o.Extra.Gap = somewhere(d, 1, 30) }, false},
		{"the clock jumps an hour", func(dice, *rig.DayOptions) {}, true},
		{"tank sensor stuck, 5 to 60 min", func(d dice, o *rig.DayOptions) { o.Extra.Stuck = somewhere(d, 5, 60) }, false},
		{"tank sensor drifts, within 0.3 bar a day", func(d dice, o *rig.DayOptions) { o.Extra.Drift = between2(d, -30e3, 30e3) }, false},
		{"no barometer", func(_ dice, o *rig.DayOptions) { o.Extra.NoBaro = true }, false},
		{"the engine idles all day", func(_ dice, o *rig.DayOptions) { o.Extra.Idle = true }, false},
		{"parked in the sun all day", func(_ dice, o *rig.DayOptions) { o.Extra.Parked = true }, false},
		{"parked and filled from a shop line", func(d dice, o *rig.DayOptions) { o.Extra.Parked, o.Extra.Shop = true, somewhere(d, 10, 20) }, false},
		{"a first charge from empty", func(_ dice, o *rig.DayOptions) { o.Night.Leaks = everyLeak(20) }, false},
	}
}

// oddKind is one kind of odd day.
type oddKind struct {
	words string
	set   func(d dice, o *rig.DayOptions)
	jump  bool // the wall clock jumps
}

// printSeasonRanges writes what all is drawn from.
func printSeasonRanges(w io.Writer) {
	fmt.Fprintf(w, "\nranges (drawn evenly; * the least a season must have, the others are our own width)\n")
	column := 0
	for _, r := range rig.SeasonRanges() {
		mark := " "
		if r.Least {
			mark = "*"
		}
		fmt.Fprintf(w, "  %s %-48s %-24s", mark, r.Words, span{r.Low, r.High}.String()+" "+r.Unit)
		if column++; column%2 == 0 {
			fmt.Fprintln(w)
		}
	}
	if column%2 == 1 {
		fmt.Fprintln(w)
	}
	x := wrongs()
	fmt.Fprintf(w, "  the machine file is off by up to: tank %g %%, rank %g %%, stretch %g %%, delivery %g %%, relief %g %%; %g %% of the files give\n"+
		"  cut-in and cut-out within 10 kPa, the others have them learned\n",
		100*x.tank, 100*x.rank, 100*x.stretch, 100*x.delivery, 100*x.relief, 100*x.known)
	fmt.Fprintf(w, "  leaks begin at once, %g to %g h into a day of %g h; tank side at 7 bar g, front or rear rank at 2 bar g; ANR, beside the seeps\n",
		onsetFrom, onsetTo, leakDay)
	fmt.Fprintf(w, "  on days without a leak somebody does in the evening what the care list says\n")
	fmt.Fprintf(w, "  nights of %g h after an evening's work; each of tank and ranks a third without a leak, else %g to %g L/min, log-uniform;\n  no seeps in these nights\n",
		nightHours, nightLeaks().low, nightLeaks().high)
}
