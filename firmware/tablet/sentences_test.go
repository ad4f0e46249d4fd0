// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"testing"

	"airhold/tools/golden"
)

// Every refusal may come to a screen: the page's languages are held against this list.
func TestEverySentenceOfTheRoutesIsListed(t *testing.T) {
	t.Parallel()
	golden.Sentences(t, golden.Spoken(t, golden.Sources(t)...))
}
