// SPDX-License-Identifier: Apache-2.0

package traffic

import (
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/tools/golden"
)

// nameOf puts a NAME together (ISO 11783-5: where its fields lie).
func nameOf(group, class, function, instance uint64) j1939.NAME {
	const maker = 1256
	return j1939.NAME(group<<60 | class<<49 | function<<40 | instance<<35 | maker<<21 | 17)
}

// names are what devices are called: every word of the lists, and how the words stand together.
func names() []string {
	var all []string
	for group := range uint8(8) {
		all = append(all, groupWords(group))
		for class := range uint8(128) {
			all = append(all, className(group, class))
			for function := range 256 {
				all = append(all, functionWords(group, class, uint8(function)))
			}
		}
	}
	for address := range 256 {
		all = append(all, addressWords(uint8(address)))
	}
	for fmi := range uint8(32) {
		all = append(all, failureWords(fmi))
	}
	for _, n := range []j1939.NAME{
		nameOf(2, 4, 129, 0), nameOf(2, 1, 9, 1), nameOf(2, 40, 200, 0), nameOf(7, 3, 255, 0), nameOf(0, 0, 17, 2), nameOf(4, 60, 136, 0),
		nameOf(1, 0, 255, 0), nameOf(0, 0, 200, 0),
	} {
		all = append(all, NAMEWords(n))
	}
	t := New(Options{})
	for _, address := range []uint32{3, 12, 128, 249, 251, 254} {
		t.Keep(&bus.Frame{Frame: can.Frame{ID: 0x18FEF100 | address, IsExtended: true, Length: 8}, Boot: time.Second})
	}
	for _, k := range t.Picture().Talkers {
		all = append(all, k.Words)
	}
	return all
}

// remarks are what is said of a link, and of its controller.
func remarks() []string {
	var all []string
	say := func(o Options, p Picture, more func(t *Tracker)) {
		t := New(o)
		more(t)
		all = append(all, t.remarks(&p)...)
	}
	none := func(*Tracker) {}
	for state := Unknown; state <= Off; state++ {
		for _, counted := range []bool{false, true} {
			c := Controller{state: state, counted: counted, hearing: 130, sending: 5}
			all = append(all, c.Words())
		}
		p := Picture{Frames: 1}
		p.Controller.State = state
		say(Options{Link: "can0"}, p, none)
		say(Options{}, p, none)
	}
	say(Options{Limited: true}, Picture{
		Silent: &Quantity{90, "s"}, Dropped: 12, Malformed: 3, Thinned: 4000, Unkept: 50, Controller: Health{Counts: Counts{Overflows: 2}},
	}, none)
	say(Options{}, Picture{OnlyErrors: true}, none)
	say(Options{}, Picture{Frames: 1, Controller: Health{Counts: Counts{Reports: 300}}}, func(t *Tracker) { t.covered = 3 * time.Minute })
	alone := Lone{meter: NewMeter(), alone: true, rate: 250_000, last: bus.Frame{Frame: can.Frame{ID: 0x18FEF103, IsExtended: true, Length: 8}}}
	say(Options{}, Picture{Alone: &Alone{Words: alone.Words()}}, none)
	return all
}

// The page's languages are held against this list by its own tests, so a new word is missed there by name.
func TestEverySentenceOfALinkIsListed(t *testing.T) {
	t.Parallel()
	golden.Sentences(t, append(names(), remarks()...))
}
