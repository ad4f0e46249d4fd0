// SPDX-License-Identifier: Apache-2.0

package care

import (
	"flag"
	"testing"
	"time"

	"airhold/tools/golden"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheListIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, w := range trade() {
		all = append(all, w.words, w.matter, w.short, w.question, w.caution, (&item{what: w, hours: 100 * time.Hour}).every(), (&item{what: w}).every())
	}
	for c := nothing; c <= noSeason; c++ {
		for _, v := range []verdict{
			{due: true, cause: c, have: 3, want: 2},
			{due: true, cause: c, have: 1, want: 1},
			{cause: c, have: 1, want: 2},
			{cause: c, have: 49.5, want: 50},
			{cause: c, have: 0.5, want: 1, lacks: needsWork},
			{cause: c, want: 30, lacks: needsClock},
		} {
			all = append(all, v.why(true), v.why(false))
		}
	}
	all = append(all, needsClock, needsDate, needsBehind, needsRun, needsWork)
	golden.Sentences(t, *update, all)
}
