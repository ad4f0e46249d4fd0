// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"airhold/firmware"
	"airhold/firmware/clock"
)

const probeUsage = `airhold probe: read every analog input and every bus once and say what is wrong, in the installer's words.

  airhold probe --machine FILE [CHANNEL] [--json]

It only listens. Before you touch a plug: machine parked, engine off, key out, air relieved or nobody at the row
units, as the machine's manual says.
`

// probeTime is how long a bus is listened to, and how long a hanging converter may hold things up.
const probeTime = 3 * time.Second

func runProbe(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("probe", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	machine := fs.String("machine", "", "")
	asJSON := fs.Bool("json", false, "")
	help := func(w io.Writer) { fmt.Fprint(w, probeUsage) }
	only := ""
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		only, args = args[0], args[1:]
	} else if n := len(args); n > 0 && !strings.HasPrefix(args[n-1], "-") && (n < 2 || args[n-2] != "--machine" && args[n-2] != "-machine") {
		only, args = args[n-1], args[:n-1]
	}
	if code, done := parseFlags(fs, args, help, stdout, stderr); done {
		return code
	}
	if *machine == "" {
		fmt.Fprintln(stderr, "airhold probe: say which machine: --machine FILE")
		return exitUsage
	}
	m, code := loadMachine(*machine, stderr)
	if m == nil {
		return code
	}
	if _, ok := m.Channel(only); only != "" && !ok {
		fmt.Fprintf(stderr, "airhold probe: the machine file has no channel %q\n", only)
		return exitUsage
	}
	ctx, cancel := context.WithTimeout(ctx, probeTime)
	defer cancel()
	found, err := firmware.Probe(ctx, m, clock.Live{}, firmware.RealWires())
	if err != nil {
		fmt.Fprintf(stderr, "airhold probe: %v\n", err)
		return exitFailed
	}
	p := replayPrinter{w: stdout}
	bad := 0
	for _, f := range found {
		if only != "" && f.Channel != only {
			continue
		}
		if f.Status != "ok" {
			bad++
		}
		if *asJSON {
			p.line(f)
			continue
		}
		fmt.Fprintf(stdout, "%-14s %s\n", f.Channel, f.Sentence)
	}
	if bad > 0 {
		return exitFailed
	}
	return exitOK
}
