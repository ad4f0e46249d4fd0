// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

const leakdownUsage = `airhold leakdown: does the closed-up air hold, how much does it leak, and how sure is that?

  airhold leakdown [--box URL] [--machine FILE] [--zone ZONE]              led step by step, by the running box
  airhold leakdown --machine FILE --readings FILE.csv [--zone ZONE]        on recorded readings
  airhold leakdown --machine FILE --phases CLOSED.csv,VENTED.csv           on recordings: which path leaks

Both kinds:
  --machine FILE           what the machine has
  --zone ZONE              tank (the default), or a rank by its name: front, rear
  --limit '3 L/min'        what may leak, L/min ANR at the test's start pressure (default: the machine file's, else 3)
  --report FILE.html       write the test's report there
  --json                   one JSON object a line; the last one is the summary

On recordings (a flag goes before the machine file and the notes in the recording):
  --readings FILE          a table: first column time, then channels (.gz and .zst are read as they are)
  --phases FILE,FILE       one table for each watch: everything closed, then the ranks vented
  --volume '40 L'          volume of the zone            --volume-uncertainty '3 %%'
  --barometer '100.1 kPa'  the air around, or --altitude '1500 m' (standard atmosphere)
  --ambient '22 Cel'       temperature of the air around
  --rested '60 min'        how long the compressor had been off
  --hold-to '330 kPa'      the pressure down to which the hold time is counted
  --start 0s --until 600s  the part of the recording that is the test
  --full                   go on to the end of the recording after the verdict
  --png FILE.png           a picture of the curve

Led by the box:
  --box URL                where it answers (default: the machine file's page.listen, else http://127.0.0.1:8080)
  --phases 2               watch twice, the second time with the ranks vented: tells where it leaks
  --by NAME                who makes the test
  --yes                    for scripts: takes every question as answered with yes, and every step as done

A test passes, fails, stays undecided or does not count (invalid). Each of them is a result: exit code 0.

%s
`

// leakdownCautions stand wherever the command sends somebody to the machine.
const leakdownCautions = `Compressed air can hurt. Park on level ground; engine off and key out unless a step needs the compressor; raised parts
lowered or blocked; nobody at the row units: bags move linkages when they fill or vent. Eye protection. Leak spray, never
a hand. Never loosen a fitting under pressure, never go above the tank's safe working pressure. The machine's manual,
local rules and licensed practice come first.`

// leakdownFlags is the command line of leakdown.
type leakdownFlags struct {
	machine, readings, phases, zone, box, by, report, png string

	limit, volume, volumeUncertainty, barometer, altitude, ambient, rested, holdTo *float64 // SI; nil: not given

	start, until    time.Duration
	full, json, yes bool
}

// runLeakdown is the leakdown command.
func runLeakdown(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	f := leakdownFlags{zone: "tank"}
	set := f.set()
	help := func(w io.Writer) { fmt.Fprintf(w, leakdownUsage, leakdownCautions) }
	if code, done := parseFlags(set, args, help, stdout, stderr); done {
		return code
	}
	recorded := f.readings != "" || f.phases != "" && f.phases != "1" && f.phases != "2"
	if problem := f.fit(recorded, named(set)); problem != "" {
		return wrongUsage("leakdown", stderr, "%s", problem)
	}
	var m *config.Machine
	if f.machine != "" {
		var code int
		if m, code = loadMachine(f.machine, stderr); m == nil {
			return code
		}
	}
	switch {
	case !recorded:
		return leakdownLive(ctx, m, &f, stdin, stdout, stderr)
	case f.readings != "":
		return leakdownRecorded(m, &f, stdout, stderr)
	default:
		return leakdownZones(m, &f, stdout, stderr)
	}
}

// set binds the flags.
func (f *leakdownFlags) set() *flag.FlagSet {
	set := flag.NewFlagSet("leakdown", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	for name, to := range map[string]*string{
		"machine": &f.machine, "readings": &f.readings, "phases": &f.phases, "zone": &f.zone, "box": &f.box, "by": &f.by,
		"report": &f.report, "png": &f.png,
	} {
		set.StringVar(to, name, *to, "")
	}
	for name, to := range map[string]struct {
		to  **float64
		dim units.Dim
	}{
		"limit": {&f.limit, units.FlowRate}, "volume": {&f.volume, units.Volume3}, "volume-uncertainty": {&f.volumeUncertainty, units.Ratio},
		"barometer": {&f.barometer, units.Pressure}, "altitude": {&f.altitude, units.Length}, "ambient": {&f.ambient, units.Temperature},
		"rested": {&f.rested, units.Time}, "hold-to": {&f.holdTo, units.Pressure},
	} {
		set.Func(name, "", func(text string) error {
			v, err := units.Parse(text, to.dim)
			if err != nil {
				return err
			}
			*to.to = &v.SI
			return nil
		})
	}
	for name, to := range map[string]*time.Duration{"start": &f.start, "until": &f.until} {
		set.Func(name, "", func(text string) (err error) {
			*to, err = parseSpan(text)
			return err
		})
	}
	for name, to := range map[string]*bool{"full": &f.full, "json": &f.json, "yes": &f.yes} {
		set.BoolVar(to, name, false, "")
	}
	return set
}

// named lists the flags that were set.
func named(set *flag.FlagSet) []string {
	var names []string
	set.Visit(func(f *flag.Flag) { names = append(names, f.Name) })
	return names
}

// parseSpan reads a length of time as Go writes it (90s, 1h30m) or as the machine file does (60 min).
func parseSpan(text string) (time.Duration, error) {
	if d, err := time.ParseDuration(strings.ReplaceAll(text, " ", "")); err == nil {
		return d, nil
	}
	v, err := units.Parse(text, units.Time)
	if err != nil || math.Abs(v.SI) > 9e9 {
		return 0, errors.New("write a time such as 90s, 10m or 1h30m")
	}
	return time.Duration(v.SI * float64(time.Second)), nil
}

// fit says what does not go together; empty when all does.
func (f *leakdownFlags) fit(recorded bool, set []string) string {
	only := func(names ...string) string {
		for _, n := range names {
			if slices.Contains(set, n) {
				return n
			}
		}
		return ""
	}
	less := func(v *float64, least float64) bool { return v != nil && !(*v >= least) }
	switch {
	case f.readings != "" && f.phases != "":
		return "--readings and --phases do not go together: name one recording with --readings, or one for each watch with --phases"
	case recorded && f.machine == "":
		return "say which machine: --machine FILE"
	case recorded && only("box", "by", "yes") != "":
		return fmt.Sprintf("--%s goes with a test that the box leads, not with a recording", only("box", "by", "yes"))
	case !recorded && only("volume", "volume-uncertainty", "barometer", "altitude", "ambient", "rested", "hold-to", "start", "until", "full", "png") != "":
		return fmt.Sprintf("--%s goes with a recording: name it with --readings FILE.csv", only("volume", "volume-uncertainty", "barometer", "altitude", "ambient", "rested", "hold-to", "start", "until", "full", "png"))
	case f.barometer != nil && f.altitude != nil:
		return "--altitude stands for --barometer: give one of them"
	case f.start < 0 || f.until < 0 || f.until > 0 && f.until <= f.start:
		return "--start and --until count from the first row, and --until comes after --start"
	case f.limit != nil && !(*f.limit > 0):
		return "--limit: nothing is tighter than no leak at all; write what may leak, such as '3 L/min'"
	case less(f.volumeUncertainty, 0), less(f.rested, 0), less(f.holdTo, 0):
		return "an uncertainty, a time of rest and a pressure to hold are not negative"
	}
	if f.altitude != nil {
		p, err := pneumatics.StandardPressure(units.Metres(*f.altitude))
		if err != nil {
			return "--altitude: " + err.Error()
		}
		v := float64(p)
		f.barometer = &v
	}
	return ""
}
