// SPDX-License-Identifier: Apache-2.0

package trust

import (
	"testing"

	"airhold/firmware/readings"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfASensorIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, info := range []readings.Info{{ID: "tank"}, {ID: "tank", Source: "adc 48 in 2"}, {ID: "tank", Source: "adc 48 in 2", Plug: "X4"}} {
		var k sensor
		k.sentences(info)
		all = append(all, k.stuck, k.gone, k.absent, "needs "+k.absent)
		for _, words := range k.words {
			if words != "" && words[0] != ';' {
				all = append(all, words)
			}
		}
	}
	golden.Sentences(t, all)
}
