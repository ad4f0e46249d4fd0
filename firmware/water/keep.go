// SPDX-License-Identifier: Apache-2.0

package water

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"airhold/firmware/findings"
)

// name is by which the balance is forgotten.
const name = "water"

// kept is the balance as it survives a power cut.
type kept struct {
	Version   int           `json:"version"`
	Vessels   [rules]kvault `json:"vessels"`
	Air       float64       `json:"air"`      // kg
	Pressure  float64       `json:"pressure"` // Pa absolute
	Filled    bool          `json:"filled"`
	Known     float64       `json:"known"` // m3
	Blind     float64       `json:"blind"`
	Unwatched float64       `json:"unwatched"` // s
	Share     float64       `json:"share"`
	Shared    float64       `json:"shared"`
	Rate      float64       `json:"rate"`
	Drained   int64         `json:"drained"`
	Emptied   bool          `json:"emptied"`
}

type kvault struct {
	Vapour float64 `json:"vapour"`
	Liquid float64 `json:"liquid"`
	Passed float64 `json:"passed"`
}

const version = 1

// Save returns what must survive a power cut; nil before anything was reckoned. The minute or so whose runs are not settled
// yet is not in it.
func (w *Water) Save() []byte {
	b := &w.balance
	if !b.filled && !b.emptied {
		return nil
	}
	k := kept{
		Version: version, Air: b.air, Pressure: b.pressure, Filled: b.filled, Known: b.known, Blind: b.blind, Unwatched: b.unwatched,
		Share: b.share, Shared: b.shared, Rate: b.rate, Drained: b.drained, Emptied: b.emptied,
	}
	for i, v := range b.v {
		k.Vessels[i] = kvault{v.vapour, v.liquid, v.passed}
	}
	out, err := json.Marshal(k)
	if err != nil {
		return nil // a figure that is no number: nothing worth keeping
	}
	return out
}

// load takes what Save gave. Bytes that say something impossible count as none.
func (w *Water) load(saved []byte) {
	if len(saved) == 0 {
		return
	}
	var k kept
	if err := json.Unmarshal(saved, &k); err != nil || !k.possible(w.o.Volume) {
		w.note(0, "water-forgotten", "What was saved of the tank's water cannot be read; its balance starts anew.")
		return
	}
	b := &w.balance
	*b = balance{
		air: k.Air, pressure: k.Pressure, filled: k.Filled, known: k.Known, blind: k.Blind, unwatched: k.Unwatched,
		share: k.Share, shared: k.Shared, rate: k.Rate, drained: k.Drained, emptied: k.Emptied, resumed: true,
	}
	for i, v := range k.Vessels {
		b.v[i] = vessel{vapour: v.Vapour, liquid: v.Liquid, passed: v.Passed}
	}
}

func (k kept) possible(volume float64) bool {
	sane := func(most float64, vs ...float64) bool {
		for _, v := range vs {
			if !(v >= 0 && v <= most) {
				return false
			}
		}
		return true
	}
	for _, v := range k.Vessels {
		if !sane(math.Max(volume, 0)*waterDensity*1.001, v.Liquid) || !sane(1e6, v.Vapour, v.Passed) {
			return false
		}
	}
	return k.Version == version && sane(1e6, k.Air) && sane(1e8, k.Pressure) && sane(1e12, k.Known, k.Blind, k.Unwatched) &&
		sane(1, k.Share) && sane(shareOver, k.Shared) && math.Abs(k.Rate) < 1e3
}

// Learned returns the balance as people see it.
func (w *Water) Learned() []findings.Learned {
	b := &w.balance
	if w.o.Dryer || !b.filled && !b.emptied {
		return nil
	}
	text := "since airhold began to count; no drain was recorded"
	switch {
	case b.emptied && b.drained != 0:
		text = "since the drain of " + time.Unix(b.drained, 0).UTC().Format("2006-01-02 15:04") + " UTC"
	case b.emptied:
		text = "since the last drain, whose time is not known"
	}
	text += fmt.Sprintf("; %.1f m3 of air taken in", b.known+b.blind)
	l := findings.Learned{Name: name, Words: "water in the tank, by the balance", Value: w.liquid(), Text: text}
	if !b.sound() {
		l.Value = findings.Measure{}
		l.Text += fmt.Sprintf(", %.1f m3 of it unseen: the figure is withheld until a drain is recorded", b.blind)
	}
	return []findings.Learned{l}
}

// Forget starts the balance anew, as on a new machine.
func (w *Water) Forget(forget string) bool {
	if forget != name || len(w.Learned()) == 0 {
		return false
	}
	w.balance.reset()
	w.slots = slots{}
	return true
}
