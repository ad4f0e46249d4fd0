// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// What Tx wraps when the bus does not answer.
var (
	ErrNoAck   = errors.New("no acknowledge")          // nobody at that address, or a register that is not there
	ErrTimeout = errors.New("bus held low, timed out") // a stalled bus, with Options.StallTimesOut
	ErrClosed  = errors.New("rig closed")
)

// Registers of the ADS1115 (TI SBAS444, section 8.6: pointer 0 conversion, 1 config, 2 and 3 thresholds) and the bits
// of its config register.
const (
	regConversion = 0
	regConfig     = 1
	regLow        = 2
	regHigh       = 3

	cfgStart   = 1 << 15 // written: start one conversion; read: 1 while none is running
	cfgSingle  = 1 << 8  // 1 single shot or power down, 0 continuous
	cfgPowerUp = 0x8583

	generalCall = 0x00
	callReset   = 0x06
)

// fullScale returns the range in volts of the three gain bits (SBAS444 table of the config register, PGA[2:0]).
func fullScale(config uint16) float64 {
	return [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[config>>9&7]
}

// sampleRate returns the data rate in samples a second of the three rate bits (SBAS444, DR[2:0]).
func sampleRate(config uint16) float64 {
	return [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[config>>5&7]
}

// inputs returns the two inputs that the multiplexer bits compare; -1 is ground (SBAS444, MUX[2:0]).
func inputs(config uint16) (plus, minus int) {
	pair := [8][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}, {0, -1}, {1, -1}, {2, -1}, {3, -1}}[config>>12&7]
	return pair[0], pair[1]
}

// convert returns the two's complement code for volts: full scale is 32768 steps, the positive end stops one short.
func convert(volts, full float64) uint16 {
	code := math.Round(volts / full * 32768)
	return uint16(int16(math.Max(-32768, math.Min(32767, code)))) //nolint:gosec // clamped one line up, wanted as bits
}

// chip is one ADS1115. It knows time only from the calls, so a conversion that is over is found out when somebody asks.
type chip struct {
	volts func(input int) float64 // what stands at an input now, with noise
	clock float64                 // its oscillator against nominal, 0.9 to 1.1
	slow  float64                 // fault: conversions take this many times as long
	gone  bool                    // fault: not on the bus

	pointer       byte
	config, value uint16
	low, high     uint16
	running       bool
	begun, done   time.Duration
	pending       uint16
}

func newChip(dice *rand.Rand, volts func(input int) float64) *chip {
	c := &chip{volts: volts, clock: 0.9 + 0.2*dice.Float64(), slow: 1}
	c.reset()
	return c
}

func (c *chip) reset() {
	c.pointer, c.value, c.running = regConversion, 0, false
	c.config, c.low, c.high = cfgPowerUp, 0x8000, 0x7fff
}

// begin samples the input and sets when the result will be there.
func (c *chip) begin(at time.Duration) {
	plus, minus := inputs(c.config)
	v := c.volts(plus)
	if minus >= 0 {
		v -= c.volts(minus)
	}
	c.pending = convert(v, fullScale(c.config))
	c.running, c.begun = true, at
	c.done = at + time.Duration(c.slow/c.clock/sampleRate(c.config)*float64(time.Second))
}

// catchUp finishes what is over at now. In continuous mode the next conversion has begun since: it is sampled now,
// because nobody looked in between.
func (c *chip) catchUp(now time.Duration) {
	if !c.running || now < c.done {
		return
	}
	c.value, c.running = c.pending, false
	if c.config&cfgSingle == 0 {
		c.begin(now)
	}
}

func (c *chip) tx(now time.Duration, w, r []byte) error {
	c.catchUp(now)
	if len(w) > 0 {
		if w[0]&^3 != 0 {
			return fmt.Errorf("register %#02x: %w", w[0], ErrNoAck)
		}
		c.pointer = w[0]
	}
	if len(w) >= 3 {
		c.write(now, uint16(w[1])<<8|uint16(w[2]))
	}
	word := c.read()
	for i := range r {
		r[i] = byte(word >> (8 * (1 - i&1)) & 0xff)
	}
	return nil
}

func (c *chip) write(now time.Duration, word uint16) {
	switch c.pointer {
	case regConfig:
		c.config = word &^ cfgStart
		if c.running { // "no effect when a conversion is ongoing"
			return
		}
		if word&cfgStart != 0 || word&cfgSingle == 0 {
			c.begin(now)
		}
	case regLow:
		c.low = word
	case regHigh:
		c.high = word
	case regConversion: // read only
	}
}

func (c *chip) read() uint16 {
	switch c.pointer {
	case regConfig:
		if c.running {
			return c.config &^ cfgStart
		}
		return c.config | cfgStart
	case regLow:
		return c.low
	case regHigh:
		return c.high
	default:
		return c.value
	}
}

// i2cBus puts the rig's chips behind periph's bus interface.
type i2cBus struct {
	rig *Rig
	now func() time.Duration
}

// I2C returns the bus with the four converters at 0x48 to 0x4b. Each transfer asks now for the rig time and brings the
// model up to it. A transfer may come from any goroutine. While the bus is stalled it blocks until the stall is over,
// which another goroutine must bring about (any call that advances the rig past its end, or StallBus(false), or Close),
// or with Options.StallTimesOut returns an error wrapping ErrTimeout. An absent chip is an error wrapping ErrNoAck.
func (r *Rig) I2C(now func() time.Duration) i2c.Bus { return &i2cBus{rig: r, now: now} }

var _ i2c.Bus = (*i2cBus)(nil)

func (b *i2cBus) String() string { return "simulated i2c" }

// SetSpeed accepts what the chip's fast mode allows; transfers take no time here.
func (b *i2cBus) SetSpeed(f physic.Frequency) error {
	if f <= 0 || f > 400*physic.KiloHertz {
		return fmt.Errorf("i2c speed %s: up to 400 kHz", f)
	}
	return nil
}

func (b *i2cBus) Tx(addr uint16, w, r []byte) error {
	now := b.now()
	g := b.rig
	g.mu.Lock()
	defer g.mu.Unlock()
	g.advance(now)
	for g.m.stalled && !g.closed {
		if g.o.StallTimesOut {
			return fmt.Errorf("i2c transfer to %#02x: %w", addr, ErrTimeout)
		}
		g.released.Wait()
		now = max(now, g.now)
	}
	if g.closed {
		return ErrClosed
	}
	if addr == generalCall && len(w) == 1 && w[0] == callReset {
		for _, c := range g.chips {
			c.reset()
		}
		return nil
	}
	i := int(addr) - firstChip
	if i < 0 || i >= len(g.chips) || g.chips[i].gone {
		return fmt.Errorf("i2c transfer to %#02x: %w", addr, ErrNoAck)
	}
	return g.chips[i].tx(now, w, r)
}
