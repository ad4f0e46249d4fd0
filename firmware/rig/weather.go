// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
	"time"
)

// sky is the weather at one moment of a story, from its start.
type sky struct {
	at       time.Duration
	celsius  float64
	humidity float64 // 0 to 1
	sun      float64 // W/m2
}

// weather is the air around the machine.
type weather struct {
	dice   *rand.Rand
	skies  []sky   // sorted, at least one
	mean   float64 // Pa, of the barometer
	sway   float64 // Pa, its sd over hours
	cloud  noise
	glass  noise
	kelvin float64
	rh     float64 // 0 to 1
	sun    float64 // W/m2
	baro   float64 // Pa absolute
	intake float64 // kg water to a kg dry air
	dry    float64 // kg/m3 of dry air at the intake
}

const meanBaro = 98.3e3 // Pa, a field some 250 m up

// step sets the weather at second t of the story; dt is the time since the last step.
func (w *weather) step(t, dt float64) {
	at := time.Duration(t * float64(time.Second))
	s := w.skies[0]
	for i := 1; i < len(w.skies); i++ {
		next := w.skies[i]
		if at >= next.at {
			s = next
			continue
		}
		share := float64(at-s.at) / float64(next.at-s.at)
		share = (1 - math.Cos(math.Pi*share)) / 2
		s.celsius += (next.celsius - s.celsius) * share
		s.humidity += (next.humidity - s.humidity) * share
		s.sun += (next.sun - s.sun) * share
		break
	}
	w.kelvin = 273.15 + s.celsius
	w.rh = s.humidity
	w.sun = s.sun * math.Max(0.15, math.Min(1, 0.8+0.25*w.cloud.step(w.dice, dt, 240)))
	w.baro = w.mean + w.sway*w.glass.step(w.dice, dt, 4*3600)
	vapour := w.rh * saturation(w.kelvin)
	w.intake = moistRatio(vapour, w.baro)
	w.dry = (w.baro - vapour) / (gasR * w.kelvin)
}
