// SPDX-License-Identifier: Apache-2.0

// Package tinyi2c models an i2c-tiny-usb adapter: a USB device that the kernel's driver of that name turns into an I2C
// bus (/dev/i2c-N), with chip models on it. Plugged in through usbip it lets the program read converters over the real
// kernel path without hardware.
//
// Words: a message is one start, an address and its bytes in one direction; a transfer is messages up to a stop; a bus
// is held when something keeps its clock or data line low.
//
// The model knows no bit times: a message takes no time on its bus. It clocks no ten-bit addresses.
//
// Sources: drivers/i2c/busses/i2c-tiny-usb.c of the kernel (requests, how each error is told to a program); the
// adapter's published firmware, github.com/harbaum/I2C-Tiny-USB commit 30a7b52 (what it does without an acknowledge, and
// that it waits without end for a held clock line); include/uapi/linux/i2c.h (what a bus can do, flags of a message).
package tinyi2c

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"

	"airhold/tools/systemtest/usbip"
)

// Bus is where the messages go: chips, or a periph i2c.Bus. Exactly one of w and r is used in a call, or neither when
// only an acknowledge is wanted; a read follows the write that chose what to read. An error that wraps ErrHeld means
// that the clock line stays low, any other that nobody acknowledged. It is called from one goroutine at a time.
type Bus interface {
	Tx(addr uint16, w, r []byte) error
}

// What a bus can fail with.
var (
	// ErrHeld: something keeps the clock line low.
	ErrHeld = errors.New("clock line held low")
	// ErrNoAck: nobody is at that address.
	ErrNoAck = errors.New("no acknowledge")
)

// Requests of the driver. A message is request requestMessage with two flag bits, the flags of the message in Value, the
// address in Index.
const (
	requestEcho    = 0
	requestCan     = 1
	requestDelay   = 2
	requestStatus  = 3
	requestMessage = 4
	requestLast    = 7
)

// Answers to requestStatus.
const (
	statusIdle  = 0
	statusAck   = 1
	statusNoAck = 2
)

const (
	flagRead = 0x0001
	flagTen  = 0x0010

	// abilities are I2C_FUNC_I2C and I2C_FUNC_SMBUS_EMUL of include/uapi/linux/i2c.h.
	abilities = 0x0eff0009
)

// Held says which line of the bus something keeps low.
type Held byte

// The lines.
const (
	Free      Held = iota
	HeldClock      // the adapter waits and does not answer on USB; the driver gives up after 2 s
	HeldData       // every address seems to acknowledge, and every byte reads zero
)

// Adapter is the USB device. Its methods may be called from any goroutine.
type Adapter struct {
	mu       sync.Mutex
	bus      Bus
	held     Held
	status   byte
	delay    uint16
	messages int
}

// New returns an adapter with a bus behind it.
func New(bus Bus) *Adapter { return &Adapter{bus: bus} }

// Hold keeps a line of the bus low from now on; Free lets go.
func (a *Adapter) Hold(line Held) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.held = line
}

// Messages returns how many messages the driver has sent.
func (a *Adapter) Messages() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.messages
}

// Delay returns the bit delay in microseconds that the driver has set; zero before.
func (a *Adapter) Delay() uint16 {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.delay
}

var _ usbip.Device = (*Adapter)(nil)

// Descriptors is part of usbip.Device: one of the two numbers that the driver looks for, without endpoints.
func (*Adapter) Descriptors() usbip.Descriptors {
	return usbip.Descriptors{
		Vendor: 0x1c40, Product: 0x0534, Release: 0x0205, Speed: usbip.LowSpeed, Class: 0xff, MilliAmps: 10,
		Maker: "airhold system test", ProductName: "modelled I2C adapter",
		Interfaces: []usbip.Interface{{Class: 0xff}},
	}
}

// In is part of usbip.Device; there is no such endpoint.
func (*Adapter) In(context.Context, byte, int) ([]byte, error) { return nil, usbip.ErrStall }

// Out is part of usbip.Device; there is no such endpoint.
func (*Adapter) Out(context.Context, byte, []byte) error { return usbip.ErrStall }

// Control is part of usbip.Device.
func (a *Adapter) Control(s usbip.Setup, out []byte) ([]byte, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case s.Kind() != usbip.Vendor:
	case s.Request == requestEcho:
		return binary.LittleEndian.AppendUint16(nil, s.Value), nil
	case s.Request == requestCan:
		return binary.LittleEndian.AppendUint32(nil, abilities), nil
	case s.Request == requestDelay:
		a.delay = s.Value
		return nil, nil
	case s.Request == requestStatus:
		return []byte{a.status}, nil
	case s.Request >= requestMessage && s.Request <= requestLast:
		return a.message(s, out)
	}
	return nil, fmt.Errorf("request %#02x: %w", s.Request, usbip.ErrStall)
}

// message puts a message on the bus. As in the adapter's firmware what it came to is asked for afterwards, and a read
// that nobody acknowledged brings zeros.
func (a *Adapter) message(s usbip.Setup, out []byte) ([]byte, error) {
	a.messages++
	reading := s.Value&flagRead != 0
	if s.Value&flagTen != 0 || s.Index > 0x7f || reading != s.DeviceToHost() {
		return nil, fmt.Errorf("message to %#x with flags %#x: %w", s.Index, s.Value, usbip.ErrStall)
	}
	var in []byte
	if reading {
		in = make([]byte, s.Length)
	}
	switch a.held {
	case HeldClock:
		return nil, fmt.Errorf("%w: %w", ErrHeld, usbip.ErrNoAnswer)
	case HeldData:
		a.status = statusAck
		return in, nil
	case Free:
	}
	err := a.bus.Tx(s.Index, out, in)
	switch {
	case errors.Is(err, ErrHeld):
		return nil, fmt.Errorf("%w: %w", err, usbip.ErrNoAnswer)
	case err != nil:
		a.status = statusNoAck
		clear(in)
	default:
		a.status = statusAck
	}
	return in, nil
}
