// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"
	"math/rand/v2"
	"slices"
)

// binomial returns the Clopper-Pearson interval of k in n at the given level (0.95, 0.99): the shares under which as few,
// or as many, would come up in half of what the level leaves.
func binomial(k, n int, level float64) (low, high float64) {
	tail := (1 - level) / 2
	low, high = 0, 1
	if n == 0 {
		return low, high
	}
	if k > 0 {
		low = bisect(func(p float64) bool { return 1-atMost(k-1, n, p) < tail })
	}
	if k < n {
		high = bisect(func(p float64) bool { return atMost(k, n, p) > tail })
	}
	return low, high
}

// bisect returns where below turns false between 0 and 1.
func bisect(below func(float64) bool) float64 {
	low, high := 0.0, 1.0
	for range 60 {
		if mid := (low + high) / 2; below(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// atMost is the chance of k or fewer in n at share p.
func atMost(k, n int, p float64) float64 {
	if p <= 0 {
		return 1
	}
	if p >= 1 {
		return 0
	}
	gamma := func(x int) float64 { g, _ := math.Lgamma(float64(x) + 1); return g }
	sum := 0.0
	for i := range k + 1 {
		sum += math.Exp(gamma(n) - gamma(i) - gamma(n-i) + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
	}
	return math.Min(sum, 1)
}

// bootstrap returns the percentile interval of a statistic by drawing the sample anew a thousand times.
func bootstrap(x []float64, level float64, of func([]float64) float64) (low, high float64) {
	if len(x) == 0 {
		return math.NaN(), math.NaN()
	}
	const times = 1000
	d := rand.New(rand.NewPCG(uint64(len(x)), 0xb007)) //nolint:gosec // repeatable
	again, found := make([]float64, len(x)), make([]float64, times)
	for i := range found {
		for j := range again {
			again[j] = x[d.IntN(len(x))]
		}
		found[i] = of(again)
	}
	slices.Sort(found)
	at := func(share float64) float64 { return found[int(math.Round(share*(times-1)))] }
	return at((1 - level) / 2), at((1 + level) / 2)
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func rootMeanSquare(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// middle is the median; of an even number the upper of the two.
func middle(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[len(s)/2]
}
