// SPDX-License-Identifier: Apache-2.0

package report

import (
	"math"
	"slices"
	"strconv"

	"airhold/firmware/leakdown/session"
)

// The inks of the drawing. They differ in darkness as well, and no line is told by its hue alone: the sheet is often
// printed in black.
const (
	ink   = "#0E1418"
	ink2  = "#3A454D"
	edge  = "#86919A"
	faint = "#D3DADE"
	air   = "#00586E"
	fill  = "#D6E8EC"
)

// point is a place of the drawing, x to the right and y down.
type point struct{ x, y float64 }

// shape is a filled area (Filled) or a line of Width, with Dash lengths where it is broken.
type shape struct {
	Name   string // for tests and for people who read the file
	Points []point
	Filled bool
	Ink    string
	Width  float64
	Dash   []float64
}

// label is text on the drawing; Align is -1 (starts at At), 0 (centred) or 1 (ends there). At is on the baseline.
type label struct {
	Text  string
	At    point
	Align int
	Size  float64
	Bold  bool
	Ink   string
}

// plot is the drawing, ready for a pen of any kind.
type plot struct {
	width, height float64
	left, right   float64 // of the field that the curve has
	top, bottom   float64
	seconds       float64 // at the right edge
	low, high     float64 // kPa at bottom and top
	shapes        []shape
	labels        []label
	beforeLeftOut bool // the earlier curve began at another pressure
}

// series is one curve in seconds and kPa.
type series [][2]float64

// clean keeps the numbers that can be drawn, up to end.
func clean(in series, end float64) series {
	out := make(series, 0, len(in))
	for _, p := range in {
		if finite(p[0]) && finite(p[1]) && p[0] >= 0 && p[0] <= end {
			out = append(out, p)
		}
	}
	return out
}

// banding is a curve with its band: seconds, kPa, low, high.
type banding [][4]float64

func cleanBand(in banding, end float64) banding {
	out := make(banding, 0, len(in))
	for _, p := range in {
		if finite(p[0]) && finite(p[1]) && finite(p[2]) && finite(p[3]) && p[0] >= 0 && p[0] <= end {
			out = append(out, p)
		}
	}
	return out
}

func (b banding) middle() series {
	out := make(series, len(b))
	for i, p := range b {
		out[i] = [2]float64{p[0], p[1]}
	}
	return out
}

// drawable reports whether there is a curve to draw: two measured or fitted points at least.
func drawable(c *session.Curve) bool {
	return c != nil && (len(clean(c.Measured, math.Inf(1))) > 1 || len(cleanBand(c.Fit, math.Inf(1))) > 1)
}

// newPlot lays the curve out on width by height with letters of size em; false where there is nothing to draw.
func newPlot(in *Input, width, height, em, head float64) (*plot, bool) {
	c := in.Now.Curve
	if !drawable(c) {
		return nil, false
	}
	all := math.Inf(1)
	measured, fit := clean(c.Measured, all), cleanBand(c.Fit, all)
	end := 0.0
	for _, p := range append(slices.Clone(measured), fit.middle()...) {
		end = max(end, p[0])
	}
	if end <= 0 {
		return nil, false
	}
	cooling, limit := clean(c.Cooling, end), clean(c.Limit, end)
	var before series
	p := &plot{width: width, height: height, left: 4.2 * em, right: width - 7.6*em, top: head + 0.9*em, bottom: height - 3*em}
	if in.Before != nil && drawable(in.Before.Curve) {
		before = beforeSeries(in.Before.Curve, end)
		start := slices.Concat(measured, fit.middle())[0][1]
		if len(before) < 2 || math.Abs(before[0][1]-start) > max(10, 0.03*math.Abs(start)) {
			before, p.beforeLeftOut = nil, true
		}
	}
	p.scale(end, measured, fit, cooling, limit, before)
	p.axes(em)
	p.band(fit)
	p.line("edge of the limit", limit, shape{Ink: ink, Width: 0.12 * em, Dash: []float64{0.75 * em, 0.3 * em, 0.12 * em, 0.3 * em}})
	p.line("if only cooling", cooling, shape{Ink: ink2, Width: 0.1 * em, Dash: []float64{0.12 * em, 0.3 * em}})
	p.line("before", before, shape{Ink: ink2, Width: 0.09 * em})
	p.line("fit", fit.middle(), shape{Ink: air, Width: 0.26 * em})
	p.dots(measured, em)
	p.names(em, []named{
		{"now", last(fit.middle(), measured), true},
		{"only cooling", last(cooling), false},
		{"limit", last(limit), false},
		{"before", last(before), false},
	})
	return p, true
}

// beforeSeries is the earlier curve: its fit, or where there is none its readings.
func beforeSeries(c *session.Curve, end float64) series {
	if f := cleanBand(c.Fit, end).middle(); len(f) > 1 {
		return f
	}
	return clean(c.Measured, end)
}

// last returns the end of the first series that has one; NaN where none has.
func last(all ...series) float64 {
	for _, s := range all {
		if len(s) > 1 {
			return s[len(s)-1][1]
		}
	}
	return math.NaN()
}

// scale finds the range of pressure that shows everything.
func (p *plot) scale(end float64, measured series, fit banding, others ...series) {
	low, high := math.Inf(1), math.Inf(-1)
	see := func(v float64) { low, high = min(low, v), max(high, v) }
	for _, q := range fit {
		see(q[2])
		see(q[3])
		see(q[1])
	}
	for _, s := range append(others, measured) {
		for _, q := range s {
			see(q[1])
		}
	}
	room := max(0.04*(high-low), 0.5)
	p.seconds, p.low, p.high = end, low-room, high+room
}

func (p *plot) place(s, kPa float64) point {
	return point{
		p.left + (p.right-p.left)*s/p.seconds,
		p.bottom - (p.bottom-p.top)*(kPa-p.low)/(p.high-p.low),
	}
}

// axes draws the scale: pressure by thin lines with numbers, seconds along the ground line.
func (p *plot) axes(em float64) {
	n := int(max(2, (p.bottom-p.top)/(2.6*em)))
	step := tidy((p.high - p.low) / float64(n))
	for v := math.Ceil(p.low/step) * step; v <= p.high; v += step {
		at := p.place(0, v)
		p.shapes = append(p.shapes, shape{Name: "scale", Points: []point{at, {p.right, at.y}}, Ink: faint, Width: 0.08 * em})
		p.text(tick(v, step), point{p.left - 0.6*em, at.y + 0.36*em}, 1, em, false)
	}
	p.shapes = append(p.shapes, shape{Name: "ground line", Points: []point{{p.left, p.bottom}, {p.right, p.bottom}}, Ink: edge, Width: 0.1 * em})
	if p.right-p.left > 24*em {
		p.text("dots: readings; thick line: the fit in its 95 % band", point{p.right, p.top - 0.45*em}, 1, 0.9*em, false)
	}
	p.text("kPa", point{p.left - 0.6*em, p.top - 0.45*em}, 1, em, false)

	unit, factor := " s", 1.0
	if p.seconds > 300 {
		unit, factor = " min", 60
	}
	n = int(max(2, (p.right-p.left)/(6*em)))
	step = tidy(p.seconds / factor / float64(n))
	for v := 0.0; v*factor <= p.seconds*1.0001; v += step {
		at := p.place(v*factor, p.low)
		p.shapes = append(p.shapes, shape{Name: "tick", Points: []point{at, {at.x, at.y + 0.3*em}}, Ink: edge, Width: 0.1 * em})
		words := tick(v, step)
		if (v+step)*factor > p.seconds*1.0001 {
			words += unit
		}
		p.text(words, point{at.x, at.y + 1.4*em}, 0, em, false)
	}
	p.text("after the air was shut in", point{(p.left + p.right) / 2, p.height - 0.5*em}, 0, em, false)
}

// tidy rounds a step up to 1, 2 or 5 times a power of ten.
func tidy(step float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(step)))
	for _, m := range []float64{1, 2, 5} {
		if step <= m*power*1.0001 {
			return m * power
		}
	}
	return 10 * power
}

func tick(v, step float64) string {
	n := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	return strconv.FormatFloat(math.Round(v/step)*step+0, 'f', min(n, 6), 64)
}

func (p *plot) text(s string, at point, align int, size float64, bold bool) {
	colour := ink2
	if bold {
		colour = ink
	}
	p.labels = append(p.labels, label{Text: s, At: at, Align: align, Size: size, Bold: bold, Ink: colour})
}

func (p *plot) line(name string, s series, with shape) {
	if len(s) < 2 {
		return
	}
	with.Name = name
	for _, q := range s {
		with.Points = append(with.Points, p.place(q[0], q[1]))
	}
	p.shapes = append(p.shapes, with)
}

// band draws the 95 % band of the fit.
func (p *plot) band(fit banding) {
	if len(fit) < 2 {
		return
	}
	var points []point
	for _, q := range fit {
		points = append(points, p.place(q[0], q[3]))
	}
	for _, q := range slices.Backward(fit) {
		points = append(points, p.place(q[0], q[2]))
	}
	p.shapes = append(p.shapes,
		shape{Name: "95 % band", Points: points, Filled: true, Ink: fill},
		shape{Name: "edge of the band", Points: append(points, points[0]), Ink: edge, Width: 0.6})
}

// dots draws the readings, as many as stay apart from each other: a line through them would hide a gap.
func (p *plot) dots(measured series, em float64) {
	size := 0.17 * em
	nearest := math.Inf(-1)
	for _, q := range measured {
		at := p.place(q[0], q[1])
		if at.x-nearest < 5*size {
			continue
		}
		nearest = at.x
		p.shapes = append(p.shapes, shape{Name: "measured", Points: circle(at, size), Filled: true, Ink: ink})
	}
}

// circle is a polygon that looks round at this size.
func circle(at point, r float64) []point {
	const corners = 12
	out := make([]point, corners)
	for i := range out {
		a := 2 * math.Pi * float64(i) / corners
		out[i] = point{at.x + r*math.Cos(a), at.y + r*math.Sin(a)}
	}
	return out
}

// named is the end of a curve that wants its name beside it.
type named struct {
	name  string
	value float64
	bold  bool
}

// names writes the curves' names at their ends, pushed apart where they would lie on each other.
func (p *plot) names(em float64, ends []named) {
	ends = slices.DeleteFunc(ends, func(e named) bool { return !finite(e.value) })
	slices.SortStableFunc(ends, func(a, b named) int {
		switch {
		case a.value > b.value:
			return -1
		case a.value < b.value:
			return 1
		default:
			return 0
		}
	})
	gap := 1.25 * em
	at := make([]float64, len(ends))
	for i, e := range ends {
		at[i] = p.place(p.seconds, e.value).y
		if i > 0 {
			at[i] = max(at[i], at[i-1]+gap)
		}
	}
	for i := len(at) - 1; i >= 0; i-- {
		floor := p.bottom + 0.3*em
		if i < len(at)-1 {
			floor = at[i+1] - gap
		}
		at[i] = min(at[i], floor)
	}
	for i, e := range ends {
		end := p.place(p.seconds, e.value)
		p.shapes = append(p.shapes, shape{Name: "leader", Points: []point{{end.x + 0.15*em, end.y}, {end.x + 0.75*em, at[i]}}, Ink: edge, Width: 0.07 * em})
		p.text(e.name, point{p.right + em, at[i] + 0.36*em}, -1, em, e.bold)
	}
}
