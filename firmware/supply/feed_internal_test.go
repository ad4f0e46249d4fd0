// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The standard library's sort is the judge.
func TestNthIsWhatSortingGives(t *testing.T) {
	dice := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		s := make([]float64, 1+dice.IntN(80))
		for i := range s {
			s[i] = float64(dice.IntN(1 + dice.IntN(40))) // many ties, sometimes all the same
		}
		sorted := slices.Sorted(slices.Values(s))
		k := dice.IntN(len(s))
		if got := nth(slices.Clone(s), k); got != sorted[k] {
			t.Fatalf("nth(%v, %d) = %v; want %v", s, k, got, sorted[k])
		}
	}
}
