// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"math"
	"time"
)

// The thermal observer follows by how much the tank's gas is warmer than its wall. In a tank of one gas temperature T
// with a wall at W, what flows in or out changes T as d ln T = c d ln p (isentropic, c = (k-1)/k = 0.286; more where the
// compressor's air arrives hot), and heat changes both alike: d ln p = -(T-W)/(tau T) dt. Together, with the whole
// measured d ln p, dT = c T d ln p - (1-c)(T-W)/tau dt. What is left of the fall is a flow: -0.714 (d ln p/dt +
// (T-W)/(tau T)). Natural convection makes 1/tau grow with the fourth root of the difference (laminar, textbook). Tau and
// c are not known beforehand: candidates run side by side, and the one with the least residual counts.
const (
	isentropic = 0.2857
	tauCount   = 5
	hotCount   = 4
	observers  = tauCount * hotCount
	longPiece  = 5.0   // s of a piece of quiet decay
	leastPiece = 1.5   // s
	roughFree  = 1.3   // the noise is known no better
	roughTail  = 3.5   // standard deviations of a sum of squares
	busyTime   = 120.0 // s
	afterRun   = 1.5   // s after the compressor stopped before a piece may begin
)

func tauOf(j int) float64 { return [tauCount]float64{18, 26, 38, 55, 80}[j/hotCount] }
func hotOf(j int) float64 { return [hotCount]float64{0.29, 0.33, 0.37, 0.42}[j%hotCount] }

// thermal is the candidates' state.
type thermal struct {
	theta [observers]float64 // K over the wall
	lnp   float64
	wall  float64 // K, smoothed
	begun bool
	age   float64 // s since it began
	busy  float64 // share of the last minutes that the compressor delivered
}

// piece is a stretch of quiet decay being gathered.
type piece struct {
	n               int
	t0, last        float64
	t, tt, y, ty, p float64
	yy, y0          float64
	heat            [observers]float64 // sum of theta/(tau T), 1/s
}

// decay is a closed piece.
type decay struct {
	from, to float64            // s
	flow     [observers]float64 // m3/s ANR, out of the tank
	heat     [observers]float64 // of that, the correction
	sd       float64            // from the sensor's noise
	p        float64            // Pa absolute
	busy     float64            // share of the last minutes that the compressor delivered
	age      float64            // s since the observers began
}

// follow takes frame n of the tank, of which nothing is taken back any more, and reports whether a piece closed.
func (w *Watch) follow(n int, d *decay) bool {
	h := &w.heat
	v := w.tank.at(n)
	m := w.tank.mark[n&ringMask]
	p := v + w.baro
	if math.IsNaN(v) || v < leastTank {
		h.begun, w.piece.n = false, 0
		return false
	}
	dt := w.frames.dt
	lp := math.Log(p)
	now := w.frames.time(n).Seconds()
	wall, back := w.wallNow(w.frames.time(n))
	if !h.begun || m&markHole != 0 {
		*h = thermal{lnp: lp, wall: wall, begun: true}
	}
	if back || h.age == 0 {
		h.wall, h.age = wall, 0 // the gas followed the wall unseen
	}
	h.age += dt
	dw := (wall - h.wall) * dt / (20 + dt)
	h.wall += dw
	dl := lp - h.lnp
	h.lnp = lp
	on := m&markOn != 0
	for j := range h.theta {
		c := isentropic
		if on {
			c = hotOf(j)
		}
		th := h.theta[j]
		th += c*(h.wall+th)*dl - dw
		th -= th * rate(th, tauOf(j)) * (1 - isentropic) * dt
		h.theta[j] = th
	}
	delivers := 0.0
	if on {
		w.ranAt, delivers = now, 1
	}
	h.busy += (delivers - h.busy) * dt / (busyTime + dt)
	q := &w.piece
	ok := m == 0 && now-w.ranAt > afterRun
	closed := false
	if q.n > 0 && (!ok || now-q.t0 >= longPiece) {
		if q.last-q.t0 >= leastPiece && q.n >= 4 {
			closed = w.close(d)
		}
		q.n = 0
	}
	if !ok {
		return closed
	}
	if q.n == 0 {
		*q = piece{t0: now, y0: lp}
	}
	t := now - q.t0
	q.last = now
	q.n++
	q.t += t
	q.tt += t * t
	y := lp - q.y0
	q.y += y
	q.ty += t * y
	q.yy += y * y
	q.p += p
	for j, th := range h.theta {
		q.heat[j] += th * rate(th, tauOf(j)) / (h.wall + th)
	}
	return closed
}

// wallNow is the temperature of the tank's wall, and whether it was seen again after a while. A sensor that falls silent,
// as with the key, leaves its last value for an hour; without one the air around stands for it.
func (w *Watch) wallNow(at time.Duration) (kelvin float64, back bool) {
	switch {
	case w.wall.alive(at):
		back = w.wallAt > 0 && at-w.wallAt > time.Minute
		w.wallAt = at
		return w.wall.v, back
	case w.wall.seen && at-w.wall.at < time.Hour && w.heat.begun:
		return w.heat.wall, false
	case w.heat.begun:
		return w.ambient.or(at, w.heat.wall), false
	}
	return w.ambient.or(at, reference), false
}

// rate is 1/tau at a difference of th.
func rate(th, tau float64) float64 {
	return math.Sqrt(math.Sqrt(max(math.Abs(th), 0.3)/10)) / tau
}

// close works out the piece; false where more than the sensor's noise lies about its line: a valve moved unseen.
func (w *Watch) close(d *decay) bool {
	q := &w.piece
	n := float64(q.n)
	den := n*q.tt - q.t*q.t
	slope := (n*q.ty - q.t*q.y) / den
	p := q.p / n
	noise := w.tank.sd() / p
	rest := (q.yy - q.y*q.y/n - slope*slope*den/n) / (n - 2)
	if rest > noise*noise*roughFree*(1+roughTail*math.Sqrt(2/(n-2))) {
		return false
	}
	scale := w.o.Volume * p / refPressure
	d.p, d.age, d.busy = p, w.heat.age, w.heat.busy
	d.from, d.to = q.t0, q.last
	sd := noise * math.Sqrt(n/den)
	for j := range d.flow {
		k := scale * (1 - isentropic) * reference / (w.heat.wall + w.heat.theta[j])
		d.heat[j] = k * q.heat[j] / n
		d.flow[j] = -k*slope - d.heat[j]
		d.sd = sd * k
	}
	return true
}

// regressors of what a sound tank seems to lose: one, the correction for cooling, and how busy the compressor was.
const terms = 3

// fit is what one observer finds on a sound machine, by weighted least squares that forgets: a flow, a share of its own
// correction for cooling that it has wrong, and what it has wrong while the compressor is busy.
type fit struct {
	a           [terms][terms]float64 // the upper half is used
	b           [terms]float64
	w           float64
	rest, noise float64 // weighted squares that are left, and what of them is the sensor's noise
	count       int
	now         [terms]float64 // the solution
}

// spread is the standard deviation that the sensor's noise does not explain.
func (f *fit) spread() float64 {
	if f.w <= 0 {
		return math.Inf(1)
	}
	return math.Sqrt(max(0, f.rest-f.noise) / f.w)
}

// at returns what a sound tank seems to lose.
func (f *fit) at(heat, busy float64) float64 {
	return f.now[0] + f.now[1]*heat + f.now[2]*min(busy, usualBusy)
}

func (f *fit) add(x, heat, busy, sd, memory float64) {
	s := math.Hypot(sd, firstSpread)
	busy = min(busy, usualBusy)
	e := x - f.at(heat, busy)
	if f.count >= 20 {
		c := 3 * math.Hypot(sd, max(firstSpread, f.spread()))
		kept := max(-c, min(c, e))
		x += kept - e
		e = kept
	}
	wt := firstSpread * firstSpread / (s * s)
	r := [terms]float64{1, heat, busy}
	for i := range r {
		for j := i; j < terms; j++ {
			f.a[i][j] += wt * r[i] * r[j]
		}
		f.b[i] += wt * r[i] * x
	}
	f.w += wt
	f.rest += wt * e * e
	f.noise += wt * sd * sd
	f.count++
	if f.w > memory {
		k := memory / f.w
		for i := range f.a {
			for j := range f.a[i] {
				f.a[i][j] *= k
			}
			f.b[i] *= k
		}
		f.w, f.rest, f.noise = f.w*k, f.rest*k, f.noise*k
	}
	f.solve()
}

// solve works the normal equations out, with priors that keep each term near nothing until it was seen. The constant term
// is a flow of its own and no error of the model: it is bounded, and the others then carry what is left.
func (f *fit) solve() {
	f.eliminate(0)
	if flow := max(baseLow, min(baseHigh, f.now[0])); flow != f.now[0] {
		f.now[0] = flow
		f.eliminate(1)
	}
	f.now[1] = max(-mostWrong, min(mostWrong, f.now[1]))
	f.now[2] = max(-mostBusy, min(mostBusy, f.now[2]))
}

// What the model may have wrong: more is a leak that was there from the beginning.
const (
	mostWrong = 0.6           // of the correction for cooling
	mostBusy  = 8.0 * litreMn // with a compressor that never rests
)

// eliminate solves for the terms from the first-th on; those before are given.
func (f *fit) eliminate(first int) {
	prior := [terms]float64{0.5 * litreMn, 0.3, 3 * litreMn}
	var m [terms][terms + 1]float64
	for i := first; i < terms; i++ {
		for j := range terms {
			m[i][j] = f.a[min(i, j)][max(i, j)]
		}
		m[i][i] += firstSpread * firstSpread / (prior[i] * prior[i])
		m[i][terms] = f.b[i]
		for j := range first {
			m[i][terms] -= m[i][j] * f.now[j]
		}
	}
	for i := first; i < terms; i++ { // positive definite, so no pivot is needed
		for k := i + 1; k < terms; k++ {
			q := m[k][i] / m[i][i]
			for j := i; j <= terms; j++ {
				m[k][j] -= q * m[i][j]
			}
		}
	}
	for i := terms - 1; i >= first; i-- {
		v := m[i][terms]
		for j := i + 1; j < terms; j++ {
			v -= m[i][j] * f.now[j]
		}
		f.now[i] = v / m[i][i]
	}
}

// chooser picks the observer that scatters least.
type chooser struct {
	of   [observers]fit
	best int
}

const middling = 2*hotCount + 2 // tau 38 s, 0.37

func (c *chooser) init() { c.best = middling }

// take lets all observers learn from a piece, and picks.
func (c *chooser) take(d *decay, bleed, memory float64) {
	for j := range c.of {
		c.of[j].add(d.flow[j]-bleed, d.heat[j], d.busy, d.sd, memory)
	}
	if n := c.of[0].count; n < enoughPieces || n%50 != 0 {
		return
	}
	least := c.best
	for j := range c.of {
		if c.of[j].rest < c.of[least].rest {
			least = j
		}
	}
	// Only a clear winner is worth a change of the baseline.
	if c.of[least].rest < 0.97*c.of[c.best].rest {
		c.best = least
	}
}

const enoughPieces = 100
