// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"encoding/binary"
	"math"
	"math/bits"
	"slices"

	"airhold/bus"
	"airhold/bus/j1939"
)

// Hit is one signal that a Set found in a frame.
type Hit struct {
	Written float64 // in the Pick's unit; zero unless Status is OK
	Pick    int32   // its place in the list the Set was made of
	Status  Status
}

// Set is a list of signals to be read from every frame with one look-up a frame. It answers what Pick.From answers for
// each of them, only faster: what is one multiplication for most codes is worked out when the Set is made. Many
// goroutines may use one Set.
type Set struct {
	picks []Pick
	index index
	plans []plan
	exact bool // some message is known by its whole 29-bit identifier
}

// plan is what to read from one message.
type plan struct {
	layout   *layout
	steps    []step
	selector *field            // picks further steps by its code
	variants map[uint64][]step // those of variant fields, so that a frame tries only its own
}

// step reads one signal. Codes from least on, span of them, are plain values of a frame's first eight bytes; all others
// are left to the field itself.
type step struct {
	factor, offset float64
	mask, top      uint64 // top is the sign bit, 0 where there is no sign
	least, span    uint64
	gateMask       uint64
	gateLeast      uint64
	gateSpan       uint64
	pick           *Pick
	place          int32
	shift          uint8
	gateShift      uint8
	end            uint8 // bits a frame must have
	quick          bool  // all of the above may be used
	big, gateBig   bool  // counted in the bytes the other way round
	gated          bool  // one gate, held by the three values above
	free           bool  // any sender
}

// NewSet makes a Set of picks. The zero Pick is allowed and never found.
func NewSet(picks []Pick) *Set {
	s := &Set{picks: slices.Clone(picks)}
	type same struct {
		file, message string
		key           uint32
	}
	byLayout := make(map[same]int)
	for i := range s.picks {
		p := &s.picks[i]
		if p.layout == nil {
			continue
		}
		id := same{p.layout.source, p.layout.key, p.layout.lookupKey()}
		at, ok := byLayout[id]
		if !ok {
			at = len(s.plans)
			byLayout[id] = at
			s.plans = append(s.plans, plan{layout: p.layout, selector: p.layout.selector})
			s.exact = s.exact || p.layout.extended && !p.layout.byPGN
		}
		s.plans[at].add(p, int32(i))
	}
	keys := make(map[uint32][]int32)
	for i := range s.plans {
		k := s.plans[i].layout.lookupKey()
		keys[k] = append(keys[k], int32(i))
	}
	s.index = newIndex(keys)
	return s
}

// Pick returns the Pick that a Hit is of.
func (s *Set) Pick(h Hit) Pick { return s.picks[h.Pick] }

// SI turns what a Hit holds into SI.
func (s *Set) SI(h Hit) float64 { return s.picks[h.Pick].field.si(h.Written) }

func (p *plan) add(pick *Pick, place int32) {
	st := quickStep(&pick.field)
	st.pick, st.place = pick, place
	st.free = pick.from.source < 0 && !pick.from.named && !pick.layout.shared
	if code, ok := pick.layout.variantOf(&pick.field); ok {
		if p.variants == nil {
			p.variants = make(map[uint64][]step)
		}
		p.variants[code] = append(p.variants[code], st)
		return
	}
	p.steps = append(p.steps, st)
}

// variantOf says under which code of the layout's selector a field stands.
func (l *layout) variantOf(f *field) (uint64, bool) {
	for code, fields := range l.variants {
		for i := range fields {
			if fields[i].key == f.key {
				return code, true
			}
		}
	}
	return 0, false
}

// quickStep works out which codes of f are plain values. Where it cannot, quick stays false.
func quickStep(f *field) step {
	st := step{factor: f.factor, offset: f.offset, mask: 1<<f.bits - 1, big: f.big}
	shift, end, ok := f.quickPlace()
	if !ok || f.form != integer {
		return st
	}
	st.shift, st.end = shift, end
	if f.signed {
		st.top = 1 << (f.bits - 1)
	}
	least, most := f.plainCodes()
	if least > most || !f.holds(least) || !f.holds(most) {
		return st
	}
	st.least, st.span = uint64(least), uint64(most-least) //nolint:gosec // two's complement is what is wanted
	switch len(f.gates) {
	case 0:
		st.quick = true
	case 1:
		g := &f.gates[0]
		shift, end, ok := g.on.quickPlace()
		if !ok || len(g.ranges) != 1 || g.ranges[0][0] > g.ranges[0][1] {
			return st
		}
		st.gated, st.quick, st.gateBig = true, true, g.on.big
		st.gateShift, st.gateMask = shift, 1<<g.on.bits-1
		st.gateLeast, st.gateSpan = g.ranges[0][0], g.ranges[0][1]-g.ranges[0][0]
		st.end = max(st.end, end)
	}
	return st
}

// quickPlace gives where the field's lowest bit is in a frame's eight bytes read as one number, lowest byte first or, for
// a big-endian field, last, and how many bits the frame must have.
func (f *field) quickPlace() (shift, end uint8, ok bool) {
	start, n := uint(f.start), uint(f.bits)
	if f.big {
		start = start&^7 | 7 - start&7
	}
	switch {
	case n == 0 || start+n > 64:
		return 0, 0, false
	case f.big:
		return uint8(64 - start - n), uint8(start + n), true //nolint:gosec // at most 64
	default:
		return uint8(start), uint8(start + n), true //nolint:gosec // at most 64
	}
}

// plainCodes bounds the codes that the rule and the range of f leave; holds has the last word on both ends.
func (f *field) plainCodes() (least, most int64) {
	if f.bits > 53 { // beyond, float64 has not every code
		return 0, -1
	}
	ones := uint64(1)<<f.bits - 1
	most = int64(ones)
	if f.signed {
		least, most = -1<<(f.bits-1), 1<<(f.bits-1)-1
	}
	value := func(code int64) bool { return f.status(uint64(code)&ones) == OK } //nolint:gosec // two's complement is what is wanted
	if f.rule == ruleJ1939 && f.bits > 8 && f.bits%8 == 0 {
		most = 0xFB<<(f.bits-8) - 1
	}
	for most >= least && !value(most) {
		most--
	}
	if f.bits <= 8 { // codes without a meaning may lie between
		for code := least; code <= most; code++ {
			if !value(code) {
				most = code - 1
			}
		}
	}
	if f.high > f.low {
		a, b := (f.low-f.offset)/f.factor, (f.high-f.offset)/f.factor
		a, b = math.Ceil(min(a, b)), math.Floor(max(a, b))
		if !(a >= -1<<53 && b <= 1<<53) { // also where one is not a number
			a, b = max(a, -1<<53), min(b, 1<<53)
			if math.IsNaN(a) || math.IsNaN(b) {
				return 0, -1
			}
		}
		least, most = max(least, int64(a)), min(most, int64(b))
	}
	return least, most
}

// holds reports whether code is a value.
func (f *field) holds(code int64) bool {
	_, st := f.scale(uint64(code) & (1<<f.bits - 1)) //nolint:gosec // two's complement is what is wanted
	return st == OK
}

// Read takes one frame in, as Frame does, and appends what s finds in the message it is or completes. The order is that
// of the messages' signals as s was made.
func (d *Decoder) Read(f *bus.Frame, s *Set, dst []Hit) []Hit {
	if f.Class != bus.Data || f.IsRemote {
		return dst
	}
	if !f.IsExtended {
		for _, at := range s.index.find(f.ID | standardBit) {
			dst = s.plans[at].frame(d, f, dst)
		}
		return dst
	}
	pgn := f.ID >> 8 & 0x3FFFF
	if pgn>>8&0xFF < 240 {
		pgn &^= 0xFF
	}
	if pgn == j1939.PGNAddressClaim || j1939.Joined(pgn) {
		return d.joined(f, s, dst)
	}
	for _, at := range s.index.find(pgn) {
		dst = s.plans[at].frame(d, f, dst)
	}
	if s.exact {
		for _, at := range s.index.find(f.ID | extendedBit) {
			dst = s.plans[at].frame(d, f, dst)
		}
	}
	return dst
}

// joined goes the long way, over whole messages.
func (d *Decoder) joined(f *bus.Frame, s *Set, dst []Hit) []Hit {
	if !d.take(f) {
		return dst
	}
	m := &d.msg
	for _, at := range s.index.find(m.PGN) {
		dst = s.plans[at].message(m, dst)
	}
	if s.exact {
		for _, at := range s.index.find(m.ID | extendedBit) {
			dst = s.plans[at].message(m, dst)
		}
	}
	return dst
}

// frame reads a message that is one frame.
func (p *plan) frame(d *Decoder, f *bus.Frame, dst []Hit) []Hit {
	size := min(f.Length, 8)
	dst = quick(p.steps, d, f, dst)
	if p.selector == nil {
		return dst
	}
	if code, ok := p.selector.raw(f.Data[:size]); ok {
		dst = quick(p.variants[code], d, f, dst)
	}
	return dst
}

func quick(list []step, d *Decoder, f *bus.Frame, dst []Hit) []Hit {
	words := [2]uint64{binary.LittleEndian.Uint64(f.Data[:]), binary.BigEndian.Uint64(f.Data[:])}
	have := min(f.Length, 8) * 8
	for i := range list {
		st := &list[i]
		if !st.free && !st.heard(d, f) {
			continue
		}
		if !st.quick || have < st.end {
			dst = st.slow(f.Data[:have/8], dst)
			continue
		}
		if st.gated && words[order(st.gateBig)]>>(st.gateShift&63)&st.gateMask-st.gateLeast > st.gateSpan {
			continue
		}
		code := words[order(st.big)] >> (st.shift & 63) & st.mask
		value := (code ^ st.top) - st.top // carries the sign up
		if value-st.least > st.span {
			dst = st.slow(f.Data[:have/8], dst)
			continue
		}
		// The conversion forbids a fused product, as in field.scale.
		written := float64(float64(int64(value))*st.factor) + st.offset //nolint:gosec // two's complement is what is wanted
		dst = append(dst, Hit{Written: written, Pick: st.place})
	}
	return dst
}

// heard reports whether f comes from a sender that the step's Pick accepts.
func (st *step) heard(d *Decoder, f *bus.Frame) bool {
	source := uint8(0)
	if f.IsExtended {
		source = uint8(f.ID & 0xFF)
	}
	l := st.pick.layout
	return (!l.byPGN || l.sender(source)) && st.pick.from.sentFrame(d, f, source)
}

func order(big bool) int {
	if big {
		return 1
	}
	return 0
}

// slow lets the field itself read.
func (st *step) slow(data []byte, dst []Hit) []Hit {
	if !st.pick.field.open(data) {
		return dst
	}
	written, _, status := st.pick.field.read(data)
	return append(dst, Hit{Written: written, Pick: st.place, Status: status})
}

// message reads a message of any length.
func (p *plan) message(m *Message, dst []Hit) []Hit {
	dst = whole(p.steps, m, dst)
	if p.selector == nil {
		return dst
	}
	if code, ok := p.selector.raw(m.Data); ok {
		dst = whole(p.variants[code], m, dst)
	}
	return dst
}

func whole(list []step, m *Message, dst []Hit) []Hit {
	for i := range list {
		if st := &list[i]; st.pick.layout.matches(m) && st.pick.from.sent(m) {
			dst = st.slow(m.Data, dst)
		}
	}
	return dst
}

const standardBit = 1 << 30 // marks an 11-bit identifier among the keys of an index

// lookupKey is the number by which frames find the layout.
func (l *layout) lookupKey() uint32 {
	switch {
	case l.byPGN:
		return l.pgn
	case l.extended:
		return l.id | extendedBit
	default:
		return l.id | standardBit
	}
}

// index finds a short list of places by number: a hash table that is made once and costs less than a map.
type index struct {
	slots []indexSlot
	shift uint
}

type indexSlot struct {
	places []int32
	key    uint32
}

func newIndex(keys map[uint32][]int32) index {
	width := max(4, bits.Len(uint(len(keys)))+2)
	x := index{slots: make([]indexSlot, 1<<width), shift: uint(64 - width)}
	for key, places := range keys {
		i := x.start(key)
		for x.slots[i].places != nil {
			i = (i + 1) & (len(x.slots) - 1)
		}
		x.slots[i] = indexSlot{places, key}
	}
	return x
}

func (x *index) start(key uint32) int {
	return int(uint64(key) * 0x9E3779B97F4A7C15 >> x.shift) //nolint:gosec // below the table's length
}

func (x *index) find(key uint32) []int32 {
	for i := x.start(key); ; i = (i + 1) & (len(x.slots) - 1) {
		s := &x.slots[i]
		if s.places == nil || s.key == key {
			return s.places
		}
	}
}
