// SPDX-License-Identifier: Apache-2.0

package trend_test

import (
	"testing"

	"airhold/tools/golden"
)

// What is not drawn, and why, comes to a screen: the page's languages are held against this list.
func TestEverySentenceOfATrendIsListed(t *testing.T) {
	t.Parallel()
	golden.Sentences(t, golden.Spoken(t, golden.Sources(t)...))
}
