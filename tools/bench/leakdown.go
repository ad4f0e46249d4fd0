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

	"airhold/firmware/leakdown"
)

// leakdownOptions is what the command line of the leak-down table says.
type leakdownOptions struct {
	n, first int
	seed     uint64
	sets     string
	slice    bool
	dump     int
	worst    int
	cores    int
}

// What the slice may take: the last test of the last set is begun before this is over, on two cores.
const (
	sliceTests = 200
	sliceTime  = 200 * time.Second
)

// benchLeakdown prints the table of the leak-down estimator: how near the truth of the rig's own physics it comes, how
// sure it may be, how often and how late it decides.
func benchLeakdown(ctx context.Context, args []string, w io.Writer) error {
	o, err := leakdownArgs(args)
	if err != nil {
		return err
	}
	chosen, err := chooseSets(o.sets)
	if err != nil {
		return err
	}
	header(ctx, append([]string{"leakdown"}, args...), w)
	row(w, "seed", "%d", o.seed)
	if o.dump >= 0 {
		if len(chosen) == 0 {
			return errors.New("-dump needs a set of tests, not " + guestSet)
		}
		fmt.Fprintln(w)
		return dump(w, &chosen[0], o.seed, o.dump)
	}
	level := 0.95
	if o.slice {
		level = 0.99
	}
	row(w, "tests of the main set", "%d, %d cores", o.n, o.cores)
	row(w, "truth", "%s", "flow at the pressure when shut in, air at the wall's temperature, over 1.1884 kg/m3")
	fmt.Fprintf(w, "\nranges (drawn evenly; errors, intervals and coverage over leaks up to %d L/min; limit %g L/min ANR)\n", judgedLeak, limitLmin)
	for i := range chosen {
		chosen[i].print(w)
	}
	started := time.Now()
	all, wrong, err := runSets(ctx, o, chosen, level, w)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(chosen, func(r ranges) bool { return r.name == "main" }) {
		f, err := costFigure(o)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "\ncost\n")
		head(w, level)
		f.print(w)
		all = append(all, f)
	}
	for _, g := range invited(o.sets) {
		fmt.Fprintf(w, "\n%s\n", g.words)
		rows, err := g.rows(ctx, o.seed, o.n, o.cores, level)
		if err != nil {
			return fmt.Errorf("%s: %w", g.words, err)
		}
		head(w, level)
		for i := range rows {
			rows[i].print(w)
		}
		all = append(all, rows...)
	}
	fmt.Fprintf(w, "\n  took %.1f minutes\n", time.Since(started).Minutes())
	for i := range all {
		if f := &all[i]; f.misses(o.slice) {
			wrong = append(wrong, strings.TrimSpace(fmt.Sprintf("%s %s: %s %s, bar %s", f.set, f.words, f.number(f.value), f.unit, f.bar.words(f))))
		}
	}
	if len(wrong) > 0 {
		return fmt.Errorf("seed %d: %d figures miss their bar:\n  %s", o.seed, len(wrong), strings.Join(wrong, "\n  "))
	}
	return nil
}

func leakdownArgs(args []string) (leakdownOptions, error) {
	fs := flag.NewFlagSet("bench leakdown", flag.ContinueOnError)
	o := leakdownOptions{}
	fs.IntVar(&o.n, "n", 2400, "tests of the main set; of some others half as many")
	fs.IntVar(&o.first, "first", 0, "number of the first test")
	fs.Uint64Var(&o.seed, "seed", 0, "of everything drawn; 0: from the clock")
	fs.StringVar(&o.sets, "sets", "", "comma separated: "+strings.Join(setNames(), ", ")+", "+guestSet+"; empty: all")
	fs.BoolVar(&o.slice, "slice", false, "what CI runs: fewer tests, at most four minutes, and an error only beyond chance")
	fs.IntVar(&o.dump, "dump", -1, "print one test of the (first) set: what was drawn, the truth, every estimate")
	fs.IntVar(&o.worst, "worst", 0, "list so many of the largest errors of each set, and the wrong verdicts")
	fs.IntVar(&o.cores, "cores", runtime.NumCPU(), "tests at a time")
	if err := fs.Parse(args); err != nil {
		return o, err
	}
	if o.slice {
		o.n = sliceTests
	}
	switch {
	case fs.NArg() > 0:
		return o, fmt.Errorf("leakdown takes flags only, not %q", fs.Arg(0))
	case o.n < 1 || o.cores < 1 || o.first < 0:
		return o, errors.New("-n and -cores must be 1 or more, -first 0 or more")
	}
	if o.seed == 0 {
		o.seed = uint64(time.Now().UnixNano())
	}
	return o, nil
}

func setNames() (names []string) {
	for _, r := range sets() {
		names = append(names, r.name)
	}
	return names
}

// guestSet is the name by which -sets asks for the lines of the guests.
const guestSet = "zones"

// invited are the guests that -sets asks for.
func invited(text string) []guest {
	if text == "" || slices.Contains(strings.Split(text, ","), guestSet) {
		return guests()
	}
	return nil
}

func chooseSets(text string) ([]ranges, error) {
	if text == "" {
		return sets(), nil
	}
	var chosen []ranges
	for name := range strings.SplitSeq(text, ",") {
		if name == guestSet {
			continue
		}
		i := slices.Index(setNames(), name)
		if i < 0 {
			return nil, fmt.Errorf("there is no set %q; there are %s, %s", name, strings.Join(setNames(), ", "), guestSet)
		}
		chosen = append(chosen, sets()[i])
	}
	return chosen, nil
}

// runSets judges and prints set by set. It returns every figure, and what is wrong with the table itself.
func runSets(ctx context.Context, o leakdownOptions, chosen []ranges, level float64, w io.Writer) (all []figure, wrong []string, err error) {
	begun := time.Now()
	var total, done float64
	for i := range chosen {
		total += chosen[i].effort()
	}
	for i := range chosen {
		r := &chosen[i]
		done += r.effort()
		var deadline time.Time
		if o.slice {
			deadline = begun.Add(time.Duration(done / total * float64(sliceTime)))
		}
		n := max(1, int(float64(o.n)*r.part))
		started := time.Now()
		out, err := runSet(ctx, r, o.seed, o.first, n, o.cores, deadline)
		if err != nil {
			return nil, nil, err
		}
		fmt.Fprintf(w, "\n%s: %s; %d tests in %.1f minutes\n", r.name, r.words, len(out), time.Since(started).Minutes())
		if len(out) < n {
			fmt.Fprintf(w, "  time was up: %d of %d tests\n", len(out), n)
		}
		if len(out) < min(n, leastTests) {
			wrong = append(wrong, fmt.Sprintf("%s: only %d tests in the time, which say nothing", r.name, len(out)))
			continue
		}
		s := sheet{set: r.name, all: out, level: level}
		s.fill(r)
		head(w, level)
		for j := range s.figures {
			s.figures[j].print(w)
		}
		s.invalid(w)
		if r.name == "main" {
			for _, m := range s.printNaive(w) {
				wrong = append(wrong, "the naive "+m+" meets the bars: the tests are too easy")
			}
		}
		if o.worst > 0 {
			s.worst(w, o.worst)
		}
		all = append(all, s.figures...)
	}
	return all, wrong, nil
}

// leastTests is the least number of tests of which a set is judged.
const leastTests = 20

// effort is how long a set takes beside others.
func (r *ranges) effort() float64 {
	if r.learned {
		return 3.5 * r.part
	}
	return r.part
}

// costFigure measures what one whole test costs: every estimate of 600 s at 10 Hz, on one core, processor time.
func costFigure(o leakdownOptions) (figure, error) {
	main := mainRanges()
	var took []float64
	for i := range 9 {
		t := draw(&main, o.seed, o.first+i)
		samples, err := t.samples()
		if err != nil {
			return figure{}, err
		}
		test, err := leakdown.New(t.setup)
		if err != nil {
			return figure{}, err
		}
		before := processorTime()
		if err := oneCore(func() error { feed(test, samples); return nil }); err != nil {
			return figure{}, err
		}
		took = append(took, (processorTime() - before).Seconds())
	}
	return figure{
		words: "one whole 600 s test, median of 9", unit: "s", value: middle(took), low: slices.Min(took), high: slices.Max(took),
		bar: atMostOf(0.3), aim: atMostOf(0.1), n: len(took),
	}, nil
}
