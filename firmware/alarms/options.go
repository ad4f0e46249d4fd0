// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"fmt"
	"time"

	"airhold/firmware/findings"
)

// Override changes one row for one machine. Nil and zero fields keep the catalogue's value.
type Override struct {
	Key      findings.Key
	Where    string // one place only; empty: all places of the row
	OnDelay  *time.Duration
	OffDelay *time.Duration
	Deadband *float64 // SI
	Priority Priority // replaces the row's priority, and its steps
}

// Options are the settings of an Engine. The zero value of each field means the default named beside it.
//
// Feeds goes from the place of an alarm that raises a rule to the places (or inputs of rows) that the rule hides: from a
// rail or a link to the sensors it feeds, and from a sensor to what is computed from it ("front" to "front rank"). A
// rail or link that is not in it feeds everything; a sensor always blinds its own place.
type Options struct {
	Rows      []Row               // nil: Catalogue()
	Overrides []Override          // later ones win
	Feeds     map[string][]string // what a place of trouble blinds; see below
	Hold      time.Duration       // start-up hold, 10 s; negative: none
	Period    time.Duration       // longest expected time between two findings of an item, 1 s
	Health    *Health             // counts how the alarms do; nil: nobody
	Noise     time.Duration       // over how long the noise behind the deadband floor is learned, 10 min; negative: no floor
}

// Validate reports overrides of rows that do not exist, delays below zero and rows given twice.
func (o Options) Validate() error {
	rows := o.Rows
	if rows == nil {
		rows = Catalogue()
	}
	known := make(map[findings.Key]bool, len(rows))
	for i := range rows {
		if known[rows[i].Key] {
			return fmt.Errorf("alarm %q stands twice in the catalogue", rows[i].Key)
		}
		known[rows[i].Key] = true
	}
	for _, v := range o.Overrides {
		if !known[v.Key] {
			return fmt.Errorf("override of %q: there is no such alarm", v.Key)
		}
		if (v.OnDelay != nil && *v.OnDelay < 0) || (v.OffDelay != nil && *v.OffDelay < 0) {
			return fmt.Errorf("override of %q: a delay cannot be below zero", v.Key)
		}
		if v.Deadband != nil && !(*v.Deadband >= 0) {
			return fmt.Errorf("override of %q: a deadband cannot be below zero", v.Key)
		}
	}
	return nil
}
