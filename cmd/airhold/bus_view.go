// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"airhold/bus/signals"
	"airhold/bus/traffic"
)

// busPrinter writes pictures for people or as JSON lines.
type busPrinter struct {
	w         io.Writer
	json      bool
	source    string // "box", "listening" or "recording"
	file      string
	simulated bool
}

// done prints everything.
func (p *busPrinter) done(pictures []traffic.Picture, stderr io.Writer) int {
	var err error
	if p.json {
		err = p.lines(pictures)
	} else {
		err = p.text(pictures)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold bus: the output cannot be written: %v\n", err)
		return exitFailed
	}
	return exitOK
}

// lines prints one object for each link, talker, change of address, group and fault.
func (p *busPrinter) lines(pictures []traffic.Picture) error {
	total := struct {
		Event     string         `json:"event"`
		Source    string         `json:"source"`
		File      string         `json:"file,omitempty"`
		Simulated bool           `json:"simulated"`
		Links     int            `json:"links"`
		Frames    int64          `json:"frames"`
		Talkers   int            `json:"talkers"`
		Groups    int            `json:"groups"`
		Faults    int            `json:"active_faults"`
		Slowest   *traffic.Group `json:"slowest"`
		Remarks   []string       `json:"remarks"`
	}{Event: "summary", Source: p.source, File: p.file, Simulated: p.simulated, Links: len(pictures), Remarks: []string{}}
	for i := range pictures {
		k := &pictures[i]
		if err := p.link(k); err != nil {
			return err
		}
		total.Frames += k.Frames
		total.Talkers += len(k.Talkers)
		total.Groups += len(k.Groups)
		for _, f := range k.Faults {
			if f.Active {
				total.Faults++
			}
		}
		if s := k.Slowest; s != nil && (total.Slowest == nil || s.Period.Value > total.Slowest.Period.Value) {
			total.Slowest = s
		}
		for _, r := range k.Remarks {
			total.Remarks = append(total.Remarks, k.Link+": "+r)
		}
	}
	return jsonLine(p.w, total)
}

func (p *busPrinter) link(k *traffic.Picture) error {
	one := *k
	one.Talkers, one.Groups, one.Faults, one.Changes = nil, nil, nil, nil
	if err := p.event("link", k.Link, one, "talkers", "groups", "faults", "changes"); err != nil {
		return err
	}
	for _, t := range k.Talkers {
		if err := p.event("talker", k.Link, t); err != nil {
			return err
		}
	}
	for _, c := range k.Changes {
		if err := p.event("address_change", k.Link, c); err != nil {
			return err
		}
	}
	for _, g := range k.Groups {
		drop := []string{"id"}
		if g.ID != "" {
			drop = []string{"pgn", "source"}
		}
		if err := p.event("group", k.Link, g, drop...); err != nil {
			return err
		}
	}
	for _, f := range k.Faults {
		if err := p.event("fault", k.Link, f); err != nil {
			return err
		}
	}
	return nil
}

// event prints an object with what kind it is and its link, less some of its fields.
func (p *busPrinter) event(kind, link string, what any, drop ...string) error {
	text, err := json.Marshal(what)
	if err != nil {
		return err
	}
	fields := map[string]json.RawMessage{}
	if err := json.Unmarshal(text, &fields); err != nil {
		return err
	}
	for _, d := range drop {
		delete(fields, d)
	}
	for name, value := range map[string]string{"event": kind, "link": link} {
		if fields[name], err = json.Marshal(value); err != nil {
			return err
		}
	}
	return jsonLine(p.w, fields)
}

func (p *busPrinter) text(pictures []traffic.Picture) error {
	var b strings.Builder
	if p.simulated {
		b.WriteString("SIMULATED: an invented machine.\n")
	}
	for i := range pictures {
		if i > 0 {
			b.WriteByte('\n')
		}
		busText(&b, &pictures[i], p.source == "recording")
	}
	if len(pictures) == 0 {
		b.WriteString("There is no bus to tell of.\n")
	}
	_, err := io.WriteString(p.w, b.String())
	return err
}

// busText is one link at a glance: first what a person should know, then who, then what.
func busText(b *strings.Builder, k *traffic.Picture, recorded bool) {
	name := k.Link
	if name == "" {
		name = "bus"
	}
	fmt.Fprintf(b, "%s: %s%s\n", name, countOf(k.Frames, "frame", "frames"), busSpan(k))
	if k.Load != nil {
		how := ""
		if k.Reckoned {
			how = ", reckoned as the slowest usual rate that fits"
		}
		if k.Busiest != nil {
			how += "; " + share(k.Busiest) + " in the busiest second"
		}
		fmt.Fprintf(b, "  load        %s of %.0f kbit/s%s\n", share(k.Load), k.Bitrate.Value/1000, how)
	}
	how := k.Controller.Words
	if recorded && k.Controller.Counts.Reports == 0 {
		how = "no error report in the recording"
	}
	fmt.Fprintf(b, "  controller  %s\n", how)
	if s := k.Slowest; s != nil {
		fmt.Fprintf(b, "  slowest     %s, %s from %d, every %s\n", s.Key, groupName(s), s.Source, every(s.Period.Value))
	}
	for _, r := range k.Remarks {
		fmt.Fprintf(b, "%s\n", wrap("! "+r, "  "))
	}
	busTalkers(b, k)
	busFaults(b, k)
	busGroups(b, k)
}

func countOf(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func busSpan(k *traffic.Picture) string {
	if k.Frames == 0 {
		return ""
	}
	if !k.From.UTC.IsZero() && !k.Until.UTC.IsZero() {
		return fmt.Sprintf(" in %s, from %s", lasting(k.Until.UTC.Sub(k.From.UTC)), k.From.UTC.UTC().Format("2006-01-02 15:04:05 MST"))
	}
	return " in " + lasting(k.Until.At-k.From.At)
}

func lasting(d time.Duration) string {
	switch {
	case d < 0:
		return "no time (the recording's clock ran back)"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.1f min", d.Minutes())
	default:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
}

func share(q *traffic.Quantity) string { return fmt.Sprintf("%.1f %%", q.Value) }

// every is a period in the unit people say it in.
func every(seconds float64) string {
	switch {
	case seconds < 0.0995:
		return fmt.Sprintf("%.1f ms", seconds*1000)
	case seconds < 0.9995:
		return fmt.Sprintf("%.0f ms", seconds*1000)
	default:
		return fmt.Sprintf("%.2f s", seconds)
	}
}

func groupName(g *traffic.Group) string {
	if g.ID != "" {
		return "identifier " + g.ID
	}
	return "PGN " + strconv.FormatUint(uint64(g.PGN), 10)
}

func busTalkers(b *strings.Builder, k *traffic.Picture) {
	if len(k.Talkers) == 0 {
		return
	}
	b.WriteString("\nWho is on the wire\n  address   frames  who\n")
	for _, t := range k.Talkers {
		who := t.Words
		if t.NAME != "" {
			who += "  [NAME " + t.NAME + "]"
		}
		fmt.Fprintf(b, "  %7d  %7d  %s\n", t.Address, t.Frames, who)
	}
	if k.Moves > int64(len(k.Changes)) {
		fmt.Fprintf(b, "  %d changes of address; the newest:\n", k.Moves)
	}
	for _, c := range k.Changes {
		fmt.Fprintf(b, "  at %s %s: %s\n", busTime(c.At), busMove(&c), c.Words)
	}
}

// busMove says what became of a device's address.
func busMove(c *traffic.Move) string {
	words := "claimed an address"
	switch {
	case c.From != nil && c.To != nil:
		words = fmt.Sprintf("moved from address %d to %d", *c.From, *c.To)
	case c.From != nil:
		words = fmt.Sprintf("left address %d and found no other", *c.From)
	case c.To != nil:
		words = fmt.Sprintf("came to address %d", *c.To)
	}
	if c.Took != "" {
		words += ", which " + c.Took + " had"
	}
	return words
}

func busTime(m traffic.Moment) string {
	if m.UTC.IsZero() {
		return fmt.Sprintf("%.1f s", m.At.Seconds())
	}
	return m.UTC.UTC().Format("15:04:05")
}

func busFaults(b *strings.Builder, k *traffic.Picture) {
	var lamps []string
	for _, t := range k.Talkers {
		if l := t.Lamps; l != nil {
			for _, lamp := range []struct{ name, state string }{
				{"malfunction", l.Malfunction}, {"red stop", l.Red}, {"amber warning", l.Amber}, {"protect", l.Protect},
			} {
				if lamp.state == "on" {
					lamps = append(lamps, fmt.Sprintf("address %d asks for the %s lamp", t.Address, lamp.name))
				}
			}
		}
	}
	if len(k.Faults) == 0 && len(lamps) == 0 {
		return
	}
	b.WriteString("\nFaults that devices report (DM1)\n")
	for _, f := range k.Faults {
		state := "gone"
		if f.Active {
			state = "active"
		}
		count := ""
		if f.Count != nil {
			count = fmt.Sprintf(", count %d", *f.Count)
		}
		if f.Conversion == 1 {
			count += ", in an old form that leaves the SPN unsure"
		}
		fmt.Fprintf(b, "  %-6s  from %d: SPN %d FMI %d (%s)%s, from %s to %s\n", state, f.Source, f.SPN, f.FMI, f.Words, count, busTime(f.Since), busTime(f.Last))
	}
	if k.Unlisted > 0 {
		fmt.Fprintf(b, "  and %d reports of further faults\n", k.Unlisted)
	}
	for _, l := range lamps {
		fmt.Fprintf(b, "  lamp    %s\n", l)
	}
}

func busGroups(b *strings.Builder, k *traffic.Picture) {
	if len(k.Groups) == 0 {
		return
	}
	b.WriteString("\nWhat is sent\n     PGN  from  every      messages  what\n")
	for i := range k.Groups {
		g := &k.Groups[i]
		number, from := strconv.FormatUint(uint64(g.PGN), 10), strconv.Itoa(int(g.Source))
		if g.ID != "" {
			number, from = g.ID, "-"
		}
		period := "-"
		if g.Period != nil {
			period = every(g.Period.Value)
			if !g.Even {
				period = "uneven"
			}
		}
		name := g.Key
		if name == signals.Unknown {
			name = ""
		}
		fmt.Fprintf(b, "%s\n", strings.TrimRight(fmt.Sprintf("  %6s  %4s  %-9s  %8d  %s", number, from, period, g.Count, name), " "))
	}
	if n := k.Passed.Messages; n > 0 {
		fmt.Fprintf(b, "  and %d messages of so many further groups that they were only counted\n", n)
	}
}
