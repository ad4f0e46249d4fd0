// SPDX-License-Identifier: Apache-2.0

// Package gsusb models a USB adapter for one CAN bus as the kernel's gs_usb driver knows it, so that the driver of a
// real kernel runs against it.
//
// It stands where the wire would be, and so it can tell what no program above the driver can: the bitrate and the mode
// the driver really asked for, and how many frames the host gave it to send. It does not model a bus: what a node sends
// arrives at once, and error reports come when they are told to.
//
// Source: drivers/net/can/usb/gs_usb.c of Linux 6.1 to 6.6 (structures, requests and bits); linux/can/error.h for what
// an error report holds.
package gsusb

import (
	"context"
	"encoding/binary"
	"sync"
	"time"

	"airhold/tools/systemtest/usbip"
)

// clock of the adapter's controller, in hertz.
const clock = 48_000_000

// queueLimit is how many frames wait for the host before new ones are lost.
const queueLimit = 1024

// Bits and bytes of an error report (linux/can/error.h).
const (
	errorFlag      = 0x20000000
	errController  = 0x004
	errBusOff      = 0x040
	errRestarted   = 0x100
	errCounters    = 0x200
	stateByte      = 1
	counterTX      = 6
	counterRX      = 7
	stateActive    = 0x40
	stateRXWarning = 0x04
	stateRXPassive = 0x10
)

// State is what a controller says of itself.
type State byte

// The states, in the numbering of enum gs_can_state.
const (
	Active State = iota
	Warning
	Passive
	BusOff
	Stopped
)

// Status is what the adapter saw of its host.
type Status struct {
	Running    bool
	ListenOnly bool   // the mode the driver started it in
	Bitrate    uint32 // bit/s, from the timing the driver set
	Starts     int
	Sent       int // frames the host gave to be sent
	Taken      int // frames the host took
	Lost       int // frames nobody took in time
}

// Options of an adapter. The zero value can listen only.
type Options struct {
	Talker bool // an adapter that has no listen-only mode
}

// Adapter is one adapter. Its methods may be called from any goroutine.
type Adapter struct {
	options Options
	begun   time.Time

	mu     sync.Mutex
	status Status
	state  State
	tx, rx byte // error counters
	queue  [][]byte
	more   chan struct{} // holds one when the queue may have something
}

// New makes an adapter that is not started.
func New(o Options) *Adapter {
	return &Adapter{options: o, begun: time.Now(), state: Stopped, more: make(chan struct{}, 1)}
}

// Status returns what was seen so far.
func (a *Adapter) Status() Status {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.status
}

// Hear has a frame arrive from the bus; false when it is lost, because the adapter is not started or its queue is full.
func (a *Adapter) Hear(f Frame) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.push(unsolicited, f)
}

// Report changes the state of the adapter's controller, with its error counters, and tells the host as the firmware of
// such adapters does: with an error frame. Active after BusOff is a restart.
func (a *Adapter) Report(s State, tx, rx byte) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	f := Frame{ID: errorFlag | errController | errCounters, Length: 8}
	f.Data[counterTX], f.Data[counterRX] = tx, rx
	switch {
	case s == Warning:
		f.Data[stateByte] = stateRXWarning
	case s == Passive:
		f.Data[stateByte] = stateRXPassive
	case s == BusOff:
		f.ID = errorFlag | errBusOff
	case a.state == BusOff:
		f.ID = errorFlag | errRestarted
	default:
		f.Data[stateByte] = stateActive
	}
	a.state, a.tx, a.rx = s, tx, rx
	return a.push(unsolicited, f)
}

// push queues a frame for the host; a.mu is held.
func (a *Adapter) push(echo uint32, f Frame) bool {
	if !a.status.Running || len(a.queue) == queueLimit {
		a.status.Lost++
		return false
	}
	a.queue = append(a.queue, received(echo, f, a.stamp()))
	select {
	case a.more <- struct{}{}:
	default:
	}
	return true
}

// stamp is the adapter's clock: microseconds, which wrap.
func (a *Adapter) stamp() uint32 { return uint32(time.Since(a.begun).Microseconds()) } //nolint:gosec // wraps as the real one

// Descriptors are those of a widely used open adapter, at the identifiers its firmware's project was given.
func (a *Adapter) Descriptors() usbip.Descriptors {
	return usbip.Descriptors{
		Vendor: 0x1d50, Product: 0x606f, Speed: usbip.FullSpeed, MilliAmps: 150, ProductName: "modelled CAN adapter",
		Interfaces: []usbip.Interface{{Class: 0xff, SubClass: 0xff, Protocol: 0xff, Endpoints: []usbip.Endpoint{
			{Address: 0x81, Transfer: usbip.Bulk, MaxPacket: 64}, {Address: 0x02, Transfer: usbip.Bulk, MaxPacket: 64},
		}}},
	}
}

// Control answers the driver's requests.
func (a *Adapter) Control(s usbip.Setup, out []byte) ([]byte, error) {
	if s.Kind() != usbip.Vendor {
		return nil, usbip.ErrStall
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	switch s.Request {
	case reqHostFormat:
		if len(out) >= 4 && binary.LittleEndian.Uint32(out) == hostFormat {
			return nil, nil
		}
	case reqTiming:
		if rate := bitrate(out); rate > 0 {
			a.status.Bitrate = rate
			return nil, nil
		}
	case reqMode:
		if len(out) >= modeSize {
			return nil, a.setMode(binary.LittleEndian.Uint32(out), binary.LittleEndian.Uint32(out[4:]))
		}
	case reqLimits:
		return limits(a.features()), nil
	case reqDeviceConfig:
		return append([]byte{0, 0, 0, 0}, words(softwareLevel, hardwareLevel)...), nil // the fourth: channels less one
	case reqTimestamp:
		return words(a.stamp()), nil
	case reqState:
		return words(uint32(a.state), uint32(a.rx), uint32(a.tx)), nil
	}
	return nil, usbip.ErrStall
}

func (a *Adapter) features() uint32 {
	if a.options.Talker {
		return flagTimestamps | flagErrors | flagState
	}
	return flagListenOnly | flagTimestamps | flagErrors | flagState
}

func (a *Adapter) setMode(mode, flags uint32) error {
	if mode > modeStart || flags&^a.features() != 0 {
		return usbip.ErrStall
	}
	a.queue = nil
	a.tx, a.rx = 0, 0
	a.status.Running = mode == modeStart
	if mode == modeReset {
		a.state = Stopped
		return nil
	}
	a.state = Active
	a.status.ListenOnly = flags&flagListenOnly != 0
	a.status.Starts++
	return nil
}

// In waits for a frame that the host has not seen.
func (a *Adapter) In(ctx context.Context, _ byte, _ int) ([]byte, error) {
	for {
		a.mu.Lock()
		if len(a.queue) > 0 {
			b := a.queue[0]
			a.queue = a.queue[1:]
			a.status.Taken++
			a.mu.Unlock()
			return b, nil
		}
		a.mu.Unlock()
		select {
		case <-ctx.Done():
			return nil, ctx.Err() //nolint:wrapcheck // the caller's own error
		case <-a.more:
		}
	}
}

// Out counts a frame the host wants sent, and acknowledges it to the driver as sent.
func (a *Adapter) Out(_ context.Context, _ byte, data []byte) error {
	echo, f, ok := sent(data)
	if !ok {
		return usbip.ErrStall
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.status.Sent++
	a.push(echo, f)
	return nil
}
