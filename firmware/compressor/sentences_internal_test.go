// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheCompressorIsListed(t *testing.T) {
	t.Parallel()
	table := readings.NewTable([]readings.Info{{ID: "tank"}})
	var all []string
	watch := func(o Options, more func(c *Compressor)) {
		o.Tank, o.Running, o.Drive, o.Ignition, o.Barometer = 0, readings.NoChannel, readings.NoChannel, readings.NoChannel, readings.NoChannel
		c := New(o, table, nil)
		more(c)
		for _, l := range c.Learned() {
			all = append(all, l.Words, l.Text)
		}
		if words, ok := c.Remark(); ok {
			all = append(all, words)
		}
	}
	learnt := func(n int, spread float64) func(c *Compressor) {
		return func(c *Compressor) {
			c.learnt.in.n, c.learnt.in.spread, c.learnt.out.n, c.learnt.out.spread = n, spread, n, spread
			c.trend.base.N, c.earlier.starts = n, int64(n)
		}
	}
	watch(Options{Control: Switch}, learnt(0, 0))
	watch(Options{Control: Switch, CutIn: 650e3, CutOut: 750e3}, learnt(0, 0))
	watch(Options{Control: Switch}, learnt(1, 0))
	watch(Options{Control: Unloader}, learnt(12, 2*agree))
	watch(Options{Control: Switch}, learnt(baseRuns, 0))
	for _, control := range []Control{ReliefHeld, Proportional} {
		watch(Options{Control: control}, learnt(0, 0))
	}
	watch(Options{Control: Switch}, func(c *Compressor) { c.stuck.on = true })
	watch(Options{Control: Switch}, func(c *Compressor) { c.ledger.isOpen, c.ledger.excused = true, true })
	watch(Options{Control: Switch}, func(c *Compressor) {
		c.ledger.open(0, 15*time.Minute, 0, true)
	})
	golden.Sentences(t, all)
}
