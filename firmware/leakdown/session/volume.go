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
		width = 0.8 // s on either side
		step  = 100 * time.Millisecond
	)
	half := time.Duration(width * float64(time.Second))
	from, to := max(v.kept[0].At+half, v.moved-keepBefore), v.moved+2*time.Second
	type bend struct {
		at    time.Duration
		angle float64
	}
	var bends []bend
	most := 0.0
	for t := from; t <= to; t += step {
		l, okL := v.mean(t-half, t-half/2)
		ml, okML := v.mean(t-half/2, t)
		mr, okMR := v.mean(t, t+half/2)
		r, okR := v.mean(t+half/2, t+half)
		if !okL || !okML || !okMR || !okR {
			continue
		}
		angle := math.Abs((r - mr) - (ml - l))
		bends = append(bends, bend{t, angle})
		most = math.Max(most, angle)
	}
	if most == 0 {
		return min(v.moved, v.goodAt)
	}
	// The last local peak that stands out; of several valves the last one to close counts.
	for i := len(bends) - 1; i >= 0; i-- {
		if bends[i].angle < 0.3*most {
			continue
		}
		for i > 0 && bends[i-1].angle > bends[i].angle {
			i--
		}
		return bends[i].at
	}
	return min(v.moved, v.goodAt)
}

// mean is the mean of the good samples kept of a stretch of time.
func (v *volume) mean(from, to time.Duration) (float64, bool) {
	i := sort.Search(len(v.kept), func(i int) bool { return v.kept[i].At >= from })
	sum, n := 0.0, 0
	for ; i < len(v.kept) && v.kept[i].At < to; i++ {
		if !v.kept[i].Bad {
			sum += v.kept[i].Pressure
			n++
		}
	}
	return sum / float64(max(n, 1)), n > 0
}
