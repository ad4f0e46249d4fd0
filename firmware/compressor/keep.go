// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"encoding/json"
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// The names of what the compressor learns and counts.
const (
	LearnedCutIn    = "cut-in"
	LearnedCutOut   = "cut-out"
	LearnedRunHours = "run-hours"
	LearnedBaseline = "delivery-baseline"
)

// kept is what Save writes: plain numbers, SI.
type kept struct {
	Version  int       `json:"version"`
	CutIn    []float64 `json:"cut_in,omitempty"`  // Pa gauge, oldest first
	CutOut   []float64 `json:"cut_out,omitempty"` // Pa gauge, oldest first
	RunTime  float64   `json:"run_time"`          // s
	Starts   int64     `json:"starts"`
	Lift     float64   `json:"lift,omitempty"` // Pa/s
	Baseline *baseline `json:"baseline,omitempty"`
}

const keptVersion = 1

// restore takes what an earlier Save wrote. Bytes that are none of ours, or hold what cannot be, are as good as none.
func (c *Compressor) restore(saved []byte) {
	var k kept
	if len(saved) == 0 || json.Unmarshal(saved, &k) != nil || k.Version != keptVersion {
		return
	}
	if !(k.RunTime >= 0) || k.RunTime > 1e10 || k.Starts < 0 {
		return
	}
	c.earlier.run = time.Duration(k.RunTime * float64(time.Second))
	c.earlier.starts = k.Starts
	c.learnt.in.restore(k.CutIn)
	c.learnt.out.restore(k.CutOut)
	f := &c.fine
	for _, v := range c.learnt.in.list() {
		f.in.see(0, v, overnight, switchWalk())
	}
	for _, v := range c.learnt.out.list() {
		f.out.see(0, v, overnight, switchWalk())
	}
	if k.Lift > 0 && k.Lift < 1e6 {
		f.lift.see(k.Lift)
	}
	if k.Baseline != nil && k.Baseline.sane() {
		c.trend.base = *k.Baseline
	}
}

const overnight = 5e3 // Pa, sd: a switch may stand elsewhere in the morning

// earlier is what was counted before this start.
type earlier struct {
	run    time.Duration
	starts int64
}

// Save returns what must outlive a power cut, nil before anything was learned or counted. Equal knowledge gives equal
// bytes.
func (c *Compressor) Save() []byte {
	k := kept{
		Version: keptVersion, CutIn: c.learnt.in.list(), CutOut: c.learnt.out.list(),
		RunTime: c.RunTime().Seconds(), Starts: c.Starts(), Lift: c.fine.lift.mid,
	}
	if c.trend.base.N > 0 {
		k.Baseline = &c.trend.base
	}
	if k.RunTime == 0 && k.Starts == 0 && k.CutIn == nil && k.CutOut == nil && k.Baseline == nil && k.Lift == 0 {
		return nil
	}
	b, err := json.Marshal(k)
	if err != nil { // a number that is none: there is none
		return nil
	}
	return b
}

// RunTime returns how long the compressor has delivered in all, over power cuts. Of a compressor that neither starts nor
// unloads it is how long its drive turned, where that is seen.
func (c *Compressor) RunTime() time.Duration { return c.earlier.run + c.ledger.total() + c.turned }

// Starts returns how often the compressor was seen to start in all, over power cuts.
func (c *Compressor) Starts() int64 { return c.earlier.starts + int64(c.ledger.starts) }

// Learned lists what is learned and counted.
func (c *Compressor) Learned() []findings.Learned {
	hours := units.Unit{Code: "h", Dim: units.None, Factor: 3600}
	out := make([]findings.Learned, 0, 4)
	point := func(name, words string, m *median) {
		l := findings.Learned{Name: name, Words: words, Text: m.words()}
		if v, ok := m.value(); ok {
			l.Value = findings.Measure{SI: v, Unit: c.unit.pressure, Reference: units.Gauge}
		}
		out = append(out, l)
	}
	if c.switches() {
		point(LearnedCutIn, "cut-in of the compressor", &c.learnt.in)
		point(LearnedCutOut, "cut-out of the compressor", &c.learnt.out)
	}
	out = append(out, findings.Learned{
		Name: LearnedRunHours, Words: "run time of the compressor in all",
		Value: findings.Measure{SI: c.RunTime().Seconds(), Unit: hours}, Text: startsWords(c.Starts()),
	}, c.trend.learned())
	return out
}

// Forget drops one thing that was learned; false where nothing has that name.
func (c *Compressor) Forget(name string) bool {
	switch name {
	case LearnedCutIn:
		c.learnt.in.forget()
		c.fine.in = gauge{}
	case LearnedCutOut:
		c.learnt.out.forget()
		c.fine.out = gauge{}
		c.drowse(c.now)
		c.fine.active = false
	case LearnedRunHours:
		c.earlier.run, c.earlier.starts = -c.ledger.total()-c.turned, -int64(c.ledger.starts)
	case LearnedBaseline:
		c.trend.forget()
	default:
		return false
	}
	return true
}

// switches says whether the compressor starts and stops, or loads and unloads, at two pressures.
func (c *Compressor) switches() bool { return c.o.Control == Switch || c.o.Control == Unloader }

const (
	learningTime  = 40 * time.Minute // before the first start nobody knows better; common practice, no source
	learningLeast = time.Minute
)

// LearningLeft returns how long it is still expected to take until cut-in and cut-out are learned, and whether they are
// being learned at all: the answer to "learning the compressor: 40 minutes to go". It is an estimate: the runs that are
// still wanted, at the pace of those that were seen.
func (c *Compressor) LearningLeft() (time.Duration, bool) {
	want := max(c.learnt.in.wants(), c.learnt.out.wants())
	if !c.switches() || want == 0 {
		return 0, false
	}
	if c.tank.ch < 0 {
		return 0, false
	}
	seen := min(c.learnt.in.n, c.learnt.out.n)
	if seen == 0 {
		return max(learningTime-c.covered, 10*learningLeast).Round(time.Minute), true
	}
	left := time.Duration(want) * (c.covered / time.Duration(seen))
	return min(max(left, learningLeast), learningTime).Round(time.Minute), true
}

// list returns the values, oldest first.
func (m *median) list() []float64 {
	k := min(m.n, len(m.ring))
	if k == 0 {
		return nil
	}
	out := make([]float64, k)
	for i := range out {
		out[i] = m.ring[(m.n-k+i)%len(m.ring)]
	}
	return out
}

// restore takes values that list returned, as far as a pressure can have them.
func (m *median) restore(values []float64) {
	for _, v := range values {
		if v > 0 && v < 1e8 && !math.IsInf(v, 0) {
			m.learn(v)
		}
	}
}

func (m *median) forget() { *m = median{prior: m.prior} }

// wants is how many values are missing until the median stands.
func (m *median) wants() int {
	switch {
	case m.n < enough:
		return enough - m.n
	case m.spread > agree:
		return enough // they do not agree: as many again
	default:
		return 0
	}
}
