// SPDX-License-Identifier: Apache-2.0

package leakdown_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"airhold/firmware/leakdown"
)

// fall is a tank that cools with one time constant and leaks choked: the closed forms of both added up.
func fall(seed uint64, leak, hot, tau float64) []leakdown.Sample {
	const start, volume, kelvin = 700e3 + 101325, 40e-3, 293.15
	k := leak * 100e3 / (volume * start) * kelvin / 293.15
	r := rand.New(rand.NewPCG(seed, 1))
	out := make([]leakdown.Sample, 0, 6001)
	for i := range 6001 {
		t := float64(i) / 10
		warm := (1 + hot/kelvin*math.Exp(-t/tau)) / (1 + hot/kelvin)
		out = append(out, leakdown.Sample{
			At:       time.Duration(i) * 100 * time.Millisecond,
			Pressure: start*math.Exp(-k*t)*warm - 101325 + 500*r.NormFloat64(),
		})
	}
	return out
}

// BenchmarkTest is one whole watch of 600 s at 10 Hz with an estimate at every time it is due.
func BenchmarkTest(b *testing.B) {
	samples := fall(1, 2e-3/60, 20, 35)
	b.ReportAllocs()
	for b.Loop() {
		t, err := leakdown.New(leakdown.Setup{Volume: 40e-3, Ambient: 293.15, Full: true})
		if err != nil {
			b.Fatal(err)
		}
		for _, s := range samples {
			t.Add(s)
		}
		t.Close()
		if t.Result().Verdict != leakdown.Pass {
			b.Fatal(t.Result().Verdict, t.Result().Reasons)
		}
	}
}
