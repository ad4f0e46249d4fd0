// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// decodeJSON prints JSON lines as the contract for scripts has them.
type decodeJSON struct {
	values []signals.Value
	line   []byte
}

func (d *decodeJSON) message(w *bufio.Writer, m *signals.Message, link string) error {
	b := d.line[:0]
	b = append(b, `{"event":"message","at":`...)
	at, clock := stamp(m.At, m.UTC)
	if clock {
		b = quoted(b, at)
	} else {
		b = append(b, at...)
	}
	b = quoted(append(b, `,"interface":`...), link)
	if m.Extended {
		b = fmt.Appendf(b, `,"pgn":%d,"priority":%d,"source":%d,"destination":%d`, m.PGN, m.Priority, m.Source, m.Destination)
	} else {
		b = fmt.Appendf(b, `,"id":%d`, m.ID)
	}
	b = fmt.Appendf(b, `,"length":%d,"key":`, len(m.Data))
	b = quoted(b, m.Key)
	if !m.Known() {
		b = append(b, `,"data":"`...)
		b = append(b, strings.ToUpper(hex.EncodeToString(m.Data))...)
		b = append(b, '"')
	} else {
		b = append(b, `,"signals":[`...)
		d.values = m.Signals(d.values[:0])
		for i := range d.values {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendSignal(b, &d.values[i])
		}
		b = append(b, ']')
	}
	if dm1, ok := signals.DTCs(m); ok {
		b = appendDM1(b, &dm1)
	}
	if n, ok := j1939.ParseNAME(m.Data); ok && m.Extended && m.PGN == j1939.PGNAddressClaim {
		b = appendNAME(append(b, `,"name":`...), n)
	}
	b = append(b, '}', '\n')
	d.line = b
	_, err := w.Write(d.line)
	return err
}

func appendSignal(b []byte, v *signals.Value) []byte {
	b = quoted(append(b, `{"key":`...), v.Key)
	if v.SPN != 0 {
		b = fmt.Appendf(b, `,"spn":%d`, v.SPN)
	}
	clock := v.Kind == signals.Date || v.Kind == signals.TimeOfDay
	if v.Status == signals.OK {
		b = append(b, `,"value":`...)
		if clock {
			b = quoted(b, v.Text)
		} else {
			b = append(b, plainNumber(v.Written)...)
		}
	}
	if !v.Unit.IsZero() && !clock {
		b = quoted(append(b, `,"unit":`...), v.Unit.Code)
	}
	if v.Reference != "" {
		b = quoted(append(b, `,"reference":`...), string(v.Reference))
	}
	if v.Text != "" {
		b = quoted(append(b, `,"text":`...), v.Text)
	}
	b = quoted(append(b, `,"status":`...), v.Status.String())
	return append(b, '}')
}

func appendDM1(b []byte, d *j1939.DM1) []byte {
	b = fmt.Appendf(b, `,"lamps":{"malfunction":"%s","red_stop":"%s","amber_warning":"%s","protect":"%s"},"dtcs":[`,
		d.Lamps.Malfunction, d.Lamps.RedStop, d.Lamps.AmberWarning, d.Lamps.Protect)
	for i, c := range d.DTCs {
		if i > 0 {
			b = append(b, ',')
		}
		b = fmt.Appendf(b, `{"spn":%d,"fmi":%d`, c.SPN, c.FMI)
		if c.CountKnown() {
			b = fmt.Appendf(b, `,"count":%d`, c.Count)
		}
		b = fmt.Appendf(b, `,"conversion":%d}`, c.Conversion)
	}
	return append(b, ']')
}

func appendNAME(b []byte, n j1939.NAME) []byte {
	return fmt.Appendf(b, `{"identity":%d,"manufacturer":%d,"ecu_instance":%d,"function_instance":%d,"function":%d,`+
		`"device_class":%d,"class_instance":%d,"industry_group":%d,"arbitrary_address":%d}`,
		n.Identity(), n.Manufacturer(), n.ECUInstance(), n.FunctionInstance(), n.Function(),
		n.DeviceClass(), n.ClassInstance(), n.IndustryGroup(), n.ArbitraryAddress())
}

// quoted appends s as a JSON string. A name may hold anything, so the library does the escaping.
func quoted(b []byte, s string) []byte {
	text, err := json.Marshal(s)
	if err != nil { // a string always marshals
		return append(b, `""`...)
	}
	return append(b, text...)
}

// plainNumber writes a value with 15 significant digits at most: enough for every code of a bus, and free of the last
// bit in which machines may differ.
func plainNumber(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
	if err != nil {
		rounded = v
	}
	if rounded == 0 {
		return "0"
	}
	if a := max(rounded, -rounded); a >= 1e-6 && a < 1e15 {
		return strconv.FormatFloat(rounded, 'f', -1, 64)
	}
	return strconv.FormatFloat(rounded, 'g', -1, 64)
}

func (d *decodeJSON) summary(w *bufio.Writer, s *decodeSummary) error {
	type measure struct {
		Value json.RawMessage `json:"value"`
		Unit  string          `json:"unit"`
	}
	of := func(v float64, unit string) measure { return measure{json.RawMessage(plainNumber(v)), unit} }
	messages, rates := make(map[string]map[string]int64), make(map[string]map[string]measure)
	for _, c := range s.byCount() {
		pgn, source := strconv.FormatUint(uint64(c.pgn), 10), strconv.Itoa(int(c.source))
		if messages[pgn] == nil {
			messages[pgn], rates[pgn] = make(map[string]int64), make(map[string]measure)
		}
		messages[pgn][source] = c.count
		if rate, ok := c.rate(); ok {
			rates[pgn][source] = of(math.Round(rate*1e4)/1e4, "/s")
		}
	}
	plain := make(map[string]int64, len(s.plain))
	for id, n := range s.plain {
		plain[strconv.FormatUint(uint64(id), 10)] = n
	}
	addresses := make(map[string]json.RawMessage, len(s.addresses))
	for _, a := range s.addresses {
		addresses[a.key] = appendNAME(nil, a.name)
	}
	share := func(v float64) measure {
		return measure{json.RawMessage(strconv.FormatFloat(v*100, 'f', 2, 64)), "%"}
	}
	type load struct {
		Interface string  `json:"interface"`
		BitRate   measure `json:"bit_rate_assumed"`
		Load      measure `json:"load"`
		Most      measure `json:"load_with_stuffing_at_most"`
		Busiest   measure `json:"busiest_second"`
	}
	loads := []load{}
	for _, l := range s.busLoads() {
		loads = append(loads, load{l.link, of(float64(l.rate), "bit/s"), share(l.least), share(l.most), share(l.busiest)})
	}
	type place struct {
		Line   int64  `json:"line,omitempty"`
		Offset int64  `json:"offset"`
		Reason string `json:"reason"`
	}
	places := []place{}
	for _, b := range s.bad {
		places = append(places, place{b.Line, b.Offset, b.Reason})
	}
	line, err := json.Marshal(struct {
		Event     string                        `json:"event"`
		Duration  measure                       `json:"duration"`
		Covered   measure                       `json:"covered"`
		Frames    int64                         `json:"frames"`
		Remote    int64                         `json:"remote_frames"`
		Faults    int64                         `json:"error_frames"`
		Messages  map[string]map[string]int64   `json:"messages"`
		Further   int64                         `json:"messages_further,omitempty"`
		Rates     map[string]map[string]measure `json:"rates"`
		Plain     map[string]int64              `json:"messages_11_bit"`
		Joined    int64                         `json:"sessions_joined"`
		Broken    int64                         `json:"sessions_broken"`
		Aborted   int64                         `json:"sessions_aborted"`
		Skipped   int64                         `json:"sessions_skipped"`
		Addresses map[string]json.RawMessage    `json:"addresses"`
		NotFrames int64                         `json:"not_frames"`
		Places    []place                       `json:"not_frames_at"`
		Torn      string                        `json:"torn,omitempty"`
		Loads     []load                        `json:"bus_load"`
	}{
		"summary", of((s.last - s.first).Seconds(), "s"), of(s.covered.Seconds(), "s"), s.frames, s.remote, s.faults, messages, s.further, rates, plain,
		s.sessions.Joined, s.sessions.Broken, s.sessions.Aborted, s.sessions.Skipped, addresses,
		s.notFrames, places, s.torn, loads,
	})
	if err != nil {
		return err
	}
	_, err = w.Write(append(line, '\n'))
	return err
}
