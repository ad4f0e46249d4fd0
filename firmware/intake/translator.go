// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/bus/signals"
	"airhold/firmware/readings"
)

// Signal maps one signal of a bus to a channel.
type Signal struct {
	Channel string       // id in the table
	Signal  string       // "wheel_speed.speed" of the catalogue; with DBC the signal's own name
	DBC     *signals.DBC // nil: the built-in catalogue
	Message string       // with DBC: the message's name
	Address int          // source address of the sender; negative: any
	NAME    string       // 64-bit NAME of the sender, hexadecimal; empty: any
}

// TranslatorOptions say what to look for in the frames of one link.
type TranslatorOptions struct {
	Table   *readings.Table
	Out     Out
	Signals []Signal
	Heard   func(*signals.Message) // nil, or told of every message, also those that are no signal of the machine
}

// ErrSignal is wrapped by every error of NewTranslator.
var ErrSignal = errors.New("bus signals cannot be used")

// Translator turns the frames of one link into readings and machine faults, live and in replay alike: it takes its
// time from the frames. One goroutine owns it.
type Translator struct {
	decoder *signals.Decoder
	emit    func(*signals.Message)
	heard   func(*signals.Message)
	out     Out
	wanted  []wanted
	faults  map[sender][]readings.MachineFault // active ones, in the order of their first report
}

type wanted struct {
	pick    signals.Pick
	channel readings.Channel
	info    readings.Info
}

type sender struct {
	link   uint16
	source uint8
}

// NewTranslator looks up every signal, reporting all problems at once.
func NewTranslator(o TranslatorOptions) (*Translator, error) {
	t := &Translator{decoder: signals.NewDecoder(), out: o.Out, heard: o.Heard, faults: make(map[sender][]readings.MachineFault)}
	t.emit = t.message
	var problems []error
	for _, s := range o.Signals {
		w, err := lookUp(s, o.Table)
		if err != nil {
			problems = append(problems, fmt.Errorf("channel %q: %w", s.Channel, err))
			continue
		}
		t.wanted = append(t.wanted, w)
	}
	if len(problems) > 0 {
		return nil, fmt.Errorf("%w: %w", ErrSignal, errors.Join(problems...))
	}
	return t, nil
}

func lookUp(s Signal, table *readings.Table) (wanted, error) {
	w := wanted{channel: table.Find(s.Channel)}
	if w.channel == readings.NoChannel {
		return w, errors.New("is not in the table of channels")
	}
	w.info = table.Info(w.channel)
	var err error
	if w.pick, err = s.pick(); err != nil {
		return w, err
	}
	w.pick = w.pick.WithSource(s.Address)
	if s.NAME != "" {
		n, err := strconv.ParseUint(strings.TrimPrefix(strings.ToLower(s.NAME), "0x"), 16, 64)
		if err != nil {
			return w, fmt.Errorf("NAME %q: want up to 16 hexadecimal digits", s.NAME)
		}
		w.pick = w.pick.WithNAME(j1939.NAME(n))
	}
	return w, nil
}

// pick looks the signal up in its DBC or in the catalogue.
func (s *Signal) pick() (signals.Pick, error) {
	if s.DBC != nil {
		return s.DBC.Compile(s.Message, s.Signal)
	}
	return signals.Compile(s.Signal)
}

// Frame takes one frame and sends what it completes.
func (t *Translator) Frame(f bus.Frame) { t.decoder.Frame(f, t.emit) }

// message sends the readings and faults of one message.
func (t *Translator) message(m *signals.Message) {
	if t.heard != nil {
		t.heard(m)
	}
	for i := range t.wanted {
		w := &t.wanted[i]
		si, status, ok := w.pick.From(m)
		if !ok {
			continue
		}
		t.out.Reading(signalReading(w, m, si, status))
	}
	if d, ok := signals.DTCs(m); ok {
		t.trouble(m, d)
	}
}

func signalReading(w *wanted, m *signals.Message, si float64, status signals.Status) readings.Reading {
	r := readings.Reading{At: m.At, Channel: w.channel}
	switch status {
	case signals.OK:
		if plausible(w.info, si) {
			r.Value = si
		} else {
			r.Quality = readings.Implausible
		}
	case signals.NotAvailable, signals.Absent:
		r.Quality = readings.NotAvailable
	case signals.Error:
		r.Quality = readings.SourceError
	default: // a code without meaning, or a value the message's own description rules out
		r.Quality = readings.Implausible
	}
	return r
}

// trouble compares the active codes of a sender with those it reported before. A sender that falls silent keeps its
// codes: silence does not mend a fault.
func (t *Translator) trouble(m *signals.Message, d j1939.DM1) {
	from := sender{m.Link, m.Source}
	before := t.faults[from]
	now := make([]readings.MachineFault, 0, len(d.DTCs))
	for _, f := range before {
		if i := reported(d.DTCs, f); i >= 0 {
			f.Count = d.DTCs[i].Count
			now = append(now, f)
			continue
		}
		f.At, f.Gone = m.At, true
		t.out.Fault(f)
	}
	for _, c := range d.DTCs {
		f := readings.MachineFault{At: m.At, Source: m.Source, SPN: c.SPN, FMI: c.FMI, Count: c.Count}
		if known(now, f) {
			continue
		}
		now = append(now, f)
		t.out.Fault(f)
	}
	t.faults[from] = now
}

func reported(codes []j1939.DTC, f readings.MachineFault) int {
	for i, c := range codes {
		if c.SPN == f.SPN && c.FMI == f.FMI {
			return i
		}
	}
	return -1
}

func known(faults []readings.MachineFault, f readings.MachineFault) bool {
	for _, k := range faults {
		if k.SPN == f.SPN && k.FMI == f.FMI {
			return true
		}
	}
	return false
}
