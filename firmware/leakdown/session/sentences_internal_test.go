// SPDX-License-Identifier: Apache-2.0

package session

import (
	"flag"
	"testing"

	"airhold/tools/golden"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// The lines to tick and the last caution are read before air goes in: the page's languages are held against this list.
func TestEverySentenceToTickIsListed(t *testing.T) {
	t.Parallel()
	all := []string{manualFirst}
	for _, k := range safeTicks() {
		all = append(all, k.Text, k.Note)
	}
	golden.Sentences(t, *update, all)
}
