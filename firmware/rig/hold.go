// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"errors"
	"fmt"
	"math"
)

// This file is the truth about one volume that was just shut in: a tank after the compressor stopped, or the bags of a
// rank after their valves closed. Unlike the running machine it lets the air lie in two layers, stirs it for a while after
// the filling, gives the wall two nodes and a water film, lets rubber creep and a hole change. A test of a leak estimator
// needs these, because they are what an estimator cannot know.

// HoldOptions says what is shut in. SI units; a zero field means that the effect is not there, unless it says otherwise.
type HoldOptions struct {
	Volume  float64 // m3 at the pressure around; must be given
	Stretch float64 // m3/Pa, how the volume grows with gauge pressure (bags)
	Creep   float64 // rubber that gives way: share of Volume for each factor e of 1 + time/CreepAfter
	Around  float64 // Pa absolute; 0: 101325
	Start   float64 // Pa gauge when shut in; must be given

	CreepAfter float64 // s since the bags were filled; 0: 180

	Air     HoldAir
	Wall    HoldWall
	Weather HoldWeather
	Film    HoldFilm
	Leak    HoldLeak
}

// HoldAir is how the air cools.
type HoldAir struct {
	Hot      float64 // K above the inner wall when shut in
	Tau      float64 // s, time constant at 10 K of excess and at the density when shut in; 0: no heat crosses
	Power    float64 // film conductance goes with excess^Power: 0 Newton, 1/4 laminar, 1/3 turbulent free convection
	Slow     float64 // share of the air that lies apart and cools slower
	Slower   float64 // times; 0: 3
	SlowHot  float64 // its excess over that of the rest when shut in, a ratio; 0: 1
	Jet      float64 // by how much the inlet jet still raises the conductance when shut in; 1 doubles it
	JetLasts float64 // s, in which that falls to 1/e; 0: 5
}

// HoldWall is the steel or rubber around: an inner node that the air touches and the rest of it.
type HoldWall struct {
	Heat   float64 // J/K of both nodes; 0: 170 J/K for each litre (sheet steel of a tank of that size, common practice)
	Inner  float64 // share of Heat in the inner node; 0: 0.5
	Spread float64 // s in which the two nodes become alike; 0: 60
	Loss   float64 // s, time constant of the whole wall to the air around; 0: none
	Excess float64 // K above the air around when shut in
}

// HoldWeather is the air around the wall.
type HoldWeather struct {
	Kelvin float64 // when shut in; 0: 293.15
	Ramp   float64 // K/s
	Sun    []HoldSun
}

// HoldSun is sun or cloud that comes: the wall then sees the air around as if it were Rise warmer, from At on.
type HoldSun struct{ At, Rise float64 }

// HoldFilm is water on the wall. Only a volume that does not stretch can have it.
type HoldFilm struct {
	Water  float64 // kg
	Vapour float64 // that in the air when shut in, as a share of saturation at the wall; above one it condenses
	Lag    float64 // exchange of vapour with the wall is slower than that of heat, times; 0: 1
}

// HoldLeak is a hole to the air around.
type HoldLeak struct {
	Flow    float64 // m3/s ANR at the pressure when shut in, with the air at the wall's temperature
	B       float64 // critical pressure ratio, 0.05 to 0.5283; 0: 0.5283, an ideal nozzle
	Changes []HoldChange
}

// HoldChange opens or clogs the hole: from At on its size goes to Size times the first, with a time constant of Over.
type HoldChange struct{ At, Size, Over float64 }

// ErrHold is wrapped by every refusal of NewHold.
var ErrHold = errors.New("such a volume cannot be shut in")

func (o HoldOptions) check() error {
	switch {
	case !(o.Volume > 0) || !(o.Start > 0):
		return fmt.Errorf("volume %g m3 at %g Pa: %w", o.Volume, o.Start, ErrHold)
	case o.Stretch < 0 || o.Stretch > 0 && (o.Film.Water > 0 || o.Film.Vapour > 0):
		return fmt.Errorf("stretch %g m3/Pa with a water film: %w", o.Stretch, ErrHold)
	case o.Air.Slow < 0 || o.Air.Slow >= 1:
		return fmt.Errorf("slow share %g: %w", o.Air.Slow, ErrHold)
	case o.Leak.Flow < 0 || o.Leak.B < 0 || o.Leak.B > nozzleB:
		return fmt.Errorf("leak of %g m3/s with critical ratio %g: %w", o.Leak.Flow, o.Leak.B, ErrHold)
	}
	return nil
}

func (o HoldOptions) filled() HoldOptions {
	or := func(v *float64, other float64) {
		if *v == 0 {
			*v = other
		}
	}
	or(&o.Around, 101325)
	or(&o.CreepAfter, 180)
	or(&o.Air.Slower, 3)
	or(&o.Air.SlowHot, 1)
	or(&o.Air.JetLasts, 5)
	or(&o.Wall.Heat, 170e3*o.Volume)
	or(&o.Wall.Inner, 0.5)
	or(&o.Wall.Spread, 60)
	or(&o.Weather.Kelvin, 293.15)
	or(&o.Film.Lag, 1)
	or(&o.Leak.B, nozzleB)
	return o
}

// The state of a hold. The sums are integrated along, so that a balance can be drawn at any time.
const (
	hKg1    = iota // air of the main share
	hKg2           // air of the slow share
	hK1            // their temperatures
	hK2            //
	hVapour        // kg of water in the air
	hInner         // K of the wall's inner node
	hRest          // K of the rest of the wall
	hOut           // kg of air gone through the hole
	hOutJ          // enthalpy it took along
	hHeat          // J from the wall to the air
	hWork          // J by the air on walls that give way
	hLost          // J from the wall to the air around
	hWet           // kg of vapour gone through the hole
	hStates
)

type holdState [hStates]float64

// Hold is one volume after it was shut in. It is not safe for use by more than one goroutine.
type Hold struct {
	o HoldOptions
	t float64
	s holdState

	shut, ripe holdState // when shut in; spare
	still      float64   // m3 that the volume had at the pressure around when shut in
	film       float64   // kg of water on the wall when shut in
	size       float64   // kg/s through the hole for each Pa, with air at 20 degC and choked
	dense      float64   // kg/m3 when shut in
	film1      float64   // W/K of the main share at 10 K
	film2      float64
}

// NewHold shuts a volume in at time zero.
func NewHold(o HoldOptions) (*Hold, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	o = o.filled()
	h := &Hold{o: o, still: o.Volume, film: o.Film.Water}
	wall := o.Weather.Kelvin + o.Wall.Excess
	pa, volume := o.Around+o.Start, h.still+o.Stretch*o.Start
	k1, k2 := wall+o.Air.Hot, wall+o.Air.Hot*o.Air.SlowHot
	mean := k1*(1-o.Air.Slow) + k2*o.Air.Slow
	wet := o.Film.Vapour * saturation(wall)
	kg := (pa - wet) * volume / (gasR * mean)
	h.s = holdState{
		hKg1: kg * (1 - o.Air.Slow), hKg2: kg * o.Air.Slow, hK1: k1, hK2: k2,
		hVapour: wet * volume / (vapourR * mean), hInner: wall, hRest: wall,
	}
	h.shut = h.s
	h.dense = kg / volume
	if o.Air.Tau > 0 {
		h.film1 = h.s[hKg1] * heatCv / o.Air.Tau
		h.film2 = h.s[hKg2] * heatCv / (o.Air.Tau * o.Air.Slower)
	}
	h.size = o.Leak.Flow * anrRho / (pa * math.Sqrt(anrK/wall) * throttle(o.Around/pa, o.Leak.B))
	return h, nil
}

const (
	vapourR  = 461.523 // J/(kg K), gas constant of water vapour
	latent   = 2.45e6  // J/kg, of evaporation near 20 degC
	nozzleB  = 0.5283  // critical ratio of an ideal nozzle
	holdStep = 0.1     // s, the longest step
	fineStep = 0.05    // s, in the first 20 s
)

// throttle is the share of the choked flow that passes at pressure ratio r: a quarter of an ellipse from 1 at the
// critical ratio b to 0 at equal pressures, written as the product of the distances from both ends of its axis. The last
// part in a thousand is a straight line.
func throttle(r, b float64) float64 {
	const last = 0.999
	switch {
	case r <= b:
		return 1
	case r >= 1:
		return 0
	case r > last:
		return (1 - r) / (1 - last) * throttle(last, b)
	}
	return math.Sqrt((1-r)*(1+r-2*b)) / (1 - b)
}

// through returns kg/s through the hole.
func (h *Hold) through(t, pa, kelvin float64) float64 {
	if h.size == 0 {
		return 0
	}
	size := 1.0
	for _, c := range h.o.Leak.Changes {
		if t > c.At {
			size += (c.Size - size) * -math.Expm1(-(t-c.At)/math.Max(c.Over, holdStep))
		}
	}
	return size * h.size * pa * math.Sqrt(anrK/kelvin) * throttle(h.o.Around/pa, h.o.Leak.B)
}

// around returns the temperature that the wall sees outside.
func (h *Hold) around(t float64) float64 {
	k := h.o.Weather.Kelvin + h.o.Weather.Ramp*t
	for _, s := range h.o.Weather.Sun {
		if t >= s.At {
			k += s.Rise
		}
	}
	return k
}

// pressure solves the volume and returns absolute pressure of the dry air, of the vapour, and the volume.
func (h *Hold) pressure(t float64, s *holdState) (air, vapour, volume float64) {
	volume = h.still
	if h.o.Creep != 0 {
		volume += h.o.Volume * h.o.Creep * math.Log1p(t/h.o.CreepAfter)
	}
	mRT := gasR * (s[hKg1]*s[hK1] + s[hKg2]*s[hK2])
	if h.o.Stretch == 0 {
		mean := mRT / (gasR * (s[hKg1] + s[hKg2]))
		return mRT / volume, s[hVapour] * vapourR * mean / volume, volume
	}
	slack := volume - h.o.Stretch*h.o.Around
	air = (math.Sqrt(slack*slack+4*h.o.Stretch*mRT) - slack) / (2 * h.o.Stretch)
	return air, 0, volume + h.o.Stretch*(air-h.o.Around)
}

// conductance of a layer to the wall, as a share of that at 10 K: free convection grows with the difference and with
// density squared; a third of a kelvin of stirring is always there.
func (h *Hold) convection(diff, dense float64) float64 {
	if h.o.Air.Power == 0 {
		return 1
	}
	return math.Pow((diff*diff+0.1)/100*(dense*dense*dense*dense), h.o.Air.Power/2)
}

// rates returns the derivatives.
//
// Both layers have the same pressure. For each, m*cp*dT = Q + V*dp (first law, in enthalpy), which summed over both and
// with p*V = R*sum(m*T) gives dp: V*dp = gamma*R*sum(T*dm) + (gamma-1)*sum(Q) - gamma*p*dV. Air leaves from both layers by
// their mass. The vapour is an ideal gas beside the air at its mean temperature; its own heat is left out (under 1 %).
func (h *Hold) rates(t float64, s *holdState) (d holdState) {
	air, vapour, volume := h.pressure(t, s)
	kg := s[hKg1] + s[hKg2]
	mean := (s[hKg1]*s[hK1] + s[hKg2]*s[hK2]) / kg
	out := h.through(t, air+vapour, mean)
	out1 := out * s[hKg1] / kg
	out2 := out - out1

	dense := kg / volume / h.dense
	jet := 1 + h.o.Air.Jet*math.Exp(-t/h.o.Air.JetLasts)
	film1 := h.film1 * jet * h.convection(s[hK1]-s[hInner], dense)
	film2 := 0.0
	if h.film2 > 0 {
		film2 = h.film2 * jet * h.convection(s[hK2]-s[hInner], dense)
	}
	q1, q2 := film1*(s[hInner]-s[hK1]), film2*(s[hInner]-s[hK2])

	creep := 0.0
	if h.o.Creep != 0 {
		creep = h.o.Volume * h.o.Creep / (t + h.o.CreepAfter)
	}
	dp := (-gamma*gasR*(s[hK1]*out1+s[hK2]*out2) + (gamma-1)*(q1+q2) - gamma*air*creep) / (volume + gamma*air*h.o.Stretch)
	share1 := gasR * s[hK1] / air // m3 for each kg
	share2 := gasR * s[hK2] / air

	d[hKg1], d[hKg2] = -out1, -out2
	d[hK1] = (q1/s[hKg1] + share1*dp) / heatCp
	if s[hKg2] > 0 {
		d[hK2] = (q2/s[hKg2] + share2*dp) / heatCp
	}
	wet := 0.0
	if h.o.Film.Water > 0 || h.o.Film.Vapour > 0 {
		lag := h.o.Film.Lag * kg * heatCv / math.Max(film1+film2, 1e-9)
		wet = (saturation(s[hInner])*volume/(vapourR*mean) - s[hVapour]) / lag
		if wet > 0 && h.water(s) <= 0 {
			wet = 0
		}
	}
	d[hWet] = out * s[hVapour] / kg
	d[hVapour] = wet - d[hWet]

	inner := h.o.Wall.Heat * h.o.Wall.Inner
	rest := h.o.Wall.Heat - inner
	between := 0.0
	if rest > 0 {
		between = inner * rest / h.o.Wall.Heat / h.o.Wall.Spread * (s[hInner] - s[hRest])
	}
	if h.o.Wall.Loss > 0 {
		d[hLost] = h.o.Wall.Heat / h.o.Wall.Loss * (s[hRest] - h.around(t))
	}
	d[hInner] = (-q1 - q2 - latent*wet - between) / inner
	if rest > 0 {
		d[hRest] = (between - d[hLost]) / rest
	}
	d[hOut] = out
	d[hOutJ] = heatCp * (s[hK1]*out1 + s[hK2]*out2)
	d[hHeat] = q1 + q2
	d[hWork] = air * (creep + h.o.Stretch*dp)
	return d
}

// water is what is left of the film, in kg.
func (h *Hold) water(s *holdState) float64 {
	return h.film - (s[hVapour] + s[hWet] - h.shut[hVapour])
}

// Advance brings the volume to time t (s since shut in), by classical fourth-order steps of at most 0.1 s. An earlier
// time changes nothing.
func (h *Hold) Advance(t float64) {
	for h.t < t-1e-9 {
		dt := t - h.t
		most := holdStep
		if h.t < 20 {
			most = fineStep
		}
		if dt > most {
			dt /= math.Ceil(dt/most - 1e-9)
		}
		h.step(dt)
	}
}

func (h *Hold) step(dt float64) {
	along := func(d *holdState, dt float64) *holdState {
		for i := range h.ripe {
			h.ripe[i] = h.s[i] + dt*d[i]
		}
		return &h.ripe
	}
	a := h.rates(h.t, &h.s)
	b := h.rates(h.t+dt/2, along(&a, dt/2))
	c := h.rates(h.t+dt/2, along(&b, dt/2))
	d := h.rates(h.t+dt, along(&c, dt))
	for i := range h.s {
		h.s[i] += dt / 6 * (a[i] + 2*b[i] + 2*c[i] + d[i])
	}
	h.t += dt
}

// HoldTruth is what no sensor sees. SI units.
type HoldTruth struct {
	At       float64 // s since shut in
	Gauge    float64 // Pa
	Gas      float64 // K, mean over the mass
	Inner    float64 // K of the wall where the air touches it
	Wall     float64 // K of the rest of the wall
	Around   float64 // K of the air around, sun left out
	Volume   float64 // m3
	Flow     float64 // m3/s ANR through the hole now
	Gone     float64 // m3 ANR through the hole since shut in
	Air      float64 // kg of dry air inside
	Vapour   float64 // kg of water vapour inside
	Film     float64 // kg of water on the wall
	InnerJ   float64 // J of inner energy of the dry air, over 0 K
	WallJ    float64 // J in the wall, over 0 K
	OutJ     float64 // J of enthalpy gone with the air
	HeatJ    float64 // J from the wall to the air
	WorkJ    float64 // J by the air on walls that give way
	LostJ    float64 // J from the wall to the air around
	LatentJ  float64 // J that the film took from the wall
	WetGone  float64 // kg of vapour gone with the air
	GoneMass float64 // kg of dry air gone
}

// Truth returns the state now.
func (h *Hold) Truth() HoldTruth {
	s := &h.s
	air, vapour, volume := h.pressure(h.t, s)
	kg := s[hKg1] + s[hKg2]
	mean := (s[hKg1]*s[hK1] + s[hKg2]*s[hK2]) / kg
	inner := h.o.Wall.Heat * h.o.Wall.Inner
	return HoldTruth{
		At: h.t, Gauge: air + vapour - h.o.Around, Gas: mean, Inner: s[hInner], Wall: s[hRest],
		Around: h.o.Weather.Kelvin + h.o.Weather.Ramp*h.t, Volume: volume,
		Flow: anr(h.through(h.t, air+vapour, mean)), Gone: anr(s[hOut]),
		Air: kg, Vapour: s[hVapour], Film: h.water(s),
		InnerJ: heatCv * kg * mean, WallJ: inner*s[hInner] + (h.o.Wall.Heat-inner)*s[hRest],
		OutJ: s[hOutJ], HeatJ: s[hHeat], WorkJ: s[hWork], LostJ: s[hLost],
		LatentJ: latent * (s[hVapour] + s[hWet] - h.shut[hVapour]), WetGone: s[hWet], GoneMass: s[hOut],
	}
}
