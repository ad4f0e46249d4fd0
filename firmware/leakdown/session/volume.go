// SPDX-License-Identifier: Apache-2.0

package session

import (
	"math"
	"slices"
	"sort"
	"time"

	"airhold/firmware/leakdown"
	"airhold/firmware/readings"
)

// volume is one closed volume that is watched: the tank or a rank.
type volume struct {
	name, where string
	rank        int // index of Options.Ranks; -1: the tank
	ch          readings.Channel

	now    float64 // Pa gauge, last good reading
	goodAt time.Duration
	good   bool
	supply time.Duration // since when its supply is bad; negative: it is not

	block   []float64 // of the second under way
	from    time.Duration
	means   []float64 // of the last seconds, newest last
	ends    []time.Duration
	rough   float64 // mean square of the samples' second differences
	tail    [2]float64
	tails   int
	moved   time.Duration // when it last moved as no cooling and no leak moves it
	hasMove bool
	rose    time.Duration // when air last came in
	hasRise bool

	kept  []leakdown.Sample // since it last moved, while a test is under way
	test  *leakdown.Test
	since time.Duration // when the watched air was shut in
}

const (
	blockTime = time.Second
	blocks    = 8

	// A pressure that changes its pace by more than this from one second to the next was moved by somebody: cooling
	// and leaks change it slowly. Common practice, no source.
	leastKink = 1e3   // Pa/s
	leastRise = 0.6e3 // Pa in three seconds: more than the sun or a passing valve gives a tank
	fastRank  = 3e3   // Pa/s: a rank that rises so fast is being filled, one that falls so when it should be empty is still being vented

	keepBefore = 15 * time.Second
	keepMost   = 20 * time.Minute
)

// clear forgets what was kept of an earlier test.
func (v *volume) clear() { v.kept, v.test = nil, nil }

// read takes a sample; keep says that a test is under way.
func (v *volume) read(x leakdown.Sample, q readings.Quality, keep bool) {
	if q != readings.BadSupply {
		v.supply = -1
	} else if v.supply < 0 {
		v.supply = x.At
	}
	if v.test != nil {
		v.test.Add(x)
	}
	if keep {
		v.kept = append(v.kept, x)
		if n := len(v.kept); n > 0 && x.At-v.kept[0].At > keepMost {
			v.drop(x.At - keepMost + time.Minute)
		}
	}
	if x.Bad || math.IsNaN(x.Pressure) || math.IsInf(x.Pressure, 0) {
		return
	}
	if v.good && x.At-v.goodAt > 3*time.Second {
		v.means, v.ends, v.block = v.means[:0], v.ends[:0], v.block[:0]
		v.from = x.At
	}
	if !v.good {
		v.from = x.At
	}
	v.now, v.goodAt, v.good = x.Pressure, x.At, true
	if v.tails > 1 {
		d := v.tail[0] - 2*v.tail[1] + x.Pressure
		v.rough += (math.Min(d*d, 25*v.rough+1e6) - v.rough) / 100
	}
	v.tail[0], v.tail[1] = v.tail[1], x.Pressure
	v.tails++
	if x.At-v.from >= blockTime {
		v.end(x.At)
	}
	v.block = append(v.block, x.Pressure)
}

// end ends a second and looks whether the pressure was moved.
func (v *volume) end(at time.Duration) {
	n := len(v.block)
	if n == 0 {
		v.from = at
		return
	}
	slices.Sort(v.block)
	mid := (v.block[(n-1)/2] + v.block[n/2]) / 2
	v.block, v.from = v.block[:0], at
	if len(v.means) == blocks {
		copy(v.means, v.means[1:])
		copy(v.ends, v.ends[1:])
		v.means, v.ends = v.means[:blocks-1], v.ends[:blocks-1]
	}
	v.means, v.ends = append(v.means, mid), append(v.ends, at)
	k := len(v.means) - 1
	if k < 3 {
		return
	}
	// Of a second difference of samples the noise has sqrt(6), of a median of n about 1.25/sqrt(n).
	noise := math.Sqrt(v.rough/6) * 1.25 / math.Sqrt(float64(n))
	before, after := v.means[k-2]-v.means[k-3], v.means[k]-v.means[k-1]
	if math.Abs(after-before) > math.Max(leastKink, 12*noise)+0.3*math.Abs(before) {
		v.move(at)
	}
	if v.rank >= 0 && v.test == nil && after > math.Max(fastRank, 12*noise) {
		v.move(at)
	}
	if rise := v.means[k] - v.means[k-3]; rise > math.Max(leastRise, 7*noise) && v.means[k] > v.means[k-1] {
		v.rose, v.hasRise = at, true
		if v.rank < 0 {
			v.move(at)
		}
	}
}

func (v *volume) move(at time.Duration) {
	v.moved, v.hasMove = at, true
	if v.test == nil {
		v.drop(at - keepBefore)
	}
}

// drop forgets kept samples from before a time.
func (v *volume) drop(before time.Duration) {
	i := sort.Search(len(v.kept), func(i int) bool { return v.kept[i].At >= before })
	if i > 0 {
		v.kept = v.kept[:copy(v.kept, v.kept[i:])]
	}
}

// alive says whether the pressure is seen.
func (v *volume) alive(now time.Duration) bool { return v.good && now-v.goodAt <= freshFor }

// rises says whether air is coming in.
func (v *volume) rises() bool { return v.hasRise && v.rose == v.lastEnd() }

// falling is how fast the pressure falls, Pa/s over the last two seconds.
func (v *volume) falling() float64 {
	k := len(v.means) - 1
	if k < 2 {
		return 0
	}
	return (v.means[k-2] - v.means[k]) / 2
}

func (v *volume) lastEnd() time.Duration {
	if len(v.ends) == 0 {
		return -1
	}
	return v.ends[len(v.ends)-1]
}

// stillFor is how long nothing moved the pressure, and whether it was ever seen to move.
func (v *volume) stillFor(now time.Duration) (d time.Duration, known bool) {
	if !v.hasMove {
		return now, false
	}
	return now - v.moved, true
}

// shutIn finds in what was kept the moment at which the air was shut in: the last sharp bend of the pressure before it
// stood still. Without one, the first sample.
func (v *volume) shutIn() time.Duration {
	if len(v.kept) == 0 {
		return v.goodAt
	}
	if !v.hasMove || v.kept[0].At > v.moved {
		return v.kept[0].At
	}
	const (
		half    = 1600 * time.Millisecond // on either side
		quarter = half / 2
		step    = 100 * time.Millisecond
	)
	from, to := max(v.kept[0].At+half, v.moved-keepBefore), v.moved+2*time.Second
	best, most := min(v.moved, v.goodAt), 0.0
	for t := to; t >= from; t -= step {
		angle, sure := v.bend(t, quarter)
		switch {
		case most == 0 && angle > sure, most > 0 && angle > most:
			best, most = t, angle
		case most > 0 && best-t > half: // over the last peak: of several valves the last one to close counts
			return best
		}
	}
	return best
}

// bend is how much the pressure changes its pace around a time, Pa over a quarter, and how much would be none of the
// noise.
func (v *volume) bend(t, quarter time.Duration) (angle, sure float64) {
	var m [4]float64
	least := math.MaxInt
	for i := range m {
		from := t + time.Duration(i-2)*quarter
		mean, n := v.mean(from, from+quarter)
		m[i], least = mean, min(least, n)
	}
	if least == 0 {
		return 0, 1
	}
	noise := math.Sqrt(v.rough/6) * 2 / math.Sqrt(float64(least))
	return math.Abs((m[3] - m[2]) - (m[1] - m[0])), math.Max(leastKink*quarter.Seconds(), 5*noise)
}

// mean is the mean of the good samples kept of a stretch of time, and how many they are.
func (v *volume) mean(from, to time.Duration) (mean float64, n int) {
	i := sort.Search(len(v.kept), func(i int) bool { return v.kept[i].At >= from })
	sum := 0.0
	for ; i < len(v.kept) && v.kept[i].At < to; i++ {
		if !v.kept[i].Bad {
			sum += v.kept[i].Pressure
			n++
		}
	}
	return sum / float64(max(n, 1)), n
}
