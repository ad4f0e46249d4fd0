// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"time"
)

// seasonOptions is what the command line of the season's table says.
type seasonOptions struct {
	n     int
	seed  uint64
	sets  string
	slice bool
	cores int
	worst int
}

// What the slice takes: the last machine is begun before this is over, on two cores.
const (
	sliceMachines = 60
	sliceSeason   = 110 * time.Second
)

// seasonSets are the kinds of days that can be asked for; sound days come with all of them.
func seasonSets() []string { return []string{"leak", "weak", "odd", "night"} }

// benchSeason prints the table of the checks that watch while planting: on whole days of simulated machines, through the
// same spine as the box's, what was learned carried from day to day.
func benchSeason(ctx context.Context, args []string, w io.Writer) error {
	o, plan, err := seasonArgs(args)
	if err != nil {
		return err
	}
	level := 0.95
	var deadline time.Time
	if o.slice {
		level = 0.99
		deadline = time.Now().Add(sliceSeason)
	}
	header(ctx, append([]string{"season"}, args...), w)
	row(w, "seed", "%d", o.seed)
	row(w, "machines", "%d at most, %d cores; each %d days without a leak, then %.2g days of each kind of leak, %.2g weak, %.2g of each odd kind,"+
		" %.2g nights", plan.machines, o.cores, plan.sound, plan.leaks, plan.weak, plan.odd, plan.nights)
	row(w, "truth", "%s", "the rig's own physics, a step of 20 ms; readings ten times a second")
	printSeasonRanges(w)
	started, spent := time.Now(), processorTime()
	all, err := runSeason(ctx, plan, o.cores, deadline)
	if err != nil {
		return err
	}
	s := seasonSheet{all: all, level: level}
	s.fill()
	took, busy := time.Since(started), processorTime()-spent
	cost, err := dayCost(o.seed)
	if err != nil {
		return err
	}
	s.add(cost)
	fmt.Fprintf(w, "\nseason of %d machines, %.0f h in %.1f minutes, %.0f times real time a core\n", len(all), s.hours(), took.Minutes(),
		s.hours()*3600/busy.Seconds())
	head(w, level)
	for i := range s.figures {
		s.figures[i].print(w)
	}
	s.printNaive(w)
	if o.worst > 0 {
		s.worst(w, o.worst)
	}
	wrong := s.perfect
	if len(all) < leastMachines {
		wrong = append(wrong, fmt.Sprintf("only %d machines in the time, which say nothing", len(all)))
	}
	for i := range s.figures {
		if f := &s.figures[i]; f.misses(o.slice) {
			wrong = append(wrong, fmt.Sprintf("%s: %s %s, bar %s", strings.TrimSpace(f.words), f.number(f.value), f.unit, f.bar.words(f)))
		}
	}
	if len(wrong) > 0 {
		return fmt.Errorf("seed %d: %d figures miss their bar:\n  %s", o.seed, len(wrong), strings.Join(wrong, "\n  "))
	}
	return nil
}

// leastMachines is the least number of machines of which a season is judged.
const leastMachines = 2

// hours are all that were simulated.
func (s *seasonSheet) hours() (h float64) {
	for i := range s.all {
		m := &s.all[i]
		for j := range m.sound {
			h += m.sound[j].hours
		}
		for j := range m.leaks {
			h += m.leaks[j].hours
		}
		for j := range m.weak {
			h += m.weak[j].hours
		}
		for j := range m.odd {
			h += m.odd[j].hours
		}
	}
	return h
}

func seasonArgs(args []string) (seasonOptions, *seasonPlan, error) {
	fs := flag.NewFlagSet("bench season", flag.ContinueOnError)
	o := seasonOptions{}
	p := &seasonPlan{}
	fs.IntVar(&o.n, "n", 50, "machines")
	fs.IntVar(&p.sound, "days", 6, "days without a leak for each machine; the days with one come after them")
	fs.Uint64Var(&o.seed, "seed", 0, "of everything drawn; 0: from the clock")
	fs.StringVar(&o.sets, "sets", "", "comma separated: "+strings.Join(seasonSets(), ", ")+", none; empty: all")
	fs.BoolVar(&o.slice, "slice", false, "what CI runs: as many machines as fit into two minutes, and an error only beyond chance")
	fs.IntVar(&o.cores, "cores", runtime.NumCPU(), "machines at a time")
	fs.IntVar(&p.first, "first", 0, "number of the first machine: with -n 1 and the seed, that machine alone")
	fs.IntVar(&o.worst, "worst", 0, "list so many of the worst days of each kind, and every false leak alarm")
	if err := fs.Parse(args); err != nil {
		return o, nil, err
	}
	if fs.NArg() > 0 {
		return o, nil, fmt.Errorf("season takes flags only, not %q", fs.Arg(0))
	}
	p.leaks, p.weak, p.odd, p.nights = 2, 2, 0.4, 4
	if o.slice {
		o.n, p.sound = sliceMachines, 2
		p.leaks, p.weak, p.odd, p.nights = 0.7, 0.5, 0.2, 2
	}
	if o.n < 1 || o.cores < 1 || p.sound < 1 || p.first < 0 {
		return o, nil, errors.New("-n, -days and -cores must be 1 or more, -first 0 or more")
	}
	if o.sets != "" {
		asked := strings.Split(o.sets, ",")
		for _, name := range asked {
			if name != "none" && !slices.Contains(seasonSets(), name) {
				return o, nil, fmt.Errorf("there is no set %q; there are %s, none", name, strings.Join(seasonSets(), ", "))
			}
		}
		for name, share := range map[string]*float64{"leak": &p.leaks, "weak": &p.weak, "odd": &p.odd, "night": &p.nights} {
			if !slices.Contains(asked, name) {
				*share = 0
			}
		}
	}
	if o.seed == 0 {
		o.seed = uint64(time.Now().UnixNano())
	}
	p.seed, p.machines = o.seed, o.n
	return o, p, nil
}
