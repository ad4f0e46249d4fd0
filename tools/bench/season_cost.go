// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"slices"
	"time"

	"airhold/firmware"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

// dayCost measures what a day of ten hours costs: all its readings and a tick a second through the whole set of checks, on
// one core, processor time, without the simulation.
func dayCost(seed uint64) (figure, error) {
	build := rig.DrawBuild(seed)
	file, err := seasonFile(&build, roll(seed, "season cost", 0), true)
	if err != nil {
		return figure{}, err
	}
	table := firmware.NewTable(file)
	tape := newBoot(table)
	day := rig.NewDay(rig.DayOptions{Seed: seed, Build: &build})
	var s rig.DaySample
	for day.Next(&s) {
		tape.send(&s)
	}
	var took []float64
	for range 5 {
		spine, err := firmware.NewSpine(firmware.SpineOptions{Machine: file, Table: table, Out: said{&dayOutcome{}}, Memory: newMemory()})
		if err != nil {
			return figure{}, err
		}
		before := processorTime()
		err = oneCore(func() error {
			var e store.Entry
			tick := time.Second
			for _, r := range tape.tape {
				if r.At > tick {
					e.Kind, e.At = store.IsTick, tick
					spine.Apply(&e)
					tick += time.Second
				}
				e.Kind, e.At, e.Reading = store.IsReading, r.At, r
				spine.Apply(&e)
			}
			spine.Close()
			return nil
		})
		if err != nil {
			return figure{}, err
		}
		took = append(took, (processorTime() - before).Seconds())
	}
	return figure{
		set: "season", words: fmt.Sprintf("10 h day through all checks, one core (%d readings)", len(tape.tape)), unit: "s",
		value: middle(took), low: slices.Min(took), high: slices.Max(took), bar: atMostOf(2), aim: atMostOf(0.5), n: len(took),
	}, nil
}
