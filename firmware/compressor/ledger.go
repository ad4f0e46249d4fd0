// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"slices"
	"time"
)

// span is on-time; excused spans are a charge from an empty tank.
type span struct {
	start, stop time.Duration
	excused     bool
}

// ledger keeps the on-time: the spans of the last runs, and totals.
type ledger struct {
	ring [256]span // an hour of the shortest cycles known, and more; the oldest goes first
	next int

	isOpen    bool
	stillOpen bool
	measured  bool
	began     bool
	excused   bool
	start     time.Duration
	upTo      time.Duration
	from, to  float64

	sum     time.Duration
	longest time.Duration
	runs    int
	starts  int
	dutyMax float64
}

func (l *ledger) open(start, upTo time.Duration, from float64, began bool) {
	l.isOpen, l.start, l.upTo, l.from, l.to = true, start, max(start, upTo), from, math.NaN()
	l.began, l.excused = began, false
	l.runs++
	if !began {
		l.starts++
	}
}

// reopen takes back the last stop.
func (l *ledger) reopen(upTo time.Duration) {
	l.next = (l.next + len(l.ring) - 1) % len(l.ring)
	s := l.ring[l.next]
	l.ring[l.next] = span{}
	l.sum -= s.stop - s.start
	l.isOpen, l.excused = true, s.excused
	l.upTo = max(s.stop, upTo)
}

func (l *ledger) extend(upTo time.Duration) {
	if l.isOpen && upTo > l.upTo {
		l.upTo = upTo
	}
}

func (l *ledger) close(stop time.Duration) (Run, bool) {
	if !l.isOpen {
		return Run{}, false
	}
	l.isOpen = false
	stop = max(stop, l.start)
	d := stop - l.start
	l.sum += d
	l.longest = max(l.longest, d)
	l.ring[l.next] = span{start: l.start, stop: stop, excused: l.excused}
	l.next = (l.next + 1) % len(l.ring)
	return Run{
		Start: l.start, Stop: stop, From: l.from, To: l.to,
		Measured: l.measured, StartUnknown: l.began, Open: l.stillOpen,
	}, true
}

func (l *ledger) openLength() time.Duration {
	if !l.isOpen {
		return 0
	}
	return l.upTo - l.start
}

func (l *ledger) total() time.Duration { return l.sum + l.openLength() }

// duty is the on-time in the window before now, over the window's length. forgive leaves out excused charges.
func (l *ledger) duty(now, window time.Duration, forgive bool) float64 {
	on := time.Duration(0)
	add := func(start, stop time.Duration) {
		if d := min(stop, now) - max(start, now-window); d > 0 {
			on += d
		}
	}
	for i := 1; i <= len(l.ring); i++ { // from the newest back
		s := &l.ring[(l.next+len(l.ring)-i)%len(l.ring)]
		if s.stop <= now-window {
			break
		}
		if !forgive || !s.excused {
			add(s.start, s.stop)
		}
	}
	if l.isOpen && (!forgive || !l.excused) {
		add(l.start, l.upTo)
	}
	return on.Seconds() / window.Seconds()
}

// learnt holds the learned switch points.
type learnt struct{ in, out median }

// switchPoints returns cut-in and cut-out for the state logic; NaN where not known.
func (l *learnt) switchPoints() (in, out float64) {
	in, out = math.NaN(), math.NaN()
	if v, ok := l.in.value(); ok {
		in = v
	}
	if v, ok := l.out.value(); ok {
		out = v
	}
	return in, out
}

// median of the last values; a configured value stands until three were seen, so a plate that is wrong loses.
type median struct {
	prior  float64
	ring   [15]float64
	n      int
	mid    float64
	spread float64 // between the quartiles
	top    float64 // 90 % quantile
}

const (
	enough = 3
	// agree is the widest spread between quartiles that is still a switch: a third of the smallest gap. Stops of
	// something else (a draw-off bigger than the delivery) lie anywhere.
	agree = minGap / 3
)

func (m *median) learn(v float64) {
	m.ring[m.n%len(m.ring)] = v
	m.n++
	k := min(m.n, len(m.ring))
	sorted := m.ring
	slices.Sort(sorted[:k])
	m.mid = sorted[k/2]
	m.top = sorted[(9*(k-1)+5)/10]
	m.spread = sorted[3*k/4] - sorted[k/4]
	if k%2 == 0 {
		m.mid = (sorted[k/2-1] + sorted[k/2]) / 2
	}
}

// value returns the median once enough values agree, else the configured one.
func (m *median) value() (float64, bool) {
	if m.n >= enough && m.spread <= agree {
		return m.mid, true
	}
	return m.prior, m.prior != 0
}

// high returns the 90 % quantile once enough values agree, else NaN.
func (m *median) high() float64 {
	if m.n < enough || m.spread > agree {
		return math.NaN()
	}
	return m.top
}
