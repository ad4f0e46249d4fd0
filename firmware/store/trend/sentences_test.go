// SPDX-License-Identifier: Apache-2.0

package trend_test

import (
	"flag"
	"testing"

	"airhold/tools/golden"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// What is not drawn, and why, comes to a screen: the page's languages are held against this list.
func TestEverySentenceOfATrendIsListed(t *testing.T) {
	t.Parallel()
	golden.Sentences(t, *update, golden.Spoken(t, golden.Sources(t)...))
}
