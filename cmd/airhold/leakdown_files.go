// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"airhold/config"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/report"
)

// The picture's size, dots; a wide sheet's.
const (
	pictureWidth  = 1600
	pictureHeight = 900
	curvePoints   = 240
)

// writeFiles writes the report and the picture that were asked for.
func (o *outcome) writeFiles(f *leakdownFlags, stderr io.Writer) error {
	if f.report == "" && f.png == "" {
		return nil
	}
	in := report.Input{
		Machine: o.machine.Name, When: o.rec.started(o.plan.zone), Software: "airhold " + version(), Now: o.paper(),
		Sure: max(o.result.Estimate.PassChance, o.result.Estimate.FailChance), Instruments: instruments(o.machine, o.plan.zone),
	}
	if f.report != "" {
		if err := writeMade(f.report, stderr, "report", func(w io.Writer) error { return report.HTML(w, in) }); err != nil {
			return err
		}
	}
	if f.png == "" {
		return nil
	}
	err := writeMade(f.png, stderr, "picture", func(w io.Writer) error { return report.CurvePNG(w, in, pictureWidth, pictureHeight) })
	if errors.Is(err, report.ErrNoCurve) {
		fmt.Fprintf(stderr, "%s was not written: this test left no curve to draw.\n", f.png)
		return nil
	}
	return err
}

// writeMade writes a file once all of it was made, so that a half one never stands there.
func writeMade(path string, stderr io.Writer, what string, draw func(io.Writer) error) error {
	var b bytes.Buffer
	if err := draw(&b); err != nil {
		return fmt.Errorf("the %s cannot be made: %w", what, err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil { //nolint:gosec // a report is there to be read by others
		return fmt.Errorf("the %s cannot be kept: %w", what, err)
	}
	fmt.Fprintf(stderr, "%s: written\n", path)
	return nil
}

func (r *recording) started(zone string) time.Time {
	if r.clock.IsZero() {
		return time.Time{}
	}
	return r.clock.Add(r.samples[zone][0].At)
}

// paper is the result as reports take it.
func (o *outcome) paper() session.Result {
	r := &o.result
	out := session.Result{
		Run: "recording", Zone: o.plan.zone, Where: r.Where, Phases: 1, Verdict: string(r.Verdict), Reasons: append(append([]string{}, r.Reasons...), o.rec.remarks...),
		DecidedAt: r.DecidedAt.Seconds(), Duration: r.Duration.Seconds(), Start: gaugeMeasure(r.StartPressure), Limit: flowMeasure(r.Limit),
		Discharge: r.Discharge, Budget: []session.Term{}, Simulated: o.machine.Simulated,
	}
	if t := o.rec.started(o.plan.zone); !t.IsZero() {
		out.At = t.UTC().Format(time.RFC3339)
	}
	if !math.IsNaN(r.NaiveDrop) {
		out.NaiveDrop = dropMeasure(leakdown.Interval{Value: r.NaiveDrop})
	}
	if len(r.Updates) > 0 {
		e := &r.Estimate
		out.Leak, out.Drop = leakMeasure(e.Leak), dropMeasure(e.Drop)
		out.Hole = &findings.Measure{SI: r.Hole.Value, Unit: unitOfHole(), Low: r.Hole.Low, High: r.Hole.High}
		if h := r.Hold; h.Known {
			m := &findings.Measure{SI: h.Value.Seconds(), Unit: seconds(0).Unit, Low: h.Low.Seconds(), High: h.High.Seconds()}
			if h.AtLeast {
				m.SI, m.High = m.Low, m.Low
			}
			out.HoldTime, out.HoldAtLeast, out.HoldTo = m, h.AtLeast, gaugeMeasure(h.Pressure)
		}
		out.Dominant, out.Help = r.Dominant.Words, r.Dominant.Help
		for _, t := range e.Budget {
			out.Budget = append(out.Budget, session.Term{Words: t.Words, U: flowMeasure(t.U)})
		}
	}
	if o.test != nil {
		c := curveOf(o.test)
		out.Curve = &c
	}
	return out
}

// curveOf is what is drawn, in kPa over seconds.
func curveOf(t *leakdown.Test) session.Curve {
	c := t.Curve(curvePoints, 0)
	out := session.Curve{Measured: [][2]float64{}, Fit: [][4]float64{}, Ahead: [][4]float64{}, Cooling: [][2]float64{}, Limit: [][2]float64{}}
	sec := func(d time.Duration) float64 { return math.Round(d.Seconds()*10) / 10 }
	kpa := func(p float64) float64 { return math.Round(p/10) / 100 }
	points := func(list []leakdown.Point) [][2]float64 {
		drawn := make([][2]float64, 0, len(list))
		for _, p := range list {
			drawn = append(drawn, [2]float64{sec(p.At), kpa(p.Pressure)})
		}
		return drawn
	}
	out.Measured, out.Cooling, out.Limit = points(c.Measured), points(c.Cooling), points(c.Limit)
	for _, b := range c.Fit {
		out.Fit = append(out.Fit, [4]float64{sec(b.At), kpa(b.Value), kpa(b.Low), kpa(b.Up)})
	}
	return out
}

// instruments lists the channels that a test of a zone rests on, as the machine file tells them.
func instruments(m *config.Machine, zone string) []report.Instrument {
	var out []report.Instrument
	for _, in := range inputs(m) {
		if in.zone != "" && in.zone != zone || in.role == rankTarget {
			continue
		}
		if in.role != zonePressure && in.role != barometerAir && in.role != wallHeat && in.role != airHeat {
			continue
		}
		c, ok := m.Channel(in.ch.ID)
		if !ok {
			continue
		}
		i := report.Instrument{Channel: c.ID}
		if t := c.ADC.Transducer; c.Kind == config.FromADC && t.High > t.Low {
			i.Sensor = fmt.Sprintf("%.4g to %.4g %s, %s", c.Unit.From(t.Low), c.Unit.From(t.High), report.UnitWords(c.Unit), t.Kind)
		} else if c.Kind == config.FromCAN {
			i.Sensor = "from the machine's bus"
		} else if c.Kind == config.FromCSV {
			i.Sensor = fmt.Sprintf("recorded column %s, %s", c.CSV.Column, report.UnitWords(c.CSV.Unit))
		}
		i.Calibrate(c.Calibrated.Date, c.Calibrated.Reference, c.Calibrated.Uncertainty, c.Calibrated.Unit)
		out = append(out, i)
	}
	return out
}
