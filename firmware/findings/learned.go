// SPDX-License-Identifier: Apache-2.0

package findings

import "time"

// Learned is one thing that a check has learned or counted, as people see and forget it.
type Learned struct {
	Name  string  // by which it is forgotten: lower case, hyphens, no blanks; unique on a machine
	Words string  // what it is: "cut-in of the compressor"
	Value Measure // what was learned; the zero Measure where it is more than one number
	Text  string  // what it rests on, or how far learning has come: "from 14 starts"
}

// Keeper is a check that learns. Save and the Saved bytes of its options carry what it knows over a power cut; equal
// knowledge gives equal bytes.
type Keeper interface {
	Learned() []Learned
	Forget(name string) bool // false: it has nothing of that name
	Save() []byte            // nil: nothing worth keeping yet
}

// Notes takes what a check wants to have in the journal that is no finding: what it withheld and why, what it found
// when the day began. Kind is one word with hyphens, text a whole sentence.
type Notes interface {
	Note(at time.Duration, kind, text string)
}
