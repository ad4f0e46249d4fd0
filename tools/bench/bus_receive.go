// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
)

// receive is bar 6. The contestants stand in the benchmarks of bus/socketcan, because the reader behind a CAN socket is
// nothing to be had from outside: this runs them and puts what they report into the table.
func (b *busBench) receive(ctx context.Context, w io.Writer, v *verdict) error {
	const name = "6 receive"
	if !strings.Contains(name, b.options.only) {
		return nil
	}
	m, err := benchmarked(ctx, "Receive", strconv.Itoa(20*b.options.turns)+"x")
	if err != nil {
		return err
	}
	const least = 2
	ratio, mark := m["times-singly"], ""
	if ratio < least*b.share() {
		mark = "  MISSED"
		v.missed = append(v.missed, fmt.Sprintf("6: %.2f times a reader of one frame a call; the bar is %d", ratio, least))
	}
	ours := fmt.Sprintf("%.3g M/s (%.0f ns)", 1e3/m["ns/frame"], m["ns/frame"])
	fmt.Fprintf(w, "6 receive with kernel time stamps, datagrams of the loopback, best round\t%s\trecvmsg a frame (x/sys/unix)\t%.3g M/s (%.0f ns)\t%.2f%s\t%d\t\t\n",
		ours, 1e3/m["ns/frame-singly"], m["ns/frame-singly"], ratio, mark, least)
	fmt.Fprintf(w, "6 the same\t%s\trecvmsg a frame, bare system call\t%.3g M/s (%.0f ns)\t%.2f\t\t\t\n",
		ours, 1e3/m["ns/frame-lean"], m["ns/frame-lean"], m["times-lean"])
	full, err := benchmarked(ctx, "FullRate", strconv.Itoa(b.size.fullSeconds)+"x")
	if err != nil {
		return err
	}
	mark = ""
	if full["drops"] > 0 || full["%core"] > 5/b.share() {
		mark = "  MISSED"
		v.missed = append(v.missed, fmt.Sprintf("6: %.0f drops and %.1f %% of a core at four full buses; the bar is none and 5 %%", full["drops"], full["%core"]))
	}
	fmt.Fprintf(w, "6 four full buses of 500 kbit/s, 15,300 frames/s for %d s\t%.0f drops, %.1f %% of a core%s\t\t\t\t0 and 5 %%\t3 %%\t\n",
		b.size.fullSeconds, full["drops"], full["%core"], mark)
	return nil
}

// benchmarked runs one benchmark of bus/socketcan and returns its figures by unit.
func benchmarked(ctx context.Context, name, rounds string) (map[string]float64, error) {
	out, err := exec.CommandContext(ctx, "go", "test", "-run", "^$", "-bench", "^Benchmark"+name+"$", "-benchtime", rounds, "./bus/socketcan").CombinedOutput() //nolint:gosec // fixed arguments
	if err != nil {
		return nil, fmt.Errorf("benchmark %s of bus/socketcan: %w\n%s", name, err, out)
	}
	figures := make(map[string]float64)
	for line := range strings.Lines(string(out)) {
		if !strings.HasPrefix(line, "Benchmark"+name) {
			continue
		}
		fields := strings.Fields(line)[2:]
		for ; len(fields) >= 2; fields = fields[2:] {
			if figures[fields[1]], err = strconv.ParseFloat(fields[0], 64); err != nil {
				return nil, fmt.Errorf("benchmark %s: %w", name, err)
			}
		}
	}
	if len(figures) == 0 {
		return nil, fmt.Errorf("benchmark %s of bus/socketcan reports nothing:\n%s", name, out)
	}
	return figures, nil
}
