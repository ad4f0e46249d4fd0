// SPDX-License-Identifier: Apache-2.0

package traffic

import (
	"fmt"
	"time"

	"airhold/bus"
)

// State is how far the local controller trusts itself on the bus (fault confinement of ISO 11898-1).
type State uint8

// The states. A controller that listens only has receive errors alone and never leaves the bus by itself; adapters
// report a bus off all the same.
const (
	Unknown State = iota
	Active        // error active: sound
	Warning       // an error counter is at 96 or above
	Passive       // an error counter is at 128 or above
	Off           // bus off: it takes no part any more, and hears nothing
)

// String returns the word used in files and messages.
func (s State) String() string {
	switch s {
	case Active:
		return "active"
	case Warning:
		return "warning"
	case Passive:
		return "passive"
	case Off:
		return "off"
	default:
		return "unknown"
	}
}

// MarshalText writes the word.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word; one it does not know is Unknown.
func (s *State) UnmarshalText(text []byte) error {
	for *s = Off; *s > Unknown; *s-- {
		if s.String() == string(text) {
			return nil
		}
	}
	return nil
}

// Classes of an error report: bits of its identifier (linux/can/error.h).
const (
	classTimeout     = 0x001 // a transmission timed out
	classArbitration = 0x002
	classController  = 0x004 // byte 1
	classProtocol    = 0x008 // bytes 2 and 3
	classTransceiver = 0x010 // byte 4
	classNoAnswer    = 0x020 // nobody acknowledged
	classOff         = 0x040
	classBusError    = 0x080
	classRestarted   = 0x100
	classCounters    = 0x200 // bytes 6 and 7 hold the counters; older kernels fill them without this bit
)

// Byte 1: the state of the controller.
const (
	controllerOverflow = 0x01 // its receive buffer ran over: frames were lost inside it
	controllerWarning  = 0x04 | 0x08
	controllerPassive  = 0x10 | 0x20
	controllerActive   = 0x40 // recovered
)

// Byte 2: what was wrong, and byte 3: where in the frame.
const (
	protocolBit      = 0x01 | 0x08 | 0x10
	protocolForm     = 0x02
	protocolStuff    = 0x04
	protocolActive   = 0x40 // announced as active by some adapters
	placeChecksum    = 0x08
	placeChecksumEnd = 0x18
)

// Thresholds of the error counters (ISO 11898-1; linux/can/error.h).
const (
	thresholdWarning = 96
	thresholdPassive = 128
)

// soundFrames is how many frames in a row without an error report make a controller sound again where its driver does not
// say so: each frame that is received lowers the receive error counter by one, from 127 at most (ISO 11898-1).
const soundFrames = 128

// Counts say how often something was reported.
type Counts struct {
	Reports     int64 `json:"reports"`     // error reports in all
	Stuff       int64 `json:"stuff"`       // six equal bits
	Form        int64 `json:"form"`        // a fixed bit was wrong
	Bit         int64 `json:"bit"`         // the wire had not the level that was sent
	Checksum    int64 `json:"checksum"`    // the checksum did not fit
	Bus         int64 `json:"bus"`         // errors on the wire in all
	NoAnswer    int64 `json:"no_answer"`   // a frame of this box was not acknowledged; a box that listens sends none
	Arbitration int64 `json:"arbitration"` // a frame of this box had to wait
	Timeout     int64 `json:"timeout"`     // a frame of this box got stuck
	Transceiver int64 `json:"transceiver"` // the transceiver reported a wire
	Overflows   int64 `json:"overflows"`   // the controller lost frames before the kernel had them
	Off         int64 `json:"off"`         // times it left the bus
	Restarts    int64 `json:"restarts"`    // times it was started anew
	Warnings    int64 `json:"warnings"`    // times it came to the warning level
	Passive     int64 `json:"passive"`     // times it became error passive
	Unexplained int64 `json:"unexplained"` // reports that say nothing known
}

// Controller follows the error reports of one link. The zero value knows nothing yet.
type Controller struct {
	state   State
	since   time.Duration // of state
	sending uint8         // error counters, as last reported
	hearing uint8
	counted bool // the counters were ever reported
	sound   int  // frames since the last error report
	frames  bool // a frame was heard since the link was opened
	counts  Counts
}

// Open begins anew with a link that was opened, in the state its driver tells; Unknown where it does not.
func (c *Controller) Open(at time.Duration, s State) {
	c.frames, c.sound, c.counted = false, 0, false
	c.state, c.since = s, at
}

// State returns the state and since when.
func (c *Controller) State() (State, time.Duration) { return c.state, c.since }

// Errors returns the error counters of sending and of receiving as last reported; false where they never were.
func (c *Controller) Errors() (sending, hearing uint8, ok bool) {
	return c.sending, c.hearing, c.counted
}

// Counts returns how often what was reported.
func (c *Controller) Counts() Counts { return c.counts }

// OnlyErrors says that the controller met errors and not one frame since the link was opened: the sign of a wrong bitrate,
// or of crossed or broken wires.
func (c *Controller) OnlyErrors() bool {
	return !c.frames && (c.state == Warning || c.state == Passive || c.state == Off || c.sound < 0)
}

// Heard takes note of a frame.
func (c *Controller) Heard(at time.Duration) {
	c.frames = true
	c.sound = max(c.sound, 0) + 1
	switch {
	case c.state == Unknown, c.state == Off, c.sound >= soundFrames && c.state != Active:
		// A controller that is off hears nothing, so it was started anew.
		c.enter(at, Active)
	}
}

func (c *Controller) enter(at time.Duration, s State) {
	if s == c.state {
		return
	}
	switch s {
	case Warning:
		c.counts.Warnings++
	case Passive:
		c.counts.Passive++
	case Off:
		c.counts.Off++
	default:
	}
	c.state, c.since = s, at
}

// Error takes an error report. Other frames are ignored.
func (c *Controller) Error(f *bus.Frame) {
	if f.Class != bus.Error {
		return
	}
	c.sound = -1
	c.counts.Reports++
	c.count(f)
	was := c.state
	if f.ID&classCounters != 0 || f.Data[6]|f.Data[7] != 0 {
		c.sending, c.hearing, c.counted = f.Data[6], f.Data[7], true
		if was != Off {
			c.enter(f.Boot, levelOf(max(c.sending, c.hearing)))
		}
	}
	status := f.Data[1]
	switch {
	case f.ID&classOff != 0:
		c.enter(f.Boot, Off)
	case f.ID&classRestarted != 0:
		c.sending, c.hearing = 0, 0
		c.enter(f.Boot, Active)
	case f.ID&classController != 0 && status&controllerPassive != 0:
		c.enter(f.Boot, Passive)
	case f.ID&classController != 0 && status&controllerWarning != 0:
		c.enter(f.Boot, Warning)
	case f.ID&classController != 0 && status&controllerActive != 0, f.ID&classProtocol != 0 && f.Data[2]&protocolActive != 0:
		c.enter(f.Boot, Active)
	}
}

// levelOf is what the counters alone say.
func levelOf(counter uint8) State {
	switch {
	case counter >= thresholdPassive:
		return Passive
	case counter >= thresholdWarning:
		return Warning
	}
	return Active
}

func (c *Controller) count(f *bus.Frame) {
	n := &c.counts
	for _, k := range [...]struct {
		class uint32
		count *int64
	}{
		{classTimeout, &n.Timeout},
		{classArbitration, &n.Arbitration},
		{classTransceiver, &n.Transceiver},
		{classNoAnswer, &n.NoAnswer},
		{classRestarted, &n.Restarts},
	} {
		if f.ID&k.class != 0 {
			*k.count++
		}
	}
	if f.ID&classController != 0 && f.Data[1]&controllerOverflow != 0 {
		n.Overflows++
	}
	if f.ID&(classProtocol|classBusError) != 0 && f.Data[2]&protocolActive == 0 {
		n.Bus++
	}
	if f.ID&classProtocol != 0 {
		switch what := f.Data[2]; {
		case what&protocolStuff != 0:
			n.Stuff++
		case what&protocolForm != 0:
			n.Form++
		case what&protocolBit != 0:
			n.Bit++
		case f.Data[3] == placeChecksum, f.Data[3] == placeChecksumEnd:
			n.Checksum++
		}
	}
	const known = classTimeout | classArbitration | classController | classProtocol | classTransceiver | classNoAnswer |
		classOff | classBusError | classRestarted | classCounters
	if f.ID&known == 0 {
		n.Unexplained++
	}
}

// Words say in one line how the controller is.
func (c *Controller) Words() string {
	var how string
	switch c.state {
	case Active:
		return "sound (error active)"
	case Warning:
		how = "many errors (error warning)"
	case Passive:
		how = "very many errors (error passive)"
	case Off:
		how = "has left the bus (bus off) and hears nothing"
	default:
		return "not told by its driver"
	}
	if c.counted {
		how += fmt.Sprintf(", error counters: receive %d, transmit %d", c.hearing, c.sending)
	}
	return how
}
