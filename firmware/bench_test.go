// SPDX-License-Identifier: Apache-2.0

package firmware_test

import "testing"

// BenchmarkSpineSecond is a second of the example machine with all its channels at 10 Hz, with its tick.
func BenchmarkSpineSecond(b *testing.B) {
	s := newShop(b, &deaf{})
	for range 900 {
		s.second(true)
	}
	b.ReportAllocs()
	before := s.code
	for b.Loop() {
		s.second(true)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(s.code-before), "ns/reading")
}
