// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/pprof"
	"strconv"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
)

// tally counts what a replay says.
type tally struct{ transitions, runs, events int }

func (t *tally) Transition(alarms.Transition) { t.transitions++ }
func (t *tally) Run(compressor.Run)           { t.runs++ }
func (t *tally) Estimate(firmware.Estimate)   {}
func (t *tally) Event(firmware.Event)         { t.events++ }

func benchReplay(ctx context.Context, o options, w io.Writer) error {
	dir, err := os.MkdirTemp("", "airhold-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	path, rows, size, err := storyFile(dir)
	if err != nil {
		return err
	}
	row(w, "input", "%d rows of %d channels, %.1f MB, %s", rows, len(columns()), float64(size)/1e6, storySpan)
	m := config.ExampleMachine()
	var ours, oursCPU, peers, peersCPU []time.Duration
	var said tally
	var count, allocs int64
	err = oneCore(func() error {
		if count, err = replayOnce(m, path, &said); err != nil { // not counted: the file comes from the disk
			return err
		}
		stop, err := profile(o.profile)
		if err != nil {
			return err
		}
		for range o.turns {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			cpu, begun := processorTime(), time.Now()
			if _, err := replayOnce(m, path, &tally{}); err != nil {
				return err
			}
			ours, oursCPU = append(ours, time.Since(begun)), append(oursCPU, processorTime()-cpu)
			runtime.ReadMemStats(&after)
			allocs = int64(after.Mallocs - before.Mallocs) //nolint:gosec // a count of one replay
			if o.profile != "" {
				continue
			}
			cpu, begun = processorTime(), time.Now()
			n, err := parseOnly(path)
			if err != nil {
				return err
			}
			peers, peersCPU = append(peers, time.Since(begun)), append(peersCPU, processorTime()-cpu)
			if n != count {
				return fmt.Errorf("the peer reads %d numbers, airhold %d", n, count)
			}
		}
		return stop()
	})
	if err != nil {
		return err
	}
	mid, best := median(oursCPU)
	wall, _ := median(ours)
	speed := func(d time.Duration) string {
		return fmt.Sprintf("%v, %.0f times real time", d.Round(100*time.Microsecond), times(storySpan, d))
	}
	row(w, "readings", "%d, with %d ticks; %d compressor runs, %d transitions", count, int(storySpan.Seconds()), said.runs, said.transitions)
	row(w, "airhold, processor time", "%s, %.0f ns a reading (median of %d; bar: 20000 times)", speed(mid), float64(mid.Nanoseconds())/float64(count), o.turns)
	row(w, "airhold, fastest turn", "%s", speed(best))
	row(w, "airhold, by the wall clock", "%s (median; others ran on this machine too, see load)", speed(wall))
	row(w, "allocations", "%d in a whole replay, %.4f a row", allocs, float64(allocs)/float64(rows))
	if len(peers) == 0 {
		return nil
	}
	pmid, pbest := median(peersCPU)
	row(w, "peer: encoding/csv and strconv", "%s; parses, checks nothing", speed(pmid))
	row(w, "peer's time over airhold's", "%.2f by medians, %.2f by fastest", pmid.Seconds()/mid.Seconds(), pbest.Seconds()/best.Seconds())
	return nil
}

func profile(path string) (stop func() error, err error) {
	if path == "" {
		return func() error { return nil }, nil
	}
	f, err := os.Create(path) //nolint:gosec // the user names the file
	if err != nil {
		return nil, err
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return func() error { pprof.StopCPUProfile(); return f.Close() }, nil
}

// replayOnce is what airhold replay does, without printing.
func replayOnce(m *config.Machine, path string, out firmware.Outputs) (count int64, err error) {
	r, err := firmware.OpenReplay(firmware.ReplayOptions{Machine: m, Readings: path, Out: out})
	if err != nil {
		return 0, err
	}
	err = r.Run()
	_, _, n := r.Spine().Span()
	if notes := r.Notes(); len(notes) > 0 && err == nil {
		err = fmt.Errorf("the table has faults: %s", notes[0])
	}
	return n, errors.Join(err, r.Close())
}

// parseOnly is the peer: the usual way to read such a table in Go, as fast as its options allow.
func parseOnly(path string) (count int64, err error) {
	f, err := os.Open(path) //nolint:gosec // made here
	if err != nil {
		return 0, err
	}
	defer f.Close() //nolint:errcheck // only read
	r := csv.NewReader(bufio.NewReaderSize(f, 1<<16))
	r.Comment, r.ReuseRecord = '#', true
	if _, err := r.Read(); err != nil {
		return 0, err
	}
	sum := 0.0
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return 0, err
		}
		if _, err := time.Parse(time.RFC3339Nano, cells[0]); err != nil {
			return 0, err
		}
		for _, c := range cells[1:] {
			v, err := strconv.ParseFloat(c, 64)
			if err != nil {
				return 0, err
			}
			sum += v
			count++
		}
	}
	if sum == 0 {
		return 0, errors.New("a table of zeros")
	}
	return count, nil
}
