// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"math"
	"testing"
)

// machine is a tank with two ranks and nothing special.
func machine() Options {
	return Options{Ranks: []Rank{
		{Name: "front", Volume: 0.0185, Stretch: 5e-7, PowerOff: Hold},
		{Name: "rear", Volume: 0.017, Stretch: 5e-7, PowerOff: Hold},
	}}
}

// watched are the phases of the design study: tank 655 kPa, ranks 380 kPa absolute; then the ranks vented to 0.5 bar g.
func watched(n int) []Phase {
	flows := func(rank float64) []Flow {
		return []Flow{
			{Volume: TankName, U: 1, Start: 655e3 + 101325, Mean: 655e3 + 101325},
			{Volume: "front", U: 1, Start: rank, Mean: rank},
			{Volume: "rear", U: 1, Start: rank, Mean: rank},
		}
	}
	return []Phase{{Flows: flows(380e3 + 101325)}, {Flows: flows(50e3 + 101325)}}[:n]
}

// singular returns the singular values of a, largest first, by Jacobi turns of its normal matrix.
func singular(a [][]float64) []float64 {
	n := len(a[0])
	s := grid(n, n)
	for _, r := range a {
		for i := range n {
			for j := range n {
				s[i][j] += r[i] * r[j]
			}
		}
	}
	for range 60 {
		for p := range n {
			for q := p + 1; q < n; q++ {
				if math.Abs(s[p][q]) < 1e-300 {
					continue
				}
				t := math.Atan2(2*s[p][q], s[q][q]-s[p][p]) / 2
				c, d := math.Cos(t), math.Sin(t)
				for k := range n {
					s[p][k], s[q][k] = c*s[p][k]-d*s[q][k], d*s[p][k]+c*s[q][k]
				}
				for k := range n {
					s[k][p], s[k][q] = c*s[k][p]-d*s[k][q], d*s[k][p]+c*s[k][q]
				}
			}
		}
	}
	v := make([]float64, n)
	for i := range n {
		v[i] = math.Sqrt(math.Max(0, s[i][i]))
	}
	for i := range v {
		for j := i + 1; j < n; j++ {
			if v[j] > v[i] {
				v[i], v[j] = v[j], v[i]
			}
		}
	}
	return v
}

func TestDesign(t *testing.T) {
	o := machine()
	for n := 1; n <= 2; n++ {
		ph := watched(n)
		m := newProblem(o, ways(o, []bool{true, true}), ph)
		v := singular(m.a)
		t.Logf("%d phases: singular values %.3g condition %.3g", n, v, v[0]/v[len(v)-1])
		for _, r := range m.a {
			t.Logf("%.3f", r)
		}
	}
}
