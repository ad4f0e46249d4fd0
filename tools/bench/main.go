// SPDX-License-Identifier: Apache-2.0

// Command bench measures how fast airhold is and how much it takes, and prints each figure with what it was measured on.
//
//	go run ./tools/bench [replay|candump|demo ...]
//	go run ./tools/bench leakdown [flags]
//	go run ./tools/bench season [flags]
//	go run ./tools/bench bus [flags]
//	go run ./tools/bench page [flags]
//
// replay reads an hour of a simulated planting day from CSV through the spine, beside a peer that only parses the same
// file with encoding/csv and strconv. candump reads a bus log, beside the parser of einride's can-go. demo starts the
// built binary at real time with one page client and looks at its memory and its share of a core.
//
// leakdown is another kind of measurement: how near the truth the leak-down test comes, on thousands of simulated tests. It
// runs only when asked for, has its own flags (leakdown -h), and fails when a figure misses its bar. season does the same
// for the checks that watch while planting, on whole simulated days. bus holds what reads and writes bus frames against the
// programs and libraries that others use for it, in one table, and fails as well. page measures what reaches a screen, and how
// fast: the built box, its page in Chromium, and a broker that others use beside ours.
//
// Figures of speed are for reading: no test fails on a time. Ratios are taken in the same run, turn by turn, so that a busy machine
// slows both sides. Every input is made here from the rig and a seed; nothing is downloaded.
package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := bench(ctx, os.Args[1:], os.Stdout)
	stop()
	if errors.Is(err, flag.ErrHelp) {
		return
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "bench: %v\n", err)
		os.Exit(1)
	}
}

// options of a measurement; run is what the command line says.
type options struct {
	turns   int
	span    time.Duration
	profile string
	binary  string
	log     string
}

type measurement struct {
	name, words string
	run         func(ctx context.Context, o options, w io.Writer) error
}

func measurements() []measurement {
	return []measurement{
		{"replay", "an hour of readings, 12 channels at 10 Hz, from CSV through the spine, on one core", benchReplay},
		{"candump", "a bus log from text to frames, on one core", benchCandump},
		{"demo", "memory and processor time of the demo at real time with one page open", benchDemo},
	}
}

func bench(ctx context.Context, args []string, w io.Writer) error {
	if len(args) > 0 && args[0] == "leakdown" {
		return benchLeakdown(ctx, args[1:], w)
	}
	if len(args) > 0 && args[0] == "season" {
		return benchSeason(ctx, args[1:], w)
	}
	if len(args) > 0 && args[0] == "bus" {
		return benchBus(ctx, args[1:], w)
	}
	if len(args) > 0 && args[0] == "page" {
		return benchPage(ctx, args[1:], w)
	}
	fs := flag.NewFlagSet("bench", flag.ContinueOnError)
	o := options{}
	fs.IntVar(&o.turns, "turns", 9, "how often each side is measured; the median counts")
	fs.DurationVar(&o.span, "span", time.Minute, "how long the demo is watched")
	fs.StringVar(&o.profile, "profile", "", "write a processor profile of replay to this file")
	fs.StringVar(&o.binary, "binary", "", "the built airhold to watch; empty: build it")
	fs.StringVar(&o.log, "log", "", "a candump log of your own instead of the simulated one")
	all := measurements()
	fs.Usage = func() {
		fmt.Fprintln(fs.Output(), "usage: go run ./tools/bench [flags] [replay|candump|demo ...]")
		fmt.Fprintln(fs.Output(), "       go run ./tools/bench leakdown [flags]")
		fmt.Fprintln(fs.Output(), "       go run ./tools/bench season [flags]")
		fmt.Fprintln(fs.Output(), "       go run ./tools/bench bus [flags]")
		fmt.Fprintln(fs.Output(), "       go run ./tools/bench page [flags]")
		fs.PrintDefaults()
	}
	if err := fs.Parse(args); err != nil {
		return err
	}
	if o.turns < 1 {
		return errors.New("-turns must be 1 or more")
	}
	names := fs.Args()
	for _, n := range names {
		if !slices.ContainsFunc(all, func(m measurement) bool { return m.name == n }) {
			return fmt.Errorf("there is no measurement %q; there are replay, candump and demo", n)
		}
	}
	header(ctx, args, w)
	for _, m := range all {
		if len(names) > 0 && !slices.Contains(names, m.name) {
			continue
		}
		fmt.Fprintf(w, "\n%s: %s\n", m.name, m.words)
		if err := m.run(ctx, o, w); err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
	}
	return nil
}

// header says on what the figures were measured.
func header(ctx context.Context, args []string, w io.Writer) {
	row(w, "machine", "%s, %d cores", processor(), runtime.NumCPU())
	row(w, "system", "%s/%s, load %s", runtime.GOOS, runtime.GOARCH, load())
	row(w, "go", "%s", runtime.Version())
	row(w, "commit", "%s", commit(ctx))
	row(w, "command", "%s", strings.TrimSpace("go run ./tools/bench "+strings.Join(args, " ")))
}

func row(w io.Writer, name, format string, a ...any) {
	fmt.Fprintf(w, "  %-34s %s\n", name, fmt.Sprintf(format, a...))
}

func processor() string {
	f, err := os.Open("/proc/cpuinfo")
	if err != nil {
		return runtime.GOARCH
	}
	defer f.Close() //nolint:errcheck // only read
	for s := bufio.NewScanner(f); s.Scan(); {
		if k, v, ok := strings.Cut(s.Text(), ":"); ok && (strings.TrimSpace(k) == "model name" || strings.TrimSpace(k) == "Model") {
			return strings.TrimSpace(v)
		}
	}
	return runtime.GOARCH
}

func load() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "not known"
	}
	first, _, _ := strings.Cut(string(text), " ")
	return first + " before the start"
}

func commit(ctx context.Context) string {
	git := func(args ...string) string {
		out, err := exec.CommandContext(ctx, "git", args...).Output() //nolint:gosec // fixed arguments
		if err != nil {
			return ""
		}
		return strings.TrimSpace(string(out))
	}
	rev := git("rev-parse", "--short=12", "HEAD")
	switch {
	case rev == "":
		return "not known"
	case git("status", "--porcelain", "--untracked-files=no") != "":
		return rev + " and changes"
	default:
		return rev
	}
}

// median of what was measured, and the fastest.
func median(d []time.Duration) (mid, fastest time.Duration) {
	s := slices.Sorted(slices.Values(d))
	return s[len(s)/2], s[0]
}

// times counts how often real goes into took.
func times(span, took time.Duration) float64 { return span.Seconds() / took.Seconds() }

// processorTime is what this process has spent on processors so far, in its own code and the kernel's for it. On a machine
// that others use too it says more than the wall clock.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// oneCore keeps what f does on one core.
func oneCore(f func() error) error {
	was := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(was)
	return f()
}
