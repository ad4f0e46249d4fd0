// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// minMax is the falling least-squares fit by its closed form (min-max formula; Robertson, Wright, Dykstra 1988, from
// memory): fit[i] = min over a <= i of max over b >= i of the mean of x[a..b]. Slow, and written without pooling.
func minMax(x []float64) []float64 {
	fit := make([]float64, len(x))
	for i := range x {
		fit[i] = math.Inf(1)
		for a := 0; a <= i; a++ {
			best := math.Inf(-1)
			for b := i; b < len(x); b++ {
				sum := 0.0
				for _, v := range x[a : b+1] {
					sum += v
				}
				best = max(best, sum/float64(b-a+1))
			}
			fit[i] = min(fit[i], best)
		}
	}
	return fit
}

func TestFallingIsTheLeastSquaresFallingCurve(t *testing.T) {
	g := rand.New(rand.NewPCG(3, 4))
	for trial := range 200 {
		x := make([]float64, 1+g.IntN(slowBlocks))
		for i := range x {
			x[i] = g.NormFloat64() - 0.1*float64(i*(trial%3))
		}
		fit := make([]float64, len(x))
		falling(x, fit)
		for i, want := range minMax(x) {
			if math.Abs(fit[i]-want) > 1e-9 {
				t.Fatalf("fit[%d] of %v = %v; want %v", i, x, fit[i], want)
			}
		}
	}
}

func TestNoiseOfWhiteNoise(t *testing.T) {
	g := rand.New(rand.NewPCG(5, 6))
	for _, slope := range []float64{0, -3, 40} {
		var q noise
		sum := 0.0
		for i := range 6400 {
			q.add(slope*float64(i) + 100*g.NormFloat64())
			if i%64 == 63 {
				sum += q.sd()
			}
		}
		if got := sum / 100; math.Abs(got-100) > 15 {
			t.Errorf("noise on a slope of %v a step = %v; want 100 +- 15", slope, got)
		}
	}
}

func TestStillTankIsNoEvidence(t *testing.T) {
	// A parked tank in rows of ten seconds, at rest or falling, with sensor noise up to 0.05 % of 10 bar: 100 h.
	g := rand.New(rand.NewPCG(7, 8))
	for _, sd := range []float64{0, 100, 300, 500} {
		var f inference
		f.reset()
		for i := range 36000 {
			b := point{at: time.Duration(i) * 10 * time.Second, v: 7e5 - 0.5*float64(i) + sd*g.NormFloat64()}
			if f.add(b, math.NaN(), math.NaN(), math.NaN()) == turnedOn {
				t.Errorf("noise of %v Pa started a run at %v", sd, b.at)
			}
		}
	}
}
