// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"testing"
	"time"

	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
)

type deaf struct{}

func (deaf) Find(findings.Finding) {}

// BenchmarkSecond is one second of a working machine: ten readings and a tick.
func BenchmarkSecond(b *testing.B) {
	rows, _ := planter{start: 7e5, use: 5 * litre, bursts: 22 * litre}.play(10*time.Minute, 100*time.Millisecond, 1)
	c := compressor.New(only(0, no, no, no), wide(), deaf{})
	b.ReportAllocs()
	i, lap := 0, time.Duration(0)
	for b.Loop() {
		for range 10 {
			if i == len(rows) {
				i, lap = 0, lap+10*time.Minute
			}
			c.Read(readings.Reading{At: lap + rows[i].at, Channel: 0, Value: rows[i].p})
			i++
		}
		c.Tick(lap + rows[i-1].at)
	}
}
