// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"airhold/firmware/care"
)

// carePrinter says the care list to a person, or to a script.
type carePrinter struct {
	w         io.Writer
	json      bool
	simulated bool
	err       error
}

// invented says so where it is.
func (p *carePrinter) invented() {
	if p.simulated {
		p.printf("SIMULATED: an invented machine.\n")
	}
}

func (p *carePrinter) printf(format string, a ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, a...)
	}
}

// event prints an object as a line, with the kind of event before what it has.
func (p *carePrinter) event(kind string, what any) {
	data, err := json.Marshal(what)
	if p.err = errors.Join(p.err, err); p.err == nil {
		p.printf("{\"event\":%q,%s\n", kind, data[1:])
	}
}

func (p *carePrinter) line(what any) {
	if p.err == nil {
		p.err = jsonLine(p.w, what)
	}
}

// careSummary is the last line for scripts.
type careSummary struct {
	Event    string   `json:"event"`
	Clock    bool     `json:"clock"`
	Due      []string `json:"due"`
	Soon     []string `json:"soon"`
	NotKnown []string `json:"not_known"` // items that lack something to be judged wholly
	Ask      []string `json:"ask"`
	Tonight  string   `json:"tonight"`
	Records  int      `json:"records"`
	Recorded string   `json:"recorded,omitempty"` // the item that was recorded or answered

	Simulated bool `json:"simulated"`
}

func (p *carePrinter) summed(s *care.Sheet) careSummary {
	sum := careSummary{Event: "summary", Simulated: p.simulated, Clock: s.Clock, Due: []string{}, Soon: []string{}, NotKnown: []string{}, Ask: []string{}, Tonight: s.Tonight, Records: len(s.History)}
	for _, it := range s.Items {
		switch {
		case it.Due:
			sum.Due = append(sum.Due, it.Name)
		case it.Soon:
			sum.Soon = append(sum.Soon, it.Name)
		}
		if it.Needs != "" && !it.Due {
			sum.NotKnown = append(sum.NotKnown, it.Name)
		}
	}
	for _, q := range s.Questions {
		sum.Ask = append(sum.Ask, q.Item)
	}
	return sum
}

// list prints the whole list.
func (p *carePrinter) list(s *care.Sheet) {
	if p.json {
		for _, it := range s.Items {
			p.event("care", it)
		}
		for _, q := range s.Questions {
			p.event("question", q)
		}
		p.line(p.summed(s))
		return
	}
	sum := p.summed(s)
	switch {
	case len(sum.Due) > 0:
		p.printf("%d due: %s\n", len(sum.Due), strings.Join(sum.Due, ", "))
	case len(sum.NotKnown) > 0:
		p.printf("Nothing is due as far as it is known.\n")
	default:
		p.printf("Nothing is due.\n")
	}
	p.invented()
	if !s.Clock {
		p.printf("The box's clock is not set: days are not known.\n")
	}
	head := ""
	var careful []care.Item
	for _, it := range s.Items {
		word := "Not due"
		switch {
		case it.Due:
			word = "DUE"
		case it.Soon:
			word = "Soon due"
		}
		if it.Due || it.Soon {
			careful = append(careful, it)
		}
		if word != head {
			p.printf("\n%s\n", word)
			head = word
		}
		p.item(&it)
	}
	if len(s.Questions) > 0 {
		p.printf("\nAsked once, now that a season has begun (airhold care answer ITEM done, not-done or unknown)\n")
		for _, q := range s.Questions {
			p.printf("  %-15s %s\n", q.Item, q.Words)
		}
	}
	p.cautions(careful)
	if len(careful) > 0 {
		p.printf("\nRecord what you did: airhold care done %s\n", careful[0].Name)
	}
}

// item prints one item: what, why, how often, and when last.
func (p *carePrinter) item(it *care.Item) {
	p.printf("  %-15s %s\n", it.Name, it.Words)
	const more = "                  "
	last := "nothing on record"
	if it.Last != nil {
		last = "last " + recordWords(it.Last)
	}
	p.printf("%s\n", wrap(it.Why, more))
	p.printf("%s\n", wrap(it.Every+"; "+last, more))
}

// cautions prints what may hurt, once for all items that share it.
func (p *carePrinter) cautions(items []care.Item) {
	p.printf("\nBefore you begin\n")
	said := map[string]bool{}
	for _, it := range items {
		if said[it.Caution] {
			continue
		}
		said[it.Caution] = true
		var names []string
		for _, other := range items {
			if other.Caution == it.Caution {
				names = append(names, other.Name)
			}
		}
		p.printf("%s\n", wrap(strings.Join(names, ", ")+": "+it.Caution, "  "))
	}
	if len(items) == 0 {
		p.printf("%s\n", wrap(careCaution, "  "))
	}
}

// recordWords says when, by whom, and what was noted.
func recordWords(r *care.Record) string {
	text := "at a time not known, the clock was not set"
	if !r.At.IsZero() {
		text = r.At.In(time.Local).Format("2006-01-02 15:04")
	}
	if r.By != "" {
		text += " by " + r.By
	}
	if r.Note != "" {
		text += " (" + r.Note + ")"
	}
	return text
}

// history prints what was done.
func (p *carePrinter) history(s *care.Sheet) {
	if p.json {
		for _, r := range s.History {
			p.event("record", r)
		}
		p.line(p.summed(s))
		return
	}
	p.invented()
	if len(s.History) == 0 {
		p.printf("Nothing on record yet. Record what you did: airhold care done ITEM\n")
	}
	for _, r := range s.History {
		when := "clock not set   "
		if !r.At.IsZero() {
			when = r.At.In(time.Local).Format("2006-01-02 15:04")
		}
		text := r.Words
		if r.By != "" {
			text += ", by " + r.By
		}
		if r.Note != "" {
			text += " (" + r.Note + ")"
		}
		if !r.Run.IsZero() {
			text += fmt.Sprintf(", at %.1f run hours", r.Run.Unit.From(r.Run.SI))
		}
		p.printf("%s  %s\n", when, text)
	}
}

// recorded says what was recorded and what is left.
func (p *carePrinter) recorded(s *care.Sheet, d careDo, by string) {
	it := careItem(s, d.item)
	if p.json {
		sum := p.summed(s)
		sum.Recorded = it.Name
		p.line(sum)
		return
	}
	switch care.Answer(d.answer) {
	case care.NotDone:
		p.printf("Noted: %s, not done for this season.\n", it.Words)
	case care.Unknown:
		p.printf("Noted: %s, not known whether it was done for this season.\n", it.Words)
	default:
		p.printf("Recorded: %s, by %s.\n", it.Words, by)
	}
	if s.Tonight == "" {
		p.printf("Nothing else is due.\n")
		return
	}
	p.printf("Still due: %s\n", strings.TrimPrefix(s.Tonight, "Tonight: "))
}

// careItem finds the item that a person named.
func careItem(s *care.Sheet, name string) care.Item {
	for _, it := range s.Items {
		if care.Named(&it, name) {
			return it
		}
	}
	return care.Item{Name: name, Words: name}
}
