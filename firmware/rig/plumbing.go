// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
)

// This file joins holds: the tank and the ranks of a parked machine with all valves shut, of which some pass. It is the
// truth for telling which path leaks.

// PlumbingOptions says what is joined.
type PlumbingOptions struct {
	Tank  HoldOptions
	Ranks []PlumbingRank
	Rest  float64 // s that the ranks have rested when the tank is shut in; the tank stood at its pressure all the while
}

// PlumbingRank is one rank. The flows of its leaks are those at the moment when the tank is shut in.
type PlumbingRank struct {
	Bags  HoldOptions // CreepAfter counts from the fill: a few seconds
	Valve HoldLeak    // the fill valve, from the tank to the rank or back; Changes are not looked at
}

// ErrPlumbing is wrapped by every refusal of NewPlumbing.
var ErrPlumbing = errors.New("such a machine cannot be joined")

// Plumbing is a parked machine. It is not safe for use by more than one goroutine.
type Plumbing struct {
	t     float64 // s since the tank was shut in
	tank  *Hold
	ranks []plumbedRank
}

type plumbedRank struct {
	o      PlumbingRank
	hold   *Hold
	valve  float64 // kg/s through the fill valve for each Pa, with air at 20 degC and choked
	passed float64 // kg so far, tank to rank
}

const plumbStep = 0.1 // s, in which flows between volumes are held

// NewPlumbing shuts the ranks in, lets them rest, and shuts the tank in at time zero.
func NewPlumbing(o PlumbingOptions) (*Plumbing, error) {
	tank, err := NewHold(o.Tank)
	if err != nil {
		return nil, fmt.Errorf("tank: %w", err)
	}
	p := &Plumbing{tank: tank}
	up := tank.Truth().Gauge + tank.o.Around
	for i, r := range o.Ranks {
		if r.Valve.Flow < 0 || r.Valve.B < 0 || r.Valve.B > nozzleB {
			return nil, fmt.Errorf("fill valve of rank %d passes %g m3/s with critical ratio %g: %w", i+1, r.Valve.Flow, r.Valve.B, ErrPlumbing)
		}
		h, err := NewHold(r.Bags)
		if err != nil {
			return nil, fmt.Errorf("rank %d: %w", i+1, err)
		}
		k := plumbedRank{o: r, hold: h}
		if k.o.Valve.B == 0 {
			k.o.Valve.B = nozzleB
		}
		k.size(up, anrK)
		for h.t < o.Rest-1e-9 {
			kg := plumbStep * k.through(up, anrK)
			h.take(-kg, anrK)
			h.Advance(h.t + math.Min(plumbStep, o.Rest-h.t))
		}
		if now := h.Truth().Flow; now > 0 {
			h.size *= r.Bags.Leak.Flow / now
		}
		k.size(up, tank.Truth().Gas)
		p.ranks = append(p.ranks, k)
	}
	return p, nil
}

// size makes the fill valve so that it passes its flow at these pressures.
func (k *plumbedRank) size(up, kelvin float64) {
	k.valve = 1
	if unit := math.Abs(k.through(up, kelvin)); unit > 0 {
		k.valve = k.o.Valve.Flow * anrRho / unit
	} else {
		k.valve = 0
	}
}

// through is kg/s through the fill valve with the tank's side at up and kelvin; negative from the rank to the tank.
func (k *plumbedRank) through(up, kelvin float64) float64 {
	t := k.hold.Truth()
	down := t.Gauge + k.hold.o.Around
	if down > up {
		return -k.valve * down * math.Sqrt(anrK/t.Gas) * throttle(up/down, k.o.Valve.B)
	}
	return k.valve * up * math.Sqrt(anrK/kelvin) * throttle(down/up, k.o.Valve.B)
}

// take lets kg of air out of a hold at its own temperature, or in (kg negative) at kelvin, in no time: with
// m*cp*dT = V*dp for what stays, V*dp = -gamma*R*T*dm, and with what comes in mixed in.
func (h *Hold) take(kg, kelvin float64) {
	air, _, volume := h.pressure(h.t, &h.s)
	sum := h.s[hKg1] + h.s[hKg2]
	mean := (h.s[hKg1]*h.s[hK1] + h.s[hKg2]*h.s[hK2]) / sum
	from := mean
	if kg < 0 {
		from = kelvin
	}
	dp := -gamma * gasR * from * kg / (volume + gamma*air*h.o.Stretch)
	for _, i := range [2][2]int{{hKg1, hK1}, {hKg2, hK2}} {
		m, k := h.s[i[0]], h.s[i[1]]
		if m <= 0 {
			continue
		}
		k += gasR * k / air * dp / heatCp
		part := kg * m / sum
		if kg < 0 {
			k = (m*k - part*kelvin) / (m - part)
		}
		h.s[i[0]], h.s[i[1]] = m-part, k
	}
}

// Advance brings the machine to time t, in s since the tank was shut in. An earlier time changes nothing.
func (p *Plumbing) Advance(t float64) {
	for p.t < t-1e-9 {
		dt := math.Min(plumbStep, t-p.t)
		for i := range p.ranks {
			k := &p.ranks[i]
			if k.valve > 0 {
				a := p.tank.Truth()
				up, gas := a.Gauge+p.tank.o.Around, a.Gas
				kg := dt * k.through(up, gas)
				back := k.hold.Truth().Gas
				p.tank.take(kg, back)
				k.hold.take(-kg, gas)
				k.passed += kg
			}
			k.hold.Advance(k.hold.t + dt)
		}
		p.t += dt
		p.tank.Advance(p.t)
	}
}

// Vent lets the air of all ranks out down to gauge (Pa), at once, and shuts them in again. The air that stays has cooled
// by cold (K) and warms up as how says; the rubber, which creep had stretched, now goes back by the same law.
func (p *Plumbing) Vent(gauge, cold float64, how HoldAir) error {
	for i := range p.ranks {
		k := &p.ranks[i]
		was := k.hold.Truth()
		o := k.o.Bags
		o.Start = math.Min(gauge, was.Gauge)
		o.Air = how
		o.Air.Hot = -cold
		o.Creep = -o.Creep
		h, err := NewHold(o)
		if err != nil {
			return fmt.Errorf("rank %d: %w", i+1, err)
		}
		h.size = k.hold.size
		k.hold = h
	}
	return nil
}

// PlumbingTruth is what no sensor sees.
type PlumbingTruth struct {
	Tank   HoldTruth
	Ranks  []HoldTruth
	Valves []float64 // m3/s ANR through the fill valves now, tank to rank
	Passed []float64 // kg through them since the tank was shut in
}

// Truth returns the state now.
func (p *Plumbing) Truth() PlumbingTruth {
	t := PlumbingTruth{Tank: p.tank.Truth()}
	up := t.Tank.Gauge + p.tank.o.Around
	for i := range p.ranks {
		k := &p.ranks[i]
		t.Ranks = append(t.Ranks, k.hold.Truth())
		t.Valves = append(t.Valves, anr(k.through(up, t.Tank.Gas)))
		t.Passed = append(t.Passed, k.passed)
	}
	return t
}

// Watch runs the machine for span seconds and returns the readings of the tank and of each rank. There is one gauge for
// each, in that order; their spikes and gaps are not looked at. Equal seeds give equal readings.
func (p *Plumbing) Watch(gauges []HoldGauge, span float64, seed uint64) [][]HoldReading {
	dice := rand.New(rand.NewPCG(seed, 0x21b3)) //nolint:gosec // a simulation has to be repeatable
	const rate = 10.0
	holds := []*Hold{p.tank}
	for i := range p.ranks {
		holds = append(holds, p.ranks[i].hold)
	}
	out := make([][]HoldReading, len(holds))
	begun := p.t
	for i := range int(span*rate) + 1 {
		p.Advance(begun + float64(i)/rate)
		for k, h := range holds {
			g := HoldGauge{}
			if k < len(gauges) {
				g = gauges[k]
			}
			t := h.Truth()
			full := g.FullScale
			if full == 0 {
				full = 1e6
			}
			share := t.Gauge/full*(1+g.Gain) + g.Offset + g.Noise*dice.NormFloat64() + g.Tempco*g.drift(p.t, t.Around-h.o.Weather.Kelvin)
			out[k] = append(out[k], HoldReading{At: float64(i) / rate, Pressure: full * (g.steps(0.1+0.8*share) - 0.1) / 0.8, Wall: t.Wall})
		}
	}
	return out
}
