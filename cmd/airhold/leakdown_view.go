// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"airhold/firmware/leakdown/session"
)

const (
	narrowest = 50 // columns: below, plain lines are printed
	widest    = 110
	curveRows = 10
	leftRoom  = 11 // for the scale
	rightRoom = 14 // for the names of the lines
)

// view draws a test under way: in place on a terminal, as plain lines elsewhere.
type view struct {
	shown shown
	width int    // columns of a terminal; 0: none
	fine  bool   // Braille dots and block signs can be shown
	block int    // lines that the next drawing goes over
	state string // the status line last said
	open  bool   // a status line stands without a line end
	told  int    // updates that were printed as plain lines
	phase int
}

// newView finds out what the output can show.
func newView(out io.Writer, s shown) view {
	v := view{shown: s}
	f, ok := out.(*os.File)
	if !ok || os.Getenv("TERM") == "dumb" {
		return v
	}
	width, ok := columns(f)
	if !ok {
		return v
	}
	if width == 0 { // a terminal that does not say
		width = 80
		if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil && n > 0 {
			width = n
		}
	}
	if width < narrowest {
		return v
	}
	v.width = min(width, widest)
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if text := strings.ToUpper(os.Getenv(name)); text != "" {
			v.fine = strings.Contains(text, "UTF-8") || strings.Contains(text, "UTF8")
			break
		}
	}
	return v
}

// clear leaves what was drawn and begins a new line.
func (v *view) clear(w io.Writer) {
	if v.open {
		fmt.Fprint(w, "\r\x1b[K")
	}
	v.open, v.block, v.state = false, 0, ""
}

// status keeps one line up to date. Elsewhere than on a terminal it is printed when more than its figures changed.
func (v *view) status(w io.Writer, text string) {
	if v.width > 0 {
		if letters := []rune(text); len(letters) >= v.width {
			text = string(letters[:v.width-1])
		}
		fmt.Fprintf(w, "\r%s\x1b[K", text)
		v.open = true
		return
	}
	bare := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r == '.' {
			return -1
		}
		return r
	}, text)
	if bare != v.state {
		v.state = bare
		fmt.Fprintln(w, text)
	}
}

// watch draws the watch.
func (v *view) watch(w io.Writer, s *session.State, c *session.Curve) {
	if v.width == 0 {
		v.watchLine(w, s)
		return
	}
	lines := append(v.curve(c), v.estimate(s)...)
	var b strings.Builder
	if v.open {
		b.WriteString("\r\x1b[K")
		v.open = false
	}
	if v.block > 0 {
		fmt.Fprintf(&b, "\x1b[%dA", v.block)
	}
	for _, text := range lines {
		fmt.Fprintf(&b, "%s\x1b[K\n", text)
	}
	for i := len(lines); i < v.block; i++ {
		b.WriteString("\x1b[K\n")
	}
	v.block = max(v.block, len(lines))
	fmt.Fprint(w, b.String())
}

// watchLine prints each new estimate as a line.
func (v *view) watchLine(w io.Writer, s *session.State) {
	if s.Phase != v.phase {
		v.phase, v.told = s.Phase, 0
		if s.Phase > 1 {
			v.told = len(s.Updates) // the second watch makes no estimates of its own
		}
	}
	for ; v.told < len(s.Updates); v.told++ {
		u := &s.Updates[v.told]
		if u.Leak != nil {
			fmt.Fprintf(w, "%6.0f s  leak %s %s, %s to %s; chance of pass %s, of fail %s\n", u.At,
				v.shown.leak(u.Leak.SI), v.shown.flowUnit(), v.shown.leak(u.Leak.Low), v.shown.leak(u.Leak.High), chance(u.Pass), chance(u.Fail))
		}
	}
}

// estimate is what stands below the curve: the leak with its band against the limit, and the chances.
func (v *view) estimate(s *session.State) []string {
	out := make([]string, 0, 5)
	now := fmt.Sprintf("  %.0f s watched", s.Seconds)
	if s.Pressure != nil {
		now += ", " + v.shown.pressureText(s.Pressure.SI)
	}
	if s.Cooling != nil && s.Lost != nil {
		now += fmt.Sprintf("; cooling took %s, the leak %s", v.shown.pressureText(s.Cooling.SI), v.shown.pressureText(max(s.Lost.SI, 0)))
	}
	out = append(out, v.fit(now))
	if s.Leak == nil || s.Limit == nil {
		return append(out, v.fit("  leak  not known yet: the first estimate comes after 15 s"), "", "", "  Ctrl-C stops the test")
	}
	sh := v.shown
	out = append(out, v.fit(fmt.Sprintf("  leak  %s %s, between %s and %s (95 %%)", sh.leak(s.Leak.SI), sh.flowUnit(), sh.leak(s.Leak.Low), sh.leak(s.Leak.High))))
	top := niceAbove(sh.flow.From(max(1.6*s.Limit.SI, 1.05*min(s.Leak.High, 20*s.Limit.SI))))
	out = append(out, v.fit("  "+v.scale(sh.flow.From(s.Leak.Low), sh.flow.From(s.Leak.SI), sh.flow.From(s.Leak.High), sh.flow.From(s.Limit.SI), top)))
	out = append(out, v.fit(v.chances(s.Pass)), v.fit("  the box stops by itself when it is sure; Ctrl-C stops the test"))
	return out
}

func (v *view) fit(text string) string {
	if letters := []rune(text); len(letters) > v.width-1 {
		return string(letters[:v.width-1])
	}
	return text
}

// scale draws an interval on a line from nothing to top, and the limit on it.
func (v *view) scale(low, value, high, limit, top float64) string {
	n := v.width - 24
	line := []rune(strings.Repeat(v.sign('─', '-'), n))
	at := func(x float64) int { return min(max(int(math.Round(x/top*float64(n-1))), 0), n-1) }
	for i := at(low); i <= at(high); i++ {
		line[i] = []rune(v.sign('━', '='))[0]
	}
	line[at(limit)] = []rune(v.sign('┃', '|'))[0]
	line[at(value)] = []rune(v.sign('●', 'o'))[0]
	return fmt.Sprintf("0 %s %s, %s limit", string(line), figure(top), v.sign('┃', '|'))
}

func (v *view) sign(fine, plain rune) string {
	if v.fine {
		return string(fine)
	}
	return string(plain)
}

// chances draws how sure the verdict is, from pass at the left to fail at the right.
func (v *view) chances(pass float64) string {
	n := v.width - 40
	k := min(max(int(math.Round(pass*float64(n))), 0), n)
	bar := strings.Repeat(v.sign('█', '#'), k) + strings.Repeat(v.sign('░', '.'), n-k)
	return fmt.Sprintf("  pass %12s %s %s fail", chance(pass), bar, chance(1-pass))
}

// niceAbove is a round number at or above x.
func niceAbove(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	ten := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8, 10} {
		if m*ten >= x*(1-1e-9) {
			return m * ten
		}
	}
	return 10 * ten
}

// curve draws pressure over time: what was measured, what cooling alone would have done, and the edge of what passes.
func (v *view) curve(c *session.Curve) []string {
	if c == nil || len(c.Measured) < 2 {
		return nil
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	end := math.Max(30, c.Measured[len(c.Measured)-1][0])
	for _, list := range [][][2]float64{c.Measured, c.Cooling, c.Limit} {
		for _, p := range list {
			if p[0] <= end {
				lo, hi = math.Min(lo, p[1]), math.Max(hi, p[1])
			}
		}
	}
	if hi-lo < 2 { // kPa: noise is no mountain
		lo, hi = (lo+hi)/2-1, (lo+hi)/2+1
	}
	k := newCanvas(v.width-leftRoom-rightRoom, curveRows, v.fine, end, lo, hi)
	k.line(c.Cooling, 4, '.')
	k.line(c.Limit, 2, '-')
	k.line(c.Measured, 1, 'o')
	names := make([]string, curveRows)
	k.name(names, c.Measured, "now")
	k.name(names, c.Limit, "limit")
	k.name(names, c.Cooling, "only cooling")
	out := make([]string, 0, curveRows+1)
	for i, row := range k.rows() {
		label := ""
		switch i {
		case 0:
			label = v.shown.pressureText(hi * 1e3)
		case curveRows - 1:
			label = v.shown.pressureText(lo * 1e3)
		}
		out = append(out, fmt.Sprintf("%*s %s%s %s", leftRoom-2, label, v.sign('│', '|'), row, names[i]))
	}
	foot := fmt.Sprintf("%.0f s", end)
	return append(out, strings.Repeat(" ", leftRoom-1)+"0"+fmt.Sprintf("%*s", v.width-leftRoom-rightRoom, foot))
}

// canvas is a small drawing of dots: two by four to a cell where Braille can be shown, else one.
type canvas struct {
	wide, high int // dots
	fine       bool
	end        float64
	lo, hi     float64
	dots       []rune // a dot's sign; 0: none
}

func newCanvas(cols, rows int, fine bool, end, lo, hi float64) *canvas {
	k := &canvas{wide: cols, high: rows, fine: fine, end: end, lo: lo, hi: hi}
	if fine {
		k.wide, k.high = 2*cols, 4*rows
	}
	k.dots = make([]rune, k.wide*k.high)
	return k
}

// row is the height of a pressure, in dots from above.
func (k *canvas) row(p float64) int {
	return min(max(int(math.Round((k.hi-p)/(k.hi-k.lo)*float64(k.high-1))), 0), k.high-1)
}

// line draws through points, every so many dots.
func (k *canvas) line(list [][2]float64, every int, sign rune) {
	last := -1
	for x := range k.wide {
		t := float64(x) / float64(k.wide-1) * k.end
		p, ok := between(list, t)
		if !ok {
			continue
		}
		y := k.row(p)
		if x%every == 0 {
			k.dots[y*k.wide+x] = sign
			for q := min(last+1, y); every == 1 && last >= 0 && q < y; q++ { // no holes in a steep line
				k.dots[q*k.wide+x] = sign
			}
		}
		last = y
	}
}

// between reads a line at time t.
func between(list [][2]float64, t float64) (float64, bool) {
	for i := 1; i < len(list); i++ {
		a, b := list[i-1], list[i]
		if t >= a[0] && t <= b[0] && b[0] > a[0] {
			return a[1] + (b[1]-a[1])*(t-a[0])/(b[0]-a[0]), true
		}
	}
	return 0, false
}

// name writes a line's name where it ends, or in the nearest free row.
func (k *canvas) name(names []string, list [][2]float64, text string) {
	p, ok := 0.0, false
	for i := len(list) - 1; i >= 0 && !ok; i-- {
		p, ok = list[i][1], list[i][0] <= k.end
	}
	if !ok {
		return
	}
	at := k.row(p) * len(names) / k.high
	for d := range names {
		for _, i := range []int{at - d, at + d} {
			if i >= 0 && i < len(names) && names[i] == "" {
				names[i] = text
				return
			}
		}
	}
}

// rows returns the drawing as text.
func (k *canvas) rows() []string {
	var out []string
	if !k.fine {
		for y := range k.high {
			row := make([]rune, k.wide)
			for x := range row {
				if row[x] = k.dots[y*k.wide+x]; row[x] == 0 {
					row[x] = ' '
				}
			}
			out = append(out, string(row))
		}
		return out
	}
	bits := [4][2]rune{{0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}}
	for y := 0; y < k.high; y += 4 {
		row := make([]rune, 0, k.wide/2)
		for x := 0; x < k.wide; x += 2 {
			cell := rune(0x2800)
			for dy := range 4 {
				for dx := range 2 {
					if k.dots[(y+dy)*k.wide+x+dx] != 0 {
						cell |= bits[dy][dx]
					}
				}
			}
			row = append(row, cell)
		}
		out = append(out, string(row))
	}
	return out
}
