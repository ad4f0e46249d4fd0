// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"testing"
)

// A day's offset follows what the day says, slowly at first, and never further than its bound.
func TestDayOffsetIsBoundedAndSlow(t *testing.T) {
	t.Parallel()
	var o dayOffset
	o.add(5*litreMn, firstSpread, 0)
	if o.off > 5*litreMn/dayPrior*1.01 {
		t.Errorf("one piece moves it by %.2f L/min; %v pieces speak against", o.off/litreMn, dayPrior)
	}
	for i := range 400 {
		o.add(litreMn-o.off, firstSpread, float64(i)/400)
	}
	if math.Abs(o.off/litreMn-1) > 0.1 {
		t.Errorf("%.2f L/min after 400 pieces that say 1", o.off/litreMn)
	}
	for i := range 4000 {
		o.add(20*litreMn-o.off, firstSpread, float64(i)/4000)
	}
	if o.off > dayMost {
		t.Errorf("%.2f L/min; a leak of 20 must not be taken for a day", o.off/litreMn)
	}
}
