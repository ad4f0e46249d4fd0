// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"testing"
	"time"

	"airhold/firmware/leakdown"
	"airhold/tools/golden"
)

// The page's languages are held against this list by its own tests, so a new sentence is missed there by name.
func TestEverySentenceOfThePathsIsListed(t *testing.T) {
	t.Parallel()
	o := Options{Ranks: []Rank{
		{Name: "front", Volume: 20e-3, PowerOff: Hold, ShutOff: ByHand},
		{Name: "rear", Volume: 20e-3, PowerOff: Unknown, ShutOff: None},
	}}
	all := []string{}
	both := []bool{true, true}
	leaks := func(w way, watch int) Path {
		p := Path{Where: w.where, Includes: w.includes, Watch: watch, Leak: leakdown.Interval{Value: 4 * litrePerMinute, Low: 3.5 * litrePerMinute, High: 4.25 * litrePerMinute}}
		if w.kind == fillValve {
			p.Into = o.Ranks[w.rank].Name + " rank"
		}
		return p
	}
	list := ways(o, both)
	blind := ways(o, []bool{false, false})
	for _, w := range append(list, blind...) {
		all = append(all, w.where)
		all = append(all, w.includes...)
	}
	told := func(out Outcome, o Options, seen []bool, left []suspect) {
		out.say(o, seen, left)
		all = append(all, out.CannotTell)
		all = append(all, out.Sentences...)
	}

	// Nothing, one place, and every pair that can be named together.
	told(Outcome{Answer: Nothing, Missed: 0.4 * litrePerMinute, Phases: make([]Phase, 1)}, o, both, nil)
	for i, w := range list {
		told(Outcome{Answer: Found, Paths: []Path{leaks(w, 1)}, Phases: make([]Phase, 1)}, o, both, nil)
		for _, v := range list[i+1:] {
			told(Outcome{Answer: Found, Paths: []Path{leaks(w, 1), leaks(v, 2)}, Phases: make([]Phase, 2)}, o, both, nil)
		}
	}
	told(Outcome{Answer: Found, Paths: []Path{leaks(list[0], 1), leaks(list[2], 1), leaks(list[4], 1)}, Phases: make([]Phase, 2)}, o, both, nil)
	told(Outcome{Answer: Found, Paths: []Path{leaks(blind[0], 1)}, Phases: make([]Phase, 1)}, o, []bool{false, false}, nil)

	// Rivals, with each step that would tell them apart.
	side, valve, bags := list[0], list[1], list[2]
	air := func(rank float64) Phase {
		return Phase{Flows: []Flow{{Volume: TankName, Start: 8e5, Mean: 8e5}, {Volume: "front", Start: rank, Mean: rank}}}
	}
	vented := []Phase{air(5e5), air(1.5e5)}
	for _, c := range []struct {
		sets   [][]string
		paths  []Path
		phases []Phase
	}{
		{[][]string{{side.where}, {valve.where, bags.where}}, []Path{leaks(side, 1), leaks(valve, 1), leaks(bags, 1)}, []Phase{air(5e5)}},
		{[][]string{{side.where}, {}}, []Path{leaks(side, 1)}, vented},
		{[][]string{{valve.where}, {bags.where}}, []Path{leaks(valve, 1), leaks(bags, 1)}, vented},
		{[][]string{{bags.where}, {side.where}, {valve.where, bags.where}}, []Path{leaks(bags, 1), leaks(side, 1), leaks(valve, 1)}, []Phase{air(5e5)}},
		{[][]string{{bags.where}, {}}, []Path{leaks(bags, 1)}, vented},
	} {
		told(Outcome{Answer: CannotTell, Sets: c.sets, Paths: c.paths, Phases: c.phases}, o, both, nil)
	}

	// What lowers the trust.
	told(Outcome{Answer: Nothing, Missed: 0.4 * litrePerMinute, ChiSquare: 90, Freedom: 2, Phases: make([]Phase, 2)}, o, both, []suspect{
		{rank: -1, flow: 2 * litrePerMinute, u: 0.8 * litrePerMinute}, {rank: 0, flow: 2 * litrePerMinute, u: 0.8 * litrePerMinute},
	})
	lets := Options{Ranks: []Rank{{Name: "left", PowerOff: Vent, ShutOff: None}}}
	told(Outcome{Answer: Nothing, Missed: 0.4 * litrePerMinute, Phases: make([]Phase, 1)}, lets, []bool{false}, nil)

	// What a watch says of its own readings.
	rested := map[string]time.Duration{"front": 40 * time.Second}
	noted := func(rested map[string]time.Duration, volumes map[string]func(s float64) float64, until float64) {
		w := NewWatch(o, rested, nil)
		for name, at := range volumes {
			for s := 0.0; s <= until; s++ {
				if p := at(s); p > 0 {
					w.Add(name, leakdown.Sample{At: time.Duration(s) * time.Second, Pressure: p})
				}
			}
		}
		p := w.CloseWith(leakdown.Result{Verdict: leakdown.Invalid, Reasons: []string{"The pressure sensor gave no usable reading."}})
		p.Name = "everything closed"
		q := p
		q.Name = "ranks vented"
		for _, out := range []Outcome{Locate(o, []Phase{p}), Locate(o, nil), Locate(Options{Ranks: make([]Rank, 5)}, nil)} {
			all = append(all, out.Sentences...)
		}
		all = append(all, notes([]Phase{p, q})...)
	}
	flat := func(float64) float64 { return 400e3 }
	noted(rested, map[string]func(float64) float64{TankName: flat, "front": flat, "rear": flat}, 240)
	noted(rested, map[string]func(float64) float64{"front": flat}, 20)
	noted(rested, map[string]func(float64) float64{"front": func(s float64) float64 {
		if s > 100 {
			return 300e3
		}
		return 400e3
	}}, 300)
	noted(rested, map[string]func(float64) float64{"front": func(s float64) float64 {
		if s > 20 && s < 80 || s > 200 && s < 400 {
			return 0
		}
		return 400e3
	}}, 700)
	noted(rested, map[string]func(float64) float64{"front": flat}, 100)
	unread := NewWatch(o, nil, nil).Close()
	unread.Name = "everything closed"
	all = append(all, notes([]Phase{unread})...)
	golden.Sentences(t, all)
}
