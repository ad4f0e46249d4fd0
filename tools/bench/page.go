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
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// pageOptions is what the command line of the page's table says.
type pageOptions struct {
	only     string
	slice    bool
	duration time.Duration
	seed     uint64
	binary   string
}

// pagePart is one measurement of what reaches a screen.
type pagePart struct {
	name, words string
	usual       time.Duration // how long it is measured; the slice's is zero where load would decide
	slice       time.Duration
	run         func(ctx context.Context, p *pageBench, t *pageTable) error
}

func pageParts() []pagePart {
	return []pagePart{
		{"alerts", "from the sample that completes an alarm's on-delay to the pixel in Chromium; the built box at real time", 16 * time.Minute, 0, pageAlerts},
		{"kills", "a box that is killed in mid-alert and started again, tablets that follow it, and its journal", 3 * time.Minute, 18 * time.Second, pageKills},
		{"broker", "paho to the broker inside, over WebSocket to mqtt.js, 1,000 messages a second, and Mosquitto beside it", 2 * time.Minute, 0, pageBroker},
		{"readers", "what four readers of everything cost the box", 2 * time.Minute, 0, pageReaders},
		{"frames", "gaps between frames and forced layouts of home in Chromium while values move; the built box", 30 * time.Second, 0, pageFrames},
		{"paint", "from the request to the first paint in Chromium, with an empty cache; the built box", time.Minute, 0, pagePaint},
		{"memory", "what the page keeps over a working day, in Chromium; a stand-in for the box", 16 * time.Minute, 0, pageMemory},
	}
}

// pageBench is what the measurements share.
type pageBench struct {
	pageOptions

	dir    string
	binary string
}

// pageTable collects the figures of one measurement.
type pageTable struct {
	rows   [][4]string
	notes  []string
	missed []string
}

// add puts a figure into the table. Without a bar it is only told.
func (t *pageTable) add(words, n, figure string) {
	t.rows = append(t.rows, [4]string{words, n, figure, ""})
}

// hold puts a figure in that must keep its bar.
func (t *pageTable) hold(words, n, figure, bar string, holds bool) {
	if !holds {
		t.missed = append(t.missed, fmt.Sprintf("%s: %s, bar %s", words, figure, bar))
		bar += "  MISSED"
	}
	t.rows = append(t.rows, [4]string{words, n, figure, bar})
}

// note says how a figure was come by.
func (t *pageTable) note(format string, a ...any) {
	t.notes = append(t.notes, fmt.Sprintf(format, a...))
}

func (t *pageTable) print(w io.Writer) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  figure\tn\tvalue\tbar")
	for _, r := range t.rows {
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\n", r[0], r[1], r[2], r[3])
	}
	err := table.Flush()
	for _, n := range t.notes {
		fmt.Fprintf(w, "  %s\n", n)
	}
	return err
}

// benchPage prints the table of what reaches a screen, and how fast.
func benchPage(ctx context.Context, args []string, w io.Writer) error {
	parts, o, err := pageArgs(args)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "airhold-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	p := &pageBench{pageOptions: o, dir: dir, binary: o.binary}
	if p.binary == "" {
		if p.binary, err = buildAirhold(ctx, dir); err != nil {
			return err
		}
	}
	header(ctx, append([]string{"page"}, args...), w)
	row(w, "seed", "%d", o.seed)
	var wrong []error
	for _, part := range parts {
		q := *p
		if q.duration == 0 {
			if q.duration = part.usual; o.slice {
				q.duration = part.slice
			}
		}
		fmt.Fprintf(w, "\n%s: %s; %s\n", part.name, part.words, q.duration)
		if q.dir, err = os.MkdirTemp(dir, part.name); err != nil {
			return err
		}
		var t pageTable
		before := lookAround()
		err := part.run(ctx, &q, &t)
		row(w, "meanwhile", "%s", lookAround().since(before))
		if perr := t.print(w); perr != nil {
			return perr
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", part.name, err))
		}
		for _, m := range t.missed {
			wrong = append(wrong, fmt.Errorf("%s: %s", part.name, m))
		}
	}
	return errors.Join(wrong...)
}

func pageArgs(args []string) ([]pagePart, pageOptions, error) {
	all := pageParts()
	names := make([]string, 0, len(all))
	for _, p := range all {
		names = append(names, p.name)
	}
	fs := flag.NewFlagSet("bench page", flag.ContinueOnError)
	o := pageOptions{}
	fs.StringVar(&o.only, "only", "", "comma separated: "+strings.Join(names, ", ")+"; empty: all")
	fs.BoolVar(&o.slice, "slice", false, "what CI runs: the measurements whose bar no load can move, and short")
	fs.DurationVar(&o.duration, "duration", 0, "how long each is measured; 0: as long as its number of samples needs")
	fs.Uint64Var(&o.seed, "seed", 1, "of everything drawn")
	fs.StringVar(&o.binary, "binary", "", "the built airhold; empty: build it")
	if err := fs.Parse(args); err != nil {
		return nil, o, err
	}
	if fs.NArg() > 0 {
		return nil, o, fmt.Errorf("page takes flags only, not %q", fs.Arg(0))
	}
	if o.duration < 0 {
		return nil, o, errors.New("-duration must not be negative")
	}
	if o.only != "" {
		asked := strings.Split(o.only, ",")
		for _, a := range asked {
			if !slices.Contains(names, a) {
				return nil, o, fmt.Errorf("there is no measurement %q; there are %s", a, strings.Join(names, ", "))
			}
		}
		all = slices.DeleteFunc(all, func(p pagePart) bool { return !slices.Contains(asked, p.name) })
	}
	if o.slice {
		all = slices.DeleteFunc(all, func(p pagePart) bool { return p.slice == 0 })
	}
	return all, o, nil
}

// share returns the value below which a part of all lies, by the nearest rank: no value that was not measured.
func share(all []float64, part float64) float64 {
	if len(all) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(all))
	return s[min(len(s)-1, max(0, int(math.Ceil(part*float64(len(s))))-1))]
}

// spread tells median, 99th percentile and largest of times in ms.
func spread(ms []float64) string {
	return fmt.Sprintf("p50 %.4g ms, p99 %.4g ms, most %.4g ms", share(ms, 0.5), share(ms, 0.99), share(ms, 1))
}

func inMS(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
