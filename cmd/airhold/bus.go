// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"airhold/bus/signals"
	"airhold/bus/traffic"
)

const busUsage = `airhold bus: who is on the wire, what is sent how often, how full it is, and which faults are reported.

  airhold bus [--box URL] [--machine FILE] [--json]         all that a running box has heard since it started
  airhold bus LINK ... [--seconds N] [--json]               listens by itself, here and now
  airhold bus --machine FILE --seconds N [--json]           likewise, on the links of a machine file
  airhold bus --can FILE [--json]                           from a recording

  --box URL       where the box answers (default: the machine file's page.listen, else http://127.0.0.1:8080);
                  when none answers, the CAN links of this computer are listened to
  --seconds N     how long to listen (default 10); devices tell their NAMEs only when they are switched on
  --can FILE      candump text or pcapng, also as .gz or .zst; - reads standard input
  --dbc FILE      names for messages of your own, when listening or with a recording; they go before the built-in ones
  --json          one JSON object a line; the last one is the summary

It only listens: a link must be in listen-only mode (airhold link) or virtual.
`

// busFlags are what the command line says.
type busFlags struct {
	box, machine, can string
	dbc               string
	seconds           float64
	json              bool
	links             []string
}

const (
	defaultListen = 10 * time.Second
	longestListen = 24 * time.Hour
)

func runBus(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	return busCommand{open: openBusLink, list: listBusLinks}.run(ctx, args, stdin, stdout, stderr)
}

// busCommand is the command with what it reaches the wires by.
type busCommand struct {
	open func(ctx context.Context, link string) (busSource, error)
	list func() ([]string, error) // names of the links that may be opened

	names *signals.DBC // of the user; nil: the built-in names alone
}

// decoder joins and names messages.
func (c busCommand) decoder() *signals.Decoder {
	d := signals.NewDecoder()
	if c.names != nil {
		d.Use(c.names)
	}
	return d
}

func (c busCommand) run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var f busFlags
	set := flag.NewFlagSet("bus", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	set.StringVar(&f.box, "box", "", "")
	set.StringVar(&f.machine, "machine", "", "")
	set.StringVar(&f.can, "can", "", "")
	set.StringVar(&f.dbc, "dbc", "", "")
	set.Float64Var(&f.seconds, "seconds", 0, "")
	set.BoolVar(&f.json, "json", false, "")
	var err error
	f.links, err = parseMixed(set, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(stdout, busUsage)
		return exitOK
	case err != nil:
		return wrongUsage("bus", stderr, "%v", err)
	}
	if wrong := f.wrong(); wrong != "" {
		return wrongUsage("bus", stderr, "%s", wrong)
	}
	base, m, code := boxOf("bus", f.box, f.machine, stderr)
	if code != exitOK {
		return code
	}
	if f.dbc != "" {
		text, err := os.ReadFile(f.dbc)
		if err != nil {
			fmt.Fprintf(stderr, "airhold bus: --dbc: %s\n", fileWords(err))
			return exitRefused
		}
		if c.names, err = signals.ParseDBC(f.dbc, text); err != nil {
			fmt.Fprintf(stderr, "%v\nMend the line, or leave --dbc out for the built-in names.\n", err)
			return exitRefused
		}
	}
	p := busPrinter{w: stdout, json: f.json}
	switch {
	case f.can != "":
		return busRecorded(ctx, f.can, c.decoder(), stdin, &p, stderr)
	case len(f.links) > 0 || f.seconds > 0 || f.dbc != "":
		return c.listen(ctx, &f, m, &p, stderr)
	}
	pictures, simulated, err := busOfBox(ctx, base)
	switch _, answered := errors.AsType[boxError](err); {
	case err == nil:
		p.source, p.simulated = "box", simulated
		return p.done(pictures, stderr)
	case answered || f.box != "" || ctx.Err() != nil:
		fmt.Fprintf(stderr, "airhold bus: %v\n", busUnreachable(base, err))
		return exitFailed
	}
	fmt.Fprintf(stderr, "No box answers at %s.\n", base)
	return c.listen(ctx, &f, m, &p, stderr)
}

// wrong says what does not go together.
func (f *busFlags) wrong() string {
	switch {
	case f.seconds < 0 || f.seconds > longestListen.Seconds():
		return fmt.Sprintf("--seconds %g: listen for 1 to %.0f seconds", f.seconds, longestListen.Seconds())
	case f.can != "" && (len(f.links) > 0 || f.seconds > 0 || f.box != ""):
		return "--can reads a recording; it goes with --dbc and --json alone"
	case f.box != "" && (len(f.links) > 0 || f.seconds > 0 || f.dbc != ""):
		return "--box asks a running box; it goes with neither a link nor --seconds nor --dbc"
	}
	return ""
}

// busOfBox asks a running box.
func busOfBox(ctx context.Context, base string) (pictures []traffic.Picture, simulated bool, err error) {
	b := newBoxCare(base, "")
	data, err := b.get(ctx, "/api/bus")
	if err != nil {
		return nil, false, err
	}
	if err := json.Unmarshal(data, &pictures); err != nil {
		return nil, false, boxError{sentence: "what answers there is no airhold box, or one of another version"}
	}
	return pictures, b.simulated(ctx), nil
}

func busUnreachable(base string, err error) error {
	e, answered := errors.AsType[boxError](err)
	switch {
	case !answered:
		return fmt.Errorf("no box answers at %s (%w); without --box the CAN links of this computer are listened to", base, root(err))
	case e.status == http.StatusNotFound && strings.HasPrefix(e.sentence, "404"):
		return errors.New("what answers at " + base + " tells nothing of a bus; it is no airhold box, or an older one")
	default:
		return fmt.Errorf("the box at %s says: %s", base, e.sentence)
	}
}
