// SPDX-License-Identifier: Apache-2.0

package trust

import (
	"time"

	"airhold/firmware/readings"
)

// Average is what a rank's load sensors say together.
type Average struct {
	Mean    float64 // N, over the trusted sensors
	Trusted int
	All     int
}

// Average returns the mean load of a rank over the sensors that may be believed; false where there is none.
func (w *Trust) Average(rank string, at time.Duration) (Average, bool) {
	var a Average
	for i := range w.loads {
		k := &w.loads[i]
		if k.Rank != rank || !k.declared {
			continue
		}
		a.All++
		if faulty, unseen, _ := k.bad(at); !faulty && !unseen {
			a.Mean += k.mean
			a.Trusted++
		}
	}
	if a.Trusted == 0 {
		return a, false
	}
	a.Mean /= float64(a.Trusted)
	return a, true
}

// Effect is how far one load sensor moves its rank's average.
type Effect struct {
	Shift  float64 // N: average with it less average of the other trusted ones
	AsZero bool    // it has no value: the shift is that of a machine that counts it as zero load
	Others int     // trusted sensors that remain
	Rest   float64 // N: average of those
	Lean   float64 // N: how far this one stood above their average over about the last minute; 0 where it has no value
}

// Fault returns what is wrong with the sensor on channel c in words with its plug, or what is needed to see it at all; empty
// where nothing is wrong, and where the channel is not watched.
func (w *Trust) Fault(c readings.Channel, at time.Duration) (words string, stuck bool) {
	if c < 0 || int(c) >= len(w.byChannel) || w.byChannel[c] == nil {
		return "", false
	}
	k := w.byChannel[c]
	faulty, unseen, words := k.bad(at)
	if unseen {
		words = "needs " + words
	}
	return words, faulty && k.quality == readings.Good && k.isStuck()
}

// Rank returns the rank whose average the load sensor on channel c is part of; empty for any other channel.
func (w *Trust) Rank(c readings.Channel) string {
	if c < 0 || int(c) >= len(w.byChannel) || w.byChannel[c] == nil {
		return ""
	}
	return w.byChannel[c].Rank
}

// Effect returns how far the sensor on channel c moves the average of its rank, as a machine that still counts it
// sees it; false where no other sensor of the rank may be believed.
func (w *Trust) Effect(c readings.Channel, at time.Duration) (Effect, bool) {
	var me *sensor
	sum, slow := 0.0, 0.0
	var e Effect
	for i := range w.loads {
		k := &w.loads[i]
		if k.declared && k.Channel == c {
			me = k
		}
	}
	if me == nil {
		return e, false
	}
	for i := range w.loads {
		k := &w.loads[i]
		if k == me || !k.declared || k.Rank != me.Rank {
			continue
		}
		if faulty, unseen, _ := k.bad(at); !faulty && !unseen {
			sum += k.mean
			slow += k.slow
			e.Others++
		}
	}
	if e.Others == 0 {
		return e, false
	}
	n := float64(e.Others)
	v := me.mean
	if !me.heard || me.quality != readings.Good || me.isGone(at) {
		v, e.AsZero = 0, true
	} else {
		e.Lean = me.slow - slow/n
	}
	e.Shift, e.Rest = (sum+v)/(n+1)-sum/n, sum/n
	return e, true
}
