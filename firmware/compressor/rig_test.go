// SPDX-License-Identifier: Apache-2.0

package compressor_test

import (
	"math/rand/v2"
	"time"

	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/trust"
	"airhold/sensors/units"
)

// bell is a small stand-in for the alarm engine: one on-delay, one off-delay and a deadband for one key.
type bell struct {
	key       findings.Key
	on, off   time.Duration
	deadband  float64
	last      findings.Finding
	badSince  time.Duration
	goodSince time.Duration
	bad       bool
	active    bool
	rang      []time.Duration
}

func overworked() *bell {
	// catalogue row: 60 s on, 300 s off, deadband 10 % duty
	return &bell{key: compressor.KeyOverworked, on: time.Minute, off: 5 * time.Minute, deadband: 0.1}
}

func (b *bell) Find(f findings.Finding) {
	if f.Key != b.key {
		return
	}
	b.last = f
	bad := f.Active
	if f.Sense == findings.Above {
		limit := f.Limit.SI
		if b.active {
			limit -= b.deadband
		}
		bad = f.Value.SI > limit
	}
	if f.Sight == findings.Unseen {
		bad = false
	}
	if bad != b.bad {
		b.bad, b.badSince, b.goodSince = bad, f.At, f.At
	}
	if bad && !b.active && f.At-b.badSince >= b.on {
		b.active = true
		b.rang = append(b.rang, f.At)
	}
	if !bad && b.active && f.At-b.goodSince >= b.off {
		b.active = false
	}
}

type runList []compressor.Run

func (l *runList) Run(r compressor.Run) { *l = append(*l, r) }

// sample is one row of a recording: tank pressure, Pa gauge.
type sample struct {
	at time.Duration
	p  float64
}

type result struct {
	c      *compressor.Compressor
	bell   *bell
	runs   runList
	frozen *trust.Frozen
	end    time.Duration
}

// play feeds rows as the spine would: readings in order, a tick each whole second, the frozen check before.
func play(rows []sample, o compressor.Options) *result {
	t := readings.NewTable([]readings.Info{{ID: "tank", Quantity: units.QPressure, Reference: units.Gauge}})
	res := &result{bell: overworked()}
	o.Tank, o.Running, o.Drive, o.Ignition = t.Find("tank"), readings.NoChannel, readings.NoChannel, readings.NoChannel
	o.Runs = &res.runs
	res.c = compressor.New(o, t, res.bell)
	res.frozen = trust.NewFrozen(trust.FrozenOptions{}, t)
	tick := rows[0].at
	for _, r := range rows {
		for ; tick < r.at; tick += time.Second {
			res.c.Tick(tick)
		}
		res.c.Read(res.frozen.Read(readings.Reading{At: r.at, Value: r.p, Channel: o.Tank}))
	}
	res.end = rows[len(rows)-1].at
	res.c.Tick(res.end + time.Second)
	res.c.Close()
	return res
}

func noisy(rows []sample, sd float64, seed uint64) []sample {
	g := rand.New(rand.NewPCG(seed, 7))
	out := make([]sample, len(rows))
	for i, r := range rows {
		out[i] = sample{r.at, r.p + sd*g.NormFloat64()}
	}
	return out
}
