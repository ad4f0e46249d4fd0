// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
)

// samePressure is how far two start pressures may be apart and still be compared without a word.
const samePressure = 0.1

// Compare sets two tests of one place side by side in a sentence: better or worse where their 95 % intervals lie apart,
// else no clear change. It is empty where one of them has no estimate.
func Compare(before, now *Result) string {
	a, b := before.Leak, now.Leak
	if a == nil || b == nil || now.Verdict == "stopped" || now.Verdict == "invalid" {
		return ""
	}
	word := "no clear change: the two intervals meet"
	switch {
	case b.High < a.Low:
		word = "better"
	case b.Low > a.High:
		word = "worse"
	}
	u := b.Unit
	when := "Before"
	if len(before.At) >= 10 {
		when = "On " + before.At[:10]
	}
	out := fmt.Sprintf("%s it leaked %.1f L/min ANR (%.1f to %.1f), now %.1f (%.1f to %.1f): %s.", when,
		u.From(a.SI), u.From(a.Low), u.From(a.High), u.From(b.SI), u.From(b.Low), u.From(b.High), word)
	if p, q := before.Start, now.Start; p != nil && q != nil && math.Abs(p.SI-q.SI) > samePressure*math.Max(p.SI, q.SI) {
		out += fmt.Sprintf(" The tests began at different pressures, %s and %s: a leak grows with the pressure.", kPa(p.SI), kPa(q.SI))
	}
	return out
}
