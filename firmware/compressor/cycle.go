// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
)

// cycle is what the last runs stored: the pressure between start and stop.
type cycle struct {
	rise [cycles]float64 // Pa
	n    int
}

const (
	cycles     = 5   // in a row
	shortStore = 0.6 // of what the tank should store
)

func (y *cycle) see(rise float64) {
	y.rise[y.n%cycles] = rise
	y.n++
}

// reportCycle says how much of what the tank should store between its switch points the last cycles stored: the largest
// of five, so that all five must be short. A switch whose points lie too close shows in the rise; water that takes the
// tank's room shows in how fast the same compressor fills it.
func (c *Compressor) reportCycle(at time.Duration) {
	f := findings.Finding{Key: KeyShortCycle, Where: c.o.Name, At: at, Sense: findings.Below}
	f.Limit = findings.Measure{SI: shortStore, Unit: c.unit.share}
	gap := c.o.CutOut - c.o.CutIn
	switch {
	case !c.switches():
		f.Needs = "a compressor that starts and stops, or loads and unloads"
	case c.tank.ch == readings.NoChannel, !c.tank.alive(at):
		f.Needs = c.missing(at)
	case c.o.Volume <= 0:
		f.Needs = "the tank's volume"
	case c.o.CutIn <= 0 || gap <= 0:
		f.Needs = "cut-in and cut-out in the machine file"
	case !c.fast():
		f.Needs = NeedsFast
	case c.cycle.n < cycles:
		f.Needs = "five runs from start to stop"
	}
	if f.Needs != "" {
		f.Sight = findings.Unseen
		c.sink.Find(f)
		return
	}
	most := 0.0
	for _, rise := range c.cycle.rise {
		most = max(most, rise)
	}
	f.Value = findings.Measure{SI: most / gap, Unit: c.unit.share}
	f.Detail = CycleBySwitch
	if d, ok := c.Delivery(); ok && d.Low > 1/shortStore && 1/d.Ratio < most/gap {
		// Nothing makes a compressor give so much more: the tank has less room.
		f.Value = findings.Measure{SI: 1 / d.Ratio, Unit: c.unit.share, Low: 1 / d.High, High: 1 / d.Low}
		f.Detail = CycleByRoom
	}
	c.sink.Find(f)
}

// Details of the short cycle's finding.
const (
	CycleBySwitch = "cut-in and cut-out lie close"
	CycleByRoom   = "the tank fills faster than its volume allows: water takes its room"
)
