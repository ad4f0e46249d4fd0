// SPDX-License-Identifier: Apache-2.0

package report_test

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"testing"

	"airhold/firmware/report"
)

func picture(t *testing.T, in report.Input, width, height int) image.Image {
	t.Helper()
	var b bytes.Buffer
	if err := report.CurvePNG(&b, in, width, height); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	if got := img.Bounds().Size(); got != (image.Point{X: width, Y: height}) {
		t.Errorf("the picture is %v; want %d by %d", got, width, height)
	}
	return img
}

// blue tells the fit's ink: much more blue than red, and dark.
func blue(img image.Image, x, y int) bool {
	r, g, b, _ := img.At(x, y).RGBA()
	return b > r+0x4000 && g < 0x9000
}

// rows gives the middle row of the fit in each column that has some of it.
func rows(img image.Image) map[int]float64 {
	out := map[int]float64{}
	for x := range img.Bounds().Dx() {
		sum, n := 0, 0
		for y := range img.Bounds().Dy() {
			if blue(img, x, y) {
				sum, n = sum+y, n+1
			}
		}
		if n > 0 {
			out[x] = float64(sum) / float64(n)
		}
	}
	return out
}

func TestPictureShowsTheCurve(t *testing.T) {
	for _, size := range []image.Point{{X: 320, Y: 200}, {X: 1200, Y: 700}, {X: 400, Y: 1200}} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			img := picture(t, full(), size.X, size.Y)
			at := rows(img)
			if len(at) < size.X*2/5 {
				t.Fatalf("the fit is seen in %d of %d columns; want two in five", len(at), size.X)
			}
			first, last := size.X, 0
			for x := range at {
				first, last = min(first, x), max(last, x)
			}
			// It falls by 20 kPa of about 80 that the scale shows (the earlier test fell so far), most of it early.
			fall := at[last-2] - at[first+2]
			if low, high := 0.1*float64(size.Y), 0.3*float64(size.Y); fall < low || fall > high {
				t.Errorf("the fit falls by %.0f px; want %.0f to %.0f", fall, low, high)
			}
			third := first + (last-first)/3
			for at[third] == 0 { // a reading's dot or the scale may cover it
				third++
			}
			if half := at[third] - at[first+2]; half < fall/2 {
				t.Errorf("a third of the way it has fallen by %.0f of %.0f px; want more than half: it cools first", half, fall)
			}
			dark := 0
			for x := range size.X {
				for y := range size.Y / 12 {
					if r, _, _, _ := img.At(x, y).RGBA(); r < 0x4000 {
						dark++
					}
				}
			}
			if dark < 50 {
				t.Errorf("the title has %d dark pixels; want letters", dark)
			}
			if r, g, b, a := img.At(size.X-1, 0).RGBA(); r&g&b&a != 0xffff {
				t.Error("the ground is not white")
			}
		})
	}
}

// A line through the readings would hide that there were none.
func TestGapIsNotBridged(t *testing.T) {
	in := full()
	in.Before = nil
	c := in.Now.Curve
	c.Fit, c.Cooling, c.Limit = nil, nil, nil
	var kept [][2]float64
	for _, p := range c.Measured {
		if p[0] < 40 || p[0] > 80 {
			kept = append(kept, p)
		}
	}
	c.Measured = kept
	img := picture(t, in, 900, 500)
	ink := func(from, to int) (n int) {
		for x := from; x < to; x++ {
			for y := 90; y < 425; y++ { // below the words, above the scale of seconds
				if r, _, _, _ := img.At(x, y).RGBA(); r < 0x3000 {
					n++
				}
			}
		}
		return n
	}
	if in, out := ink(370, 480), ink(120, 230); in > 0 || out < 20 {
		t.Errorf("dark pixels in the gap %d, before it %d; want none and some", in, out)
	}
}

func TestPictureRefuses(t *testing.T) {
	for _, size := range []image.Point{{}, {X: 319, Y: 400}, {X: 640, Y: -1}, {X: 4001, Y: 400}, {X: 640, Y: 1 << 30}} {
		if err := report.CurvePNG(io.Discard, full(), size.X, size.Y); !errors.Is(err, report.ErrSize) {
			t.Errorf("CurvePNG of %v = %v; want ErrSize", size, err)
		}
	}
	in := full()
	in.Now.Curve = nil
	if err := report.CurvePNG(io.Discard, in, 640, 400); !errors.Is(err, report.ErrNoCurve) {
		t.Errorf("CurvePNG without a curve = %v; want ErrNoCurve", err)
	}
}

func BenchmarkCurvePNG(b *testing.B) {
	b.ReportAllocs()
	in := full()
	for b.Loop() {
		if err := report.CurvePNG(io.Discard, in, 1200, 700); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkHTML(b *testing.B) {
	b.ReportAllocs()
	in := full()
	for b.Loop() {
		if err := report.HTML(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
}
