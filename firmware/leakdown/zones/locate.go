// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"airhold/firmware/leakdown"
)

const (
	penalty = 10.0 // chi-square that a further path must gain
	delta   = 4.0  // answers nearer than this cannot be told apart
	sure    = 1.96
)

// Locate judges flows. The phases are in the order in which they were watched.
func Locate(o Options, phases []Phase) Outcome {
	out := Outcome{Answer: NotJudged, Trust: FullTrust, Phases: phases}
	if why := refuse(o, phases); why != "" {
		out.Sentences = append([]string{why}, notes(phases)...)
		return out
	}
	seen := make([]bool, len(o.Ranks))
	for k, r := range o.Ranks {
		for _, p := range phases {
			if _, rank := p.pressures(o, k, false); !math.IsNaN(rank) && r.separable() {
				seen[k] = true
			}
		}
	}
	list := ways(o, seen)
	m := newProblem(o, list, phases)
	fits := m.all()
	best := fits[0]
	out.ChiSquare, out.Freedom = best.chi, len(m.rows)-len(best.set)
	rivals := m.rivals(fits)
	weights := weigh(fits, rivals)
	least := orElse(o.Threshold, 0.25*litrePerMinute)

	sets := append([]fit{best}, rivals...)
	for _, f := range sets {
		names := []string{}
		for i, w := range f.set {
			if f.flow[i] < least {
				continue
			}
			names = append(names, list[w].where)
			if slices.ContainsFunc(out.Paths, func(p Path) bool { return p.Where == list[w].where }) {
				continue
			}
			out.Paths = append(out.Paths, m.path(w, f, i, fits, weights))
		}
		if !slices.ContainsFunc(out.Sets, func(s []string) bool { return slices.Equal(s, names) }) {
			out.Sets = append(out.Sets, names)
		}
	}
	slices.SortStableFunc(out.Paths, func(a, b Path) int { return cmp.Compare(b.Posterior, a.Posterior) })
	switch {
	case len(out.Sets) > 1:
		out.Answer = CannotTell
	case len(out.Paths) == 0:
		out.Answer = Nothing
	default:
		out.Answer = Found
	}
	out.Missed = m.missed(best)
	out.say(o, seen, m.unexplained(best, least))
	return out
}

// refuse says why there can be no answer.
func refuse(o Options, phases []Phase) string {
	switch {
	case len(o.Ranks) > maxRanks:
		return fmt.Sprintf("%d ranks are more than the %d this test can tell apart.", len(o.Ranks), maxRanks)
	case len(phases) == 0:
		return "There is no watch to judge."
	}
	for i, p := range phases {
		tank, _ := p.pressures(o, -1, true)
		if math.IsNaN(tank) {
			return fmt.Sprintf("The %s has no usable tank pressure, so no path can be named: see the reasons, and watch again.", called(p, i))
		}
		for _, f := range p.Flows {
			if !finite(f.Net) || !(f.U > 0) || math.IsInf(f.U, 0) || !finite(f.Common) || !(f.Start > 0) || !(f.Mean > 0) {
				return fmt.Sprintf("The flow of the %s in the %s is not a number.", f.Volume, called(p, i))
			}
		}
	}
	return ""
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// separable says whether a rank can be shut in at all.
func (r Rank) separable() bool { return r.PowerOff != Vent || r.ShutOff == ByHand }

// all fits every set of no, one or two paths, best first.
func (m problem) all() []fit {
	fits, y := []fit{}, m.measured()
	add := func(set ...int) {
		if f, ok := m.fit(set, y); ok {
			fits = append(fits, f)
		}
	}
	add()
	for i := range m.ways {
		add(i)
		for j := range i {
			add(j, i)
		}
	}
	slices.SortStableFunc(fits, func(a, b fit) int { return cmp.Compare(a.score, b.score) })
	return fits
}

// rivals are the sets that name other paths than the best and that the pressures cannot tell from it: either nearer than
// delta with the penalty counted, or such that they would show the very pressures of the best even if nothing scattered.
// The second kind is the passing fill valve that feeds a leaking rank: thrift alone would call it a tank leak. A set that
// only adds to the best or leaves something out says how big, not where; it is no rival.
func (m problem) rivals(fits []fit) []fit {
	best := fits[0]
	expected := make([]float64, len(m.rows))
	for i := range expected {
		expected[i] = m.net(best, i)
	}
	list := []fit{}
	for _, f := range fits[1:] {
		if nested(f.set, best.set) || nested(best.set, f.set) {
			continue
		}
		if f.score >= best.score+delta {
			same, ok := m.fit(f.set, expected)
			if !ok || same.chi >= delta || !m.solid(f) {
				continue
			}
		}
		list = append(list, f)
	}
	return list
}

// solid says whether every flow of a set stands out of its own error: a set that carries a path of nearly nothing is the
// smaller set in disguise.
func (m problem) solid(f fit) bool {
	for i := range f.set {
		if f.flow[i] < sure*math.Sqrt(f.cov[i][i]) {
			return false
		}
	}
	return true
}

func nested(small, big []int) bool {
	for _, w := range small {
		if !slices.Contains(big, w) {
			return false
		}
	}
	return true
}

// weigh gives each set its share of the posterior. Between the best and its rivals the penalty does not count: what the
// pressures cannot decide, thrift must not.
func weigh(fits, rivals []fit) []float64 {
	weights := make([]float64, len(fits))
	sum := 0.0
	for i, f := range fits {
		s := f.score
		if slices.ContainsFunc(rivals, func(r fit) bool { return slices.Equal(r.set, f.set) }) {
			s = math.Min(s, s-penalty*float64(len(f.set)-len(fits[0].set)))
		}
		weights[i] = math.Exp(-(s - fits[0].score) / 2)
		sum += weights[i]
	}
	for i := range weights {
		weights[i] /= sum
	}
	return weights
}

// path words one path of a set.
func (m problem) path(w int, f fit, i int, fits []fit, weights []float64) Path {
	p := Path{Where: m.ways[w].where, Includes: m.ways[w].includes, Watch: m.watch[w] + 1}
	if m.ways[w].kind == fillValve {
		p.Into = strings.TrimSuffix(p.Where, " fill valve") + " rank"
	}
	half := sure * math.Sqrt(f.cov[i][i])
	p.Leak = leakdown.Interval{Value: f.flow[i], Low: math.Max(0, f.flow[i]-half), High: f.flow[i] + half}
	for k, g := range fits {
		if slices.Contains(g.set, w) {
			p.Posterior += weights[k]
		}
	}
	p.Posterior = math.Min(1, p.Posterior)
	return p
}

// suspect is a flow that the answer leaves over: more than chance would, less than a further path must gain.
type suspect struct {
	rank    int // -1: the tank
	flow, u float64
}

// unexplained returns what each volume lost beyond the best set, in the mean over the watches, where that is likely real.
func (m problem) unexplained(best fit, least float64) []suspect {
	list := []suspect{}
	for _, r := range m.rows {
		if slices.ContainsFunc(list, func(s suspect) bool { return s.rank == r.rank }) {
			continue
		}
		s := suspect{rank: r.rank}
		sum := 0.0
		for i, q := range m.rows {
			if q.rank != r.rank {
				continue
			}
			v := q.u * q.u
			s.flow += (q.net - m.net(best, i)) / v
			sum += 1 / v
			s.u = math.Max(s.u, math.Hypot(q.common, q.scale*m.net(best, i)))
		}
		s.flow, s.u = s.flow/sum, math.Sqrt(1/sum+s.u*s.u)
		list = append(list, s)
	}
	return slices.DeleteFunc(list, func(s suspect) bool { return s.flow < sure*s.u || s.flow < least })
}

// missed is the largest single leak that the watches would have passed over: what one path can carry at most beside the
// best set, but at least what the penalty needs.
func (m problem) missed(best fit) float64 {
	most := 0.0
	for j := range m.ways {
		if slices.Contains(best.set, j) {
			continue
		}
		// The information of the path's own column, with the errors that every set has.
		low, _, ok := cholesky(m.base)
		if !ok {
			continue
		}
		column := make([]float64, len(m.rows))
		for i := range m.rows {
			column[i] = m.a[i][j]
		}
		white := forward(low, column)
		if g := dot(white, white); g > 0 {
			most = math.Max(most, (math.Sqrt(penalty)+1.645)/math.Sqrt(g))
		}
	}
	return most
}
