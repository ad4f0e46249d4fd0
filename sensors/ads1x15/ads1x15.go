// SPDX-License-Identifier: Apache-2.0

// Package ads1x15 reads single-ended voltages from an ADS1115, a 16-bit converter with four inputs on I2C
// (addresses 0x48 to 0x4B, set by its ADDR pin; 0x48 with ADDR at ground).
//
// Words: a code is the signed 16-bit number of the conversion register; the range is the full-scale voltage of the
// programmable amplifier; the ready bit is OS, bit 15 of the config register.
//
// Each read is one single-shot conversion: write the config register with the input and the start bit, poll the
// ready bit until a deadline, compare the config register with what was written, read the result. The four inputs
// share one converter and one result register, so a result fetched too early belongs to the input before: a late
// conversion is ErrNotReady here, never a value. The package never sleeps, retries, logs or starts a goroutine.
// Differential inputs, continuous mode and the comparator are not supported.
//
// Source: Texas Instruments, "ADS111x Ultra-Small, Low-Power, I2C-Compatible, 860-SPS, 16-Bit ADCs", SBAS444
// (read in revisions D, 2018, and E, 2024), sections named beside each constant.
package ads1x15

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"airhold/sensors/units"
)

// Registers, SBAS444 "Address Pointer Register".
const (
	regConversion byte = 0
	regConfig     byte = 1
)

// Fields of the config register, SBAS444 "Config Register".
const (
	bitReady       uint16 = 1 << 15          // write 1: start; read 1: no conversion under way
	muxSingle      uint16 = 0b100 << 12      // AIN0 against ground; the input number is added above bit 12
	muxShift              = 12               //
	pgaShift              = 9                //
	bitSingleShot  uint16 = 1 << 8           // MODE: single-shot, power-down between conversions
	rateShift             = 5                //
	comparatorOff  uint16 = 0b11             // COMP_QUE
	inputs                = 4                // AIN0 to AIN3
	clockTolerance        = 0.10             // "Electrical Characteristics": data rate varies by up to 10 %
	wakeUp                = time.Millisecond // power-up from power-down is some 25 us; the rest is for the bus itself
)

// Address is the I2C address with the ADDR pin at ground.
const Address = 0x48

// Range is a full-scale voltage of the amplifier (PGA field). An input may still not exceed the chip's own supply
// by more than 0.3 V ("Absolute Maximum Ratings").
type Range uint8

// The ranges. The zero value is the widest one.
const (
	Range6144mV Range = iota // +-6.144 V, 187.5 uV a code
	Range4096mV              // +-4.096 V, 125 uV
	Range2048mV              // +-2.048 V, 62.5 uV
	Range1024mV              // +-1.024 V, 31.25 uV
	Range512mV               // +-0.512 V, 15.625 uV
	Range256mV               // +-0.256 V, 7.8125 uV
	rangeCount
)

// Full returns the full-scale voltage; 0 for a range that does not exist.
func (r Range) Full() units.Volts {
	for i, full := range []units.Volts{6.144, 4.096, 2.048, 1.024, 0.512, 0.256} {
		if i == int(r) {
			return full
		}
	}
	return 0
}

// RangeOf returns the range with this full-scale voltage, and false where the chip has none such.
func RangeOf(full units.Volts) (Range, bool) {
	for r := range rangeCount {
		if math.Abs(float64(r.Full()-full)) < 1e-6 {
			return r, true
		}
	}
	return 0, false
}

// Rate is a data rate in conversions a second (DR field).
type Rate uint8

// The rates. The zero value is the fastest one: the shortest time on a shared bus.
const (
	Rate860 Rate = iota
	Rate475
	Rate250
	Rate128
	Rate64
	Rate32
	Rate16
	Rate8
	rateCount
)

// code is the DR field: 0 is 8 a second, 7 is 860 a second.
func (r Rate) code() uint16 { return uint16(rateCount - 1 - r) }

// Conversion returns the nominal time of one conversion; the chip may take a tenth more or less; 0 for a
// rate that does not exist.
func (r Rate) Conversion() time.Duration {
	for i, perSecond := range []time.Duration{860, 475, 250, 128, 64, 32, 16, 8} {
		if i == int(r) {
			return time.Second / perSecond
		}
	}
	return 0
}

// Options sets how a chip is read. The zero value is +-6.144 V, 860 conversions a second and a timer of its own.
type Options struct {
	Range Range
	Rate  Rate
	// Wait waits for d or until ctx ends, whose error it then returns; nil: a timer.
	Wait func(ctx context.Context, d time.Duration) error
}

// Conn is the connection to one chip: writes w, then reads len(r) bytes, as one I2C transaction.
type Conn interface {
	Tx(w, r []byte) error
}

// What can be wrong with a read. The cause is wrapped beside it.
var (
	// ErrNotPresent: the chip does not answer, or does not hold what was written: wrong address, no power, a reset
	// in the middle, or another chip.
	ErrNotPresent = errors.New("no ADS1115 answers")
	// ErrNotReady: the conversion was not finished in the longest time the chip may take.
	ErrNotReady = errors.New("conversion not finished in time")
	// ErrOverrange: the voltage is at or beyond an end of the range; the returned value is that end.
	ErrOverrange = errors.New("voltage at the end of the converter's range")
	// ErrInput: the chip has inputs 0 to 3.
	ErrInput = errors.New("no such input")
)

// Dev is one chip. One caller at a time.
type Dev struct {
	conn  Conn
	wait  func(ctx context.Context, d time.Duration) error
	timer *time.Timer
	base  uint16 // config word without start bit and input
	rng   Range
	first time.Duration // wait before the first look at the ready bit
	next  time.Duration // wait between looks
	limit time.Duration // longest time waited in all
	w     [3]byte
	r     [2]byte
}

// New returns a reader of the chip behind c. It checks the options and does not touch the bus.
func New(c Conn, o Options) (*Dev, error) {
	if o.Range >= rangeCount {
		return nil, fmt.Errorf("ads1115: range %d: 0 to %d are possible", o.Range, rangeCount-1)
	}
	if o.Rate >= rateCount {
		return nil, fmt.Errorf("ads1115: rate %d: 0 to %d are possible", o.Rate, rateCount-1)
	}
	t := o.Rate.Conversion()
	d := &Dev{
		conn: c, wait: o.Wait, rng: o.Range,
		base:  uint16(o.Range)<<pgaShift | bitSingleShot | o.Rate.code()<<rateShift | comparatorOff,
		first: t,
		next:  t/16 + 100*time.Microsecond,
		limit: slowest(t),
	}
	if d.wait == nil {
		d.wait = d.ownTimer
	}
	return d, nil
}

// slowest is the longest a conversion of nominal time t is waited for: a tenth more for the chip's clock, another
// tenth for ours, and the time to wake up.
func slowest(t time.Duration) time.Duration {
	return time.Duration(float64(t)*(1+clockTolerance)*(1+clockTolerance)) + wakeUp
}

// ownTimer is the default Wait. The timer is kept, so that a read allocates nothing.
func (d *Dev) ownTimer(ctx context.Context, t time.Duration) error {
	if d.timer == nil {
		d.timer = time.NewTimer(t)
	} else {
		d.timer.Reset(t)
	}
	select {
	case <-d.timer.C:
		return nil
	case <-ctx.Done():
		d.timer.Stop()
		return ctx.Err()
	}
}

// Identify proves that an ADS1115 answers: the chip has no identity register, so two settings are written without
// starting a conversion and must read back as written. The error wraps ErrNotPresent.
func (d *Dev) Identify(ctx context.Context) error {
	for _, input := range []int{3, 0} {
		if err := ctx.Err(); err != nil {
			return err
		}
		word := d.word(input)
		if err := d.write(word); err != nil {
			return fmt.Errorf("ads1115: write config: %w: %w", ErrNotPresent, err)
		}
		got, err := d.read(regConfig)
		if err != nil {
			return fmt.Errorf("ads1115: read config: %w: %w", ErrNotPresent, err)
		}
		if got&^bitReady != word {
			return fmt.Errorf("ads1115: wrote config %04x, reads %04x: %w", word, got, ErrNotPresent)
		}
	}
	return nil
}

// Read converts one input (0 to 3) against ground. It returns when the result is there, when the deadline is over
// (ErrNotReady) or when ctx ends. With ErrOverrange code and volts are the end of the range; with every other error
// they are zero. After an error the next Read starts afresh.
func (d *Dev) Read(ctx context.Context, input int) (code int16, volts units.Volts, err error) {
	if input < 0 || input >= inputs {
		return 0, 0, fmt.Errorf("ads1115: input %d: %w, 0 to %d are possible", input, ErrInput, inputs-1)
	}
	word := d.word(input)
	if err := d.write(word | bitReady); err != nil {
		return 0, 0, fmt.Errorf("ads1115: start input %d: %w: %w", input, ErrNotPresent, err)
	}
	if err := d.ready(ctx, input, word); err != nil {
		return 0, 0, err
	}
	if _, err := d.read(regConversion); err != nil {
		return 0, 0, fmt.Errorf("ads1115: read result of input %d: %w: %w", input, ErrNotPresent, err)
	}
	code, volts, err = decode(d.r, d.rng)
	if err != nil {
		return code, volts, fmt.Errorf("ads1115: input %d: %w", input, err)
	}
	return code, volts, nil
}

// ready polls the config register until the conversion is over. The same word shows whether the chip still holds
// the input that was asked for: a chip that was reset in between also says "ready", about another input.
func (d *Dev) ready(ctx context.Context, input int, word uint16) error {
	pause := d.first
	for waited := time.Duration(0); ; {
		if err := d.wait(ctx, pause); err != nil {
			return fmt.Errorf("ads1115: wait for input %d: %w", input, err)
		}
		waited += pause
		got, err := d.read(regConfig)
		if err != nil {
			return fmt.Errorf("ads1115: poll input %d: %w: %w", input, ErrNotPresent, err)
		}
		if got&^bitReady != word {
			return fmt.Errorf("ads1115: input %d: config reads %04x where %04x was written: %w", input, got, word, ErrNotPresent)
		}
		if got&bitReady != 0 {
			return nil
		}
		if waited >= d.limit {
			return fmt.Errorf("ads1115: input %d after %v: %w", input, waited, ErrNotReady)
		}
		pause = min(d.next, d.limit-waited)
	}
}

func (d *Dev) word(input int) uint16 {
	return d.base | muxSingle | uint16(input)<<muxShift //nolint:gosec // callers give 0 to 3
}

func (d *Dev) write(word uint16) error {
	d.w[0] = regConfig
	binary.BigEndian.PutUint16(d.w[1:], word)
	return d.conn.Tx(d.w[:], nil)
}

func (d *Dev) read(reg byte) (uint16, error) {
	d.w[0] = reg
	d.r = [2]byte{}
	if err := d.conn.Tx(d.w[:1], d.r[:]); err != nil {
		return 0, err
	}
	return binary.BigEndian.Uint16(d.r[:]), nil
}

// decode turns the two bytes of the conversion register, high byte first, two's complement, into a code and volts
// (SBAS444 "Data Format": one code is the full scale divided by 2^15). Worked value: 34 12h in range 6.144 V is code
// 13330, 13330 * 187.5 uV = 2.499375 V. The codes 7FFFh and 8000h are where the chip clips: ErrOverrange.
func decode(raw [2]byte, r Range) (code int16, volts units.Volts, err error) {
	code = int16(binary.BigEndian.Uint16(raw[:])) //nolint:gosec // two's complement by definition
	volts = units.Volts(float64(code)/(1<<15)) * r.Full()
	if code == math.MaxInt16 || code == math.MinInt16 {
		return code, volts, ErrOverrange
	}
	return code, volts, nil
}
