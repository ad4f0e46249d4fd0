// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// busOptions of the measurement of the bus and the log.
type busOptions struct {
	slice bool
	turns int
	seed  uint64
	only  string
}

// sizes of the inputs. The slice is for continuous integration: it is over in a minute and fails only well below a bar.
type busSizes struct {
	lines, pythonLines   int // candump
	frames, matrixFrames int // DBC
	packets              int // pcapng
	jobSeconds           int
	rows                 int // Parquet
	fullSeconds          int // of four full buses
	cutBytes, tsharkCuts int
}

func (o busOptions) sizes() busSizes {
	if o.slice {
		return busSizes{400_000, 40_000, 400_000, 4_000, 400_000, 900, 800_000, 2, 8 << 10, 1}
	}
	return busSizes{2_000_000, 200_000, 2_000_000, 20_000, 2_000_000, 3_600, 2_000_000, 60, 64 << 10, 5}
}

// slack is how much of a bar a slice must reach: short runs on a shared machine vary.
const slack = 0.6

// cost is what one side reached in one pass.
type cost struct {
	items   int64
	took    time.Duration // processor time, user and system
	sum     float64       // of what was read, to see that both sides read the same
	mallocs uint64
	bytes   uint64
}

func (f cost) each() float64 { return float64(f.took.Nanoseconds()) / float64(f.items) }

// side is one contestant: run makes one pass.
type side struct {
	name string
	need string // the Debian package without which there is no such side
	run  func(ctx context.Context) (cost, error)
}

// duel is airhold against peers on one input. The ratio is the peer's time for an item over airhold's.
type duel struct {
	bar   string // number in the list of bars, and what
	ours  side
	peers []peer
	free  bool // airhold must allocate nothing for an item
	check func(ours, theirs cost) error
}

// peer is one contestant with the ratio that must be reached.
type peer struct {
	side

	least, aim float64 // aim is 0 where there is none beyond the bar
	bytes      float64 // the share of the peer's allocated bytes that airhold may have; 0: any
}

// errMissing says that a contestant is not installed.
var errMissing = errors.New("not installed")

// verdict collects what is printed under the table.
type verdict struct {
	missed  []string
	missing []string
}

func benchBus(ctx context.Context, args []string, w io.Writer) error {
	fs := flag.NewFlagSet("bench bus", flag.ContinueOnError)
	o := busOptions{}
	fs.BoolVar(&o.slice, "slice", false, "small inputs and wide margins, for continuous integration")
	fs.IntVar(&o.turns, "turns", 0, "how often each side is measured; the best counts (5, or 3 of a slice)")
	fs.Uint64Var(&o.seed, "seed", 1, "seed of all inputs")
	fs.StringVar(&o.only, "only", "", "measure only the bars whose name has this in it")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if o.turns == 0 {
		if o.turns = 5; o.slice {
			o.turns = 3
		}
	}
	if o.turns < 1 || fs.NArg() > 0 {
		return errors.New("usage: go run ./tools/bench bus [-slice] [-turns N] [-seed N] [-only TEXT]")
	}
	dir, err := os.MkdirTemp("", "airhold-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	header(ctx, append([]string{"bus"}, args...), w)
	row(w, "seed", "%d; best of %d, turn by turn; processor time, user and system, because others use this machine too", o.seed, o.turns)
	b := busBench{options: o, size: o.sizes(), dir: dir}
	if err := b.build(ctx); err != nil {
		return err
	}
	var v verdict
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "\nbar\tairhold\tpeer\tpeer's figure\tratio\tbar\taim\t")
	steps := []func() error{
		func() error { return b.receive(ctx, table, &v) },
		func() error { return b.cuts(ctx, table, &v) },
	}
	for i, prepare := range b.duels() {
		steps = slices.Insert(steps, i, func() error { return b.fight(ctx, prepare, table, &v) })
	}
	for _, step := range steps {
		if err := step(); ctx.Err() != nil {
			return ctx.Err()
		} else if err != nil { // one that breaks off takes no other's figures with it
			v.missed = append(v.missed, err.Error())
		}
	}
	if err := table.Flush(); err != nil {
		return err
	}
	return v.judge(w, o)
}

// busBench holds the inputs and the built programs of one run.
type busBench struct {
	options busOptions
	size    busSizes
	dir     string
	peers   string // the built program of the Go peers
	airhold string
}

func (b *busBench) path(name string) string { return filepath.Join(b.dir, name) }

// build compiles the Go peers and airhold.
func (b *busBench) build(ctx context.Context) error {
	if _, err := os.Stat(filepath.Join("tools", "bench", "peers", "go.mod")); err != nil {
		return fmt.Errorf("run this from the project's root: %w", err)
	}
	b.peers, b.airhold = b.path("peers"), b.path("airhold")
	for _, c := range []struct{ dir, out, what string }{
		{filepath.Join("tools", "bench", "peers"), b.peers, "."}, {".", b.airhold, "./cmd/airhold"},
	} {
		cmd := exec.CommandContext(ctx, "go", "build", "-o", c.out, c.what) //nolint:gosec // fixed arguments
		cmd.Dir = c.dir
		if out, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("go build %s in %s: %w\n%s", c.what, c.dir, err, out)
		}
	}
	return nil
}

// fight runs one duel, turn by turn, and prints a row for each peer.
func (b *busBench) fight(ctx context.Context, prepare func() (*duel, error), w io.Writer, v *verdict) error {
	d, err := prepare()
	if err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "measuring %s\n", d.bar)
	ours := cost{took: math.MaxInt64}
	theirs := make([]cost, len(d.peers))
	missing := make([]error, len(d.peers))
	for turn := range b.options.turns {
		f, err := d.ours.run(ctx)
		if err != nil {
			return fmt.Errorf("%s: airhold: %w", d.bar, err)
		}
		if ours.items == 0 || f.each() < ours.each() {
			ours = f
		}
		for i := range d.peers {
			if missing[i] != nil {
				continue
			}
			p, err := d.peers[i].run(ctx)
			switch {
			case errors.Is(err, errMissing):
				missing[i] = err
				continue
			case err != nil:
				return fmt.Errorf("%s: %s: %w", d.bar, d.peers[i].name, err)
			}
			if turn == 0 && d.check != nil {
				if err := d.check(f, p); err != nil {
					return fmt.Errorf("%s: airhold and %s do not agree: %w", d.bar, d.peers[i].name, err)
				}
			}
			if theirs[i].items == 0 || p.each() < theirs[i].each() {
				theirs[i] = p
			}
		}
	}
	for i := range d.peers {
		p := &d.peers[i]
		if missing[i] != nil {
			v.missing = append(v.missing, p.need)
			fmt.Fprintf(w, "%s\t%s\t%s\t%v\t\t\t\t\n", d.bar, words(ours, d.free), p.name, missing[i])
			continue
		}
		ratio := theirs[i].each() / ours.each()
		mark := ""
		if ratio < p.least*b.share() {
			mark = "  MISSED"
			v.missed = append(v.missed, fmt.Sprintf("%s: %.2f of %s's speed; the bar is %g", d.bar, ratio, p.name, p.least))
		}
		figures := perSecond(theirs[i])
		if p.bytes > 0 {
			share := float64(ours.bytes) / float64(theirs[i].bytes)
			figures += fmt.Sprintf(", %.0f MB allocated", float64(theirs[i].bytes)/1e6)
			if share > p.bytes/b.share()/b.share() { // what a file takes once weighs more in a short one
				mark = "  MISSED"
				v.missed = append(v.missed, fmt.Sprintf("%s: %.2f of %s's allocated bytes; at most %g", d.bar, share, p.name, p.bytes))
			}
		}
		aim := ""
		if p.aim > 0 {
			aim = fmt.Sprintf("%g", p.aim)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.2f%s\t%g\t%s\t\n", d.bar, words(ours, d.free), p.name, figures, ratio, mark, p.least, aim)
	}
	if d.free && float64(ours.mallocs) > float64(ours.items)/1000 { // what a pass takes once is not counted
		v.missed = append(v.missed, fmt.Sprintf("%s: %d allocations for %d items; the bar is none", d.bar, ours.mallocs, ours.items))
	}
	return nil
}

func (b *busBench) share() float64 {
	if b.options.slice {
		return slack
	}
	return 1
}

func perSecond(f cost) string {
	return fmt.Sprintf("%.3g M/s (%.0f ns)", 1e3/f.each(), f.each())
}

func words(f cost, free bool) string {
	s := perSecond(f)
	if free {
		s += fmt.Sprintf(", %.4f allocs", float64(f.mallocs)/float64(f.items))
	} else if f.bytes > 0 {
		s += fmt.Sprintf(", %.0f MB allocated", float64(f.bytes)/1e6)
	}
	return s
}

func (v *verdict) judge(w io.Writer, o busOptions) error {
	what := "every bar holds"
	if o.slice {
		what = fmt.Sprintf("every ratio is above %g of its bar, which is as far as a slice can judge", slack)
	}
	var errs []error
	for _, m := range v.missed {
		errs = append(errs, errors.New(m))
	}
	if len(v.missing) > 0 {
		text := "not measured, for want of: " + strings.Join(v.missing, ", ")
		if os.Getenv("CI") != "" {
			errs = append(errs, errors.New(text))
		}
		what += "; " + text
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	fmt.Fprintf(w, "\n%s\n", what)
	return nil
}

// pass runs f on one core and says what it cost.
func pass(f func() (items int64, sum float64, err error)) (cost, error) {
	var out cost
	err := oneCore(func() error {
		runtime.GC()
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		begun := processorTime()
		items, sum, err := f()
		took := processorTime() - begun
		runtime.ReadMemStats(&after)
		out = cost{items, took, sum, after.Mallocs - before.Mallocs, after.TotalAlloc - before.TotalAlloc}
		return err
	})
	return out, err
}
