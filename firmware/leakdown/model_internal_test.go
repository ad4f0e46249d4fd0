// SPDX-License-Identifier: Apache-2.0

package leakdown

import (
	"math"
	"testing"
)

// The derivatives of a model must be those of the model: differences of two runs are the check.
func TestModelDerivatives(t *testing.T) {
	const start = 801325
	g := gas{wall: 293, start: start, outside: 101325, b: 0.35}
	for _, hot := range []float64{0.06, -0.02} {
		a := vector{iLevel: math.Log(start), iLeak: 3, iHot: hot, iTau: 3.4, iPower: 0.25, iSlow: 0.1, iJet: 0.5}
		for _, at := range []float64{3, 30, 200, 600} {
			f := newFlight(&g, &a, true)
			f.to(at)
			var got vector
			f.gradient(&got)
			for j := range params {
				const h = 1e-5
				up, down := a, a
				up[j] += h
				down[j] -= h
				fu, fd := newFlight(&g, &up, false), newFlight(&g, &down, false)
				fu.to(at)
				fd.to(at)
				want := (fu.at() - fd.at()) / (2 * h)
				// Choked all the way: below that the leak's shape is taken as fixed for the derivatives.
				if math.Abs(got[j]-want) > 1e-6+0.002*math.Abs(want) {
					t.Errorf("hot %g, at %g s, parameter %d: derivative %g, difference of two runs %g", hot, at, j, got[j], want)
				}
			}
		}
	}
}

// With an exponent of 0, no slow share and a small excess the model has a closed form: d eps/dt = -eps/tau - 0.4 k, and
// ln p falls by k t and what eps has lost (first order in eps and k; source: the linear differential equation).
func TestModelClosedForm(t *testing.T) {
	const tau, k, hot = 40.0, 2e-4, 0.004
	g := gas{wall: 293.15, start: 801325, outside: 101325, b: 0.35}
	a := vector{iLeak: k / leakUnit, iHot: hot, iTau: math.Log(tau)}
	f := newFlight(&g, &a, false)
	for at := 1.0; at <= 600; at++ {
		f.to(at)
		eps := (hot+gammaLess*k*tau)*math.Exp(-at/tau) - gammaLess*k*tau
		want := -k*at + eps - hot
		if d := math.Abs(f.at() - want); d > 2e-5+0.01*math.Abs(want) {
			t.Fatalf("after %g s ln p has changed by %g; the closed form says %g", at, f.at(), want)
		}
	}
}
