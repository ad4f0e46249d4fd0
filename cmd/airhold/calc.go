// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"

	"airhold/config"
)

// calcVerb is one question that calc answers.
type calcVerb struct {
	name, words string
	example     string // what follows "airhold calc NAME", for its help
	flags       []calcFlag
	answer      func(in *calcInput) (calcAnswer, error)
}

func calcVerbs() []calcVerb {
	return []calcVerb{
		calcFlow(), calcHole(), calcDecay(), calcBleeddown(), calcDuty(), calcDelivery(), calcUncertainty(), calcSprt(),
		calcSaturation(), calcCondensate(), calcDewpoint(), calcAltitude(), calcBag(), calcTransducer(),
	}
}

// calcLeadIn stands above the list of verbs.
const calcLeadIn = `airhold calc: the handbook's formulas, each answer with its formula and where that comes from.

usage: airhold calc VERB --flag 'value unit' ... [--json]

`

func calcUsage(w io.Writer) {
	fmt.Fprint(w, calcLeadIn)
	for _, v := range calcVerbs() {
		fmt.Fprintf(w, "  %-12s %s\n", v.name, v.words)
	}
	fmt.Fprint(w, "\nThe flags of a verb: airhold calc VERB --help\n")
}

func runCalc(_ context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		calcUsage(stdout)
		return exitOK
	}
	switch args[0] {
	case "help", "-h", "--help", "-help":
		calcUsage(stdout)
		return exitOK
	}
	var names []string
	for _, v := range calcVerbs() {
		if v.name == args[0] {
			return v.run(args[1:], stdout, stderr)
		}
		names = append(names, v.name)
	}
	fmt.Fprintf(stderr, "airhold calc: there is no verb %q\n", args[0])
	if near := config.Nearest(args[0], names); near != "" {
		fmt.Fprintf(stderr, "Did you mean: airhold calc %s\n", near)
	} else {
		fmt.Fprintf(stderr, "There are: %s\n", strings.Join(names, ", "))
	}
	return exitUsage
}

func (v calcVerb) run(args []string, stdout, stderr io.Writer) int {
	in, asJSON, err := v.read(args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		v.help(stdout)
		return exitOK
	case err != nil:
		return v.wrong(stderr, err)
	}
	a, err := v.answer(in)
	var usage calcUsageError
	switch {
	case errors.As(err, &usage):
		return v.wrong(stderr, err)
	case err != nil:
		fmt.Fprintf(stderr, "airhold calc %s: %v\n", v.name, err)
		return exitRefused
	}
	if asJSON {
		err = a.writeJSON(stdout, v.name, in)
	} else {
		err = a.writeText(stdout, in)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold calc %s: %v\n", v.name, err)
		return exitFailed
	}
	return exitOK
}

// wrong says what is wrong with a command line, and which flags there are.
func (v calcVerb) wrong(stderr io.Writer, err error) int {
	fmt.Fprintf(stderr, "airhold calc %s: %v\nIts flags: %s\nSuch as: airhold calc %s %s\n", v.name, err, v.flagNames(), v.name, v.example)
	return exitUsage
}

func (v calcVerb) flagNames() string {
	var names []string
	for _, f := range v.flags {
		names = append(names, "--"+f.name)
	}
	return strings.Join(append(names, "--json"), ", ")
}

func (v calcVerb) help(w io.Writer) {
	fmt.Fprintf(w, "airhold calc %s: %s\n\nusage: airhold calc %s %s\n\n", v.name, v.words, v.name, v.example)
	for _, f := range v.flags {
		fmt.Fprintf(w, "  --%-18s %s\n", f.name, f.explain())
	}
	fmt.Fprintf(w, "  --%-18s %s\n", "json", "one JSON object instead of text")
}
