// SPDX-License-Identifier: Apache-2.0

// Package intake turns wires into readings: it polls the converters, listens to the buses and asks the box itself.
// It is the only room that knows drivers and frames; everything behind it sees readings.
//
// Words: a board is one converter chip; an input is one channel of a board; an analog bus is the boards that share
// one I2C or SPI bus and so one goroutine; a link is one CAN interface; the supply is the measured voltage that feeds
// ratiometric sensors. A reading carries its doubt: every fault is a quality of the reading, never a number and never
// silence. Nothing is filtered here: filters serve checks, and the log keeps what the converter saw.
//
// The package decides nothing about the machine, writes no file, and sends nothing on any machine bus. Real devices
// and the simulated rig both fit its interfaces.
package intake

import (
	"airhold/bus"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
)

// Out takes what intake finds. It is called from several goroutines (one a bus, one watchdog a bus, one a link) and
// must not block for long: the caller is the one that polls.
type Out interface {
	Reading(r readings.Reading)
	Fault(f readings.MachineFault)
}

// Tap takes every frame as it came, before anything is made of it: the recorder. It is called from the goroutine of
// the link and must not block for long. It may also have Dropped(link uint16, total uint64), which is told how many frames
// of a link the kernel has lost so far.
type Tap interface {
	Frame(f bus.Frame)
}

// join makes the calling goroutine a participant of a simulated clock, which then waits for it; a live clock waits
// for nobody. The caller calls the returned function when it ends.
func join(c clock.Clock) (leave func()) {
	if j, ok := c.(interface{ Join() func() }); ok {
		return j.Join()
	}
	return func() {}
}
