// SPDX-License-Identifier: Apache-2.0

package cusespi

import "math"

// MCP320x models an MCP3008 or MCP3208 clock by clock: converters with eight inputs.
//
// Source: Microchip DS21295 (10 bit) and DS21298 (12 bit), section 5.0 and figures 5-1 and 5-2: the first high bit after
// chip select is the start; then single-ended or difference and three bits of input; the input is sampled one clock
// long; then a zero, the result from its highest bit down, and without pause the result from its second lowest bit up;
// zeros after that. Before the zero nobody drives the line, which floats high here. Equation 4-2 gives the code.
type MCP320x struct {
	bits  int
	vref  float64
	volts func(input int) float64

	clock   int // since the start bit, which is 1; 0 before it
	request int // the four bits behind the start bit
	code    int
}

// NewMCP3008 returns the 10-bit chip with a reference (V) and the voltages at its inputs 0 to 7.
func NewMCP3008(vref float64, volts func(input int) float64) *MCP320x {
	return &MCP320x{bits: 10, vref: vref, volts: volts}
}

// NewMCP3208 returns the 12-bit chip with a reference (V) and the voltages at its inputs 0 to 7.
func NewMCP3208(vref float64, volts func(input int) float64) *MCP320x {
	return &MCP320x{bits: 12, vref: vref, volts: volts}
}

// Clocks of an exchange, counted from the start bit.
const (
	lastRequestClock = 5
	sampleClock      = 6
	nullClock        = 7
)

// Select is part of Chip: each exchange begins anew.
func (c *MCP320x) Select(bool) { c.clock, c.request = 0, 0 }

// Shift is part of Chip.
func (c *MCP320x) Shift(out byte) byte {
	var in byte
	for bit := 7; bit >= 0; bit-- {
		in = in<<1 | c.tick(out>>bit&1)
	}
	return in
}

// tick is one clock: a bit in, a bit out.
func (c *MCP320x) tick(out byte) byte {
	if c.clock == 0 && out == 0 {
		return 1
	}
	c.clock++
	switch {
	case c.clock == 1:
		return 1
	case c.clock <= lastRequestClock:
		c.request = c.request<<1 | int(out)
		return 1
	case c.clock == sampleClock:
		c.code = c.convert()
		return 1
	case c.clock == nullClock:
		return 0
	}
	down := c.bits - 1 - (c.clock - nullClock - 1) // which bit of the result is out now
	if down < 0 {
		down = -down // up again, from bit 1
	}
	if down >= c.bits {
		return 0
	}
	return byte(c.code >> down & 1)
}

// convert returns the code of the inputs asked for.
func (c *MCP320x) convert() int {
	input := c.request & 7
	v := c.volts(input)
	if c.request&8 == 0 { // a difference: the input against its neighbour in the pair
		v -= c.volts(input ^ 1)
	}
	full := float64(int(1) << c.bits)
	return int(math.Max(0, math.Min(full-1, math.Round(v/c.vref*full))))
}
