// SPDX-License-Identifier: Apache-2.0

package alarms_test

import (
	"flag"
	"testing"

	"airhold/firmware/alarms"
	"airhold/tools/golden"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheCatalogueIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, r := range alarms.Catalogue() {
		all = append(all, r.Title, r.Do, r.Cause, r.Consequence, r.Caution)
	}
	golden.Sentences(t, *update, all)
}
