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
	"net/url"
	"strings"
	"time"
)

const pairUsage = `airhold pair: let a tablet press: acknowledge, put off, note, record care.

  airhold pair [--box URL] [--machine FILE] [--json]    show a code, good for one tablet and ten minutes
  airhold pair list                                     which tablets are paired
  airhold pair revoke NAME                              take a tablet's pairing back

  --box URL       where the box answers (default: the machine file's page.listen, else http://127.0.0.1:8080)
  --machine FILE  says where the box answers
  --json          one JSON object a line; the last one is the summary

It is for the terminal of the box itself. On the tablet: open the page, choose Menu, This tablet, and press the code. Tests,
export and who is paired stay with the box itself until the page comes over TLS.
`

// runPair is the pair command.
func runPair(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var box, machine string
	var asJSON bool
	set := flag.NewFlagSet("pair", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	set.StringVar(&box, "box", "", "")
	set.StringVar(&machine, "machine", "", "")
	set.BoolVar(&asJSON, "json", false, "")
	words, err := parseMixed(set, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(stdout, pairUsage)
		return exitOK
	case err != nil:
		return wrongUsage("pair", stderr, "%v", err)
	case len(words) > 0 && words[0] != "list" && words[0] != "revoke":
		return wrongUsage("pair", stderr, "there is no %q; there are: airhold pair list, airhold pair revoke NAME", words[0])
	case len(words) == 1 && words[0] == "revoke":
		return wrongUsage("pair", stderr, "say which tablet; their names: airhold pair list")
	case len(words) > 2 || len(words) == 2 && words[0] == "list":
		return wrongUsage("pair", stderr, "%q is one word too many; put a name with a space into quotes", words[len(words)-1])
	}
	base, _, code := boxOf("pair", box, machine, stderr)
	if code != exitOK {
		return code
	}
	p := pairer{boxClient{base: base, http: &http.Client{}}, stdout, asJSON}
	switch {
	case len(words) == 0:
		err = p.open(ctx)
	case words[0] == "list":
		err = p.list(ctx)
	default:
		err = p.revoke(ctx, words[1])
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold pair: %v\n", err)
		return exitFailed
	}
	return exitOK
}

// pairer asks a running box.
type pairer struct {
	boxClient

	out  io.Writer
	json bool
}

// ask puts the box's answer into v, or its refusal into words.
func (p *pairer) ask(ctx context.Context, method, path string, v any) error {
	var body []byte
	if method == http.MethodPost {
		body = []byte("{}")
	}
	data, err := p.do(ctx, method, path, body)
	e, refused := errors.AsType[boxError](err)
	switch {
	case refused && (e.status == http.StatusMethodNotAllowed || e.sentence == "404 page not found"):
		return errors.New("what answers at " + p.base + " pairs no tablets; it is no airhold box, or an older one")
	case refused:
		return fmt.Errorf("the box at %s says: %s", p.base, e.sentence)
	case err != nil:
		return fmt.Errorf(`no box answers at %s (%w).
Tablets are paired with a running box: airhold run --machine machine.yaml; or say where it is with --box URL`, p.base, root(err))
	}
	if err := json.Unmarshal(data, v); err != nil {
		return fmt.Errorf("what answers at %s is no airhold box, or one of another version", p.base)
	}
	return nil
}

func (p *pairer) open(ctx context.Context) error {
	var got struct {
		Code    string   `json:"code"`
		Seconds int64    `json:"seconds"`
		Open    []string `json:"open"`
	}
	if err := p.ask(ctx, http.MethodPost, "/api/pair/open", &got); err != nil {
		return err
	}
	if len(got.Code) != 8 {
		return fmt.Errorf("what answers at %s is no airhold box, or one of another version", p.base)
	}
	if p.json {
		return jsonLine(p.out, map[string]any{"event": "summary", "code": got.Code, "seconds": got.Seconds, "open": got.Open})
	}
	where := "on it, open the page"
	if len(got.Open) > 0 {
		where = "on it, open " + strings.Join(got.Open, " or ")
	}
	_, err := fmt.Fprintf(p.out, "code  %s %s\n\nGood for one tablet and %d minutes: %s, choose Menu, This tablet, and press the code.\nFive wrong codes shut pairing for ten minutes.\n",
		got.Code[:4], got.Code[4:], got.Seconds/60, where)
	return err
}

func (p *pairer) list(ctx context.Context) error {
	var got struct {
		Tablets []struct {
			Name   string    `json:"name"`
			Role   string    `json:"role"`
			Paired time.Time `json:"paired,omitzero"`
			Seen   time.Time `json:"seen,omitzero"`
			Ended  bool      `json:"ended"`
		} `json:"tablets"`
	}
	if err := p.ask(ctx, http.MethodGet, "/api/pair", &got); err != nil {
		return err
	}
	if p.json {
		out := carePrinter{w: p.out}
		for _, t := range got.Tablets {
			out.event("tablet", t)
		}
		out.line(map[string]any{"event": "summary", "tablets": len(got.Tablets)})
		return out.err
	}
	var b strings.Builder
	if len(got.Tablets) == 0 {
		b.WriteString("No tablet is paired. To pair one: airhold pair\n")
	}
	day := func(t time.Time) string {
		if t.IsZero() {
			return "not known"
		}
		return t.Local().Format("2 January 2006 15:04")
	}
	for _, t := range got.Tablets {
		fmt.Fprintf(&b, "%-24s  may operate, paired %s, last used %s", t.Name, day(t.Paired), day(t.Seen))
		if t.Ended {
			b.WriteString(": ended, not used for 180 days")
		}
		b.WriteString("\n")
	}
	_, err := io.WriteString(p.out, b.String())
	return err
}

func (p *pairer) revoke(ctx context.Context, name string) error {
	var got struct{ Unpaired string }
	if err := p.ask(ctx, http.MethodDelete, "/api/pair/"+url.PathEscape(name), &got); err != nil {
		return err
	}
	if p.json {
		return jsonLine(p.out, map[string]any{"event": "summary", "unpaired": got.Unpaired})
	}
	_, err := fmt.Fprintf(p.out, "Unpaired: %s. It may press no more.\n", got.Unpaired)
	return err
}
