// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"airhold/config"
	"airhold/firmware/rig"
	"airhold/sensors/units"
)

// seasonPlan says how much is simulated.
type seasonPlan struct {
	seed     uint64
	machines int
	first    int     // number of the first machine
	sound    int     // days without a leak, one after the other, for each machine
	leaks    float64 // days for each machine and kind of leak, after its sound days; under 1: for so many of them
	weak     float64 // days with a weak compressor
	odd      float64 // days of each odd kind
	nights   float64 // nights of its own
}

// every tells how many days of a kind machine i has when there are share of them for a machine: equal over the machines,
// and not the same kinds on the same machine.
func every(share float64, i, kind int) int {
	at := func(i int) int { return int(math.Floor(share*float64(i) + 0.618*float64(kind) + 1e-9)) }
	return at(i+1) - at(i)
}

// leakOutcome is one day with a leak.
type leakOutcome struct {
	dayOutcome

	kind  leakCase
	where string
	onset time.Duration
	ends  time.Duration
}

// weakOutcome is one day on which the compressor became weaker.
type weakOutcome struct {
	dayOutcome

	at time.Duration
}

// nightOutcome is one night, judged once with and once without a sensor on the wall. Flows are L/min ANR.
type nightOutcome struct {
	true float64
	said [2]float64 // with, without; NaN: not known
	in   [2]bool    // the interval holds the truth
	word [2]string
}

// oddOutcome is one odd day.
type oddOutcome struct {
	dayOutcome

	kind int
}

// machineOutcome is a machine's season.
type machineOutcome struct {
	number int
	build  rig.Build
	sound  []dayOutcome
	leaks  []leakOutcome
	weak   []weakOutcome
	nights []nightOutcome
	odd    []oddOutcome
}

// season is a machine's season in the making.
type season struct {
	plan   *seasonPlan
	number int
	file   *config.Machine
	build  rig.Build
	last   *rig.Day // the newest sound day
	memory *memory  // after it
	out    machineOutcome
}

// daySeed is the seed of one day of one machine.
func (s *season) daySeed(kind string, i int) uint64 {
	return roll(s.plan.seed, "season "+kind, s.number*1000+i).Uint64()
}

func (s *season) dice(kind string, i int) dice {
	return roll(s.plan.seed, "season dice "+kind, s.number*1000+i)
}

// runMachine plays one machine's season.
func runMachine(ctx context.Context, p *seasonPlan, number int) (machineOutcome, error) {
	s := &season{plan: p, number: number, memory: newMemory()}
	s.build = rig.DrawBuild(s.daySeed("machine", 0))
	s.out.number, s.out.build = number, s.build
	file, err := seasonFile(&s.build, s.dice("file", 0), true)
	if err != nil {
		return s.out, err
	}
	s.file = file
	for _, part := range []func(context.Context) error{s.soundDays, s.leakDays, s.weakDays, s.oddDays, s.someNights} {
		if err := part(ctx); err != nil {
			return s.out, err
		}
	}
	return s.out, nil
}

func (s *season) soundDays(ctx context.Context) error {
	for i := range s.plan.sound {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		d := rig.NewDay(rig.DayOptions{Seed: s.daySeed("sound", i), Build: &s.build, Before: s.last})
		o, err := watchDay(dayTask{machine: s.file, day: d, date: i, memory: s.memory, tended: true})
		if err != nil {
			return err
		}
		s.out.sound, s.last = append(s.out.sound, o), d
	}
	return nil
}

func (s *season) leakDays(ctx context.Context) error {
	for k, c := range leakCases() {
		for i := range every(s.plan.leaks, s.number, k) {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			x := s.dice("leak", 20*k+i)
			o := leakOutcome{kind: c, where: tankSide, onset: hours(between2(x, onsetFrom, onsetTo)).Round(100 * time.Millisecond)}
			seep := s.build.Seep[0]
			if c.rank {
				r := x.IntN(2)
				o.where, seep = rig.Places()[1+r], s.build.Seep[1+r]
			}
			leak := rig.DayLeak{Where: o.where, Flow: units.Flow(c.size * litre / minute), At: o.onset}
			d := rig.NewDay(rig.DayOptions{Seed: s.daySeed("leak", 20*k+i), Hours: leakDay, Before: s.last, Leak: leak})
			var err error
			o.dayOutcome, err = watchDay(dayTask{machine: s.file, day: d, date: s.plan.sound, memory: s.memory.copied(), leak: leak, seep: seep})
			if err != nil {
				return err
			}
			o.ends = hours(o.hours)
			s.out.leaks = append(s.out.leaks, o)
		}
	}
	return nil
}

func (s *season) weakDays(ctx context.Context) error {
	for i := range every(s.plan.weak, s.number, 20) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		o := weakOutcome{at: hours(between2(s.dice("weak", i), onsetFrom, onsetTo))}
		d := rig.NewDay(rig.DayOptions{Seed: s.daySeed("weak", i), Before: s.last, Weaker: weakShare, WeakAt: o.at})
		var err error
		if o.dayOutcome, err = watchDay(dayTask{machine: s.file, day: d, date: s.plan.sound, memory: s.memory.copied()}); err != nil {
			return err
		}
		s.out.weak = append(s.out.weak, o)
	}
	return nil
}

func (s *season) oddDays(ctx context.Context) error {
	for k, kind := range oddKinds() {
		for i := range every(s.plan.odd, s.number, 30+k) {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			x := s.dice("odd", 20*k+i)
			o := rig.DayOptions{Seed: s.daySeed("odd", 20*k+i), Hours: leakDay, Before: s.last}
			kind.set(x, &o)
			t := dayTask{machine: s.file, day: rig.NewDay(o), date: s.plan.sound, memory: s.memory.copied()}
			if kind.jump {
				t.jump = hours(between2(x, 1, 6))
			}
			day, err := watchDay(t)
			if err != nil {
				return err
			}
			s.out.odd = append(s.out.odd, oddOutcome{day, k})
		}
	}
	return nil
}

// someNights lets the machine stand for a night after an evening's work, and asks in the morning.
func (s *season) someNights(ctx context.Context) error {
	for i := range every(s.plan.nights, s.number, 50) {
		x := s.dice("night", i)
		night := rig.NightOptions{Hours: nightHours}
		for k := range night.Leaks {
			if n := nightLeaks(); x.Float64() > 1.0/3 {
				night.Leaks[k] = units.Flow(n.low * math.Pow(n.high/n.low, x.Float64()) * litre / minute)
			}
		}
		clock := between2(x, eveningFrom, eveningTo)
		tight := s.build
		tight.Seep = [5]float64{} // a night's leaks are those that were drawn
		var o nightOutcome
		for w, wall := range []bool{true, false} {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			file, err := seasonFile(&s.build, s.dice("file", 0), wall)
			if err != nil {
				return err
			}
			known := newMemory()
			evening := rig.NewDay(rig.DayOptions{Seed: s.daySeed("evening", i), Build: &tight, Hours: 2, Clock: clock})
			if _, err := watchDay(dayTask{machine: file, day: evening, memory: known}); err != nil {
				return err
			}
			morning := rig.NewDay(rig.DayOptions{Seed: s.daySeed("morning", i), Hours: 0.4, Before: evening, Night: night})
			n, ok := morning.Night()
			if !ok {
				return errors.New("a morning without a night")
			}
			day, err := watchDay(dayTask{machine: file, day: morning, date: 1, memory: known})
			if err != nil {
				return err
			}
			o.true = lmin(float64(n.Lost[0]))
			o.said[w] = math.NaN()
			if m := day.morning; m != nil {
				o.word[w] = m.State
				if m.Leak != nil {
					o.said[w] = lmin(m.Leak.SI)
					o.in[w] = lmin(m.Leak.Low) <= o.true && o.true <= lmin(m.Leak.High)
				}
			}
		}
		s.out.nights = append(s.out.nights, o)
	}
	return nil
}

// runSeason plays all machines, those that were begun before the deadline (zero: none), on so many cores.
func runSeason(ctx context.Context, p *seasonPlan, cores int, deadline time.Time) ([]machineOutcome, error) {
	var (
		mu   sync.Mutex
		next int
		errs []error
		wg   sync.WaitGroup
	)
	out := make([]machineOutcome, p.machines)
	take := func() (int, bool) {
		mu.Lock()
		defer mu.Unlock()
		if next >= p.machines || ctx.Err() != nil || len(errs) > 0 || !deadline.IsZero() && time.Now().After(deadline) {
			return 0, false
		}
		next++
		return next - 1, true
	}
	for range cores {
		wg.Go(func() {
			for i, more := take(); more; i, more = take() {
				o, err := runMachine(ctx, p, p.first+i)
				mu.Lock()
				out[i] = o
				if err != nil {
					errs = append(errs, fmt.Errorf("machine %d: %w", p.first+i, err))
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return out[:next], errors.Join(errs...)
}
