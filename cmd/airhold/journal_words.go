// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
	"airhold/firmware/store"
)

// diary writes the journal as people keep one: a heading for each day, a sentence for each thing that happened. An alarm
// that is only held back, as at each headland, and then let go again is one thing and not three.
type diary struct {
	w    io.Writer
	all  bool // each change, held back or not
	rows map[findings.Key]alarms.Row
	day  string
	told map[string]bool // alarms whose beginning was written and whose end was not
}

func newDiary(w io.Writer, all bool) *diary {
	d := &diary{w: w, all: all, rows: map[findings.Key]alarms.Row{}, told: map[string]bool{}}
	for _, r := range alarms.Catalogue() {
		d.rows[r.Key] = r
	}
	return d
}

// write adds a record.
func (d *diary) write(r *store.Record) {
	text := r.Reason
	if r.Kind == "alarm" {
		if text = d.alarm(r); text == "" {
			return
		}
	}
	day, at := "the clock was not set", "--:--:--"
	if !r.UTC.IsZero() {
		day, at = r.UTC.Local().Format("Monday, 2 January 2006"), r.UTC.Local().Format("15:04:05")
	}
	if day != d.day {
		if d.day != "" {
			fmt.Fprintln(d.w)
		}
		fmt.Fprintln(d.w, day)
		d.day = day
	}
	fmt.Fprintf(d.w, "%s  %s\n", at, text)
}

// alarm writes an alarm's change; empty where it is nothing new to a person.
func (d *diary) alarm(r *store.Record) string {
	row, known := d.rows[findings.Key(r.Alarm)]
	name := row.Title
	if !known {
		name = r.Alarm
	}
	id := r.Alarm + "/" + r.Where
	if r.Where != "" {
		name += ", " + r.Where
	}
	to, from := alarms.StateName(r.To), alarms.StateName(r.From)
	if d.all {
		return name + ": " + strings.ReplaceAll(r.To, "_", " ") + d.seen(r) + d.behind(r)
	}
	was := d.told[id]
	switch to {
	case alarms.ActiveUnacked, alarms.ActiveAcked, alarms.LatchedUnacked:
		d.told[id] = true
		switch {
		case to == alarms.ActiveAcked && r.Actor != "":
			return name + ": seen" + d.behind(r)
		case from == to || to == alarms.ActiveUnacked && from == alarms.ActiveAcked:
			return name + d.seen(r) + ": " + r.Reason + "."
		case was && (from == alarms.Suppressed || from == alarms.ReturnedUnacked):
			return "" // it goes on
		}
		return name + d.seen(r) + ". " + doWords(row)
	case alarms.ReturnedUnacked, alarms.Normal, alarms.LatchedAcked:
		switch {
		case to == alarms.Normal && r.Actor != "":
			delete(d.told, id)
			return name + ": seen" + d.behind(r)
		case was:
			delete(d.told, id)
			return name + ": over."
		}
	case alarms.Shelved, alarms.OutOfService:
		return name + ": " + strings.ReplaceAll(r.To, "_", " ") + d.behind(r)
	case alarms.Suppressed:
	}
	if r.Actor != "" {
		return name + ": " + strings.ReplaceAll(r.To, "_", " ") + d.behind(r)
	}
	return ""
}

// doWords is what the row asks of people.
func doWords(row alarms.Row) string {
	if row.Do == "" {
		return ""
	}
	return row.Do + "."
}

// seen is the value and its limit.
func (d *diary) seen(r *store.Record) string {
	value := quantityWords(r.Value)
	if value == "" {
		return ""
	}
	if limit := quantityWords(r.Limit); limit != "" {
		return ": " + value + ", limit " + limit
	}
	return ": " + value
}

// behind is who did it, and why.
func (d *diary) behind(r *store.Record) string {
	text := ""
	if r.Actor != "" {
		text = " by " + r.Actor
	}
	if r.Reason != "" {
		text += " (" + r.Reason + ")"
	}
	return text
}

// quantityWords writes a kept quantity with its interval; empty where there is none.
func quantityWords(kept string) string {
	var m findings.Measure
	if kept == "" || json.Unmarshal([]byte(kept), &m) != nil || m.IsZero() {
		return ""
	}
	text := fmt.Sprintf("%.3g %s", m.Unit.From(m.SI), m.Unit.Code)
	if m.Reference == "ANR" {
		text += " ANR"
	}
	if m.Low != 0 || m.High != 0 {
		text += fmt.Sprintf(" (%.2g to %.2g)", m.Unit.From(m.Low), m.Unit.From(m.High))
	}
	return text
}
