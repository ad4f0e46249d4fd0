// SPDX-License-Identifier: Apache-2.0

package supply

import (
	"math"
	"time"

	"airhold/firmware/readings"
)

const (
	silent      = 5 * time.Second  // a channel without a good reading for so long is not alive
	maxInterval = 20 * time.Second // slower than that is no recording but a series of holes
)

// feed is one input: the mean of the last second, and how old and good the newest reading is.
type feed struct {
	ch       readings.Channel
	seen     bool
	at       time.Duration // newest good reading
	interval time.Duration // between good readings
	newest   float64
	mean     float64 // of the second before the last tick, or the newest
	sum      float64
	n        int
	heard    bool
	quality  readings.Quality // of the newest reading, good or not
}

// take takes a reading and says whether it is a good one, newer than all before.
func (f *feed) take(r readings.Reading) bool {
	f.heard, f.quality = true, r.Quality
	if r.Quality != readings.Good || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || (f.seen && r.At <= f.at) {
		return false
	}
	if f.seen {
		d := min(r.At-f.at, maxInterval)
		if f.interval == 0 {
			f.interval = d
		} else {
			f.interval += (d - f.interval) / 8
		}
	} else {
		f.mean = r.Value
	}
	f.seen, f.at, f.newest = true, r.At, r.Value
	f.sum += r.Value
	f.n++
	return true
}

// recent is the last second of a channel, between ticks.
type recent struct {
	ring [32]struct {
		at time.Duration
		v  float64
	}
	n int
}

// mean takes the newest value and returns the mean of those of the last second; of more than the ring holds, of the newest.
func (m *recent) mean(at time.Duration, v float64) float64 {
	m.ring[m.n%len(m.ring)].at, m.ring[m.n%len(m.ring)].v = at, v
	m.n++
	sum, n := 0.0, 0
	for i := m.n - 1; i >= 0 && i >= m.n-len(m.ring); i-- {
		e := &m.ring[i%len(m.ring)]
		if at-e.at >= time.Second {
			break
		}
		sum += e.v
		n++
	}
	return sum / float64(n)
}

// second closes the mean of the last second.
func (f *feed) second() {
	if f.n > 0 {
		f.mean = f.sum / float64(f.n)
		f.sum, f.n = 0, 0
	}
}

func (f *feed) declared() bool { return f.ch != readings.NoChannel }

func (f *feed) alive(at time.Duration) bool {
	if !f.declared() || !f.seen {
		return false
	}
	limit := 2 * maxInterval // before two readings nobody knows how slow the recording is
	if f.interval > 0 {
		limit = max(silent, 3*f.interval)
	}
	return at-f.at <= limit
}

// trace is the last minutes of one channel, one point for each second in which it was read.
type trace struct {
	ring [600]struct {
		at time.Duration
		v  float64
	}
	n    int
	last time.Duration
}

func (t *trace) add(at time.Duration, v float64) {
	if t.n > 0 && at <= t.last {
		return
	}
	e := &t.ring[t.n%len(t.ring)]
	e.at, e.v = at, v
	t.n, t.last = t.n+1, at
}

func (t *trace) forget() { t.n = 0 }

// slope is the least-squares slope over the last span, 1/s; false where less than half of the span was seen.
func (t *trace) slope(now, span time.Duration) (float64, bool) {
	var n, st, sv, stt, stv float64
	oldest, newest := now, time.Duration(0)
	for i := t.n - 1; i >= 0 && i >= t.n-len(t.ring); i-- {
		e := &t.ring[i%len(t.ring)]
		if now-e.at > span {
			break
		}
		oldest, newest = min(oldest, e.at), max(newest, e.at)
		x := (e.at - now).Seconds()
		n++
		st += x
		sv += e.v
		stt += x * x
		stv += x * e.v
	}
	den := n*stt - st*st
	if n < 3 || den <= 0 || newest-oldest < span/2 {
		return 0, false
	}
	return (n*stv - st*sv) / den, true
}

// change returns how the value changed over up to span, and over what time; false where under half was seen.
func (t *trace) change(now, span time.Duration) (float64, time.Duration, bool) {
	if t.n == 0 {
		return 0, 0, false
	}
	last := &t.ring[(t.n-1)%len(t.ring)]
	first := last
	for i := t.n - 1; i >= 0 && i >= t.n-len(t.ring); i-- {
		e := &t.ring[i%len(t.ring)]
		if now-e.at > span {
			break
		}
		first = e
	}
	d := last.at - first.at
	return last.v - first.v, d, d >= span/2
}

// quantile returns the q quantile of the last span; false under a minute of points.
func (t *trace) quantile(now, span time.Duration, q float64) (float64, bool) {
	var s [600]float64
	n := 0
	oldest := now
	for i := t.n - 1; i >= 0 && i >= t.n-len(t.ring); i-- {
		e := &t.ring[i%len(t.ring)]
		if now-e.at > span {
			break
		}
		s[n] = e.v
		oldest = e.at
		n++
	}
	if n < 5 || t.last-oldest < time.Minute-time.Second {
		return 0, false
	}
	return nth(s[:n], int(q*float64(n-1)+0.5)), true
}

// nth returns what would stand at index k if s were sorted, and leaves s in another order (Hoare's selection): a tick
// need not sort ten minutes to know one of them.
func nth(s []float64, k int) float64 {
	for lo, hi := 0, len(s)-1; lo < hi; {
		pivot := s[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for s[i] < pivot {
				i++
			}
			for s[j] > pivot {
				j--
			}
			if i <= j {
				s[i], s[j] = s[j], s[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return s[k]
		}
	}
	return s[k]
}
