// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
)

// How the machine is driven.
const (
	workSpeed  = 2.3  // m/s
	turnSpeed  = 1.42 // m/s, a half circle over two swaths of 12.2 m in about 27 s
	turnRadius = 12.2 // m
	liftTime   = 3.0  // s from fully down to fully up
)

// mode is what the operator is doing.
type mode uint8

const (
	parked mode = iota
	pass        // planting along the field
	turn        // headland: planter raised
	stop        // filling seed, planter raised
)

// drive is the tractor in its field. x is east, y is north, heading clockwise from north.
type drive struct {
	dice *rand.Rand

	mode     mode
	left     float64 // s of the present mode
	toStop   float64 // s until the next stop
	turnSign float64 // 1 to the right, -1 to the left
	turned   float64 // rad, of the present turn

	speed, wander float64 // m/s
	x, y, heading float64
	travelled     float64 // m
	raised        float64 // 0 in the ground, 1 up
	rpm           float64
}

func newDrive(dice *rand.Rand) drive {
	return drive{dice: dice, turnSign: 1, raised: 1}
}

func (d *drive) between(lo, hi float64) float64 { return lo + (hi-lo)*d.dice.Float64() }

// plant begins passes, or parks.
func (d *drive) plant(on bool) {
	if !on {
		d.mode = parked
		return
	}
	if d.mode == parked {
		d.mode, d.left, d.toStop = pass, d.between(200, 320), d.between(40*60, 70*60)
	}
}

// inWork is what the hitch says.
func (d *drive) inWork() bool { return d.raised < 0.5 }

// working is down for good and moving.
func (d *drive) working() bool { return d.raised == 0 && d.speed > 0.5 }

func (d *drive) step(dt float64, engine bool) {
	goal, rpm := 0.0, 0.0
	if engine {
		rpm = 900
		d.follow(dt)
		switch d.mode {
		case pass:
			goal, rpm = workSpeed, 1800
		case turn:
			goal, rpm = turnSpeed, 1500
		default:
		}
	}
	d.wander += -d.wander/8*dt + 0.09*math.Sqrt(2*dt/8)*d.dice.NormFloat64()
	if goal > 0 {
		goal += d.wander
	}
	d.speed += math.Max(-0.8*dt, math.Min(0.6*dt, goal-d.speed))
	d.speed = math.Max(0, d.speed)
	d.rpm += (rpm - d.rpm) * dt / 1.2

	lift := dt / liftTime
	if d.mode == pass && engine {
		d.raised = math.Max(0, d.raised-lift)
	} else if engine {
		d.raised = math.Min(1, d.raised+lift)
	}
	if d.mode == turn {
		d.turned += d.speed / turnRadius * dt
		d.heading += d.turnSign * d.speed / turnRadius * dt
	}
	sin, cos := math.Sincos(d.heading)
	d.x += d.speed * sin * dt
	d.y += d.speed * cos * dt
	d.travelled += d.speed * dt
}

// follow counts the present mode down and goes to the next one.
func (d *drive) follow(dt float64) {
	if d.mode == parked {
		return
	}
	d.left -= dt
	d.toStop -= dt
	switch {
	case d.mode == turn && d.turned >= math.Pi: // the rows run north and south
		d.heading = math.Mod(math.Round(d.heading/math.Pi)*math.Pi+2*math.Pi, 2*math.Pi)
		d.turnSign = -d.turnSign
		d.mode, d.left = pass, d.between(200, 320)
		if d.toStop <= 0 {
			d.mode, d.left, d.toStop = stop, d.between(5*60, 15*60), d.between(40*60, 70*60)
		}
	case d.mode == pass && d.left <= 0:
		d.mode, d.turned = turn, 0
	case d.mode == stop && d.left <= 0:
		d.mode, d.left = pass, d.between(200, 320)
	}
}

// noise is a random value that forgets itself: an Ornstein-Uhlenbeck process of standard deviation one.
type noise float64

func (n *noise) step(dice *rand.Rand, dt, memory float64) float64 {
	keep := math.Exp(-dt / memory)
	*n = noise(float64(*n)*keep + math.Sqrt(1-keep*keep)*dice.NormFloat64())
	return float64(*n)
}

// Rows and loads. Bag area, row weight and soil are invented so that the wanted load needs the usual pressures.
const (
	loadCount  = 5
	wantedLoad = 600.0  // N a row
	loadByBag  = 3.5e-3 // N of gauge-wheel load to a Pa in the bag
	hopRate    = 0.130  // 1/s at working speed: a stone lifts the wheel off
	hopLeast   = 0.15   // s
	hopMost    = 0.31   // s; together a wheel is in the air for 3 % of the time
)

// row is one row with a load sensor.
type row struct {
	rank      int
	soil      noise   // this row's own soil
	soilN     float64 // N
	shake     noise
	hop       float64 // s left in the air
	landing   float64 // N
	load      float64 // N, true
	filtered  float64 // N, behind the board's 20 Hz filter
	work, off float64 // s working, and of these without ground contact
}

// ground is the soil under the planter.
type ground struct {
	dice                 *rand.Rand
	soil, relief, smooth [2]noise
	bare                 [2]float64 // N that the ground takes off a row's load on average, less the row's weight
	terrain              float64    // sd of a rank's bag volume over the ground, as a share
	hang                 float64    // share by which hanging row units lengthen the bags
	rows                 [loadCount]row
	keepShake, newShake  float64
	keepFilter           float64
}

func newGround(dice *rand.Rand, with *Build) ground {
	g := ground{dice: dice, hang: 1, terrain: with.Terrain}
	for k := range g.bare {
		g.bare[k] = loadByBag*with.Ranks[k].Work - wantedLoad
	}
	for i := range g.rows {
		if i >= 3 {
			g.rows[i].rank = 1
		}
	}
	g.keepShake = math.Exp(-tick / 0.08)
	g.newShake = math.Sqrt(1 - g.keepShake*g.keepShake)
	g.keepFilter = math.Exp(-2 * math.Pi * 20 * tick)
	return g
}

// swell returns by what share the bags of a rank are longer or shorter than at rest, because of the ground.
func (g *ground) swell(rank int) float64 {
	return 0.06*g.hang + float64(g.smooth[rank])*g.terrain
}

// slow steps what changes over seconds, by 0.1 s.
func (g *ground) slow(moving bool) {
	const dt = 0.1
	for k := range g.soil {
		if moving {
			g.soil[k].step(g.dice, dt, 45)
			g.relief[k].step(g.dice, dt, 5)
		}
	}
	for i := range g.rows {
		if moving {
			g.rows[i].soil.step(g.dice, dt, 15)
		}
		r := &g.rows[i]
		r.soilN = g.bare[r.rank] + 45*float64(g.soil[r.rank]) + 35*float64(r.soil)
	}
}

// step makes the loads for gauge pressures of the two ranks.
func (g *ground) step(d *drive, gauge [2]float64) {
	down := g.shape(tick, d)
	working := d.working()
	for i := range g.rows {
		g.rows[i].step(g, d.speed/workSpeed, gauge[g.rows[i].rank], down, working)
	}
}

// shape lets the bags follow hitch and ground for dt seconds, and returns how firmly the planter is down, 0 to 1.
func (g *ground) shape(dt float64, d *drive) float64 {
	g.hang += (d.raised - g.hang) * dt / 0.8
	down := math.Max(0, 1-d.raised/0.3)
	if d.speed > 0.1 && down > 0 {
		for k := range g.smooth {
			g.smooth[k] += noise(float64(g.relief[k]-g.smooth[k]) * dt / 0.7)
		}
	}
	return down
}

func (r *row) step(g *ground, pace, gauge, down float64, working bool) {
	const dt = tick
	r.load = 0
	if down > 0 {
		if pace > 0.1 {
			r.shake = noise(g.keepShake*float64(r.shake) + g.newShake*g.dice.NormFloat64())
			r.landing *= 1 - dt/0.08
			if r.hop > 0 {
				r.hop -= dt
				if r.hop <= 0 {
					r.landing = 350
				}
			} else if g.dice.Float64() < hopRate*pace*dt {
				r.hop = hopLeast + (hopMost-hopLeast)*g.dice.Float64()
			}
		} else {
			r.shake, r.hop, r.landing = 0, 0, 0
		}
		if r.hop <= 0 {
			r.load = math.Max(0, down*(loadByBag*gauge-r.soilN+110*pace*float64(r.shake)+r.landing))
		}
	}
	if working {
		r.work += dt
		if r.load == 0 {
			r.off += dt
		}
	}
	r.filtered += (r.load - r.filtered) * (1 - g.keepFilter)
}
