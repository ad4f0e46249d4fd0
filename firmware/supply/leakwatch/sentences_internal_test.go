// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"testing"
	"time"

	"airhold/firmware/readings"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfWhatIsLearnedIsListed(t *testing.T) {
	t.Parallel()
	none := readings.NoChannel
	o := Options{
		Tank: none, Wall: none, Ambient: none, Barometer: none, Lowered: none, Speed: none, Drive: none, Ignition: none,
		Bleed: 1e-5, Ranks: []Rank{{Name: "front", Pressure: none, Target: none}},
	}
	var all []string
	for _, passed := range []time.Duration{0, learnTime - 90*time.Second, 2 * learnTime} {
		w := New(o, readings.NewTable(nil), nil)
		w.begun, w.now = true, passed
		for _, l := range w.Learned() {
			all = append(all, l.Words, l.Text)
		}
	}
	golden.Sentences(t, all)
}
