// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"testing"

	"airhold/firmware/findings"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfTheBudgetIsListed(t *testing.T) {
	t.Parallel()
	litre := func(n float64) float64 { return n / 60e3 }
	all := []string{needsTank, needsTankNow, needsNeed}
	for _, gives := range []Budget{
		{}, {GivesKnown: true, Rated: true, Gives: litre(160)}, {GivesKnown: true, Gives: litre(150), GivesLow: litre(140), GivesHigh: litre(161)},
	} {
		for _, use := range []Budget{
			{},
			{UseKnown: true, Use: litre(40), Spare: litre(110)},
			{UseKnown: true, Use: litre(180), Short: litre(30), Drains: findings.Measure{SI: litre(4)}},
			{
				UseKnown: true, Use: litre(40), Spare: litre(110), Split: true, Bags: findings.Measure{SI: litre(30)}, Drains: findings.Measure{SI: litre(4)},
				Leak: findings.Measure{SI: litre(6), Low: litre(5), High: litre(7)},
			},
			{UseKnown: true, Use: litre(40), Spare: litre(110), Split: true, Bags: findings.Measure{SI: litre(30)}, Leak: findings.Measure{SI: litre(6)}},
		} {
			b := use
			b.GivesKnown, b.Rated, b.Gives, b.GivesLow, b.GivesHigh = gives.GivesKnown, gives.Rated, gives.Gives, gives.GivesLow, gives.GivesHigh
			all = append(all, b.Words())
		}
	}
	golden.Sentences(t, all)
}
