// SPDX-License-Identifier: Apache-2.0

package readings

import "time"

// MachineFault is one diagnostic trouble code that a controller of the machine reports (SAE J1939-73 DM1).
type MachineFault struct {
	At     time.Duration
	Source uint8
	SPN    uint32
	FMI    uint8
	Count  uint8 // how often it occurred, by the controller; NoCount: it does not say
	Gone   bool  // the controller no longer reports it
}

// NoCount is the Count that means "not available".
const NoCount = 127

// CountKnown reports whether Count is a count.
func (f MachineFault) CountKnown() bool { return f.Count != NoCount }
