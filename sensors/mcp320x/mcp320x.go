// SPDX-License-Identifier: Apache-2.0

// Package mcp320x reads single-ended voltages from an MCP3008 (10 bit) or MCP3208 (12 bit), converters with eight
// inputs on SPI (mode 0; up to 1 MHz is safe at every supply of the datasheets).
//
// Words: a code is the unsigned number the chip sends; the reference is the voltage at its VREF pin, which is the
// full scale; the null bit is the zero that the chip sends before the result.
//
// SPI has no acknowledge, so a missing chip must be found in the data. Two things show it: the null bit, and the
// chip's habit of sending the result a second time, lowest bit first, when it is clocked on. Every read clocks both
// and compares: a floating, shorted or noisy line does not pass, except a line that is zero throughout, which reads
// as 0 V; only Identify can tell that, by looking at all inputs. A conversion is clocked by the read itself, so it
// cannot be late. Differential inputs are not supported. The package never retries, logs or starts a goroutine.
//
// Sources: Microchip, "2.7V 4-Channel/8-Channel 10-Bit A/D Converters with SPI Serial Interface", DS21295D, and
// "... 12-Bit ...", DS21298E; figures and sections named below are the same in both.
package mcp320x

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"airhold/sensors/units"
)

// Chip is a member of the family.
type Chip uint8

// The chips.
const (
	MCP3008 Chip = iota // 10 bit
	MCP3208             // 12 bit
)

// String returns the chip's name.
func (c Chip) String() string {
	if c == MCP3208 {
		return "mcp3208"
	}
	return "mcp3008"
}

// bits is the length of a result.
func (c Chip) bits() uint {
	if c == MCP3208 {
		return 12
	}
	return 10
}

// The request, section 5.0 and tables 5-1, 5-2: a start bit, a one for single-ended, three bits of input number. It
// is shifted so that the result ends with the third byte (section 6.1, figure 6-1); two more bytes carry the second
// copy (figure 5-2), which ends bits-1 clocks later.
const (
	inputs  = 8
	request = 0b11 << 3 // start bit and SGL/DIFF above the input number
	length  = 5
)

// Options describe how the chip is wired. The zero value is an MCP3008 with a reference of 5 V.
type Options struct {
	Chip Chip
	VRef units.Volts // default 5 V
}

// Conn is the connection to one chip: len(w) bytes out and as many in, with the chip selected throughout.
type Conn interface {
	Tx(w, r []byte) error
}

// What can be wrong with a read. The cause is wrapped beside it.
var (
	// ErrNotPresent: what came back is not an answer of this chip: not wired, no power, wrong chip select or chip.
	ErrNotPresent = errors.New("no MCP320x answers")
	// ErrNotReady is part of the drivers' common set; this chip cannot be late.
	ErrNotReady = errors.New("conversion not finished in time")
	// ErrOverrange: the code is the highest one, so the voltage is at or above the reference.
	ErrOverrange = errors.New("voltage at the end of the converter's range")
	// ErrInput: the chip has inputs 0 to 7.
	ErrInput = errors.New("no such input")
)

// Dev is one chip. One caller at a time.
type Dev struct {
	conn Conn
	chip Chip
	vref units.Volts
	w, r [length]byte
}

// New returns a reader of the chip behind c. It checks the options and does not touch the bus.
func New(c Conn, o Options) (*Dev, error) {
	if o.Chip > MCP3208 {
		return nil, fmt.Errorf("mcp320x: chip %d: mcp3008 and mcp3208 are possible", o.Chip)
	}
	if o.VRef == 0 {
		o.VRef = 5
	}
	// "Electrical Characteristics": VREF from 0.25 V to VDD, VDD at most 5.5 V (7 V absolute maximum).
	if !(o.VRef >= 0.25 && o.VRef <= 5.5) {
		return nil, fmt.Errorf("%v: reference %v V: 0.25 to 5.5 V are possible", o.Chip, o.VRef)
	}
	return &Dev{conn: c, chip: o.Chip, vref: o.VRef}, nil
}

// Identify reads all inputs. A line that is zero on every one of them is no chip: unconnected inputs of a live one
// drift, and a sensor or supply on it reads above zero. Other faults are those of Read.
func (d *Dev) Identify(ctx context.Context) error {
	var seen int16
	for input := range inputs {
		code, _, err := d.Read(ctx, input)
		if err != nil && !errors.Is(err, ErrOverrange) {
			return err
		}
		seen |= code
	}
	if seen == 0 {
		return fmt.Errorf("%v: exactly zero on all inputs: %w", d.chip, ErrNotPresent)
	}
	return nil
}

// Read converts one input (0 to 7) against ground; it does not wait. With ErrOverrange code and volts are the end of
// the range; with every other error they are zero.
func (d *Dev) Read(ctx context.Context, input int) (code int16, volts units.Volts, err error) {
	if input < 0 || input >= inputs {
		return 0, 0, fmt.Errorf("%v: input %d: %w, 0 to %d are possible", d.chip, input, ErrInput, inputs-1)
	}
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	word := uint16(request|input) << (d.chip.bits() - 6) //nolint:gosec // 5 bits
	binary.BigEndian.PutUint16(d.w[:], word)
	d.r = [length]byte{}
	if err := d.conn.Tx(d.w[:], d.r[:]); err != nil {
		return 0, 0, fmt.Errorf("%v: input %d: %w: %w", d.chip, input, ErrNotPresent, err)
	}
	code, volts, err = decode(d.r, d.chip, d.vref)
	if err != nil {
		return code, volts, fmt.Errorf("%v: input %d: answer % x: %w", d.chip, input, d.r, err)
	}
	return code, volts, nil
}

// decode takes the result out of the five bytes that came back: after bits nobody drives, the null bit, the result,
// the result again without its lowest bit and lowest bit first, zeros (figure 5-2). Worked value: an MCP3208 with
// 5 V that answers xx 08 00 00 20 has code 2048; 2048 * 5 V / 4096 = 2.5 V (equation 4-2 of DS21298: code = 4096 *
// VIN / VREF).
func decode(raw [length]byte, c Chip, vref units.Volts) (code int16, volts units.Volts, err error) {
	bits := c.bits()
	all := binary.BigEndian.Uint32(raw[1:])
	result := all >> 16 & (1<<bits - 1)
	if all>>(16+bits)&1 != 0 {
		return 0, 0, ErrNotPresent
	}
	var mirrored uint32
	for i := uint(1); i < bits; i++ {
		mirrored = mirrored<<1 | result>>i&1
	}
	if all&0xFFFF != mirrored<<(16-(bits-1)) {
		return 0, 0, ErrNotPresent
	}
	code = int16(result) //nolint:gosec // at most 12 bits
	volts = units.Volts(float64(code)/float64(uint32(1)<<bits)) * vref
	if result == 1<<bits-1 {
		return code, volts, ErrOverrange
	}
	return code, volts, nil
}
