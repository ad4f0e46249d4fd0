// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"go.einride.tech/can/pkg/dbc"

	"airhold/bus/j1939"
	"airhold/sensors/units"
)

// ErrDBC is wrapped by every complaint about a DBC file; the text starts with file:line:column.
var ErrDBC = errors.New("not a usable DBC file")

// DBC is a user's list of messages, ready to read from.
type DBC struct {
	name  string
	order []*layout // as in the file
	found []*layout // by lookupKey
	index index     // of found
}

const extendedBit = 1 << 31

// ParseDBC reads the messages, signals, multiplexing (plain and extended), value texts and float types of a DBC file;
// it leaves the rest of the file aside. The file may be in UTF-8, UTF-16 or Windows-1252. Errors name file, line and
// column.
//
// A message with a 29-bit identifier is taken for a parameter group and matched by its PGN, whatever priority and
// sender, unless the file's VFrameFormat attribute calls it a plain extended frame. Where a file has several messages of
// one group for different senders, each is matched by its sender. Signals of parameter groups obey J1939's codes for
// error and not available (NMEA 2000's in its page); in a signal of less than a byte, a code that the file gives a
// meaning of its own is a value. Other messages match by the whole identifier and have no such codes. Where the file
// declares a range, values outside are Reserved; nothing is ever clamped.
func ParseDBC(name string, data []byte) (*DBC, error) {
	plain, reason := decoded(data)
	if reason != "" {
		return nil, dbcError(name, 1, 1, reason)
	}
	text := clean(plain)
	parser := dbc.NewParser(name, text.kept)
	if err := parser.Parse(); err != nil {
		return nil, dbcError(name, err.Position().Line, err.Position().Column, err.Reason())
	}
	b := &DBC{name: name}
	for _, def := range parser.Defs() {
		if m, ok := def.(*dbc.MessageDef); ok && !dbc.IsIndependentSignalsMessage(m) {
			if err := b.message(m, &text); err != nil {
				return nil, err
			}
		}
	}
	for _, def := range parser.Defs() {
		b.refine(def)
	}
	if len(b.order) == 0 {
		return nil, dbcError(name, 1, 1, "no message (BO_) in the file")
	}
	b.share()
	return b, nil
}

// anySender is what a file writes as the sender of a group that anybody may send.
const anySender = 0xFE

// share makes the index, and lets the messages of one group that are written for different senders keep to them. The
// one for any sender, or else the first, also takes the senders that none of them names.
func (b *DBC) share() {
	b.found = slices.Clone(b.order)
	slices.SortStableFunc(b.found, func(x, y *layout) int { return cmp.Compare(x.lookupKey(), y.lookupKey()) })
	keys := make([]uint32, len(b.found))
	for i, l := range b.found {
		keys[i] = l.lookupKey()
	}
	b.index = newIndex(keys)
	for at := 0; at < len(keys); {
		_, n := b.index.find(keys[at])
		group := b.found[at : at+int(n)]
		at += int(n)
		if len(group) == 1 || !group[0].byPGN {
			continue
		}
		open := group[0]
		var taken []uint8
		for _, l := range group {
			source := uint8(l.id & 0xFF)
			l.shared, l.ownOnly = true, true
			if source == anySender && uint8(open.id&0xFF) != anySender {
				open = l
			}
			taken = append(taken, source)
		}
		open.ownOnly, open.taken = false, taken
	}
}

func dbcError(name string, line, column int, reason string) error {
	return fmt.Errorf("%s:%d:%d: %s (%w)", name, line, column, strings.TrimSuffix(reason, "."), ErrDBC)
}

func (b *DBC) message(m *dbc.MessageDef, text *dbcText) error {
	fail := func(pos [2]int, format string, a ...any) error {
		return dbcError(b.name, pos[0], pos[1], fmt.Sprintf(format, a...))
	}
	at := [2]int{m.Pos.Line, m.Pos.Column}
	if err := m.MessageID.Validate(); err != nil {
		return fail(at, "%v", err)
	}
	l := &layout{key: string(m.Name), source: b.name, id: m.MessageID.ToCAN(), extended: m.MessageID.IsExtended()}
	l.byPGN = l.extended && text.format(uint32(m.MessageID)) != plainExtended
	if l.byPGN {
		l.pgn = j1939.Split(l.id).PGN
	}
	l.fields = make([]field, len(m.Signals))
	var roots []int
	for i := range m.Signals {
		s := &m.Signals[i]
		at := [2]int{s.Pos.Line, s.Pos.Column}
		for _, other := range l.fields[:i] {
			if other.key == string(s.Name) {
				return fail(at, "signal %s stands twice in message %s", s.Name, m.Name)
			}
		}
		if s.Size < 1 || s.Size > 64 || s.StartBit > maxDBCBits-64 {
			return fail(at, "signal %s: size must be 1 to 64 bits and lie within 1785 bytes", s.Name)
		}
		l.fields[i] = dbcField(s, l)
		if s.IsMultiplexerSwitch {
			roots = append(roots, i)
		}
	}
	if err := gates(l, m, roots, text); err != nil {
		return fmt.Errorf("%s:%w", b.name, err)
	}
	b.order = append(b.order, l)
	return nil
}

const maxDBCBits = 1785 * 8

func dbcField(s *dbc.SignalDef, l *layout) field {
	f := field{
		key: string(s.Name), start: uint16(s.StartBit), bits: uint8(s.Size), //nolint:gosec // both were checked
		big: s.IsBigEndian, signed: s.IsSigned, factor: s.Factor, offset: s.Offset, low: s.Minimum, high: s.Maximum,
		unit: unitOf(s.Unit),
	}
	if l.byPGN {
		f.rule = ruleJ1939
		if l.pgn >= 0x1F000 {
			f.rule = ruleMarine
		}
		if f.rule == ruleJ1939 && f.signed || f.bits == 1 {
			f.rule = plain // J1939 has no signed signals, so no code of one means "not available"
		}
	}
	return f
}

// unitOf finds the unit that the file's text names; a text that is none of ours is kept as it stands.
func unitOf(text string) units.Unit {
	text = strings.TrimSpace(text)
	if text == "" {
		return units.Unit{}
	}
	for d := units.Pressure; d <= units.Compliance; d++ {
		if u, err := units.ParseUnit(text, d); err == nil {
			return u
		}
	}
	switch text {
	case "deg", "°":
		return degree()
	case "rad":
		return radian()
	}
	return units.Unit{Code: text, Factor: 1}
}

// refine applies what the file says about signals apart from their definition: texts and float types.
func (b *DBC) refine(def dbc.Def) {
	switch d := def.(type) {
	case *dbc.ValueDescriptionsDef:
		if _, f := b.field(d.MessageID, string(d.SignalName)); f != nil && d.ObjectType == dbc.ObjectTypeSignal {
			f.kind, f.meanings = Enumeration, make(map[uint64]string, len(d.ValueDescriptions))
			for _, v := range d.ValueDescriptions {
				if math.Abs(v.Value) < 1<<53 {
					f.meanings[uint64(int64(v.Value))&(1<<f.bits-1)] = v.Description //nolint:gosec // wraps as meant
				}
			}
			f.meant = f.bits < 8 && f.rule == ruleJ1939
		}
	case *dbc.SignalValueTypeDef:
		l, f := b.field(d.MessageID, string(d.SignalName))
		if f != nil && (d.SignalValueType == dbc.SignalValueTypeFloat32 && f.bits == 32 ||
			d.SignalValueType == dbc.SignalValueTypeFloat64 && f.bits == 64) {
			if f.form, f.rule = float, plain; l.byPGN {
				f.rule = ruleFloat
			}
		}
	}
}

func (b *DBC) field(id dbc.MessageID, signal string) (*layout, *field) {
	for _, l := range b.order {
		if l.id != id.ToCAN() || l.extended != id.IsExtended() {
			continue
		}
		for i := range l.fields {
			if l.fields[i].key == signal {
				return l, &l.fields[i]
			}
		}
	}
	return nil, nil
}

// find returns the layout for m, or nil.
func (b *DBC) find(m *Message) *layout {
	key := m.ID | standardBit
	if m.Extended {
		at, n := b.index.find(m.PGN)
		for i := range n {
			if l := b.found[at+i]; l.sender(m.Source) {
				return l
			}
		}
		if key = m.ID | extendedBit; m.Frames > 1 {
			return nil
		}
	}
	if at, n := b.index.find(key); n > 0 {
		return b.found[at]
	}
	return nil
}

// All returns a Pick of every signal of the file, in its order.
func (b *DBC) All() []Pick { return all(b.order) }

// Compile looks up a signal of the file. An unknown name wraps ErrUnknown and lists the nearest ones.
func (b *DBC) Compile(message, signal string) (Pick, error) {
	for _, l := range b.order {
		if l.key != message {
			continue
		}
		if f, ok := l.lookup(signal); ok {
			return Pick{name: message + "." + signal, layout: l, field: f, from: senders{source: -1}}, nil
		}
	}
	path := message + "." + signal
	return Pick{}, fmt.Errorf("%w %q in %s; nearest: %s", ErrUnknown, path, b.name,
		strings.Join(nearest(path, names(b.order)), ", "))
}
