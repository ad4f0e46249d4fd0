// SPDX-License-Identifier: Apache-2.0

// Command airhold watches the air of a planter with airbag downforce: the whole box in one binary, which runs as a
// service, as a tool on a laptop and as a demo, always through the same code.
//
// One file a subcommand. What people read goes to standard output, logs to standard error. Exit codes: 0 fine,
// 1 failed, 2 wrong usage, 3 input or machine file refused.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"syscall"
)

// The exit codes.
const (
	exitOK      = 0
	exitFailed  = 1
	exitUsage   = 2
	exitRefused = 3
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

type command struct {
	name, words string
	run         func(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int
}

func commands() []command {
	return []command{
		{"demo", "the whole box on a simulated machine, with its page on this computer", withoutInput(runDemo)},
		{"run", "the box: watch the machine that a machine file describes", withoutInput(runBox)},
		{"check", "read a machine file and name every problem in it", withoutInput(runCheck)},
		{"probe", "read every sensor and bus once and say what is wrong", withoutInput(runProbe)},
		{"replay", "run recorded readings, bus logs or a recorded boot through the same checks", withoutInput(runReplay)},
		{"decode", "turn recorded bus frames into named values", runDecode},
		{"export", "recorded boots as Parquet, CSV, candump, pcapng or GeoJSON", withoutInput(runExport)},
		{"calc", "the handbook's formulas: leaks, tanks, water in the air, sensors", withoutInput(runCalc)},
		{"leakdown", "does the closed-up air hold, how much does it leak, how sure: live or on recordings", runLeakdown},
		{"care", "what is due of the air supply's care, and what was done", withoutInput(runCare)},
		{"learned", "what the machine has taught the box", withoutInput(runLearned)},
		{"pair", "let a tablet press, list the paired ones, take a pairing back", withoutInput(runPair)},
		{"journal", "show or verify what the alarms did", withoutInput(runJournal)},
		{"bus", "who is on the wire, what is sent how often, how full it is", runBus},
		{"link", "bring a CAN interface up, listening only (root)", withoutInput(runLink)},
		{"version", "say which build this is", withoutInput(runVersion)},
	}
}

func withoutInput(f func(context.Context, []string, io.Writer, io.Writer) int) func(context.Context, []string, io.Reader, io.Writer, io.Writer) int {
	return func(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) int {
		return f(ctx, args, stdout, stderr)
	}
}

func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		usage(stderr)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "--help":
		usage(stdout)
		return exitOK
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, args[1:], stdin, stdout, stderr)
		}
	}
	fmt.Fprintf(stderr, "airhold: there is no command %q\n", args[0])
	if n := nearestCommand(args[0]); n != "" {
		fmt.Fprintf(stderr, "Did you mean: airhold %s\n", n)
	} else {
		fmt.Fprintln(stderr, "All commands: airhold help")
	}
	return exitUsage
}

func usage(w io.Writer) {
	fmt.Fprint(w, "airhold watches the compressed air of a planter with airbag downforce.\n\nCommands:\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-9s %s\n", c.name, c.words)
	}
	fmt.Fprint(w, "\nStart with: airhold demo\nEach command explains itself with --help.\n")
}

// nearestCommand returns the command that differs from word in at most two letters.
func nearestCommand(word string) string {
	best, found := 3, ""
	for _, c := range commands() {
		if d := distance(word, c.name); d < best {
			best, found = d, c.name
		}
	}
	return found
}

// distance is the Levenshtein distance.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			next := slices.Min([]int{row[j] + 1, row[j-1] + 1, diagonal + cost})
			diagonal, row[j] = row[j], next
		}
	}
	return row[len(b)]
}
