// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"strconv"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// Delivery is how much air the compressor gives while working, against its own baseline. It is a ratio: how much that
// is in litres a minute only a pump-up test tells.
type Delivery struct {
	Ratio     float64       // 1: as at the baseline
	Low, High float64       // 95 % interval of Ratio
	Since     time.Duration // boot time since which Ratio stands: the begin of the last hour's runs
	Runs      int           // runs behind it
	From, To  float64       // Pa gauge: the pressures between which it was measured
}

// baseline is the machine's own delivery as learned.
type baseline struct {
	Rate  float64 `json:"rate"`  // Pa/s in the window, mean of the logarithm
	Sd    float64 `json:"sd"`    // of the logarithm, one run
	Speed float64 `json:"speed"` // mean drive speed, 1/s; 0: not seen
	From  float64 `json:"from"`  // window, Pa gauge
	To    float64 `json:"to"`
	N     int     `json:"n"` // runs
}

func (b baseline) sane() bool {
	ok := true
	for _, v := range []float64{b.Rate, b.Sd, b.Speed, b.From, b.To} {
		ok = ok && v >= 0 && v < 1e9 && !math.IsNaN(v)
	}
	return ok && b.Rate > 0 && b.To > b.From && b.N > 0
}

// trend follows the delivery.
type trend struct {
	base baseline
}

func (t *trend) forget() { *t = trend{} }

func (t *trend) learned() findings.Learned {
	l := findings.Learned{Name: LearnedBaseline, Words: "delivery of the compressor, as a rise of the tank's pressure"}
	if t.base.N == 0 {
		l.Text = "not learned yet"
		return l
	}
	l.Value = findings.Measure{SI: t.base.Rate, Unit: units.Unit{Code: "kPa/min", Dim: units.None, Factor: 1000.0 / 60}}
	l.Text = "from " + strconv.Itoa(t.base.N) + " runs"
	return l
}

// Delivery returns the delivery while working as a ratio to the machine's own baseline; false before both are known.
func (c *Compressor) Delivery() (d Delivery, ok bool) { return Delivery{}, false }

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
