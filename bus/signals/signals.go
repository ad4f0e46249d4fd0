// SPDX-License-Identifier: Apache-2.0

// Package signals turns messages of a bus into named values that say whether they are values at all.
//
// Words: a message is one parameter group (or one plain CAN frame); a signal is one value in it; the catalogue is the
// built-in list of messages and signals of J1939, ISO 11783 and NMEA 2000, kept as data; a Pick is one signal looked
// up once, to be read from many messages; a DBC is a user's own list of messages in the common text format.
//
// The package never clamps a value and never makes a number of "not available" or "error": such a signal has a Status
// and no value. It cannot send.
//
// Sources: each catalogue entry names its own. The SAE, ISO and NMEA texts were not at hand: layouts come from open
// implementations and digests, and where those disagree the tests say what was taken and why.
package signals

import (
	"cmp"
	"slices"
	"time"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/sensors/units"
)

// Status says what became of a signal.
type Status uint8

// The states of a signal. Only OK has a value.
const (
	OK           Status = iota
	NotAvailable        // the sender says it has no such value
	Error               // the sender says its value is broken
	Reserved            // a code that no standard gives a meaning, or outside what is possible
	Absent              // the message ends before the signal
)

// String returns the word that stands in messages and files.
func (s Status) String() string {
	switch s {
	case OK:
		return "ok"
	case NotAvailable:
		return "not_available"
	case Error:
		return "error"
	case Reserved:
		return "reserved"
	default:
		return "absent"
	}
}

// Kind says what sort of value a signal has.
type Kind uint8

// The kinds of signal.
const (
	Number      Kind = iota // a quantity or a count
	Enumeration             // a state with a meaning; Text says which
	Date                    // a day; Written counts days since 1970-01-01, Text is YYYY-MM-DD
	TimeOfDay               // Written counts seconds since midnight, Text is HH:MM:SS.ffff
)

// String returns the word that stands in files.
func (k Kind) String() string {
	switch k {
	case Enumeration:
		return "state"
	case Date:
		return "date"
	case TimeOfDay:
		return "time"
	default:
		return "number"
	}
}

// Value is one signal of a message.
type Value struct {
	Key       string
	Text      string          // meaning of a state, date or time; empty for plain numbers
	Unit      units.Unit      // unit of Written; zero for bit fields, states and counts
	Reference units.Reference // gauge or absolute, where the standard says so
	SI        float64         // zero unless Status is OK
	Written   float64         // in Unit; zero unless Status is OK
	SPN       uint32          // suspect parameter number; 0 where there is none or it is not known
	Kind      Kind
	Status    Status
}

// Message is one parameter group, or one frame with an 11-bit identifier.
type Message struct {
	Key         string // name in the catalogue or the DBC; "unknown" for others
	Data        []byte // valid only until emit returns
	At          time.Duration
	UTC         time.Time
	PGN         uint32 // 0 for 11-bit identifiers
	ID          uint32 // identifier of the last frame that carried it
	Frames      int32
	Link        uint16
	Priority    uint8
	Source      uint8
	Destination uint8
	Extended    bool       // has a 29-bit identifier, and so the fields of one
	Named       bool       // NAME is known
	NAME        j1939.NAME // of the sender: what claimed Source last

	layout *layout
}

// Unknown is the Key of a message that neither the catalogue nor the DBC knows.
const Unknown = "unknown"

// Decoder joins frames into messages and names them. One goroutine at a time may use it.
type Decoder struct {
	assembler *j1939.Assembler
	book      j1939.AddressBook
	layouts   []*layout
	catalogue index
	dbc       *DBC
	raw       j1939.Message
	msg       Message
	short     [8]byte
}

// NewDecoder returns a Decoder with the built-in catalogue.
func NewDecoder() *Decoder {
	d := &Decoder{assembler: j1939.NewAssembler(j1939.Options{}), layouts: catalogue()}
	slices.SortFunc(d.layouts, func(a, b *layout) int { return cmp.Compare(a.pgn, b.pgn) })
	keys := make([]uint32, len(d.layouts))
	for i, l := range d.layouts {
		keys[i] = l.pgn
	}
	d.catalogue = newIndex(keys)
	return d
}

// Use names messages by a user's DBC first and by the catalogue where the DBC has none.
func (d *Decoder) Use(b *DBC) { d.dbc = b }

// Stats returns what became of the sessions so far.
func (d *Decoder) Stats() j1939.Stats { return d.assembler.Stats() }

// Addresses returns which NAME claimed which address last.
func (d *Decoder) Addresses() []j1939.Address { return d.book.List() }

// Assume sets who answers to an address until a claim says otherwise. A box that only listens cannot ask who is there, and
// devices claim their addresses before it is awake: what an earlier day heard is the best it has.
func (d *Decoder) Assume(a j1939.Address) { d.book.Assume(a) }

// NAME returns the NAME that claimed an address last.
func (d *Decoder) NAME(link uint16, address uint8) (j1939.NAME, bool) {
	return d.book.At(link, address)
}

// Finish counts the sessions that are still open as broken: no more frames will come.
func (d *Decoder) Finish() { d.assembler.Finish() }

// Frame takes one frame in and calls emit when it is, or completes, a message. Frames of transport sessions are not
// messages of their own; remote requests and error reports are none at all. The message belongs to the Decoder and
// holds until emit returns.
func (d *Decoder) Frame(f bus.Frame, emit func(*Message)) {
	if d.take(&f) {
		emit(&d.msg)
	}
}

// take takes one frame in and reports true when d.msg now holds a message.
func (d *Decoder) take(f *bus.Frame) bool {
	if f.Class != bus.Data || f.IsRemote {
		return false
	}
	m := &d.msg
	if !f.IsExtended {
		d.short = f.Data
		*m = Message{
			Key: Unknown, At: f.Boot, UTC: f.UTC, Link: f.Link, ID: f.ID, Frames: 1, Data: d.short[:min(f.Length, 8)],
		}
		d.name(m)
		return true
	}
	if !d.assembler.Frame(f, &d.raw) {
		return false
	}
	d.book.Hear(&d.raw)
	r := &d.raw
	*m = Message{
		Key: Unknown, Data: r.Data, At: r.At, UTC: r.UTC, Link: r.Link, Frames: r.Frames, Extended: true, ID: f.ID,
		PGN: r.PGN, Priority: r.Priority, Source: r.Source, Destination: r.Destination,
	}
	m.NAME, m.Named = d.book.At(m.Link, m.Source)
	d.name(m)
	return true
}

func (d *Decoder) name(m *Message) {
	m.layout = nil
	if d.dbc != nil {
		m.layout = d.dbc.find(m)
	}
	if m.layout == nil && m.Extended {
		if at, n := d.catalogue.find(m.PGN); n > 0 {
			m.layout = d.layouts[at]
		}
	}
	if m.layout != nil {
		m.Key = m.layout.key
	}
}

// Known reports whether the catalogue or the DBC knows the message.
func (m *Message) Known() bool { return m.layout != nil }

// Signals appends the message's signals to dst in the order of the message. Signals that a multiplexer switches off
// are left out.
func (m *Message) Signals(dst []Value) []Value {
	if m.layout == nil {
		return dst
	}
	for i := range m.layout.fields {
		if f := &m.layout.fields[i]; f.open(m.Data) {
			dst = append(dst, f.value(m.Data))
		}
	}
	if m.layout.selector != nil {
		which, ok := m.layout.selector.raw(m.Data)
		if !ok {
			return dst
		}
		for i := range m.layout.variants[which] {
			if f := &m.layout.variants[which][i]; f.open(m.Data) {
				dst = append(dst, f.value(m.Data))
			}
		}
	}
	return dst
}

// DTCs reads the trouble codes of a DM1 message; it reports false for other messages.
func DTCs(m *Message) (j1939.DM1, bool) {
	if !m.Extended || m.PGN != j1939.PGNDM1 {
		return j1939.DM1{}, false
	}
	return j1939.ParseDM1(m.Data, nil)
}
