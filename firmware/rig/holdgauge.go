// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
)

// HoldGauge is the sensor and converter that watch a hold: a ratiometric gauge-pressure sensor, 10 % to 90 % of its
// supply, and steps as a converter makes them. A zero field means no such error, unless it says otherwise.
type HoldGauge struct {
	FullScale float64 // Pa; 0: 1 MPa
	Offset    float64 // share of FullScale
	Gain      float64 // share of the reading
	Noise     float64 // standard deviation, share of FullScale
	Tempco    float64 // share of FullScale for each K that its body is away from when shut in
	Body      float64 // K that its body is warmer than the air around when shut in
	BodyLag   float64 // s in which it cools to that; 0: 300
	Bits      int     // 16: steps of 187.5 uV (16 bits over +-6.144 V); 12: 4096 over the supply of 5 V; 0: no steps
	Rate      float64 // readings a second; 0: 10
	Spikes    float64 // a second, single readings that are wrong
	SpikeSize float64 // standard deviation of those, share of FullScale
	Gaps      []HoldGap

	WallOffset float64 // K, error of a wall sensor
	WallNoise  float64 // K, standard deviation
}

// HoldGap is a time without readings.
type HoldGap struct {
	At, Lasts float64 // s since shut in
	Marked    bool    // the reading comes and is marked bad; else it does not come
}

// HoldReading is one reading of a hold.
type HoldReading struct {
	At       float64 // s since shut in
	Pressure float64 // Pa gauge
	Bad      bool    // no value
	Wall     float64 // K, of a sensor strapped on the outside of the wall
}

// Watch runs the hold for span seconds and returns what the sensor chain says. Equal seeds give equal readings.
func (g HoldGauge) Watch(h *Hold, span float64, seed uint64) []HoldReading {
	dice := rand.New(rand.NewPCG(seed, 0x9a6e)) //nolint:gosec // a simulation has to be repeatable
	full, rate := g.FullScale, g.Rate
	if full == 0 {
		full = 1e6
	}
	if rate == 0 {
		rate = 10
	}
	n := int(math.Floor(span*rate+1e-9)) + 1
	out := make([]HoldReading, 0, n)
	for i := range n {
		at := float64(i) / rate
		h.Advance(at)
		t := h.Truth()
		noise, wall, lot, spike := dice.NormFloat64(), dice.NormFloat64(), dice.Float64(), dice.NormFloat64()
		r := HoldReading{At: at, Wall: t.Wall + g.WallOffset + g.WallNoise*wall}
		share := t.Gauge/full*(1+g.Gain) + g.Offset + g.Noise*noise + g.Tempco*g.drift(at, t.Around-h.o.Weather.Kelvin)
		if lot < g.Spikes/rate {
			share += g.SpikeSize * spike
		}
		r.Pressure = full * (g.steps(0.1+0.8*share) - 0.1) / 0.8
		if gap, in := g.gap(at); in {
			if !gap.Marked {
				continue
			}
			r.Pressure, r.Bad = 0, true
		}
		out = append(out, r)
	}
	return out
}

// drift is how much the sensor's body is away from its temperature when shut in.
func (g HoldGauge) drift(at, around float64) float64 {
	lag := g.BodyLag
	if lag == 0 {
		lag = 300
	}
	return around + g.Body*math.Expm1(-at/lag)
}

// steps turns a share of the supply into the one that a converter reads.
func (g HoldGauge) steps(share float64) float64 {
	const supply = 5.0
	step := 0.0
	switch g.Bits {
	case 16:
		step = 6.144 / 32768 / supply
	case 12:
		step = 1.0 / 4096
	}
	if step == 0 {
		return share
	}
	return math.Round(math.Max(0, math.Min(1, share))/step) * step
}

func (g HoldGauge) gap(at float64) (HoldGap, bool) {
	for _, p := range g.Gaps {
		if at >= p.At && at < p.At+p.Lasts {
			return p, true
		}
	}
	return HoldGap{}, false
}
