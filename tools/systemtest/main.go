// SPDX-License-Identifier: Apache-2.0

// Command systemtest tests the shipped binary on a real kernel with real drivers, without a board: it starts an emulated
// arm64 box from Debian's packages and lets it run against emulated controllers, adapters and chips.
//
//	go run ./tools/systemtest [-only NAMES] [-slice] [-load TIME] [-binary FILE]
//
// Each test is one line that says what was counted; a failed one is followed by what is known about it. It exits with 1
// when a test failed and with 2 when it was called wrongly or something it needs is missing.
//
// What it cannot show: a real board's kernel and device tree, other controllers, anything electrical, and how SD cards
// fail.
package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"airhold/tools/systemtest/results"
)

const usage = `usage: go run ./tools/systemtest [-only NAMES] [-slice] [-load TIME] [-binary FILE]

  -only NAMES   run these tests only, separated by commas
  -slice        as in CI: 8 s of a full bus instead of 60, and few power cuts
  -load TIME    how long a full bus lasts, as 20s
  -binary FILE  test this static arm64 airhold instead of building one
`

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// wish is what the person asked for.
type wish struct {
	only   []string
	slice  bool
	load   time.Duration
	binary string
}

func (w wish) wants(name string) bool { return len(w.only) == 0 || slices.Contains(w.only, name) }

// cuts is how often the power is cut.
func (w wish) cuts() int {
	if w.slice {
		return 4
	}
	return 30
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("systemtest", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	only := flags.String("only", "", "")
	var w wish
	flags.BoolVar(&w.slice, "slice", false, "")
	flags.DurationVar(&w.load, "load", 0, "")
	flags.StringVar(&w.binary, "binary", "", "")
	err := flags.Parse(args)
	if errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(stdout, usage)
		return 0
	}
	if err == nil && flags.NArg() > 0 {
		err = fmt.Errorf("%q is too much", flags.Arg(0))
	}
	if w.load == 0 {
		w.load = time.Minute
		if w.slice {
			w.load = 8 * time.Second
		}
	}
	if err == nil && (w.load < time.Second || w.load > 10*time.Minute) {
		err = fmt.Errorf("-load %v: want 1s to 10m", w.load)
	}
	if err == nil && *only != "" {
		w.only = strings.Split(*only, ",")
		err = knownTests(w.only)
	}
	if err != nil {
		fmt.Fprintf(stderr, "systemtest: %v\n\n%s", err, usage)
		return 2
	}
	b := &book{out: stdout, begun: time.Now()}
	if err := b.runAll(ctx, w); err != nil {
		fmt.Fprintf(stderr, "systemtest: %v\n", err)
		return 2
	}
	if b.failed() > 0 || ctx.Err() != nil {
		return 1
	}
	return 0
}

func knownTests(names []string) error {
	all := []string{cutTest, bareTest}
	for _, s := range suites() {
		all = append(all, s.tests...)
		for _, c := range s.checks {
			all = append(all, c.name)
		}
	}
	for _, n := range names {
		if !slices.Contains(all, n) {
			return fmt.Errorf("there is no test %q; there are: %s", n, strings.Join(all, ", "))
		}
	}
	return nil
}

func (b *book) runAll(ctx context.Context, w wish) error {
	if err := supply(ctx, b.out); err != nil {
		return err
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = os.TempDir()
	}
	k, err := findKernel(ctx, filepath.Join(cache, "airhold-systemtest"), b.out)
	if err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "airhold-systemtest-")
	if err != nil {
		return fmt.Errorf("folder of this run: %w", err)
	}
	defer os.RemoveAll(folder) //nolint:errcheck // a folder that stays does no harm
	shop := &workshop{folder: folder, kernel: k}
	if w.binary != "" {
		shop.airhold, err = os.ReadFile(w.binary)
	} else {
		shop.airhold, err = build(ctx, folder, "./cmd/airhold")
	}
	if err != nil {
		return fmt.Errorf("the airhold to test: %w", err)
	}
	if shop.agent, err = build(ctx, folder, "./tools/systemtest/agent"); err != nil {
		return fmt.Errorf("the box's own program: %w", err)
	}
	fmt.Fprintf(b.out, "prepared in %.1f s: Debian's kernel %s (%s), airhold %.1f MB\n",
		time.Since(b.begun).Seconds(), k.release, k.version, float64(len(shop.airhold))/1e6)
	// An emulated processor is one thread here, so two boxes fill a machine with two.
	var boxes sync.WaitGroup
	places := make(chan struct{}, max(1, runtime.NumCPU()))
	beside := func(f func()) {
		places <- struct{}{}
		boxes.Go(func() {
			f()
			<-places
		})
	}
	if w.wants(cutTest) {
		beside(func() { b.runCuts(ctx, shop, w.cuts()) })
	}
	if w.wants(bareTest) {
		beside(func() { b.runBareCut(ctx, shop) })
	}
	for _, s := range suites() {
		beside(func() { b.runSuite(ctx, shop, s, w) })
	}
	boxes.Wait()
	b.close()
	return nil
}

// close prints the last line.
func (b *book) close() {
	n, bad := len(b.outcomes), b.failed()
	fmt.Fprintf(b.out, "%d of %d tests passed in %.0f s\n", n-bad, n, time.Since(b.begun).Seconds())
}

// runSuite starts one box for the suite's tests that are wanted, and then checks on the host what it brought.
func (b *book) runSuite(ctx context.Context, shop *workshop, s suite, w wish) {
	var tests []string
	for _, t := range s.tests {
		needed := slices.ContainsFunc(s.checks, func(c check) bool { return c.needs == t && w.wants(c.name) })
		if w.wants(t) || needed {
			tests = append(tests, t)
		}
	}
	if len(tests) == 0 || ctx.Err() != nil {
		return
	}
	l := &listener{book: b, now: time.Now, since: time.Now(), files: map[string][]byte{}}
	h, err := shop.start(ctx, s.name, box{
		plan: results.Plan{Tests: tests, Load: w.load}, modules: append(always(), s.modules...), devices: s.devices, limit: 5*time.Minute + 20*w.load,
	}, l.hear)
	missing := cmp.Or(err, errors.New("the box forgot it"))
	l.missed(tests, missing, h.console)
	for _, c := range s.checks {
		if w.wants(c.name) && slices.Contains(l.done, c.needs) {
			begun := time.Now()
			text, err := c.run(ctx, shop.folder, l.files)
			o := outcome{test: c.name, ok: err == nil, text: text, took: time.Since(begun)}
			if err != nil {
				o.text = strings.TrimSpace(text + " " + err.Error())
			}
			b.add(o)
		}
	}
}
