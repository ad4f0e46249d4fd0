// SPDX-License-Identifier: Apache-2.0

package report

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"strconv"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Errors of CurvePNG.
var (
	// ErrNoCurve says that the test left no curve to draw.
	ErrNoCurve = errors.New("no curve was kept of this test")
	// ErrSize says that a picture of this size is not drawn.
	ErrSize = errors.New("the picture's size is out of range")
)

// Sides of a picture in pixels: below, the letters cannot be read; above, a phone cannot open it.
const (
	leastWidth, leastHeight = 320, 200
	mostSide                = 4000
)

// CurvePNG writes the curve as a PNG of width by height pixels (320 by 200 to 4000 by 4000), on white, with its scale,
// the names of its lines, machine, place and time. Its error is ErrNoCurve where the test left none, ErrSize for another
// size, or the writer's.
func CurvePNG(w io.Writer, in Input, width, height int) error {
	if width < leastWidth || height < leastHeight || width > mostSide || height > mostSide {
		return fmt.Errorf("%w: %d by %d pixels; from %d by %d to %d by %d can be drawn",
			ErrSize, width, height, leastWidth, leastHeight, mostSide, mostSide)
	}
	em := max(9, min(math.Sqrt(float64(width)*float64(height))/38, float64(width)/32))
	p, ok := newPlot(&in, float64(width), float64(height), em, 3.6*em)
	if !ok {
		return ErrNoCurve
	}
	b := &brush{img: image.NewRGBA(image.Rect(0, 0, width, height)), faces: map[string]font.Face{}}
	draw.Draw(b.img, b.img.Bounds(), image.White, image.Point{}, draw.Src)
	for _, s := range p.shapes {
		b.shape(&s)
	}
	for _, l := range append(p.labels, head(&in, em)...) {
		if err := b.text(&l, float64(width)-l.At.x-0.5*em); err != nil {
			return err
		}
	}
	b.close()
	if err := png.Encode(w, b.img); err != nil {
		return fmt.Errorf("write the curve: %w", err)
	}
	return nil
}

// head is the picture's title: a picture travels without its sheet.
func head(in *Input, em float64) []label {
	v := in.view()
	second := v.When
	if in.simulated() {
		second = "SIMULATED, no real machine. " + second
	}
	return []label{
		{Text: v.Headline + ": " + v.Machine, At: point{0.8 * em, 1.5 * em}, Align: -1, Size: 1.2 * em, Bold: true, Ink: ink},
		{Text: second, At: point{0.8 * em, 2.9 * em}, Align: -1, Size: em, Ink: ink2},
	}
}

// brush draws shapes and letters on a picture.
type brush struct {
	img   *image.RGBA
	faces map[string]font.Face
}

func (b *brush) shape(s *shape) {
	half := max(s.Width, 1) / 2
	box := around(s.Points, half).Intersect(b.img.Bounds())
	if box.Empty() {
		return
	}
	moved := make([]point, len(s.Points))
	for i, p := range s.Points {
		moved[i] = point{p.x - float64(box.Min.X), p.y - float64(box.Min.Y)}
	}
	r := vector.NewRasterizer(box.Dx(), box.Dy()) // of this shape's own size: its cost goes with its area
	if s.Filled {
		polygon(r, moved)
	} else {
		for _, run := range dashed(moved, s.Dash) {
			stroke(r, run, half)
		}
	}
	r.Draw(b.img, box, image.NewUniform(rgb(s.Ink)), image.Point{})
}

// around is the rectangle of pixels that a line through ps can touch.
func around(ps []point, half float64) image.Rectangle {
	if len(ps) == 0 {
		return image.Rectangle{}
	}
	low, high := ps[0], ps[0]
	for _, p := range ps {
		low = point{min(low.x, p.x), min(low.y, p.y)}
		high = point{max(high.x, p.x), max(high.y, p.y)}
	}
	return image.Rect(int(math.Floor(low.x-half-1)), int(math.Floor(low.y-half-1)), int(math.Ceil(high.x+half+1)), int(math.Ceil(high.y+half+1)))
}

func polygon(r *vector.Rasterizer, ps []point) {
	for i, p := range ps {
		if i == 0 {
			r.MoveTo(float32(p.x), float32(p.y))
			continue
		}
		r.LineTo(float32(p.x), float32(p.y))
	}
	r.ClosePath()
}

// stroke adds a line as one quadrangle a piece and a round at each joint. All are wound the same way: where they overlap
// the rasterizer must not see a hole.
func stroke(r *vector.Rasterizer, ps []point, half float64) {
	for i := 1; i < len(ps); i++ {
		a, c := ps[i-1], ps[i]
		length := math.Hypot(c.x-a.x, c.y-a.y)
		if length == 0 {
			continue
		}
		n := point{-(c.y - a.y) / length * half, (c.x - a.x) / length * half}
		polygon(r, []point{{a.x - n.x, a.y - n.y}, {c.x - n.x, c.y - n.y}, {c.x + n.x, c.y + n.y}, {a.x + n.x, a.y + n.y}})
		if i < len(ps)-1 {
			polygon(r, circle(c, half))
		}
	}
}

// dashed cuts a line into the pieces that are drawn.
func dashed(ps []point, dash []float64) [][]point {
	if len(dash) == 0 || len(ps) < 2 {
		return [][]point{ps}
	}
	var out [][]point
	run, on, part, left := []point{ps[0]}, true, 0, dash[0]
	for i := 1; i < len(ps); i++ {
		at, to := ps[i-1], ps[i]
		for length := math.Hypot(to.x-at.x, to.y-at.y); length > left; length = math.Hypot(to.x-at.x, to.y-at.y) {
			at = point{at.x + (to.x-at.x)*left/length, at.y + (to.y-at.y)*left/length}
			if on {
				out = append(out, append(run, at))
			}
			run, on, part = []point{at}, !on, (part+1)%len(dash)
			left = dash[part]
		}
		left -= math.Hypot(to.x-at.x, to.y-at.y)
		run = append(run, to)
	}
	if on && len(run) > 1 {
		out = append(out, run)
	}
	return out
}

// text draws one line of letters, cut where it would leave the room it has.
func (b *brush) text(l *label, room float64) error {
	face, err := b.face(l)
	if err != nil {
		return err
	}
	words := l.Text
	if l.Align < 0 {
		for font.MeasureString(face, words) > fixed.Int26_6(room*64) && len(words) > 1 {
			words = cut(words, len([]rune(words))-1)
		}
	}
	x := l.At.x - float64(l.Align+1)/2*float64(font.MeasureString(face, words))/64
	d := font.Drawer{Dst: b.img, Src: image.NewUniform(rgb(l.Ink)), Face: face, Dot: fixed.Point26_6{X: fixed.Int26_6(x * 64), Y: fixed.Int26_6(l.At.y * 64)}}
	d.DrawString(words)
	return nil
}

func (b *brush) face(l *label) (font.Face, error) {
	key := fmt.Sprint(l.Bold, l.Size)
	if f, ok := b.faces[key]; ok {
		return f, nil
	}
	ttf := goregular.TTF
	if l.Bold {
		ttf = gobold.TTF
	}
	parsed, err := opentype.Parse(ttf)
	if err != nil {
		return nil, fmt.Errorf("read the built-in typeface: %w", err)
	}
	f, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: l.Size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return nil, fmt.Errorf("set the built-in typeface to %.1f: %w", l.Size, err)
	}
	b.faces[key] = f
	return f, nil
}

func (b *brush) close() {
	for _, f := range b.faces {
		_ = f.Close() // it only frees memory
	}
}

// rgb reads one of the inks.
func rgb(hex string) color.RGBA {
	v, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		return color.RGBA{A: 255}
	}
	return color.RGBA{R: uint8(v >> 16 & 255), G: uint8(v >> 8 & 255), B: uint8(v & 255), A: 255}
}
