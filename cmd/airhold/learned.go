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
	"strings"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/tablet"
	"airhold/sensors/units"
)

const learnedUsage = `airhold learned: what the machine has taught the box, and what each value rests on.

  airhold learned [--box URL] [--machine FILE] [--json]
  airhold learned forget NAME [--by NAME]    let it be learned anew, after a repair or where it is wrong

  --box URL       where the box answers (default: the machine file's page.listen, else http://127.0.0.1:8080)
  --machine FILE  says where the box answers
  --by NAME       who makes it forget (default: who is logged in)
  --json          one JSON object a line; the last one is the summary

Only a running box can tell: what its checks have learned is packed by themselves. Forgetting changes nothing on the
machine. Limits of safety (safe working pressure, relief setting) are never learned; they stand in the machine file.
`

// runLearned is the learned command.
func runLearned(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var box, machine, by string
	var asJSON bool
	set := flag.NewFlagSet("learned", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	set.StringVar(&box, "box", "", "")
	set.StringVar(&machine, "machine", "", "")
	set.StringVar(&by, "by", login(), "")
	set.BoolVar(&asJSON, "json", false, "")
	words, err := parseMixed(set, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(stdout, learnedUsage)
		return exitOK
	case err != nil:
		return wrongUsage("learned", stderr, "%v", err)
	case len(words) > 0 && words[0] != "forget":
		return wrongUsage("learned", stderr, "there is no %q; there is: airhold learned forget NAME", words[0])
	case len(words) == 1:
		return wrongUsage("learned", stderr, "say what to forget; the names: airhold learned")
	case len(words) > 2:
		return wrongUsage("learned", stderr, "%q is one word too many: one name at a time", words[2])
	}
	base, m, code := boxOf("learned", box, machine, stderr)
	if code != exitOK {
		return code
	}
	l := learnedAt{newBoxCare(base, by)}
	if len(words) == 2 {
		err = l.forget(ctx, words[1], stdout, asJSON)
	} else {
		err = l.show(ctx, stdout, asJSON, m)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold learned: %v\n", err)
		return exitFailed
	}
	return exitOK
}

// learnedAt is what a running box has learned.
type learnedAt struct{ boxCare }

// ask returns what was learned. Names that only the box itself uses are left out.
func (l learnedAt) ask(ctx context.Context) ([]tablet.Learned, error) {
	data, err := l.get(ctx, "/api/learned")
	if err != nil {
		return nil, l.failed(err)
	}
	var all, out []tablet.Learned
	if err := json.Unmarshal(data, &all); err != nil {
		return nil, fmt.Errorf("what answers at %s is no airhold box, or one of another version", l.base)
	}
	for _, k := range all {
		if !strings.HasPrefix(k.Name, "test/") {
			out = append(out, k)
		}
	}
	return out, nil
}

// failed says why there is no answer.
func (l learnedAt) failed(err error) error {
	e, ok := errors.AsType[boxError](err)
	switch {
	case !ok:
		return fmt.Errorf(`no box answers at %s (%w).
What was learned is told by a running box: airhold run --machine machine.yaml, or airhold demo; or say where it is with --box URL`, l.base, root(err))
	case e.status == http.StatusNotFound && e.sentence == "404 page not found":
		return errors.New("what answers at " + l.base + " tells nothing learned; it is no airhold box, or an older one")
	default:
		return fmt.Errorf("the box at %s says: %s", l.base, e.sentence)
	}
}

func (l learnedAt) show(ctx context.Context, stdout io.Writer, asJSON bool, m *config.Machine) error {
	all, err := l.ask(ctx)
	if err != nil {
		return err
	}
	if asJSON {
		p := carePrinter{w: stdout}
		for _, k := range all {
			p.event("learned", k)
		}
		p.line(map[string]any{"event": "summary", "learned": len(all), "simulated": l.simulated(ctx)})
		return p.err
	}
	var b strings.Builder
	if l.simulated(ctx) {
		b.WriteString("SIMULATED: an invented machine.\n")
	}
	if len(all) == 0 {
		b.WriteString("Nothing learned of this machine yet.\n")
	}
	for _, k := range all {
		fmt.Fprintf(&b, "%s\n%s\n", k.Name, wrap(learnedWords(&k, m), "    ")) // the name is what forget takes
	}
	if len(all) > 0 {
		b.WriteString("\nTo have one learned anew: airhold learned forget NAME\n")
	}
	_, err = io.WriteString(stdout, b.String())
	return err
}

// learnedWords say what it is, how much, and what it rests on.
func learnedWords(k *tablet.Learned, m *config.Machine) string {
	text := k.Words
	if v := k.Value; v != nil && !v.IsZero() {
		u := v.Unit
		s := shownIn(m)
		switch u.Dim {
		case units.Pressure:
			u = s.pressure
		case units.FlowRate:
			u = s.flow
		default:
		}
		text += ": " + figure(u.From(v.SI)) + " " + unitName(u)
		if v.Reference == units.ANR {
			text += " ANR"
		}
	}
	if k.Text != "" {
		text += " (" + k.Text + ")"
	}
	return text
}

func (l learnedAt) forget(ctx context.Context, name string, stdout io.Writer, asJSON bool) error {
	if strings.HasPrefix(name, "test/") {
		return fmt.Errorf("nothing was learned under the name %s", name)
	}
	if err := l.command(ctx, alarms.Forget, map[string]any{"where": name}); err != nil {
		return err
	}
	if asJSON {
		return jsonLine(stdout, map[string]any{"event": "summary", "forgot": name})
	}
	words := "Forgotten: %s. It is learned anew while the machine works.\n"
	if strings.HasPrefix(name, "care-") && name != care.LearnedSeason {
		words = "Taken back: %s. The record before it counts again.\n"
	}
	if name == "care-drain" {
		words += "The water in the tank was counted from none at that record, and goes on from there: drain it soon.\n"
	}
	_, err := fmt.Fprintf(stdout, words, name)
	return err
}
