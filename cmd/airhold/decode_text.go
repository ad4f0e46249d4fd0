// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"fmt"
	"strconv"
	"strings"

	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// decodeText prints for people: one message a line, what has a value first, what has none named at the end.
type decodeText struct {
	values []signals.Value
}

func (d *decodeText) message(w *bufio.Writer, m *signals.Message, link string) error {
	at, _ := stamp(m.At, m.UTC)
	fmt.Fprintf(w, "%s  %s  ", at, link)
	if m.Extended {
		fmt.Fprintf(w, "%d -> %s  %s (%d): ", m.Source, destination(m.Destination), m.Key, m.PGN)
	} else {
		fmt.Fprintf(w, "id %03X  %s: ", m.ID, m.Key)
	}
	if !m.Known() {
		fmt.Fprintf(w, "%X", m.Data)
	}
	if n, ok := j1939.ParseNAME(m.Data); ok && m.Extended && m.PGN == j1939.PGNAddressClaim {
		fmt.Fprint(w, nameText(n))
	}
	d.values = m.Signals(d.values[:0])
	sep := ""
	without := make(map[signals.Status][]string)
	for i := range d.values {
		v := &d.values[i]
		if v.Status != signals.OK {
			without[v.Status] = append(without[v.Status], v.Key)
			continue
		}
		fmt.Fprintf(w, "%s%s %s", sep, v.Key, valueText(v))
		sep = ", "
	}
	if dm1, ok := signals.DTCs(m); ok {
		fmt.Fprintf(w, "%s%s", sep, faultText(&dm1))
		sep = ", "
	}
	for st := signals.NotAvailable; st <= signals.Absent; st++ {
		if keys := without[st]; len(keys) > 0 {
			if sep != "" {
				sep = "; "
			}
			fmt.Fprintf(w, "%s%s: %s", sep, strings.ReplaceAll(st.String(), "_", " "), strings.Join(keys, " "))
			sep = "; "
		}
	}
	return w.WriteByte('\n')
}

func destination(a uint8) string {
	if a == j1939.Global {
		return "all"
	}
	return strconv.Itoa(int(a))
}

func valueText(v *signals.Value) string {
	switch v.Kind {
	case signals.Date, signals.TimeOfDay:
		return v.Text
	case signals.Enumeration:
		if v.Text != "" {
			return v.Text
		}
	case signals.Number:
	}
	if v.Unit.IsZero() {
		return plainNumber(v.Written)
	}
	text := plainNumber(v.Written) + " " + v.Unit.Code
	if v.Reference != "" {
		text += " " + string(v.Reference)
	}
	return text
}

func nameText(n j1939.NAME) string {
	return fmt.Sprintf("identity %d, maker %d, function %d (instance %d, unit %d), class %d (instance %d), industry %d",
		n.Identity(), n.Manufacturer(), n.Function(), n.FunctionInstance(), n.ECUInstance(),
		n.DeviceClass(), n.ClassInstance(), n.IndustryGroup())
}

func faultText(d *j1939.DM1) string {
	if len(d.DTCs) == 0 {
		return "no fault"
	}
	parts := make([]string, 0, len(d.DTCs))
	for _, c := range d.DTCs {
		text := fmt.Sprintf("fault SPN %d FMI %d", c.SPN, c.FMI)
		if c.CountKnown() {
			text += fmt.Sprintf(", count %d", c.Count)
		}
		if c.Conversion == 1 {
			text += " (old numbering, SPN not sure)"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

func (d *decodeText) summary(w *bufio.Writer, s *decodeSummary) error {
	fmt.Fprintf(w, "\n%d frames in %.1f s", s.frames, (s.last - s.first).Seconds())
	if s.remote+s.faults > 0 {
		fmt.Fprintf(w, ", of them %d remote requests and %d error reports", s.remote, s.faults)
	}
	fmt.Fprintf(w, "; %d places that were no frame\n", s.notFrames)
	fmt.Fprintf(w, "messages of several frames: %d joined, %d broken (%d by an abort), %d too long to join\n",
		s.sessions.Joined, s.sessions.Broken, s.sessions.Aborted, s.sessions.Skipped)
	for _, b := range s.busLoads() {
		fmt.Fprintf(w, "load of %s: %.1f %% (with stuff bits at most %.1f %%), busiest second %.1f %%, reckoned at %d kbit/s\n",
			b.link, b.least*100, b.most*100, b.busiest*100, b.rate/1000)
	}
	for _, c := range s.byCount() {
		fmt.Fprintf(w, "%8d x %6d %s from %d", c.count, c.pgn, s.keys[c.pgn], c.source)
		if rate, ok := c.rate(); ok {
			fmt.Fprintf(w, ", %.4g a second", rate)
		}
		fmt.Fprintln(w)
	}
	if s.further > 0 {
		fmt.Fprintf(w, "%8d x others, of more kinds than fit this list\n", s.further)
	}
	for _, a := range s.addresses {
		fmt.Fprintf(w, "address %s: %s\n", a.key, nameText(a.name))
	}
	return nil
}
