// SPDX-License-Identifier: Apache-2.0

package water

import (
	"math"
	"time"

	"airhold/firmware/findings"
)

// night follows the temperature of the air around (else of the wall) and says how cold the tank will get until morning.
//
// The air cools with the square root of the time since the evening's fall began (Brunt, 1939: radiation from ground that
// conducts; from memory), so the rate and the age of the fall tell the rest of it. Neither knows of clouds and fronts to
// come, so the forecast is halfway between that and a usual fall; on a flat trend it is the usual fall. Dew stops the cooling
// near the dew point of the air around (a forecaster's rule, from memory). A tank that stands gets as cold as the air; a
// clear sky may take its wall a little lower.
type night struct {
	ring   [150]point // means of ten minutes: a day
	n      int
	open   mean
	from   time.Duration
	byWall bool

	now      float64 // K, the newest
	forecast forecast
	known    bool
	evening  bool // it cools, and is cooler than it was
	parked   bool
	stoodAt  time.Duration // since when nothing drives
	stood    bool
}

type point struct {
	at time.Duration
	v  float64
}

// forecast is the lowest temperature that is expected until morning, K, with an interval of about 95 %.
type forecast struct {
	lowest, low, high float64
}

const (
	pointLength  = 10 * time.Minute
	nightLength  = 11.0 // h from shutdown to dawn; 8 to 14 in the planting seasons
	dayBack      = 12 * time.Hour
	trendOver    = 6 // points: an hour
	flat         = 0.3
	usualFall    = 8.0 // K from the afternoon to dawn in spring and autumn; common practice, no source
	usualOff     = 6.0 // K, 95 %
	greatFall    = 15.0
	eveningBelow = 2.0 // K under the day's highest
	dewBelow     = 1.0 // K under the evening's dew point
	dewLow       = 8.0 // other air may come in the night
	skyBelow     = 2.0 // K that a wall under a clear sky is colder than the air
	morningOver  = 3 * time.Hour

	freezeBelow = 275.15 // K, +2 degC
	wetEnough   = 0.05e-3
	dewMargin   = 3.0 // K
)

// add takes the temperature of a slot.
func (n *night) add(at time.Duration, w *Water) {
	var v float64
	byWall := false
	switch {
	case w.ambient.alive(at):
		v = w.ambient.value
	case w.wall.alive(at):
		v, byWall = w.wall.value, true
	default:
		n.known = false
		return
	}
	if byWall != n.byWall {
		n.n, n.open, n.byWall = 0, mean{}, byWall
	}
	if n.open.n == 0 {
		n.from = at
	}
	n.now = v
	n.open.add(v)
	if at-n.from >= pointLength {
		m, _ := n.open.value()
		n.ring[n.n%len(n.ring)] = point{at: at - (at-n.from)/2, v: m}
		n.n++
		n.open = mean{}
	}
	n.forecast, n.known = n.tell(at, w.source.dewPoint)
}

// tell forecasts from now; false where it is too early in the day to tell.
func (n *night) tell(at time.Duration, dewPoint float64) (forecast, bool) {
	top, topAt, first := n.now, at, at
	for i := max(0, n.n-len(n.ring)); i < n.n; i++ {
		p := n.ring[i%len(n.ring)]
		if at-p.at > dayBack {
			continue
		}
		first = min(first, p.at)
		if p.v >= top {
			top = p.v
		}
	}
	for i := max(0, n.n-len(n.ring)); i < n.n; i++ { // since when it is more than 1 K below its highest
		if p := n.ring[i%len(n.ring)]; at-p.at <= dayBack && p.v >= top-1 {
			topAt = p.at
		}
	}
	rate, seen := n.rate()
	n.evening = seen && rate < -flat && n.now <= top-eveningBelow
	fall := usualFall
	switch {
	case !seen: // nothing is known of the day
	case rate > flat && at-first < morningOver:
		return forecast{}, false // a morning that warms up says nothing of tonight
	case rate < -flat:
		since := math.Min(4, math.Max(0.5, (at-topAt).Hours()))
		k := -2 * rate * math.Sqrt(since)
		fall = (usualFall + math.Min(greatFall, k*(math.Sqrt(since+nightLength)-math.Sqrt(since)))) / 2
	}
	f := forecast{lowest: n.now - fall, low: n.now - fall - usualOff, high: math.Min(n.now, n.now-fall+usualOff)}
	if dewPoint > 0 {
		f.lowest = math.Max(f.lowest, math.Min(dewPoint-dewBelow, n.now))
		f.low = math.Max(f.low, math.Min(dewPoint-dewLow, n.now-1))
		f.high = math.Max(f.high, f.lowest)
	}
	if !n.byWall {
		f.low -= skyBelow
	}
	return f, true
}

// rate is the least-squares slope over the last hour, K/h.
func (n *night) rate() (float64, bool) {
	k := min(n.n, trendOver)
	if k < trendOver/2 {
		return 0, false
	}
	var st, sv, stt, stv float64
	last := n.ring[(n.n-1)%len(n.ring)].at
	for i := n.n - k; i < n.n; i++ {
		p := n.ring[i%len(n.ring)]
		t := (p.at - last).Hours()
		st += t
		sv += p.v
		stt += t * t
		stv += t * p.v
	}
	c := float64(k)
	den := c*stt - st*st
	if den <= 0 {
		return 0, false
	}
	return (c*stv - st*sv) / den, true
}

// park follows whether the machine was left: ignition off, or no drive for ten minutes; where neither is declared, an evening
// that cools is taken for it. A signal that went silent leaves things as they were: so does a box whose machine is off.
func (w *Water) park(at time.Duration) {
	n := &w.night
	moves := w.drive.alive(at) && math.Abs(w.drive.value) > turning
	switch {
	case w.ign.alive(at):
		n.parked = w.ign.value <= 0.5
		n.stood = false
	case moves:
		n.stood, n.parked = false, false
	case w.drive.alive(at) && !n.stood:
		n.stood, n.stoodAt = true, at
	case w.drive.alive(at):
		n.parked = at-n.stoodAt >= parkedAfter
	case !w.ign.declared() && !w.drive.declared():
		n.parked = n.known && n.evening
	}
}

// Risk is what the coming night may do to the water.
type Risk uint8

// The risks.
const (
	RiskUnknown Risk = iota
	NoRisk
	RiskTonight // it is wet, the machine is left, and the night is expected to freeze it
	RiskNow     // it is wet and the tank is that cold already
)

// String returns the word used on screens.
func (r Risk) String() string {
	switch r {
	case NoRisk:
		return "none"
	case RiskTonight:
		return "tonight"
	case RiskNow:
		return "now"
	case RiskUnknown:
		return "not known"
	default:
		return "not known"
	}
}

// Freeze is what is known of the risk that water freezes in tank and lines.
type Freeze struct {
	Risk   Risk
	Lowest findings.Measure // of the tank's wall until morning, as expected; zero where it cannot be told
	Wet    bool             // there is enough water, or its dew point is near
	Words  string
	Icing  string // of the exhausts, while the machine works; empty: nothing to say
}
