// SPDX-License-Identifier: Apache-2.0

package leakwatch

import (
	"encoding/json"
	"math"
	"strconv"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// The names under which what was learned is forgotten.
const (
	baselineName = "leak-baseline"
	idleName     = "leak-key-off-bleed"
	rankPrefix   = "leak-baseline-"
)

// saved is what is kept over a power cut. A form that is not ours is not read.
type saved struct {
	Form     int
	Best     int
	Fits     []savedFit
	Delivery savedMean
	Idle     *savedShare `json:",omitempty"` // of the declared bleed, with the key off; nil: saved by a version that did not learn it
	Ranks    []savedRank
}

const savedForm = 1

type savedFit struct {
	A              [terms][terms]float64
	B              [terms]float64
	W, Rest, Noise float64
	Count          int
}

type savedMean struct {
	Mean, Spread, Weight float64
	Count                int
}

type savedShare struct{ Share, Variance float64 }

type savedRank struct {
	Name                                        string
	Bias, High, Low, Jump, Drop, Filled, Vented float64
	Worked, Scale2, Scales                      float64
	Creep                                       savedMean
}

func (l *learner) keep() savedMean { return savedMean{l.mean, l.spread, l.weight, l.count} }

func (m savedMean) learner() learner { return learner{m.Mean, m.Spread, m.Weight, m.Count} }

// Save returns what is worth keeping over a power cut; nil before anything was learned.
func (w *Watch) Save() []byte {
	if w.thermo.of[0].count < enoughPieces {
		return nil
	}
	s := saved{Form: savedForm, Best: w.thermo.best, Delivery: w.balance.known.keep()}
	s.Idle = &savedShare{w.idle.share, w.idle.variance}
	for i := range w.thermo.of {
		f := &w.thermo.of[i]
		s.Fits = append(s.Fits, savedFit{f.a, f.b, f.w, f.rest, f.noise, f.count})
	}
	for i := range w.ranks {
		r := &w.ranks[i]
		s.Ranks = append(s.Ranks, savedRank{
			r.Name, r.bias, r.top, r.bottom, r.jump, r.drop, r.filledM, r.ventedN, r.worked, r.scale2, r.scales, r.creep.keep(),
		})
	}
	out, err := json.Marshal(s)
	if err != nil {
		return nil // a number that is no number: better learned anew
	}
	return out
}

// restore takes what Save gave. What is not ours, or of another machine's ranks, is left out.
func (w *Watch) restore(data []byte) {
	var s saved
	if len(data) == 0 || json.Unmarshal(data, &s) != nil || s.Form != savedForm || len(s.Fits) != observers || s.Best < 0 || s.Best >= observers {
		return
	}
	w.thermo.best = s.Best
	for i, f := range s.Fits {
		w.thermo.of[i] = fit{a: f.A, b: f.B, w: f.W, rest: f.Rest, noise: f.Noise, count: f.Count}
		w.thermo.of[i].solve()
	}
	w.balance.known = s.Delivery.learner()
	if w.balance.known.count >= enoughRuns {
		w.balance.delivery = w.balance.known.mean
	}
	w.history = w.thermo.of[0].count >= enoughPieces
	if k := s.Idle; k != nil && k.Share >= 0 && k.Share <= 1 && k.Variance >= idleLeast && k.Variance <= idleDoubt {
		w.idle = idleBleed{k.Share, k.Variance}
	}
	for _, k := range s.Ranks {
		for i := range w.ranks {
			r := &w.ranks[i]
			if r.Name != k.Name || k.Jump < leastJump || k.Drop < 0 || k.High <= k.Low || k.Filled < 0 || k.Vented < 0 || k.Worked < 0 || k.Scale2 < 0 {
				continue // another rank's, or spoiled
			}
			r.bias, r.high, r.low, r.jump, r.drop = k.Bias, k.High, k.Low, k.Jump, k.Drop
			r.top, r.bottom, r.seen = k.High, k.Low, edgeMemory
			r.filledM, r.ventedN, r.worked, r.scale2, r.scales = k.Filled, k.Vented, k.Worked, k.Scale2, k.Scales
			r.creep = k.Creep.learner()
		}
	}
}

// Learned returns what the watch has learned.
func (w *Watch) Learned() []findings.Learned {
	f := &w.thermo.of[w.thermo.best]
	text := "from " + strconv.Itoa(f.count) + " quiet stretches of the tank"
	if left, on := w.LearningLeft(); on {
		text = strconv.Itoa(int(math.Ceil(left.Minutes()))) + " minutes of learning to go, " + text
	}
	out := []findings.Learned{{
		Name: baselineName, Words: "what the sound tank loses beside its declared bleed",
		Value: findings.Measure{SI: w.base(0, 0), Unit: w.flow, Reference: units.ANR}, Text: text,
	}}
	if w.o.Bleed > 0 {
		half := 2 * math.Sqrt(w.idle.variance)
		out = append(out, findings.Learned{
			Name: idleName, Words: "what of the declared bleed still flows with the key off",
			Value: findings.Measure{
				SI: w.idle.share, Low: max(0, w.idle.share-half), High: min(1, w.idle.share+half),
				Unit: units.Preferred(units.Ratio),
			},
			Text: "from the quiet stretches of stops",
		})
	}
	for i := range w.ranks {
		r := &w.ranks[i]
		out = append(out, findings.Learned{
			Name: rankPrefix + r.Name, Words: "what a short vent of the " + r.where + " lets out, as a share of a short fill",
			Value: findings.Measure{SI: r.share(), Unit: units.Preferred(units.Ratio)},
			Text:  "from " + strconv.Itoa(int(r.worked/60)) + " minutes of work",
		})
	}
	return out
}

// Forget drops what was learned under a name, and what evidence rests on it. The tank's is learned anew for as long as
// on a new machine.
func (w *Watch) Forget(name string) bool {
	if name == baselineName {
		w.thermo = chooser{}
		w.thermo.init()
		w.balance = balance{}
		w.balance.init()
		w.quiet.clear()
		w.usage, w.today = usage{}, dayOffset{}
		w.idle.init()
		w.history, w.first = false, w.now
		return true
	}
	if name == idleName {
		w.idle.init()
		w.quiet.clear()
		return true
	}
	for i := range w.ranks {
		r := &w.ranks[i]
		if name != rankPrefix+r.Name {
			continue
		}
		r.filledM, r.ventedN, r.worked, r.scale2, r.scales, r.creep = 0, 0, 0, 0, 0, learner{}
		r.work.clear()
		r.rest.clear()
		r.still.clear()
		return true
	}
	return false
}
