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

// working is a watch of a working machine that has learned its switch, and what goes on to feed it.
func working() (c *compressor.Compressor, second func()) {
	rows, _ := planter{start: 7e5, use: 5 * litre, bursts: 22 * litre}.play(20*time.Minute, 100*time.Millisecond, 1)
	c = compressor.New(only(0, no, no, no), wide(), deaf{})
	i, lap := 0, time.Duration(0)
	second = func() {
		for range 10 {
			if i == len(rows) {
				i, lap = 0, lap+20*time.Minute
			}
			c.Read(readings.Reading{At: lap + rows[i].at, Channel: 0, Value: rows[i].p})
			i++
		}
		c.Tick(lap + rows[i-1].at)
	}
	for range 1200 {
		second()
	}
	return c, second
}

// BenchmarkSecond is one second of a working machine: ten readings and a tick.
func BenchmarkSecond(b *testing.B) {
	_, second := working()
	b.ReportAllocs()
	for b.Loop() {
		second()
	}
}

func TestAllocatesNothingAtWork(t *testing.T) {
	c, second := working()
	if c.RunCount() < 5 {
		t.Fatalf("runs = %d; want a machine at work", c.RunCount())
	}
	if n := testing.AllocsPerRun(3000, func() {
		second()
		c.OnShare(c.Settled()-30*time.Second, c.Settled())
		c.Delivery()
	}); n != 0 {
		t.Errorf("a second allocates %v times; want 0", n)
	}
}
