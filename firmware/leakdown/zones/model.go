// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"math"
	"slices"
)

// The critical ratio of a real leak lies about here (from memory: 0.2 to 0.5); each path has its own.
const (
	ratio   = 0.35
	ratioSD = 0.1

	// The air's temperature, where nobody measured it, is 20 degC but for 10 K.
	ambientShare = 10 / anrKelvin
)

// kind is what a path joins.
type kind int

const (
	tankSide  kind = iota // tank to the air around
	fillValve             // tank to rank
	rankSide              // rank to the air around
)

// way is one path of the machine: its kind and, but for the tank side, its rank.
type way struct {
	kind     kind
	rank     int
	where    string
	includes []string
}

// ways lists the paths that these phases can see at all. What a rank without readings, or one that cannot be shut in,
// would add goes into the tank side's class.
func ways(o Options, seen []bool) []way {
	side := way{kind: tankSide, where: "tank side", includes: []string{"tank shell", "lines and fittings", "drain", "check valve at the compressor"}}
	list := []way{}
	for k, r := range o.Ranks {
		valve, bags := r.Name+" fill valve", r.Name+" rank"
		if !seen[k] {
			side.includes = append(side.includes, valve)
			continue
		}
		list = append(
			list,
			way{fillValve, k, valve, []string{valve + " seat"}},
			way{rankSide, k, bags, []string{"bags", "hoses and fittings", "exhaust valve seat"}},
		)
	}
	return append([]way{side}, list...)
}

// through is the flow through a restriction of given conductance from up to down, absolute, over the pressure up when the
// flow is choked: ISO 6358 with critical ratio b, signed.
func through(up, down, b float64) float64 {
	if down > up {
		return -through(down, up, b)
	}
	if up <= 0 {
		return 0
	}
	r := down / up
	if r <= b {
		return up
	}
	x := (r - b) / (1 - b)
	return up * math.Sqrt(math.Max(0, 1-x*x))
}

// row is one measured flow.
type row struct {
	phase  int
	rank   int // -1: the tank
	net    float64
	u      float64
	common float64
	scale  float64 // standard uncertainty of the volume, as a ratio
}

// problem is all flows of all phases with the paths that may explain them.
type problem struct {
	ways  []way
	rows  []row
	a     [][]float64 // rows by ways, at the mid ratio; a flow of one at the nominal pressures
	db    [][]float64 // derivative of a by the ratio
	watch []int       // of each way, the phase whose start pressures are nominal
	base  [][]float64 // covariance without what a set of paths adds
}

// pressures returns the absolute pressures of tank and rank k in a phase, at the start or in the mean; NaN where unseen.
func (p Phase) pressures(o Options, k int, start bool) (tank, rank float64) {
	tank, rank = math.NaN(), math.NaN()
	for _, f := range p.Flows {
		v := f.Mean
		if start {
			v = f.Start
		}
		switch {
		case f.Volume == TankName:
			tank = v
		case k >= 0 && f.Volume == o.Ranks[k].Name:
			rank = v
		}
	}
	return tank, rank
}

// carries is the flow that a unit conductance of a path passes in a phase.
func (p Phase) carries(o Options, w way, start bool, b float64) float64 {
	around := p.around()
	k := w.rank
	if w.kind == tankSide {
		k = -1
	}
	tank, rank := p.pressures(o, k, start)
	if math.IsNaN(rank) {
		rank = around // a rank that was not seen in this phase: taken as empty
	}
	switch w.kind {
	case tankSide:
		return through(tank, around, b)
	case rankSide:
		return through(rank, around, b)
	default:
		if slices.Contains(p.Shut, o.Ranks[w.rank].Name) {
			return 0
		}
		return through(tank, rank, b)
	}
}

func (p Phase) around() float64 {
	if p.Barometer > 0 {
		return p.Barometer
	}
	return defaultAir
}

// sign says how a path's flow counts in a volume: out of it, into it, or not at all.
func (w way) sign(rank int) float64 {
	switch {
	case rank < 0 && w.kind != rankSide:
		return 1
	case rank < 0 || rank != w.rank || w.kind == tankSide:
		return 0
	case w.kind == fillValve:
		return -1
	default:
		return 1
	}
}

// reference chooses the phase whose start pressures a path's leak is said at: the first, unless nearly nothing could flow
// there.
func reference(o Options, w way, phases []Phase) int {
	best, most := 0, 0.0
	for i, p := range phases {
		if v := math.Abs(p.carries(o, w, true, ratio)); v > most {
			best, most = i, v
		}
	}
	if len(phases) > 0 && math.Abs(phases[0].carries(o, w, true, ratio)) > 0.2*most {
		return 0
	}
	return best
}

// newProblem lays out rows, matrix and covariance.
func newProblem(o Options, list []way, phases []Phase) problem {
	m := problem{ways: list}
	for i, p := range phases {
		for _, f := range p.Flows {
			k := o.rankNamed(f.Volume)
			if f.Volume != TankName && (k < 0 || !slices.ContainsFunc(list, func(w way) bool { return w.kind == rankSide && w.rank == k })) {
				continue
			}
			m.rows = append(m.rows, row{i, k, f.Net, f.U, f.Common, o.scale(k, f.Mean, p.around())})
		}
	}
	for _, w := range list {
		m.watch = append(m.watch, reference(o, w, phases))
	}
	n := len(m.rows)
	m.a, m.db, m.base = grid(n, len(list)), grid(n, len(list)), grid(n, n)
	for i, r := range m.rows {
		for j, w := range list {
			s := w.sign(r.rank)
			if s == 0 {
				continue
			}
			at := func(b float64) float64 {
				unit := math.Abs(phases[m.watch[j]].carries(o, w, true, b))
				if unit == 0 {
					return 0
				}
				return s * phases[r.phase].carries(o, w, r.rank < 0, b) / unit
			}
			m.a[i][j] = at(ratio)
			m.db[i][j] = (at(ratio+ratioSD) - at(ratio-ratioSD)) / (2 * ratioSD)
		}
		for j, q := range m.rows {
			if q.rank == r.rank {
				m.base[i][j] = r.common * q.common
			}
		}
		m.base[i][i] += r.u * r.u
	}
	return m
}

func (o Options) rankNamed(name string) int {
	return slices.IndexFunc(o.Ranks, func(r Rank) bool { return r.Name == name })
}

// scale is the standard uncertainty, as a ratio, of a flow because of the volume and of an unmeasured air temperature:
// rank -1 is the tank.
func (o Options) scale(rank int, pressure, around float64) float64 {
	warm := ambientShare
	if o.Tank.Ambient > 0 {
		warm = 0
	}
	if rank < 0 {
		return math.Hypot(orElse(o.Tank.VolumeUncertainty, 0.03)/math.Sqrt(3), warm)
	}
	r := o.Ranks[rank]
	v := orElse(r.VolumeUncertainty, 0.10) / math.Sqrt(3)
	grown := r.Stretch * (2*pressure - around) // share of the capacity that is stretch: V(p) and p*dV/dp
	s := orElse(r.StretchUncertainty, 0.2) / math.Sqrt(3) * grown / (1 + grown)
	return math.Sqrt(v*v + s*s + warm*warm)
}

func orElse(v, fallback float64) float64 {
	if v > 0 {
		return v
	}
	return fallback
}

func grid(rows, columns int) [][]float64 {
	all := make([]float64, rows*columns)
	g := make([][]float64, rows)
	for i := range g {
		g[i] = all[i*columns : (i+1)*columns]
	}
	return g
}

// fit is one set of paths fitted.
type fit struct {
	set   []int // ways
	flow  []float64
	cov   [2][2]float64
	chi   float64
	score float64 // chi-square, the covariance's size and the penalty
}

// measured returns the flows of all rows.
func (m problem) measured() []float64 {
	y := make([]float64, len(m.rows))
	for i, r := range m.rows {
		y[i] = r.net
	}
	return y
}

// fit fits the flows of a set of at most two paths to y. It is not possible where a flow comes out negative (the smaller set
// is the answer then) or two paths cannot be told apart at all.
func (m problem) fit(set []int, y []float64) (fit, bool) {
	n := len(m.rows)
	f := fit{set: set, flow: make([]float64, len(set))}
	// What ratio and volumes bring depends on the flows. The fitted ones serve, not the measured: a common scale error
	// taken from scattered measurements would pull their mean down.
	for range 4 {
		c := grid(n, n)
		for i := range n {
			copy(c[i], m.base[i])
			for j := range n {
				if m.rows[i].rank == m.rows[j].rank {
					c[i][j] += m.rows[i].scale * m.net(f, i) * m.rows[j].scale * m.net(f, j)
				}
				for s, w := range set {
					c[i][j] += ratioSD * ratioSD * f.flow[s] * f.flow[s] * m.db[i][w] * m.db[j][w]
				}
			}
		}
		low, logDet, ok := cholesky(c)
		if !ok {
			return f, false
		}
		white := forward(low, y)
		columns := make([][]float64, len(set))
		for s, w := range set {
			col := make([]float64, n)
			for i := range n {
				col[i] = m.a[i][w]
			}
			columns[s] = forward(low, col)
		}
		if !f.solve(white, columns) {
			return f, false
		}
		rest := 0.0
		for i := range n {
			e := white[i]
			for s := range set {
				e -= columns[s][i] * f.flow[s]
			}
			rest += e * e
		}
		f.chi = rest
		f.score = rest + logDet + penalty*float64(len(set))
	}
	return f, true
}

// net is the fitted flow of a row.
func (m problem) net(f fit, i int) float64 {
	v := 0.0
	for s, w := range f.set {
		v += m.a[i][w] * f.flow[s]
	}
	return v
}

// solve finds the flows from whitened columns, and their covariance.
func (f *fit) solve(y []float64, columns [][]float64) bool {
	switch len(columns) {
	case 0:
		return true
	case 1:
		g := dot(columns[0], columns[0])
		if g <= 0 {
			return false
		}
		f.flow[0] = dot(columns[0], y) / g
		f.cov[0][0] = 1 / g
		return f.flow[0] > 0
	default:
		g00, g11, g01 := dot(columns[0], columns[0]), dot(columns[1], columns[1]), dot(columns[0], columns[1])
		det := g00*g11 - g01*g01
		if det <= 1e-6*g00*g11 {
			return false
		}
		h0, h1 := dot(columns[0], y), dot(columns[1], y)
		f.flow[0] = (g11*h0 - g01*h1) / det
		f.flow[1] = (g00*h1 - g01*h0) / det
		f.cov = [2][2]float64{{g11 / det, -g01 / det}, {-g01 / det, g00 / det}}
		return f.flow[0] > 0 && f.flow[1] > 0
	}
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// cholesky splits a positive definite matrix into low times its transpose and returns the log of its determinant.
func cholesky(c [][]float64) (low [][]float64, logDet float64, ok bool) {
	n := len(c)
	low = grid(n, n)
	for i := range n {
		for j := range i + 1 {
			s := c[i][j] - dot(low[i][:j], low[j][:j])
			if i != j {
				low[i][j] = s / low[j][j]
				continue
			}
			if !(s > 0) {
				return nil, 0, false
			}
			low[i][i] = math.Sqrt(s)
			logDet += math.Log(s)
		}
	}
	return low, logDet, true
}

// forward solves low*x = y.
func forward(low [][]float64, y []float64) []float64 {
	x := make([]float64, len(y))
	for i := range y {
		x[i] = (y[i] - dot(low[i][:i], x[:i])) / low[i][i]
	}
	return x
}
