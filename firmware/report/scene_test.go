// SPDX-License-Identifier: Apache-2.0

package report_test

import (
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/report"
	"airhold/sensors/units"
)

// The scene is an invented machine; its figures only have to hang together, none is a result.

func unit(code string, d units.Dim) units.Unit {
	switch code {
	case "kPa/min":
		return units.Unit{Code: code, Dim: d, Factor: 1000.0 / 60}
	default:
		u, err := units.ParseUnit(code, d)
		if err != nil {
			panic(err)
		}
		return u
	}
}

// measure takes numbers in its unit; low and high both zero: no interval.
func measure(code string, d units.Dim, ref units.Reference, v, low, high float64) *findings.Measure {
	u := unit(code, d)
	m := findings.Measure{SI: u.SI(v), Unit: u, Reference: ref}
	if low != 0 || high != 0 {
		m.Low, m.High = u.SI(low), u.SI(high)
	}
	return &m
}

func flow(v, low, high float64) *findings.Measure {
	return measure("L/min", units.FlowRate, units.ANR, v, low, high)
}

func pressure(v float64) *findings.Measure {
	return measure("kPa", units.Pressure, units.Gauge, v, 0, 0)
}

// curve falls by cooling (kPa, in tau seconds) and by rate kPa/s, for end seconds.
func curve(start, cooling, tau, rate, end float64) *session.Curve {
	c := &session.Curve{}
	cold := func(t float64) float64 { return start - cooling*(1-math.Exp(-t/tau)) }
	for t := 0.0; t <= end; t++ {
		c.Measured = append(c.Measured, [2]float64{t, cold(t) - rate*t + 0.4*math.Sin(7*t)})
		if math.Mod(t, 5) == 0 {
			band := 0.4 + 2*math.Exp(-t/20)
			c.Fit = append(c.Fit, [4]float64{t, cold(t) - rate*t, cold(t) - rate*t - band, cold(t) - rate*t + band})
			c.Cooling = append(c.Cooling, [2]float64{t, cold(t)})
			c.Limit = append(c.Limit, [2]float64{t, cold(t) - 0.13*t})
		}
	}
	return c
}

func tested(verdict string, leak float64) session.Result {
	return session.Result{
		Run: "2026-04-28-front-2", At: "2026-04-28T15:42:10-05:00", Zone: "front", Where: "front rank", By: "R. Okafor", Phases: 2, Verdict: verdict,
		Reasons:   []string{"The leak stays under the limit with a chance of 99.4 %."},
		DecidedAt: 110, Duration: 120, Start: pressure(310), Limit: flow(3, 0, 0), Leak: flow(leak, leak*0.6, leak*1.5),
		Drop:      measure("kPa/min", units.None, "", 3.5, 2.1, 5.2),
		NaiveDrop: measure("kPa/min", units.None, "", 27.4, 0, 0), Hole: measure("mm", units.Length, "", 0.131, 0.101, 0.16), Discharge: 0.61,
		HoldTime: measure("s", units.Time, "", 540, 360, 900), HoldTo: pressure(250),
		Dominant: "cooling of the air", Help: "Watching for three more minutes, or a thermometer strapped to the tank's wall.",
		Budget: []session.Term{
			{Words: "the rank's volume", U: flow(0.06, 0, 0)},
			{Words: "cooling of the air", U: flow(0.14, 0, 0)},
			{Words: "heat in the wall", U: flow(0.09, 0, 0)},
			{Words: "sensor and barometer", U: flow(0.01, 0, 0)},
			{Words: "noise", U: flow(0.004, 0, 0)},
		},
		Curve: curve(310, 18, 35, 0.02, 120),
	}
}

// full has every part that a report can have, each list longer than usual.
func full() report.Input {
	now := tested("pass", 0.41)
	now.Paths = []session.Path{
		{Where: "front rank", Includes: []string{"bags", "hoses", "fittings after the fill valve"}, Leak: flow(0.31, 0.1, 0.6), Posterior: 0.93},
		{Where: "front fill valve", Includes: []string{"the valve's seat"}, Leak: flow(0.1, 0.02, 0.25), Posterior: 0.71},
	}
	now.CannotTell = "Cannot tell the front fill valve from the tank side; vent the rank and watch once more to part them."
	now.Simulated = true
	before := tested("fail", 8.13)
	before.At, before.Curve = "2026-04-28T12:20:00-05:00", curve(310, 18, 35, 0.5, 120)
	before.Drop, before.Hole = measure("kPa/min", units.None, "", 70, 64, 77), measure("mm", units.Length, "", 0.59, 0.56, 0.61)
	before.HoldTime, before.NaiveDrop = measure("s", units.Time, "", 28, 25, 31), measure("kPa/min", units.None, "", 66, 0, 0)
	at := time.Date(2026, 4, 28, 15, 20, 0, 0, time.FixedZone("", -5*3600))
	in := report.Input{
		Machine: "Kettle Ridge 16", Simulated: true, When: at.Add(22 * time.Minute), By: "R. Okafor", Place: "shop, bay 2", Software: "airhold 0.1.0",
		Sure: 0.994, Now: now, Before: &before, Compare: "Better: the leak is smaller than before by 7.7 L/min ANR.",
		Instruments: []report.Instrument{
			{"tank", "0 to 10 bar, ratiometric, 16-bit converter", "2026-03-14", "dead-weight tester, shop no. 3", "±1.5 kPa"},
			{"front", "0 to 7 bar, ratiometric, 16-bit converter", "2026-03-14", "dead-weight tester, shop no. 3", "±1.2 kPa"},
			{"barometer", "300 to 1100 hPa", "", "", ""},
			{"wall", "strapped thermometer", "2026-03-02", "ice water", "±0.5 °C"},
		},
	}
	for i, w := range []string{"make safe", "fill", "isolate", "watch", "result"} {
		in.Steps = append(in.Steps, report.Step{Words: w, At: at.Add(time.Duration(i) * 5 * time.Minute), Note: []string{"7 of 7 seen", "to 312 kPa", "compressor off, valves shut", "120 s in 2 phases", ""}[i]})
	}
	for i := range 6 {
		h := tested([]string{"fail", "undecided", "invalid", "pass"}[i%4], 8.1-float64(i))
		h.At = at.AddDate(0, 0, -20*(i+1)).Format(time.RFC3339)
		in.History = append(in.History, h)
	}
	return in
}
