// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"

	"airhold/config"
	"airhold/firmware/care"
)

const careUsage = `airhold care: what the air supply wants done, when, and what was done.

  airhold care                                    the list, what is due first
  airhold care done ITEM [--note TEXT]            record that an item was done
  airhold care answer ITEM done|not-done|unknown  answer what is asked when a season begins
  airhold care history                            what was done, newest first

  --box URL       where the box answers (default: the machine file's page.listen, else http://127.0.0.1:8080)
  --machine FILE  the machine; where no box runs there, its data folder is read, and recorded in
  --by NAME       who did it (default: who is logged in)
  --json          one JSON object a line; the last one is the summary

%s
`

// careCaution stands under everything the command says.
const careCaution = `Compressed air can hurt. Before anything is opened or drained: parked on level ground, engine off, key out, pressure let
off and the gauge seen at zero; raised parts blocked; stand to the side; eye protection; hands clear. The machine's
manual, local rules and licensed practice come first.`

// careFlags is the command line of care.
type careFlags struct {
	box, machine, by, note string
	json                   bool
	named                  []string // flags that were set
}

// careList is where the list is kept: by a running box, or in the data folder of one that does not run.
type careList interface {
	// sheet returns the list as it stands.
	sheet(ctx context.Context) (care.Sheet, error)
	// tell records an item, or answers what is asked about it.
	tell(ctx context.Context, item, answer, note string) error
	// simulated says whether the machine is an invented one.
	simulated(ctx context.Context) bool
	// close says where the list was, for a person; empty: at a running box.
	close() (where string, err error)
}

// runCare is the care command.
func runCare(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var f careFlags
	set := flag.NewFlagSet("care", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	set.StringVar(&f.box, "box", "", "")
	set.StringVar(&f.machine, "machine", "", "")
	set.StringVar(&f.by, "by", "", "")
	set.StringVar(&f.note, "note", "", "")
	set.BoolVar(&f.json, "json", false, "")
	words, err := parseMixed(set, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprintf(stdout, careUsage, careCaution)
		return exitOK
	case err != nil:
		return wrongUsage("care", stderr, "%v", err)
	}
	f.named = named(set)
	do, problem := f.fit(words)
	if problem != "" {
		return wrongUsage("care", stderr, "%s", problem)
	}
	if f.by == "" {
		f.by = login()
	}
	base, m, code := boxOf("care", f.box, f.machine, stderr)
	if code != exitOK {
		return code
	}
	list, err := openCare(ctx, base, m, &f, len(do.item) > 0)
	if err != nil {
		fmt.Fprintf(stderr, "airhold care: %v\n", err)
		return exitFailed
	}
	err = do.run(ctx, list, &f, stdout)
	where, closed := list.close()
	if err = errors.Join(err, closed); err != nil {
		fmt.Fprintf(stderr, "airhold care: %v\n", err)
		return exitFailed
	}
	if where != "" {
		fmt.Fprintln(stderr, where)
	}
	return exitOK
}

// parseMixed parses flags that stand before, between and after words.
func parseMixed(set *flag.FlagSet, args []string) (words []string, err error) {
	for {
		if err := parseArgs(set, args); err != nil {
			return nil, err
		}
		if set.NArg() == 0 {
			return words, nil
		}
		words, args = append(words, set.Arg(0)), set.Args()[1:]
	}
}

// careDo is what the command line asks for: the zero value shows the list.
type careDo struct {
	history      bool
	item, answer string
}

// fit reads the words and says what does not go together.
func (f *careFlags) fit(words []string) (careDo, string) {
	verb := ""
	if len(words) > 0 {
		verb, words = words[0], words[1:]
	}
	var do careDo
	switch verb {
	case "", "history":
		if len(words) > 0 {
			return do, fmt.Sprintf("%q is one word too many", words[0])
		}
		do.history = verb == "history"
	case "done":
		do.item, do.answer = strings.Join(words, " "), "" // "oil change" is an item as oil-change is
		if do.item == "" {
			return do, "say what was done, as in: airhold care done drain; the items: airhold care"
		}
	case "answer":
		if n := len(words); n > 1 {
			do.item, do.answer = strings.Join(words[:n-1], " "), words[n-1]
		}
		if known := []string{string(care.Finished), string(care.NotDone), string(care.Unknown)}; !slices.Contains(known, do.answer) {
			return do, "write: airhold care answer ITEM " + strings.Join(known, "|")
		}
	default:
		if near := config.Nearest(verb, []string{"done", "answer", "history"}); near != "" {
			return do, fmt.Sprintf("there is no %q; did you mean: airhold care %s?", verb, near)
		}
		return do, fmt.Sprintf("there is no %q; there are done, answer and history", verb)
	}
	if verb != "done" && slices.Contains(f.named, "note") {
		return do, "--note goes with airhold care done ITEM"
	}
	if do.item == "" && slices.Contains(f.named, "by") {
		return do, "--by goes with airhold care done ITEM"
	}
	return do, ""
}

// run does it.
func (d careDo) run(ctx context.Context, list careList, f *careFlags, stdout io.Writer) error {
	if d.item != "" {
		if err := list.tell(ctx, d.item, d.answer, f.note); err != nil {
			return err
		}
	}
	s, err := list.sheet(ctx)
	if err != nil {
		return err
	}
	p := carePrinter{w: stdout, json: f.json, simulated: list.simulated(ctx)}
	switch {
	case d.item != "":
		p.recorded(&s, d, f.by)
	case d.history:
		p.history(&s)
	default:
		p.list(&s)
	}
	return p.err
}
