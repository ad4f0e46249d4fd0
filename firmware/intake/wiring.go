// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"

	"airhold/bus/signals"
	"airhold/bus/socketcan"
	"airhold/sensors/transducer"
)

// The words of the rooms below that the wiring needs; it knows no driver and no bus itself.
type (
	// Transducer describes how an analog input is scaled.
	Transducer = transducer.Options
	// TransducerKind is the kind of a Transducer; its text is the machine file's word.
	TransducerKind = transducer.Kind
	// TransducerPoint is a point of a divider's table.
	TransducerPoint = transducer.Point
	// DBC is a user's description of bus messages.
	DBC = signals.DBC
)

// ParseDBC reads a user's message description; an error names file, line and column.
func ParseDBC(name string, data []byte) (*DBC, error) { return signals.ParseDBC(name, data) }

// OpenLink returns what ListenerOptions.Open needs for a CAN interface of the box. Index is the link's place in the
// machine file and stands in its frames. Only an interface in listen-only mode, or one without a wire, is opened.
func OpenLink(name string, index uint16) func(ctx context.Context) (FrameSource, error) {
	return func(ctx context.Context) (FrameSource, error) {
		s, err := socketcan.Open(ctx, name, socketcan.Options{Link: index})
		if err != nil {
			return nil, err
		}
		return s, nil
	}
}
