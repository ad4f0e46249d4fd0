// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"cmp"
	"math/bits"
	"slices"
	"time"

	"airhold/firmware/clock"
)

// Offsets is the offset table of a boot: what to add to its boot clock to have UTC, and how good that is. The boot
// clock is the truth; the wall clock is only asked what it said, and its best word counts: while a boot has samples of
// a good clock, nothing of a worse one is used, so a box that began in the wrong year and was set later has its whole
// boot dated by what it was set to. Between two samples the offset is laid on a line; where the wall clock jumped by
// more than clock.StepThreshold, the offset before the jump holds up to it. One goroutine owns it.
type Offsets struct {
	pieces []Piece
	at     int // piece that was used last
}

// Piece is a stretch of a boot in which the wall clock did not jump.
type Piece struct {
	From, To time.Duration // boot time of its first and last sample
	Quality  clock.Quality
	knots    []knot
	at       int
}

type knot struct {
	boot   time.Duration
	offset int64 // UTC in ns since 1970, less boot time
}

// steady is how far from the nearest sample a good clock is still called good. A crystal is off by some 50 ppm: 3 ms.
const steady = time.Minute

// The wall times that can be written as nanoseconds since 1970: what is outside was never set.
const firstYear, lastYear = 1971, 2261

// NewOffsets makes the table of a boot's clock samples, in the order in which they were taken.
func NewOffsets(samples []clock.Sample) *Offsets {
	best := clock.Unset
	for _, s := range samples {
		if dated(s) {
			best = max(best, s.Quality)
		}
	}
	o := &Offsets{}
	if best == clock.Unset {
		return o
	}
	for _, s := range samples {
		if s.Quality != best || !dated(s) {
			continue
		}
		k := knot{s.Boot, s.UTC.UnixNano() - int64(s.Boot)}
		n := len(o.pieces)
		if n > 0 {
			p := &o.pieces[n-1]
			last := p.knots[len(p.knots)-1]
			if k.boot < last.boot {
				continue
			}
			d := time.Duration(k.offset - last.offset)
			runs := d > last.boot-k.boot || k.boot == last.boot // wall time goes on from one to the other
			if d > -clock.StepThreshold && d < clock.StepThreshold && runs {
				p.add(k)
				continue
			}
		}
		o.pieces = append(o.pieces, Piece{From: k.boot, To: k.boot, Quality: best, knots: []knot{k}})
	}
	return o
}

func dated(s clock.Sample) bool {
	y := s.UTC.Year()
	return s.Quality != clock.Unset && y >= firstYear && y <= lastYear
}

// add takes one more knot. One that says what its neighbours say is not kept.
func (p *Piece) add(k knot) {
	p.To = k.boot
	n := len(p.knots)
	if p.knots[n-1].boot == k.boot {
		return
	}
	if n > 1 && p.knots[n-2].offset == k.offset && p.knots[n-1].offset == k.offset && k.boot-p.knots[n-2].boot < steady {
		p.knots[n-1] = k
		return
	}
	p.knots = append(p.knots, k)
}

// Pieces returns the stretches between the jumps; none where the box never knew the time.
func (o *Offsets) Pieces() []Piece { return o.pieces }

// Offset returns what the piece adds to the boot clock at its first and at its last sample.
func (p *Piece) Offset() (first, last time.Duration) {
	return time.Duration(p.knots[0].offset), time.Duration(p.knots[len(p.knots)-1].offset)
}

// UTC returns the wall time of a boot time in nanoseconds since 1970, and its quality: Unset means that there is none.
func (o *Offsets) UTC(boot time.Duration) (ns int64, q clock.Quality) {
	if len(o.pieces) == 0 {
		return 0, clock.Unset
	}
	if p := &o.pieces[o.at]; boot < p.From || (o.at+1 < len(o.pieces) && boot >= o.pieces[o.at+1].From) {
		i, found := slices.BinarySearchFunc(o.pieces, boot, func(p Piece, t time.Duration) int { return cmp.Compare(p.From, t) })
		if !found {
			i = max(0, i-1)
		}
		o.at = i
	}
	return o.pieces[o.at].utc(boot)
}

func (p *Piece) utc(boot time.Duration) (int64, clock.Quality) {
	k := p.knots
	if p.at >= len(k) || boot < k[p.at].boot || (p.at+1 < len(k) && boot >= k[p.at+1].boot) {
		i, found := slices.BinarySearchFunc(k, boot, func(k knot, t time.Duration) int { return cmp.Compare(k.boot, t) })
		if !found {
			i--
		}
		p.at = max(0, i)
	}
	a := k[p.at]
	near := (boot - a.boot).Abs()
	offset := a.offset
	if boot > a.boot && p.at+1 < len(k) {
		b := k[p.at+1]
		near = min(near, b.boot-boot)
		offset += part(b.offset-a.offset, int64(boot-a.boot), int64(b.boot-a.boot))
	}
	q := p.Quality
	if q == clock.Good && near > steady {
		q = clock.Coarse
	}
	return int64(boot) + offset, q
}

// part is d*x/of in whole numbers, cut off: the same on every processor. 0 <= x <= of.
func part(d, x, of int64) int64 {
	neg := d < 0
	if neg {
		d = -d
	}
	hi, lo := bits.Mul64(uint64(d), uint64(x)) //nolint:gosec // neither is negative
	q, _ := bits.Div64(hi, lo, uint64(of))     //nolint:gosec // x is not above of, so the quotient is not above d
	if neg {
		return -int64(q) //nolint:gosec // not above d
	}
	return int64(q) //nolint:gosec // not above d
}
