// SPDX-License-Identifier: Apache-2.0

package tinyi2c_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"airhold/firmware/rig"
	"airhold/sensors/ads1x15"
	"airhold/tools/systemtest/tinyi2c"
	"airhold/tools/systemtest/usbip"
)

// driver does what usb_xfer and its helpers in the kernel's drivers/i2c/busses/i2c-tiny-usb.c do, with their numbers: one
// control request for each message (4, with 1 for the first and 2 for the last; flags in the value, address in the
// index), a status after each, and the errors that a program sees.
type driver struct{ a *tinyi2c.Adapter }

var (
	errNXIO    = errors.New("ENXIO")
	errIO      = errors.New("EIO")
	errNoReply = errors.New("ETIMEDOUT, told as EIO")
)

type msg struct {
	write []byte
	read  []byte
}

func (d driver) xfer(addr uint16, msgs ...msg) error {
	for i, m := range msgs {
		s := usbip.Setup{RequestType: 0x41, Request: 4, Index: addr, Length: uint16(len(m.write))}
		if i == 0 {
			s.Request |= 1
		}
		if i == len(msgs)-1 {
			s.Request |= 2
		}
		if m.read != nil {
			s.RequestType, s.Value, s.Length = 0xc1, 1, uint16(len(m.read))
		}
		in, err := d.a.Control(s, m.write)
		if errors.Is(err, usbip.ErrNoAnswer) {
			return errNoReply
		}
		if err != nil || len(in) != len(m.read) {
			return errIO
		}
		copy(m.read, in)
		status, err := d.a.Control(usbip.Setup{RequestType: 0xc1, Request: 3, Length: 1}, nil)
		if err != nil || len(status) != 1 {
			return errIO
		}
		if status[0] == 2 {
			return errNXIO
		}
	}
	return nil
}

// Tx is what a program does through /dev/i2c-N: a write, then a read in the same transfer.
func (d driver) Tx(addr uint16, w, r []byte) error {
	var msgs []msg
	if len(w) > 0 {
		msgs = append(msgs, msg{write: w})
	}
	if len(r) > 0 {
		msgs = append(msgs, msg{read: r})
	}
	return d.xfer(addr, msgs...)
}

type conn struct {
	d    driver
	addr uint16
}

func (c conn) Tx(w, r []byte) error { return c.d.Tx(c.addr, w, r) }

// registers is a chip with a pointer and sixteen bytes behind it.
type registers struct {
	at   byte
	data [16]byte
}

func (c *registers) Tx(w, r []byte) error {
	if len(w) > 0 {
		c.at = w[0] & 15
		copy(c.data[c.at:], w[1:])
	}
	copy(r, c.data[c.at:])
	return nil
}

func TestProbeOfTheDriver(t *testing.T) {
	a := tinyi2c.New(&tinyi2c.Chips{})
	d := a.Descriptors()
	// i2c_tiny_usb_table in the driver.
	if (d.Vendor != 0x0403 || d.Product != 0xc631) && (d.Vendor != 0x1c40 || d.Product != 0x0534) {
		t.Errorf("the driver does not know %04x:%04x", d.Vendor, d.Product)
	}
	if _, err := a.Control(usbip.Setup{RequestType: 0x41, Request: 2, Value: 10}, nil); err != nil || a.Delay() != 10 {
		t.Errorf("delay %d, error %v; the driver sets 10 µs", a.Delay(), err)
	}
	// I2C_FUNC_I2C 0x1, and I2C_FUNC_SMBUS_EMUL as the sum of its parts in include/uapi/linux/i2c.h: quick 0x10000, byte
	// 0x60000, byte data 0x180000, word data 0x600000, call 0x800000, write block 0x2000000, I2C block 0xc000000, PEC 8.
	const can = 0x1 + 0x10000 + 0x60000 + 0x180000 + 0x600000 + 0x800000 + 0x2000000 + 0xc000000 + 0x8
	in, err := a.Control(usbip.Setup{RequestType: 0xc1, Request: 1, Length: 4}, nil)
	if want := []byte{can & 0xff, can >> 8 & 0xff, can >> 16 & 0xff, can >> 24}; err != nil || !bytes.Equal(in, want) {
		t.Errorf("abilities % x, %v; want % x", in, err, want)
	}
	in, err = a.Control(usbip.Setup{RequestType: 0xc1, Request: 0, Value: 0x1234, Length: 2}, nil)
	if err != nil || !bytes.Equal(in, []byte{0x34, 0x12}) {
		t.Errorf("echo % x, %v", in, err)
	}
	for _, s := range []usbip.Setup{
		{RequestType: 0xc1, Request: 8},
		{RequestType: 0x21, Request: 4},                           // class, not vendor
		{RequestType: 0x41, Request: 7, Value: 0x10, Index: 0x48}, // ten-bit address
		{RequestType: 0x41, Request: 7, Index: 0x148},
		{RequestType: 0x41, Request: 7, Value: 1, Index: 0x48}, // a read that sends
	} {
		if _, err := a.Control(s, nil); !errors.Is(err, usbip.ErrStall) {
			t.Errorf("%+v: %v, want a stall", s, err)
		}
	}
}

func TestChipsOnTheBus(t *testing.T) {
	var bus tinyi2c.Chips
	a := tinyi2c.New(&bus)
	d := driver{a}
	r := make([]byte, 2)
	if err := d.Tx(0x20, []byte{1}, r); !errors.Is(err, errNXIO) {
		t.Errorf("an empty bus: %v, want ENXIO", err)
	}
	bus.Plug(0x20, &registers{})
	bus.Plug(0x21, &registers{data: [16]byte{3: 7, 4: 8}})
	if err := d.Tx(0x20, []byte{3, 0xaa, 0xbb}, nil); err != nil {
		t.Fatal(err)
	}
	if err := d.Tx(0x20, []byte{3}, r); err != nil || !bytes.Equal(r, []byte{0xaa, 0xbb}) {
		t.Errorf("read back % x, %v", r, err)
	}
	if err := d.Tx(0x21, []byte{3}, r); err != nil || !bytes.Equal(r, []byte{7, 8}) {
		t.Errorf("the other chip reads % x, %v", r, err)
	}
	if err := d.xfer(0x21, msg{}); err != nil {
		t.Errorf("a message without bytes to a chip that is there: %v", err)
	}
	bus.Pull(0x20)
	if err := d.Tx(0x20, nil, r); !errors.Is(err, errNXIO) || !bytes.Equal(r, []byte{0, 0}) {
		t.Errorf("a chip that was pulled: % x, %v; want zeros and ENXIO", r, err)
	}
	if got := a.Messages(); got != 8 {
		t.Errorf("%d messages, want 8", got)
	}
}

func TestHeldBus(t *testing.T) {
	var bus tinyi2c.Chips
	bus.Plug(0x20, &registers{data: [16]byte{1, 2}})
	a := tinyi2c.New(&bus)
	d := driver{a}
	r := []byte{9, 9}
	a.Hold(tinyi2c.HeldData)
	if err := d.Tx(0x55, []byte{0}, r); err != nil || !bytes.Equal(r, []byte{0, 0}) {
		t.Errorf("data line low: % x, %v; want zeros from anybody", r, err)
	}
	a.Hold(tinyi2c.HeldClock)
	if err := d.Tx(0x20, []byte{0}, r); !errors.Is(err, errNoReply) {
		t.Errorf("clock line low: %v, want no reply on USB", err)
	}
	a.Hold(tinyi2c.Free)
	if err := d.Tx(0x20, []byte{0}, r); err != nil || !bytes.Equal(r, []byte{1, 2}) {
		t.Errorf("free again: % x, %v", r, err)
	}
}

// The driver of the ADS1115 reads the simulated machine's tank through the adapter: single conversions of a sensor at
// 800 kPa gauge, 10 to 90 % of the supply for 0 to 1000 kPa (wiring.go of the rig). The driver and its conversion are
// checked against the data sheet elsewhere; here the same value must come over both ways.
func TestMachineBehindTheAdapter(t *testing.T) {
	r, err := rig.New(rig.Options{Seed: 5, Quiet: true, StallTimesOut: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var now time.Duration
	tick := func() time.Duration {
		now += 200 * time.Microsecond
		return now
	}
	a := tinyi2c.New(tinyi2c.Machine(r, tick))
	d := driver{a}
	read := func(c ads1x15.Conn) (int16, error) {
		dev, err := ads1x15.New(c, ads1x15.Options{})
		if err != nil {
			return 0, err
		}
		code, _, err := dev.Read(context.Background(), 0)
		return code, err
	}
	through, err := read(conn{d, 0x48})
	if err != nil {
		t.Fatal(err)
	}
	bus := r.I2C(tick)
	direct, err := read(direct{func(w, in []byte) error { return bus.Tx(0x48, w, in) }})
	if err != nil {
		t.Fatal(err)
	}
	if through == 0 || through-direct > 3 || direct-through > 3 {
		t.Errorf("through the adapter %d, without it %d", through, direct)
	}
	if err := r.Do(rig.Event{What: rig.ChipOff, Where: "0x48"}); err != nil {
		t.Fatal(err)
	}
	if err := d.Tx(0x48, []byte{1}, make([]byte, 2)); !errors.Is(err, errNXIO) {
		t.Errorf("a chip off the bus: %v, want ENXIO", err)
	}
	if err := d.Tx(0x49, []byte{1}, make([]byte, 2)); err != nil {
		t.Errorf("its neighbour: %v", err)
	}
	r.StallBus(true)
	if err := d.Tx(0x49, []byte{1}, make([]byte, 2)); !errors.Is(err, errNoReply) {
		t.Errorf("a stalled bus: %v, want no reply on USB", err)
	}
	r.StallBus(false)
	if err := d.Tx(0x49, []byte{1}, make([]byte, 2)); err != nil {
		t.Errorf("free again: %v", err)
	}
}

type direct struct{ tx func(w, r []byte) error }

func (d direct) Tx(w, r []byte) error { return d.tx(w, r) }

func ExampleChips() {
	var bus tinyi2c.Chips
	bus.Plug(0x20, &registers{data: [16]byte{5: 42}})
	r := make([]byte, 1)
	err := bus.Tx(0x20, []byte{5}, nil)
	if err == nil {
		err = bus.Tx(0x20, nil, r)
	}
	fmt.Println(r[0], err)
	// Output: 42 <nil>
}
