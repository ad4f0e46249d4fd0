// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"strings"
	"testing"

	"airhold/tools/golden"
)

// A screen writes the name of a message with spaces: the page's languages are held against this list.
func TestEverySentenceOfTheCatalogueIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, l := range catalogue() {
		all = append(all, strings.ReplaceAll(l.key, "_", " "))
	}
	golden.Sentences(t, all)
}
