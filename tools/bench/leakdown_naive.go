// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"

	"airhold/firmware/leakdown"
)

// naive is a way to read a leak off two pressures, as it is done with a gauge and a watch: what is missing between them is
// called leak. They are here to be beaten.
type naive struct {
	words    string
	from, to float64 // s
	bar      float64 // L/min, the bar of the RMSE at the time at which it is done (before 120 s: the first there is)
}

func naiveMethods() []naive {
	return []naive{
		{"drop in the first 60 s", 0, 60, 0.65},
		{"60 s to settle, then 60 s", 60, 120, 0.65},
		{"120 s to settle, then 60 s", 120, 180, 0.33},
		{"drop from 0 to 600 s", 0, 600, 0.16},
		{"120 s to settle, then to 600 s", 120, 600, 0.16},
	}
}

// leak returns L/min ANR: V/p0*T0/T*dp/dt with the stated volume and temperature, each pressure the mean of a second.
func (n naive) leak(s leakdown.Setup, samples []leakdown.Sample) float64 {
	kelvin := s.Ambient
	if kelvin == 0 {
		kelvin = 293.15
	}
	drop := second(samples, n.from) - second(samples, n.to-1)
	return lmin(s.Volume / 100e3 * 293.15 / kelvin * drop / (n.to - 1 - n.from))
}

// second is the mean pressure of the second from at on, or of the first one after that has readings.
func second(samples []leakdown.Sample, at float64) float64 {
	sum, n := 0.0, 0
	for _, s := range samples {
		t := s.At.Seconds()
		if t < at-1e-6 || s.Bad {
			continue
		}
		if t >= at+1-1e-6 {
			if n > 0 {
				break
			}
			at = t
		}
		sum += s.Pressure
		n++
	}
	if n == 0 {
		return math.NaN()
	}
	return sum / float64(n)
}
