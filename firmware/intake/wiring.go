// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"slices"

	"airhold/bus/j1939"
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

// LinkOptions name a CAN interface of the box.
type LinkOptions struct {
	Name  string
	Index uint16   // the link's place in the machine file; it stands in its frames
	Hear  []uint32 // parameter groups the kernel is to pass; empty: everything
}

// OpenLink returns what ListenerOptions.Open needs for a CAN interface. Only an interface that the kernel says is in
// listen-only mode, or one without a wire, is opened; the mode is read before and after.
func OpenLink(o LinkOptions) func(ctx context.Context) (FrameSource, error) {
	return func(ctx context.Context) (FrameSource, error) {
		so := socketcan.Options{Link: o.Index}
		for _, pgn := range o.Hear {
			so.Hear = append(so.Hear, socketcan.PGNFilter(pgn))
		}
		s, err := socketcan.Open(ctx, o.Name, so)
		if err != nil {
			return nil, err
		}
		return s, nil
	}
}

// Hearing adds to the groups a link is limited to what airhold cannot do without: the groups that carry its signals, the
// transport of long messages, address claims and reported faults. It is empty, which means everything, where list is empty
// or where a signal has no group of its own. The signals must be ones that a Translator took.
func Hearing(list []uint32, wanted []Signal) []uint32 {
	if len(list) == 0 {
		return nil
	}
	out := append(slices.Clone(list), 60416, 60160, j1939.PGNAddressClaim, j1939.PGNDM1)
	for _, s := range wanted {
		pick, err := s.pick()
		if err != nil || pick.PGN() == 0 {
			return nil
		}
		out = append(out, pick.PGN())
	}
	slices.Sort(out)
	return slices.Compact(out)
}
