// SPDX-License-Identifier: Apache-2.0

// Package bus holds one thing heard on a CAN bus: a frame with when and where it was heard.
//
// Words: a frame is a classic CAN 2.0 frame (ISO 11898-1); a link is a CAN interface of the box. The package reads
// nothing and can send nothing: no type in or below this folder has a transmit method, and tools/importcheck holds
// it to that.
package bus

import (
	"time"

	"go.einride.tech/can"
)

// Class tells data from the controller's own error reports.
type Class uint8

// The classes of a received frame.
const (
	Data   Class = iota // a frame somebody sent
	Remote              // a remote request
	Error               // an error report of the local controller (linux/can/error.h); ID holds the error class bits
)

// Frame is a CAN frame as it was received.
type Frame struct {
	can.Frame

	Boot  time.Duration // when it was received, on the box's boot clock (or from the start of a recording)
	UTC   time.Time     // the wall clock's word for it; zero where the recording has none
	Link  uint16        // index of the link in the owner's list
	Class Class
}
