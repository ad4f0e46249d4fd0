// SPDX-License-Identifier: Apache-2.0

// Package socketcan listens to one CAN interface of a Linux box. It receives, and nothing else.
//
// Words: a link is a CAN network interface; a batch is what one system call brings, at most 64 frames; listen-only is
// the mode in which the controller neither sends nor acknowledges (ISO 11898-1 calls it bus monitoring).
//
// Never does: send, on any descriptor; open a link that could drive the bus; change a link's settings. Open refuses a
// controller that is not in listen-only mode and a serial-line adapter, and allows vcan, which has no wire. A link's
// mode can only change while the link is down, and going down ends a Socket, so every new Open checks anew.
// tools/importcheck allows this package a short list of system calls, all of which receive or set up.
//
// Sources: linux/can.h, linux/can/raw.h, linux/can/netlink.h, linux/rtnetlink.h, Documentation/networking/can.rst and
// timestamping.rst of the kernel.
package socketcan

import (
	"errors"
	"fmt"
	"time"

	"airhold/bus"
)

// Errors that callers tell apart with errors.Is. The error around them says what to do.
var (
	// ErrNoLink: the box has no interface of this name.
	ErrNoLink = errors.New("no such interface")
	// ErrNotListenOnly: the link could acknowledge, or send error flags, on the machine's bus.
	ErrNotListenOnly = errors.New("not in listen-only mode")
	// ErrNotCAN: the interface is no CAN controller that can prove listen-only mode, and not vcan.
	ErrNotCAN = errors.New("not a CAN link airhold may open")
	// ErrDown: the link is down, or went down. Close the Socket and open it again later.
	ErrDown = errors.New("link is down")
	// ErrGone: the interface was removed, as when a USB adapter is pulled. Close the Socket and open it again later.
	ErrGone = errors.New("interface is gone")
	// ErrNoCAN: this kernel, or this operating system, has no CAN sockets.
	ErrNoCAN = errors.New("no CAN sockets here")
)

// Options of Open. The zero value is good.
type Options struct {
	Link          uint16   // what to put in each frame's Link
	ReceiveBuffer int32    // bytes to ask of the kernel for waiting frames; 0 is 4 MiB, about 16 s of a full 500 kbit/s bus
	Hear          []Filter // frames the kernel is to pass, those that fit any of these; empty: all. Error reports always pass
}

// Filter lets pass the frames whose identifier has the same bits as ID wherever Mask has a one. A frame with an 11-bit
// identifier never fits a filter for 29-bit ones, nor the other way round.
type Filter struct {
	ID, Mask uint32
	Extended bool
}

// MaxFilters is how many filters a socket takes (CAN_RAW_FILTER_MAX of linux/can/raw.h).
const MaxFilters = 512

// PGNFilter lets pass one parameter group (J1939-21), from any sender, to any destination and with any priority.
func PGNFilter(pgn uint32) Filter {
	f := Filter{ID: pgn << 8 & maskExtended, Mask: 0x3FFFF00, Extended: true}
	const firstBroadcast = 240 // a smaller format byte makes the next one a destination
	if pgn>>8&0xFF < firstBroadcast {
		f.Mask &^= 0xFF00
		f.ID &^= 0xFF00
	}
	return f
}

// Fits reports what the kernel does with the filter.
func (f Filter) Fits(id uint32, extended bool) bool {
	return extended == f.Extended && (id^f.ID)&f.mask() == 0
}

func (f Filter) mask() uint32 {
	if f.Extended {
		return f.Mask & maskExtended
	}
	return f.Mask & maskStandard
}

const (
	defaultReceiveBuffer = 4 << 20
	batchSize            = 64
	gatherTime           = 20 * time.Millisecond // less than any check can notice; the kernel has dated the frames
	frameSize            = 16                    // CAN_MTU of linux/can.h
)

// Flag bits of linux/can.h.
const (
	flagExtended = 0x80000000
	flagRemote   = 0x40000000
	flagError    = 0x20000000
	maskExtended = 0x1fffffff
	maskStandard = 0x7ff
)

// setFrame fills class, identifier, length and data from a struct can_frame; false when the frame is impossible.
// The identifier has the machine's byte order, so the caller reads it.
func setFrame(f *bus.Frame, id uint32, length uint8, data *[8]byte) bool {
	if length > 8 {
		return false
	}
	f.ID = id & maskExtended
	f.Length = length
	f.IsRemote = false
	f.IsExtended = id&flagExtended != 0
	f.Class = bus.Data
	switch {
	case id&flagError != 0:
		f.Class = bus.Error
		f.IsExtended = false
	case id&flagRemote != 0:
		f.Class = bus.Remote
		f.IsRemote = true
	}
	if f.Class != bus.Error && !f.IsExtended && f.ID > maskStandard {
		return false
	}
	f.Data = *data
	if f.IsRemote {
		f.Data = [8]byte{}
	}
	for i := length; i < 8; i++ {
		f.Data[i] = 0
	}
	return true
}

// moment is one reading of both clocks, in nanoseconds.
type moment struct {
	wall int64 // CLOCK_REALTIME
	boot int64 // CLOCK_BOOTTIME
}

// bootTime maps a kernel receive stamp, which is wall time and may have been taken before the wall clock stepped, to
// boot time. before is when the batch before was read, now when this one was: the frame arrived between them. Where both
// clock readings give a time in between, the newer counts; where neither does, the nearest end of the span.
func bootTime(stamp int64, before, now moment) time.Duration {
	const slack = int64(time.Millisecond) // clocks are read one after the other
	byNow := now.boot - (now.wall - stamp)
	byBefore := before.boot + (stamp - before.wall)
	fits := func(t int64) bool { return t >= before.boot-slack && t <= now.boot+slack }
	switch {
	case fits(byNow):
		return time.Duration(byNow)
	case fits(byBefore):
		return time.Duration(byBefore)
	case byNow < before.boot:
		return time.Duration(before.boot)
	}
	return time.Duration(now.boot)
}

func errAbout(link string, sentinel error, remedy string) error {
	return fmt.Errorf("%s: %w: %s", link, sentinel, remedy)
}
