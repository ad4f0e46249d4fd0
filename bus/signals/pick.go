// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/sensors/units"
)

// Errors that Compile wraps.
var (
	// ErrUnknown says that no message or signal has the name.
	ErrUnknown = errors.New("unknown signal")
	// ErrCondition says that a condition in brackets cannot be read.
	ErrCondition = errors.New("condition not understood")
)

// Pick is one signal looked up once. The zero Pick matches no message.
type Pick struct {
	name   string
	layout *layout
	field  field
	from   senders
}

// senders are those a Pick accepts a message from.
type senders struct {
	source int // address, or -1 for any
	name   j1939.NAME
	named  bool // only from whoever answers to name
}

// Compile looks up a signal of the catalogue by "message.signal", for instance "wheel_speed.speed". Conditions on
// other signals of the same message may follow in brackets: "actual_pressure.pressure[source=3,instance=0]", with the
// codes as numbers. An unknown name wraps ErrUnknown and lists the nearest ones.
func Compile(name string) (Pick, error) {
	path, conditions, bracket := strings.Cut(name, "[")
	message, signal, _ := strings.Cut(path, ".")
	all := catalogue()
	for _, l := range all {
		if l.key != message {
			continue
		}
		f, ok := l.lookup(signal)
		if !ok {
			break
		}
		p := Pick{name: name, layout: l, field: f, from: senders{source: -1}}
		if bracket {
			var err error
			if p.field.gates, err = l.conditions(f.gates, conditions); err != nil {
				return Pick{}, fmt.Errorf("%s: %w", name, err)
			}
		}
		return p, nil
	}
	return Pick{}, fmt.Errorf("%w %q; nearest: %s", ErrUnknown, path, strings.Join(nearest(path, names(all)), ", "))
}

// All returns a Pick of every signal that a Decoder may find: those of own, which may be nil, in its order, and those of
// the catalogue but for the groups that own has, in the order of Names.
func All(own *DBC) []Pick {
	if own == nil {
		return all(catalogue())
	}
	out := own.All()
	for _, p := range all(catalogue()) {
		if _, n := own.index.find(p.layout.pgn); n == 0 {
			out = append(out, p)
		}
	}
	return out
}

func all(layouts []*layout) []Pick {
	var out []Pick
	for _, l := range layouts {
		for _, f := range l.all() {
			out = append(out, Pick{name: l.key + "." + f.key, layout: l, field: f, from: senders{source: -1}})
		}
	}
	return out
}

// Names lists every signal of the catalogue as Compile takes it, in order.
func Names() []string { return names(catalogue()) }

func (l *layout) lookup(signal string) (field, bool) {
	for _, f := range l.all() {
		if f.key == signal {
			return f, true
		}
	}
	return field{}, false
}

// all lists the fields with those of the variants.
func (l *layout) all() []field {
	out := slices.Clone(l.fields)
	codes := make([]uint64, 0, len(l.variants))
	for code := range l.variants {
		codes = append(codes, code)
	}
	slices.Sort(codes)
	for _, code := range codes {
		out = append(out, l.variants[code]...)
	}
	return out
}

// conditions adds to gates what the text in brackets asks for.
func (l *layout) conditions(gates []gate, text string) ([]gate, error) {
	text, ok := strings.CutSuffix(text, "]")
	if !ok {
		return nil, fmt.Errorf("%w: no closing bracket", ErrCondition)
	}
	gates = slices.Clone(gates)
	for part := range strings.SplitSeq(text, ",") {
		key, number, _ := strings.Cut(part, "=")
		f, ok := l.lookup(strings.TrimSpace(key))
		code, err := strconv.ParseUint(strings.TrimSpace(number), 0, 64)
		if !ok || err != nil {
			return nil, fmt.Errorf("%w: %q; write it as signal=number with a signal of %s", ErrCondition, part, l.key)
		}
		gates = append(gates, gate{&f, [][2]uint64{{code, code}}})
	}
	return gates, nil
}

// WithSource returns the Pick limited to one sender's address; a negative addr means any.
func (p Pick) WithSource(addr int) Pick {
	p.from.source = addr
	return p
}

// WithNAME returns the Pick limited to the device of that NAME, wherever its address moves. Until its claim is heard (or
// assumed, see Decoder.Assume) nothing is found.
func (p Pick) WithNAME(n j1939.NAME) Pick {
	p.from.name, p.from.named = n, true
	return p
}

// Unit returns the unit in which the signal is written; it is zero for states, bit fields and counts. From gives SI
// all the same.
func (p Pick) Unit() units.Unit { return p.field.unit }

// Reference says whether a pressure is gauge or absolute, where the standard does.
func (p Pick) Reference() units.Reference { return p.field.reference }

// Kind returns the kind of the signal.
func (p Pick) Kind() Kind { return p.field.kind }

// SPN returns the suspect parameter number, 0 where there is none or it is not known.
func (p Pick) SPN() uint32 { return p.field.spn }

// PGN returns the parameter group that carries the signal, 0 for an 11-bit identifier.
func (p Pick) PGN() uint32 {
	if p.layout == nil {
		return 0
	}
	return p.layout.pgn
}

// String returns the name the Pick was compiled from.
func (p Pick) String() string { return p.name }

// From reads the signal out of m: its value in SI where st is OK, else 0. ok is false when m does not carry the
// signal: another message, another sender, or a multiplexed signal that is not in this one.
func (p Pick) From(m *Message) (si float64, st Status, ok bool) {
	if p.layout == nil || !p.layout.matches(m) || !p.from.sent(m) || !p.field.open(m.Data) {
		return 0, Absent, false
	}
	written, _, st := p.field.read(m.Data)
	if st != OK {
		return 0, st, true
	}
	return p.field.si(written), OK, true
}

// sent reports whether m comes from a sender that is accepted.
func (s *senders) sent(m *Message) bool {
	return (s.source < 0 || int(m.Source) == s.source) && (!s.named || m.Named && m.NAME == s.name)
}

// sentFrame is sent for a message that is one frame.
func (s *senders) sentFrame(d *Decoder, f *bus.Frame, source uint8) bool {
	if s.source >= 0 && int(source) != s.source {
		return false
	}
	if !s.named {
		return true
	}
	n, ok := d.book.At(f.Link, source)
	return ok && f.IsExtended && n == s.name
}

// matches reports whether m is the message of this layout. A parameter group matches by its number whatever the
// priority and, unless the file has several of that number, the sender; other DBC messages match by the whole
// identifier.
func (l *layout) matches(m *Message) bool {
	switch {
	case l.extended != m.Extended:
		return false
	case l.byPGN:
		return l.pgn == m.PGN && l.sender(m.Source)
	default:
		return l.id == m.ID && m.Frames == 1
	}
}

func names(all []*layout) []string {
	var out []string
	for _, l := range all {
		for _, f := range l.all() {
			out = append(out, l.key+"."+f.key)
		}
	}
	return out
}

// nearest returns the three names with the fewest edits to name.
func nearest(name string, all []string) []string {
	type candidate struct {
		name string
		cost int
	}
	list := make([]candidate, len(all))
	for i, n := range all {
		list[i] = candidate{n, edits(name, n)}
	}
	slices.SortStableFunc(list, func(a, b candidate) int { return a.cost - b.cost })
	out := make([]string, 0, 3)
	for _, c := range list[:min(3, len(list))] {
		out = append(out, c.name)
	}
	return out
}

// edits is the Levenshtein distance in bytes.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
