// SPDX-License-Identifier: Apache-2.0

package overnight

import (
	"testing"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheNightIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	watch := func() *Overnight {
		none := readings.NoChannel
		o := New(Options{
			Volumes: []Volume{{Where: "tank", Pressure: 0, Volume: 40e-3}, {Where: "front rank", Pressure: 1, Volume: 20e-3, Holds: true}},
			Wall:    none, Ambient: none, Barometer: none, Ignition: none, Drive: none, Speed: none,
		}, readings.NewTable([]readings.Info{{ID: "tank"}, {ID: "front"}}))
		for i := range o.places {
			p := &o.places[i]
			p.old = left{has: true, trusted: true, pressure: 740e3, wall: 300, air: 290}
			p.morn = morning{has: true, p: 700e3, wall: 280, air: 280}
		}
		return o
	}

	// Why a night is not known.
	for _, more := range []func(o *Overnight, p *place){
		func(_ *Overnight, p *place) { p.sense.ch = readings.NoChannel },
		func(_ *Overnight, p *place) { p.Volume.Volume = 0 },
		func(o *Overnight, _ *place) { o.unread = true },
		func(_ *Overnight, p *place) { p.old.has = false },
		func(_ *Overnight, p *place) { p.old.ran = true },
		func(_ *Overnight, p *place) { p.old.busy = true },
		func(_ *Overnight, p *place) { p.old.sensor, p.sensor = "a", "b" },
		func(_ *Overnight, p *place) { p.morn.has = false },
		func(_ *Overnight, p *place) { p.old.pressure = 0 },
		func(o *Overnight, p *place) { o.endMorning(p, true) },
	} {
		for i := range 2 {
			o := watch()
			more(o, &o.places[i])
			why := o.refuse(&o.places[i])
			all = append(all, why)
			o.held = []Hold{{Why: why}}
			all = append(all, o.say())
		}
	}
	for _, seen := range []bool{false, true} {
		o := watch()
		o.now = o.start + giveUp
		for i := range o.places {
			o.places[i].sense.seen = seen
		}
		o.judge()
		for i := range o.places {
			all = append(all, o.places[i].why)
		}
	}
	begun := time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC)
	spans := func(more func(o *Overnight, p *place)) {
		o := watch()
		more(o, &o.places[0])
		var h Hold
		o.span(&o.places[0], &h)
		all = append(all, h.Why)
	}
	clocked := func(from time.Time, trusted bool) func(o *Overnight, p *place) {
		return func(o *Overnight, p *place) {
			p.old.utc = from
			o.o.UTC = func(time.Duration) (time.Time, bool) { return begun, trusted }
		}
	}
	spans(func(_ *Overnight, p *place) { p.old.trusted = false })
	spans(clocked(begun, false))
	spans(clocked(begun.Add(time.Hour), true))
	spans(clocked(begun.Add(-time.Hour), true))
	for i := range 2 {
		for _, pressure := range []float64{900e3, 1e3} {
			o := watch()
			p := &o.places[i]
			p.morn.p = pressure
			var h Hold
			o.balance(p, &h, warmth{kelvin: 290, doubt: 0.1}, warmth{kelvin: 290, doubt: 0.1}, 36000)
			all = append(all, h.Why)
		}
	}

	// A night that is known.
	held := func(from, to, cooling, lost, low float64, hours float64, warm string, more ...Hold) {
		o := watch()
		o.held = append([]Hold{{
			Where: "tank", Known: true, Hours: hours, Warm: warm, From: findings.Measure{SI: from}, To: findings.Measure{SI: to}, Cooling: findings.Measure{SI: cooling},
			Lost: findings.Measure{SI: lost}, Leak: findings.Measure{SI: low * 1.2, Low: low, High: low*1.4 + 1e-7},
		}}, more...)
		all = append(all, o.say())
	}
	held(742e3, 720e3, 20e3, 2e3, 0, 10, "tank wall")
	held(742e3, 605e3, 25e3, 112e3, 5e-7, 10, "tank wall")
	held(742e3, 305e3, 25e3, 412e3, 5e-7, 10, "tank wall")
	held(742e3, 305e3, 25e3, 412e3, 5e-7, 40, "air")
	held(742e3, 730e3, -20e3, 12e3, 0, 40, "air")
	held(742e3, 750e3, -10e3, 0, 0, 10, "tank wall")
	held(742e3, 750e3, 10e3, 0, 0, 10, "tank wall")
	rank := Hold{Where: "front rank", Known: true, From: findings.Measure{SI: 480e3}, Lost: findings.Measure{SI: 150e3}, Leak: findings.Measure{Low: 1e-7}}
	held(742e3, 720e3, 20e3, 2e3, 0, 10, "tank wall", rank)

	// What is kept for the next morning.
	for _, trusted := range []bool{false, true} {
		o := watch()
		o.places[0].old.trusted, o.places[0].old.utc, o.places[0].old.rested = trusted, begun, 42*time.Minute
		for _, l := range o.Learned() {
			all = append(all, l.Words, l.Text)
		}
	}
	golden.Sentences(t, all)
}
