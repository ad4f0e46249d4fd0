// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"airhold/config"
	"airhold/firmware/leakdown"
)

// outcome is a recorded test that was judged.
type outcome struct {
	machine *config.Machine
	rec     *recording
	plan    plan
	test    *leakdown.Test // nil where it could not begin
	result  leakdown.Result
}

// leakdownRecorded judges one recording.
func leakdownRecorded(m *config.Machine, f *leakdownFlags, stdout, stderr io.Writer) int {
	zone, rank, err := findZone(m, f.zone)
	if err != nil {
		return wrongUsage("leakdown", stderr, "--zone: %v", err)
	}
	rec, err := readRecording(f.readings, m, zone, f, stderr)
	if err != nil {
		fmt.Fprintf(stderr, "airhold leakdown: %s\n", fileWords(err))
		return exitRefused
	}
	p := newPlan(m, rec, zone, rank, f)
	o, err := judge(m, rec, p)
	if err != nil {
		return wrongUsage("leakdown", stderr, "%v", err)
	}
	if f.json {
		err = o.printJSON(stdout)
	} else {
		err = o.printWords(stdout)
	}
	if err == nil {
		err = o.writeFiles(f, stderr)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold leakdown: %v\n", err)
		return exitFailed
	}
	return exitOK
}

// judge runs the estimator over a recording. A volume that cannot be makes the test invalid; other figures that cannot be
// are the command line's fault and an error.
func judge(m *config.Machine, rec *recording, p plan) (*outcome, error) {
	o := &outcome{machine: m, rec: rec, plan: p}
	list := rec.samples[p.zone]
	invalid := func(reason string) {
		o.result = leakdown.Result{
			Where: p.setup.Where, Verdict: leakdown.Invalid, Reasons: []string{reason}, StartPressure: opening(list), Limit: orElse(p.setup.Limit, defaultLimit),
			Duration: list[len(list)-1].At - list[0].At, NaiveDrop: firstMinute(list), Discharge: p.setup.Discharge,
		}
	}
	if v := p.setup.Volume; !(v >= leastVolume) || v > mostVolume {
		invalid(fmt.Sprintf("A volume of %.4g L cannot be: between %.4g and %.4g L can be tested. Give the zone's volume with --volume or in the machine file.",
			v*1e3, leastVolume*1e3, mostVolume*1e3))
		return o, nil
	}
	test, err := leakdown.New(p.setup)
	if errors.Is(err, leakdown.ErrSetup) {
		return nil, err
	}
	if err != nil {
		return nil, err
	}
	if reason := rec.doubt(m, p.zone, p.setup.SafeWorking); reason != "" {
		invalid(reason)
		return o, nil
	}
	events := rec.events
	for i := range list {
		for len(events) > 0 && events[0].at <= list[i].At && !test.Done() {
			test.Disturb(events[0].what)
			events = events[1:]
		}
		if i > 0 && !test.Done() && list[i].At-list[i-1].At > longestGap {
			test.Disturb(leakdown.Disturbance(fmt.Sprintf("there is a gap of %s in the readings", long(list[i].At-list[i-1].At))))
		}
		if test.Done() {
			break
		}
		test.Add(list[i])
	}
	test.Close()
	o.test, o.result = test, test.Result()
	if start := o.result.StartPressure; start > p.setup.SafeWorking && p.setup.SafeWorking > 0 {
		o.rec.remark(fmt.Sprintf("The test began at %.0f kPa, above the safe working pressure of %.0f kPa that the machine file gives. Never charge that far: look at the plate, the relief valve and the sensor.",
			start/1e3, p.setup.SafeWorking/1e3))
	}
	return o, nil
}

const (
	leastVolume  = 0.2e-3 // m3
	mostVolume   = 2.0
	defaultLimit = 3e-3 / 60 // m3/s ANR

	longestGap = 24 * time.Hour // the estimator would count its way through a longer one, block by block
)

// firstMinute is the plain drop over the first minute, Pa/s, of a test that was not judged; not a number where there is none.
func firstMinute(list []leakdown.Sample) float64 {
	for i := range list {
		if d := list[i].At - list[0].At; d >= time.Minute && d < 75*time.Second {
			return (list[0].Pressure - list[i].Pressure) / d.Seconds()
		}
	}
	return nan()
}
