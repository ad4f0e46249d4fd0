// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"math"

	"airhold/firmware/pneumatics"
)

// The parameters of the model, in this order. Leak rates are in 1e-4/s, so that all are of the order of one.
const (
	iLevel = iota // ln of pressure times volume at the start
	iLeak         // k: share of the air that leaks at the start pressure, 1e-4/s, with the air at the wall's temperature
	iHot          // how much warmer than the wall the air is at the start, as a share of the wall's temperature
	iTau          // ln of the cooling's time constant in s, at 10 K of excess
	iPower        // exponent: the conductance goes with the excess to this power (0 Newton, 1/4 laminar, 1/3 turbulent)
	iSlow         // share of the excess that cools three times slower (air that lies in layers)
	iJet          // by how much the jet of the filling still raises the conductance at the start; 1 doubles it
	params
)

const (
	leakUnit  = 1e-4
	gammaLess = 0.4 // heat capacity ratio of air less one
	slower    = 3.0 // times, of the slow share
	leastHot  = 0.2 // K: below it the conductance no longer falls
	refHot    = 10.0
	jetTau    = 5.0  // s in which the jet dies down
	jetOver   = 40.0 // s after which nothing is left of it
)

type vector [params]float64

// gas is what the model needs to know besides its parameters.
type gas struct {
	wall    float64 // K
	start   float64 // Pa absolute, at the start
	outside float64 // Pa absolute
	b       float64 // critical pressure ratio of the leak
}

// phi is the share of the choked flow at absolute pressure p.
func (g *gas) phi(p float64) float64 { return pneumatics.Share(g.outside/p, g.b) }

// state is the model at one time: x is ln of the air still there over that at the start; e1 and e2 are the two shares of
// the excess temperature over the wall's, as shares of the wall's temperature. The d fields are their derivatives.
type state struct {
	x, e1, e2    float64
	dx, de1, de2 vector
}

// flight runs the model along rising times.
type flight struct {
	g    *gas
	a    vector
	s    state
	t    float64
	phi0 float64
	open bool // the leak is, or comes, below its critical ratio
	grad bool

	r      float64 // rate of the last step's middle
	dr     vector
	moving bool
}

func newFlight(g *gas, a *vector, grad bool) flight {
	f := flight{g: g, a: *a, grad: grad, phi0: g.phi(g.start)}
	f.open = f.phi0 < 1 || g.outside > g.b*g.start*0.5
	f.s.e1, f.s.e2 = (1-a[iSlow])*a[iHot], a[iSlow]*a[iHot]
	if grad {
		f.s.de1[iHot], f.s.de1[iSlow] = 1-a[iSlow], -a[iHot]
		f.s.de2[iHot], f.s.de2[iSlow] = a[iSlow], a[iHot]
	}
	return f
}

// at returns ln of pressure times volume.
func (f *flight) at() float64 {
	return f.a[iLevel] + f.s.x + math.Log((1+f.s.e1+f.s.e2)/(1+f.a[iHot]))
}

// gradient returns at's derivatives.
func (f *flight) gradient(out *vector) {
	w := 1 / (1 + f.s.e1 + f.s.e2)
	for j := iLeak; j < params; j++ {
		out[j] = f.s.dx[j] + w*(f.s.de1[j]+f.s.de2[j])
	}
	out[iHot] -= 1 / (1 + f.a[iHot])
	out[iLevel] = 1
}

// longest is the longest step at time t: as fine as the data are thinned.
func longest(t float64) float64 {
	switch {
	case t < 20:
		return 1
	case t < 120:
		return 2.5
	case t < 300:
		return 5
	default:
		return 10
	}
}

// to advances to time t.
func (f *flight) to(t float64) {
	for f.t < t-1e-9 {
		h := t - f.t
		if most := longest(f.t); h > most {
			h /= math.Ceil(h / most)
		}
		f.step(h)
		f.t += h
	}
}

// rate is how fast an excess e goes with x of the air still there at time t, 1/s, and its derivatives by the excess, by
// iPower and by iJet. Less air cools faster, and free convection goes with the square of its density.
func (f *flight) rate(e, x, t float64) (r, byE, byPower, byJet float64) {
	hot, sign := e*f.g.wall, 1.0
	if hot < 0 {
		hot, sign = -hot, -1
	}
	flat := hot < leastHot
	if flat {
		hot = leastHot
	}
	l := math.Log(hot/refHot) + 2*x
	r = math.Exp(f.a[iPower]*l - f.a[iTau] - x)
	if t < jetOver {
		byJet = r * math.Exp(-t/jetTau)
		r += f.a[iJet] * byJet
	}
	if !flat {
		byE = sign * r * f.a[iPower] * f.g.wall / hot
	}
	return r, byE, r * l, byJet
}

// step takes one step of length h: the excess decays exactly at the rate of the step's middle, the leak is taken at the
// middle, and what it cools the air by is added on the way. The middle is found with the rate of the step before.
func (f *flight) step(h float64) {
	s, a := &f.s, &f.a
	k := a[iLeak] * leakUnit
	if !f.moving {
		f.moving = true
		var rE, rN, rJ float64
		f.r, rE, rN, rJ = f.rate(s.e1+s.e2, 0, 0)
		if f.grad {
			for j := range f.dr {
				f.dr[j] = rE * (s.de1[j] + s.de2[j])
			}
			f.dr[iTau] -= f.r
			f.dr[iPower] += rN
			f.dr[iJet] += rJ
		}
	}
	r := f.r
	g2 := math.Exp(-r * h / (2 * slower))
	g1 := g2 * g2 * g2
	phi := 1.0
	if f.open {
		p := f.g.start * math.Exp(s.x) * (1 + s.e1 + s.e2) / (1 + a[iHot])
		phi = f.g.phi(p) / f.phi0
	}
	cool := gammaLess * k * phi * h / 2 // by the leak, in half a step
	m1, m2 := s.e1*g1-(1-a[iSlow])*cool, s.e2*g2-a[iSlow]*cool
	em := m1 + m2
	rm, rmE, rmN, rmJ := f.rate(em, s.x-k*phi*h/2, f.t+h/2)
	root := math.Sqrt(math.Max(1+em, 0.1))
	kappa := k * root * phi
	src := gammaLess * (1 + em) * kappa
	q2 := math.Exp(-rm * h / slower)
	q1 := q2 * q2 * q2
	w1, w2 := (1-q1)/rm, slower*(1-q2)/rm
	n1 := s.e1*q1 - (1-a[iSlow])*src*w1
	n2 := s.e2*q2 - a[iSlow]*src*w2
	if f.grad {
		f.tangent(h, &tangents{
			g1: g1, g2: g2, cool: cool, rm: rm, rmE: rmE, rmN: rmN, rmJ: rmJ, rmX: rm * (2*a[iPower] - 1), root: root, kappa: kappa, em: em,
			src: src, q1: q1, q2: q2, w1: w1, w2: w2, phi: phi, k: k,
		})
	}
	f.r = rm
	s.x -= kappa * h
	s.e1, s.e2 = n1, n2
}

type tangents struct {
	g1, g2, cool, rm, rmE, rmN, rmJ, rmX, root, kappa, em, src, q1, q2, w1, w2, phi, k float64
}

// tangent advances the derivatives by the same step.
func (f *flight) tangent(h float64, v *tangents) {
	s, a := &f.s, &f.a
	fast, slow := 1-a[iSlow], a[iSlow]
	w1r := (h*v.q1 - v.w1) / v.rm // derivative of w1 by rm
	w2r := (h*v.q2 - v.w2) / v.rm
	for j := iLeak; j < params; j++ {
		dr := f.dr[j]
		var dk, dslow float64
		switch j {
		case iLeak:
			dk = leakUnit
		case iSlow:
			dslow = 1
		}
		dcool := gammaLess * dk * v.phi * h / 2
		dm1 := s.de1[j]*v.g1 - s.e1*v.g1*dr*h/2 + dslow*v.cool - fast*dcool
		dm2 := s.de2[j]*v.g2 - s.e2*v.g2*dr*h/(2*slower) - dslow*v.cool - slow*dcool
		dem := dm1 + dm2
		drm := v.rmE*dem + v.rmX*(s.dx[j]-dk*v.phi*h/2)
		switch j {
		case iTau:
			drm -= v.rm
		case iPower:
			drm += v.rmN
		case iJet:
			drm += v.rmJ
		}
		f.dr[j] = drm
		dkappa := dk*v.root*v.phi + v.k*v.phi*dem/(2*v.root)
		dsrc := gammaLess * (dem*v.kappa + (1+v.em)*dkappa)
		dn1 := s.de1[j]*v.q1 - s.e1*v.q1*drm*h + dslow*v.src*v.w1 - fast*(dsrc*v.w1+v.src*w1r*drm)
		dn2 := s.de2[j]*v.q2 - s.e2*v.q2*drm*h/slower - dslow*v.src*v.w2 - slow*(dsrc*v.w2+v.src*w2r*drm)
		s.dx[j] -= dkappa * h
		s.de1[j], s.de2[j] = dn1, dn2
	}
}
