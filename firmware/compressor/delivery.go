// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"slices"
	"strconv"
	"time"

	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/sensors/units"
)

// Delivery is how much air the compressor gives while working, against its own baseline. It is a ratio of free air
// delivery at intake conditions: how much that is in litres a minute only a pump-up test tells.
//
// It is measured where a run ends. There the slope of the tank's pressure drops by what the compressor gave at its
// cut-out, whatever bags and leaks take besides and however warm the gas is, so that every run is measured at the same
// pressure. Runs that end while a bag begins or ceases to take air are left out. The drop is divided by the barometer's
// pressure, where there is one: mass delivered goes with the density of the intake air, free air delivery does not, and
// a correction of free air delivery for altitude would count it twice. The intake's temperature cancels, because the
// tank's wall follows it: what that leaves is a few per cent between a cold and a hot compressor. A drive's speed is
// taken into account as far as the baseline's own runs show that it matters: an engine's need not.
type Delivery struct {
	Ratio     float64       // 1: as at the baseline
	Low, High float64       // 95 % interval of Ratio
	Since     time.Duration // boot time since when Ratio holds: an hour ago, or the change that was found since
	Changed   bool          // a lasting change for the worse was found, at Since
	Runs      int           // runs behind Ratio
	At        float64       // Pa gauge: the cut-out, at which it is measured
}

// baseline is the machine's own delivery as learned: mean and scatter of the logarithm of the drop over the intake's
// pressure, and how it goes with the logarithm of the drive's speed.
type baseline struct {
	N     int     `json:"n"`     // runs
	Mean  float64 `json:"mean"`  // of the logarithm, drop in 1/s
	Abs   float64 `json:"abs"`   // mean distance from it
	At    float64 `json:"at"`    // mean cut-out, Pa gauge
	Turns int     `json:"turns"` // runs with a drive's speed
	Speed float64 `json:"speed"` // mean of the logarithm of 1/s
	Var   float64 `json:"var"`   // sums of squared distances, and products
	Cov   float64 `json:"cov"`
}

func (b *baseline) sane() bool {
	for _, v := range []float64{b.Mean, b.Abs, b.At, b.Speed, b.Var, b.Cov} {
		if math.IsNaN(v) || math.Abs(v) > 1e9 {
			return false
		}
	}
	return b.N > 0 && b.N <= baseMost && b.Turns >= 0 && b.Turns <= b.N && b.Abs >= 0 && b.Var >= 0
}

// sd is the scatter of one run, never below what a compressor's pace wanders.
func (b *baseline) sd() float64 {
	if b.N < 2 {
		return runScatter
	}
	return max(leastScatter, 1.2533*b.Abs) // of a normal distribution; less led astray by single runs than squares
}

// slope is by what power the drop goes with the speed, 0 to 1, as far as the runs show.
func (b *baseline) slope() float64 {
	return min(max(b.Cov/(b.Var+spreadPrior), 0), 1)
}

const (
	baseRuns     = 30  // runs that make the baseline
	baseMost     = 120 // runs that go on to sharpen it while nothing seems to change
	baseFew      = 5   // runs from which a run that does not fit is left out
	baseOdd      = 0.25
	runScatter   = 0.05 // of one run, before it is known; common practice, no source
	leastScatter = 0.03
	spreadPrior  = 0.05 // sum of squares of the speed's logarithm below which nothing is believed about it
	trendSpan    = time.Hour
	changeSpan   = 3 * time.Hour // the same since a change was found
	trendLeast   = 3             // runs that a ratio takes
	cusumSlack   = 1.5           // scatters by which a run may lie below without counting
	cusumLimit   = 5.0           // scatters, summed, that are a change
	mostOff      = 4.0           // a single run counts no more than that many scatters
)

// trend follows the delivery: a list of the last runs and a one-sided cumulative sum (Page; from memory).
type trend struct {
	base    baseline
	ring    [64]drop
	n       int
	sum     float64
	zero    time.Duration // since when sum is not zero
	changed bool
	since   time.Duration // of the change

	known Delivery // as of the time and the runs then
	ok    bool
	asOf  time.Duration
	upTo  int
}

// drop is one run's, as a logarithm against the baseline.
type drop struct {
	at    time.Duration
	ratio float64
}

func (t *trend) forget() { *t = trend{} }

// see takes the slope's drop at a clean stop, Pa/s, at a pressure, with the intake's pressure and the drive's speed; 0
// where these are not known.
func (t *trend) see(at time.Duration, slope, pressure, intake, speed float64) {
	if intake <= 0 {
		intake = 101325
	}
	v := math.Log(slope / intake)
	b := &t.base
	if b.N < baseRuns {
		b.learn(v, pressure, speed)
		return
	}
	ratio := v - b.Mean
	if speed > 0 && b.Turns > 0 {
		ratio -= b.slope() * (math.Log(speed) - b.Speed)
	}
	if b.N < baseMost && t.sum == 0 {
		b.learn(v, pressure, speed)
	}
	t.ring[t.n%len(t.ring)] = drop{at, ratio}
	t.n++
	z := min(max(-ratio/b.sd(), -mostOff), mostOff) - cusumSlack
	if t.sum == 0 {
		t.zero = at
	}
	t.sum = max(0, t.sum+z)
	switch {
	case t.sum > cusumLimit:
		if !t.changed {
			t.changed, t.since = true, t.zero
		}
		t.sum = cusumLimit
	case t.sum == 0:
		t.changed = false
	}
}

// learn takes a run's logarithm into the baseline.
func (b *baseline) learn(v, pressure, speed float64) {
	d := v - b.Mean
	if b.N >= baseFew && math.Abs(d) > baseOdd {
		return
	}
	b.N++
	b.Mean += d / float64(b.N)
	if b.N > 1 {
		b.Abs += (math.Abs(d) - b.Abs) / float64(b.N-1)
	}
	b.At += (pressure - b.At) / float64(b.N)
	if speed > 0 {
		b.Turns++
		ds := math.Log(speed) - b.Speed
		b.Speed += ds / float64(b.Turns)
		b.Var += ds * (math.Log(speed) - b.Speed)
		b.Cov += ds * (v - b.Mean)
	}
}

// recent returns the mean of the middle half of the last runs' ratios and its interval.
func (t *trend) recent(now time.Duration) (Delivery, bool) {
	from := now - trendSpan
	if t.changed {
		from = max(now-changeSpan, t.since)
	}
	var r [64]float64
	k := 0
	d := Delivery{Since: max(0, from), Changed: t.changed, At: t.base.At}
	if t.changed {
		d.Since = t.since
	}
	for i := t.n - 1; i >= max(0, t.n-len(t.ring)) && t.ring[i%len(t.ring)].at >= from; i-- {
		r[k] = t.ring[i%len(t.ring)].ratio
		k++
	}
	if t.base.N < baseRuns || k < trendLeast {
		return Delivery{}, false
	}
	slices.Sort(r[:k])
	mid, m := 0.0, 0
	for _, v := range r[k/4 : k-k/4] {
		mid += v
		m++
	}
	mid /= float64(m)
	n := float64(k)
	// The mean of the middle half scatters 1.1 times as much as the mean of all, if these are normal; the runs' own
	// scatter may have grown.
	scatter := max(t.base.sd(), (r[3*k/4]-r[k/4])/1.35)
	u := 1.96 * math.Hypot(1.1*scatter/math.Sqrt(n), t.base.sd()/math.Sqrt(float64(t.base.N)))
	d.Ratio, d.Low, d.High, d.Runs = math.Exp(mid), math.Exp(mid-u), math.Exp(mid+u), k
	return d, true
}

func (t *trend) learned() findings.Learned {
	l := findings.Learned{Name: LearnedBaseline, Words: "rise of the tank's pressure that the compressor makes at its cut-out"}
	switch {
	case t.base.N == 0:
		l.Text = "not learned yet"
		return l
	case t.base.N < baseRuns:
		l.Text = "learning: " + strconv.Itoa(t.base.N) + " of " + strconv.Itoa(baseRuns) + " runs"
	default:
		l.Text = "from " + strconv.Itoa(t.base.N) + " runs"
	}
	l.Value = findings.Measure{SI: 101325 * math.Exp(t.base.Mean), Unit: units.Unit{Code: "kPa/min", Dim: units.None, Factor: 1000.0 / 60}}
	return l
}

// Delivery returns the delivery while working as a ratio to the machine's own baseline; false before both are known.
// The baseline is that of the first runs, 30 to 120.
func (c *Compressor) Delivery() (d Delivery, ok bool) {
	t := &c.trend
	if t.upTo != t.n || c.now-t.asOf >= time.Minute || c.now < t.asOf {
		t.known, t.ok = t.recent(c.now)
		t.upTo, t.asOf = t.n, c.now
	}
	return t.known, t.ok
}

// weigh takes what a run that stopped at a time and pressure gave, as a rise of the pressure, Pa/s.
func (c *Compressor) weigh(at time.Duration, pressure, gave float64) {
	if gave <= 0 {
		return
	}
	intake, speed := 0.0, 0.0
	if c.baro.alive(at) {
		intake = c.baro.value
	}
	if c.drive.alive(at) && c.drive.value > turning {
		speed = c.drive.value
	}
	c.trend.see(at, gave, pressure, intake, speed)
}

const lowDelivery = 0.85 // of the baseline: the care list's limit; common practice, no source

func (c *Compressor) reportDelivery(at time.Duration) {
	f := findings.Finding{Key: KeyDelivery, Where: c.o.Name, At: at, Sense: findings.Below}
	f.Limit = findings.Measure{SI: lowDelivery, Unit: c.unit.share}
	d, ok := c.Delivery()
	switch {
	case !c.switches():
		f.Needs = "a compressor that starts and stops, or loads and unloads"
	case c.tank.ch == readings.NoChannel, !c.tank.alive(at):
		f.Needs = c.missing(at)
	case !c.fast():
		f.Needs = NeedsFast
	case c.trend.base.N < baseRuns:
		f.Needs = "a baseline: it is being learned from the first thirty runs"
	case !ok:
		f.Needs = "three runs within an hour that end while no bag takes air"
	}
	if f.Needs != "" {
		f.Sight = findings.Unseen
		c.sink.Find(f)
		return
	}
	f.Value = findings.Measure{SI: d.Ratio, Unit: c.unit.share, Low: d.Low, High: d.High}
	f.Detail = DeliveryAsEver
	if d.High >= lowDelivery && d.Ratio < lowDelivery {
		f.Sense, f.Detail = findings.Flag, DeliveryUnsure // not low with certainty: says nothing yet
	} else if d.High < lowDelivery {
		f.Detail = DeliveryLow
	}
	c.sink.Find(f)
}

// NeedsFast is what a check of single runs needs of the tank's channel.
const NeedsFast = "a tank pressure read at least twice a second"

// Details of the delivery's finding.
const (
	DeliveryAsEver = "by where the runs end"
	DeliveryUnsure = "lower, but not with certainty"
	DeliveryLow    = "lower with 95 % certainty"
)

// words says what a median rests on.
func (m *median) words() string {
	switch {
	case m.n == 0 && m.prior != 0:
		return "as configured"
	case m.n == 0:
		return "not learned yet"
	case m.wants() > 0 && m.spread > agree:
		return "not learned: " + strconv.Itoa(m.n) + " values that do not agree"
	case m.wants() > 0:
		return "learning: " + strconv.Itoa(m.n) + " of " + strconv.Itoa(enough) + " runs"
	default:
		return "from " + strconv.Itoa(min(m.n, len(m.ring))) + " runs"
	}
}

func startsWords(n int64) string {
	if n == 1 {
		return "in 1 start"
	}
	return "in " + strconv.FormatInt(n, 10) + " starts"
}
