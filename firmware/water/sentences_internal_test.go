// SPDX-License-Identifier: Apache-2.0

package water

import (
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/tools/golden"
)

// runs is a compressor of which nothing is asked here.
type runs struct{}

func (runs) Settled() time.Duration                                 { return 0 }
func (runs) OnShare(_, _ time.Duration) (share float64, known bool) { return 0, false }

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheWaterIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	look := func(o Options, more func(w *Water)) {
		w := New(o, readings.NewTable([]readings.Info{{ID: "tank"}, {ID: "wet"}, {ID: "ambient"}, {ID: "humidity"}, {ID: "wall"}}), nil)
		more(w)
		s := w.State()
		_, due := w.DrainDue()
		all = append(all, s.Why, s.Source, s.Probe, due)
		for _, l := range w.Learned() {
			all = append(all, l.Words, l.Text)
		}
	}
	none := readings.NoChannel
	bare := Options{Tank: none, Wall: none, Ambient: none, Humidity: none, Barometer: none, Wet: none, Ignition: none, Drive: none}
	with := func(change func(o *Options)) Options {
		o := bare
		change(&o)
		return o
	}
	whole := with(func(o *Options) {
		o.Tank, o.Wet, o.Ambient, o.Humidity, o.Wall, o.Volume, o.Delivery, o.Compressor = 0, 1, 2, 3, 4, 40e-3, 3e-3, runs{}
	})
	still := func(*Water) {}
	look(with(func(o *Options) { o.Dryer = true }), still)
	look(with(func(o *Options) { o.Dryer, o.Wet = true, 1 }), func(w *Water) { w.probe.seen, w.probe.wet = true, true })
	look(bare, still)
	look(with(func(o *Options) { o.Compressor = runs{} }), still)
	look(with(func(o *Options) { o.Compressor, o.Tank = runs{}, 0 }), still)
	look(with(func(o *Options) { o.Compressor, o.Tank, o.Volume = runs{}, 0, 40e-3 }), still)
	look(with(func(o *Options) { o.Compressor, o.Tank, o.Volume, o.Delivery = runs{}, 0, 40e-3, 3e-3 }), still)
	look(whole, still)
	look(whole, func(w *Water) { w.humidity.seen = true })
	for _, from := range []origin{measured, held, assumed, dried} {
		look(whole, func(w *Water) { w.source.from = from })
	}
	known := func(more func(w *Water)) {
		look(whole, func(w *Water) {
			w.source.from, w.balance.filled, w.balance.known, w.balance.shared = measured, true, 12, 60
			more(w)
		})
	}
	known(still)
	known(func(w *Water) { w.balance.unwatched = 100 })
	known(func(w *Water) { w.balance.blind = 0.4 })
	known(func(w *Water) { w.balance.blind = 5 })
	known(func(w *Water) { w.balance.shared, w.balance.blind = 0, 5 })
	known(func(w *Water) { w.balance.emptied = true })
	known(func(w *Water) { w.balance.emptied, w.wall.seen = true, true })
	known(func(w *Water) {
		w.balance.emptied, w.balance.drained = true, time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC).Unix()
	})
	known(func(w *Water) { w.probe.seen = true })
	known(func(w *Water) { w.probe.seen, w.probe.wet = true, true })
	known(func(w *Water) {
		w.probe.seen, w.probe.wet = true, true
		for i := range w.balance.v {
			w.balance.v[i].liquid = 0.4
		}
	})
	known(func(w *Water) {
		w.probe.seen = true
		for i := range w.balance.v {
			w.balance.v[i].liquid = 0.9
		}
	})
	all = append(all, sourceWords("", ""), sourceWords("can 0 environment.humidity", "can 0 environment.temperature"), sourceWords("adc 48 in 2", "adc 48 in 3"))
	golden.Sentences(t, all)
}
