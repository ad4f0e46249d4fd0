// SPDX-License-Identifier: Apache-2.0

package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"airhold/firmware/rig"
)

// told is a day, how bad it was, and what there is to say of it.
type told struct {
	bad   float64
	words string
}

// worst lists the worst k days of each kind. A machine is played alone by its number: -first N -n 1 with the same seed.
func (s *seasonSheet) worst(w io.Writer, k int) {
	var f1, leaks, nights, weak []told
	var falses []string
	for i := range s.all {
		m := &s.all[i]
		for j := range m.sound {
			d := &m.sound[j]
			at := fmt.Sprintf("machine %d day %d", m.number, j)
			falses = append(falses, d.falseLeaks(at, hours(24))...)
			f1 = append(f1, told{1 - d.f1(), fmt.Sprintf("%s: F1 %.4f, duty %.4f, said %+.2f pts; %s", at, d.f1(), d.duty(), 100*d.dutyError(), machineWords(&m.build))})
		}
		for j := range m.leaks {
			o := &m.leaks[j]
			at := fmt.Sprintf("machine %d leak day %d, %s at %s", m.number, j, o.kind.words(), o.onset)
			falses = append(falses, o.falseLeaks(at, o.onset)...)
			delay, words := (o.ends - o.onset).Minutes(), "missed"
			if r, ok := o.first("air-leak", o.onset); ok {
				delay = (r.at - o.onset).Minutes()
				words = fmt.Sprintf("after %.1f min at %s, size %.2f, true %.2f", delay, r.where, o.size(o.onset), o.leakSum/o.leakN)
			}
			leaks = append(leaks, told{delay / o.kind.bar, at + " " + o.where + ": " + words})
		}
		for j := range m.weak {
			o := &m.weak[j]
			r, ok := o.first("delivery-low", o.at)
			late := r.at - o.at
			if !ok {
				late = hours(24)
			}
			weak = append(weak, told{late.Hours(), fmt.Sprintf("machine %d weak day %d, from %s: found %v, %s later", m.number, j, o.at, ok, late.Round(time.Second))})
		}
		for j := range m.odd {
			o := &m.odd[j]
			falses = append(falses, o.falseLeaks(fmt.Sprintf("machine %d odd day, %s", m.number, oddKinds()[o.kind].words), hours(24))...)
		}
		for j := range m.nights {
			o := &m.nights[j]
			nights = append(nights, told{math.Abs(o.said[0] - o.true), fmt.Sprintf("machine %d night %d: true %.4f L/min, with wall sensor %s %.4f (%v), without %s %.4f (%v)",
				m.number, j, o.true, o.word[0], o.said[0], o.in[0], o.word[1], o.said[1], o.in[1])})
		}
	}
	for _, x := range []struct {
		words string
		list  []told
	}{{"compressor", f1}, {"leaks, by delay over bar", leaks}, {"weak compressors", weak}, {"nights, by error", nights}} {
		slices.SortStableFunc(x.list, func(a, b told) int { return cmp.Compare(b.bad, a.bad) })
		fmt.Fprintf(w, "\n  the worst %s\n", x.words)
		for _, t := range x.list[:min(k, len(x.list))] {
			fmt.Fprintf(w, "    %s\n", t.words)
		}
	}
	fmt.Fprintf(w, "\n  false leak alarms\n")
	for _, f := range falses {
		fmt.Fprintf(w, "    %s\n", f)
	}
}

// falseLeaks lists the leak alarms before a time.
func (o *dayOutcome) falseLeaks(at string, before time.Duration) (out []string) {
	for _, r := range o.raised {
		if r.key == "air-leak" && r.at < before {
			out = append(out, fmt.Sprintf("%s: %s at %s", at, r.where, r.at))
		}
	}
	return out
}

func machineWords(b *rig.Build) string {
	return fmt.Sprintf("%.0f L, %.0f L/min, %.0f to %.0f kPa, ranks %.0f and %.0f L, %d bit",
		b.Tank/litre, lmin(b.Delivery), b.CutIn/1e3, b.CutOut/1e3, b.Ranks[0].Volume/litre, b.Ranks[1].Volume/litre, b.Sensors.Bits)
}
