// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"
	"time"

	"airhold/firmware/rig"
)

// needle is the reader to be beaten: somebody who looks at the tank's gauge once a second and calls a leak when it fell by
// more than so much in the last minute. It tries many thresholds at once; the best is chosen on the very days on which
// it is judged, so that nobody can say that it was set badly.
type needle struct {
	minute [60]float64
	n      int
	sum    float64
	count  float64
	calls  [needleSteps]int             // in the whole day
	quiet  [needleSteps]time.Duration   // since when it has not been over its threshold
	times  [needleSteps][]time.Duration // of the calls
}

const (
	needleSteps = 48
	needleRearm = 10 * time.Minute
)

// needleFall is threshold i, Pa in a minute: from 2 to about 500 kPa.
func needleFall(i int) float64 { return 2e3 * math.Pow(1.125, float64(i)) }

func (g *needle) read(s *rig.DaySample) {
	if !math.IsNaN(s.Tank) {
		g.sum += s.Tank
		g.count++
	}
	if s.At%time.Second != 0 || g.count == 0 {
		return
	}
	now := g.sum / g.count
	g.sum, g.count = 0, 0
	was := g.minute[g.n%60]
	g.minute[g.n%60] = now
	g.n++
	if g.n <= 60 || s.At < 10*time.Minute {
		return
	}
	fall := was - now
	for i := range needleSteps {
		if fall <= needleFall(i) {
			break
		}
		if g.calls[i] == 0 || s.At-g.quiet[i] > needleRearm {
			g.calls[i]++
			g.times[i] = append(g.times[i], s.At)
		}
		g.quiet[i] = s.At
	}
}

// first is the first call from a time on.
func (g *needle) first(i int, from time.Duration) (time.Duration, bool) {
	for _, at := range g.times[i] {
		if at >= from {
			return at, true
		}
	}
	return 0, false
}
