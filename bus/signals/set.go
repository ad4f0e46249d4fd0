// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"cmp"
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
	plans []plan // those of one look-up key stand together
	index index
	most  int  // more hits than a frame can give
	exact bool // some message is known by its whole 29-bit identifier
}

// plan is what to read from one message.
type plan struct {
	layout   *layout
	key      uint32 // of the Set's index
	steps    list
	selector place    // picks one of the variants by its code
	on       *field   // the selector; nil where there is none
	plain    bool     // all there is to it is quick: no selector, no gate, no second plan
	codes    index    // of variants
	variants []list   // in the order of their codes
	under    []uint32 // those codes
}

// list are steps that belong together.
type list struct {
	steps []step
	low   int // how many of them, the first ones, are read from the low end
	gate  gateway
	end   uint8 // bits a frame must have for all steps to be quick
	quick bool  // all steps are quick, from any sender, behind one gate
}

// step reads one signal. Codes from least on, span of them, are plain values of a frame's first eight bytes, read as one
// number from either end; all others are left to the field itself.
type step struct {
	mask           uint64
	shift          uint64
	top            uint64 // the sign bit, 0 where there is no sign
	least, span    uint64
	factor, offset float64
	pick           *Pick
	number         int32
	end            uint8 // bits a frame must have
	big            bool  // the number is read from the other end
	bits           uint8
	bytes          bool // whole bytes in J1939's ranges, where the top one tells what is no value
	quick          bool // the above may be used
	free           bool // from any sender
}

// place is where a code stands in a frame's eight bytes.
type place struct {
	mask  uint64
	shift uint8
	end   uint8 // bits a frame must have
	big   bool  // the number is read from the other end
}

// code reads the code out of a frame that has it.
func (p *place) code(f *bus.Frame) uint64 {
	word := binary.LittleEndian.Uint64(f.Data[:])
	if p.big {
		word = bits.ReverseBytes64(word)
	}
	return word >> (p.shift & 63) & p.mask
}

// gateway is a condition that can be told from a frame's bytes. The zero gateway always holds.
type gateway struct {
	place

	least, span uint64
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
			s.plans = append(s.plans, newPlan(p.layout))
			s.exact = s.exact || p.layout.extended && !p.layout.byPGN
		}
		s.plans[at].add(p, int32(i))
	}
	slices.SortStableFunc(s.plans, func(a, b plan) int { return cmp.Compare(a.key, b.key) })
	keys := make([]uint32, len(s.plans))
	for i := range s.plans {
		keys[i] = s.plans[i].key
		s.most += s.plans[i].seal()
	}
	s.index = newIndex(keys)
	for i := range s.plans {
		p := &s.plans[i]
		_, n := s.index.find(p.key)
		p.plain = n == 1 && p.on == nil && p.steps.quick && p.steps.gate == gateway{} && !s.exact &&
			(!p.layout.byPGN || !wholeMessages(p.layout.pgn))
	}
	return s
}

// newPlan makes an empty plan. Where the layout says which of its fields tells most, that is the selector; else the first
// multiplexer met is.
func newPlan(l *layout) plan {
	p := plan{layout: l, key: l.lookupKey()}
	if l.selector != nil {
		if at, ok := l.selector.place(); ok {
			p.on, p.selector = l.selector, at
		}
	}
	return p
}

// Pick returns the Pick that a Hit is of.
func (s *Set) Pick(h Hit) Pick { return s.picks[h.Pick] }

// SI turns what a Hit holds into SI.
func (s *Set) SI(h Hit) float64 { return s.picks[h.Pick].field.si(h.Written) }

// seal ends the making of a plan and returns how many hits it can give.
func (p *plan) seal() int {
	most := 0
	for i := range p.variants {
		most = max(most, p.variants[i].seal())
	}
	p.codes = newIndex(p.under)
	return most + p.steps.seal()
}

// seal puts the steps that are read from the low end first.
func (l *list) seal() int {
	slices.SortStableFunc(l.steps, func(a, b step) int {
		switch {
		case a.big == b.big:
			return 0
		case a.big:
			return 1
		default:
			return -1
		}
	})
	for l.low < len(l.steps) && !l.steps[l.low].big {
		l.low++
	}
	return len(l.steps)
}

// maxUnder is for how many codes of a selector a signal is entered.
const maxUnder = 256

// add enters a pick under the codes of the multiplexer that its first gate asks for, or among the steps that are always
// tried.
func (p *plan) add(pick *Pick, number int32) {
	st := quickStep(&pick.field)
	st.pick, st.number = pick, number
	st.free = pick.from.source < 0 && !pick.from.named && !pick.layout.shared
	gates := pick.field.gates
	for i := range gates {
		codes, ok := gates[i].codes()
		if !ok || p.on != nil && !p.on.samePlace(gates[i].on) {
			continue
		}
		if p.on == nil {
			p.on = gates[i].on
			p.selector, _ = p.on.place()
		}
		rest := slices.Delete(slices.Clone(gates), i, i+1)
		for _, code := range codes {
			p.variant(code).add(st, rest)
		}
		return
	}
	p.steps.add(st, gates)
}

// codes lists the codes that a gate asks for, when they are few and all in a frame's bytes.
func (g *gate) codes() ([]uint32, bool) {
	if _, ok := g.on.place(); !ok || g.on.bits > 32 {
		return nil, false
	}
	var out []uint32
	for _, r := range g.ranges {
		for code := r[0]; code <= min(r[1], 1<<g.on.bits-1); code++ {
			if out = append(out, uint32(code)); len(out) > maxUnder { //nolint:gosec // at most 32 bits
				return nil, false
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out), true
}

func (f *field) samePlace(o *field) bool {
	return f.start == o.start && f.bits == o.bits && f.big == o.big
}

// variant returns the list under a code, making it where there is none.
func (p *plan) variant(code uint32) *list {
	i, found := slices.BinarySearch(p.under, code)
	if !found {
		p.under = slices.Insert(p.under, i, code)
		p.variants = slices.Insert(p.variants, i, list{})
	}
	return &p.variants[i]
}

// add appends a step that has these gates besides.
func (l *list) add(st step, gates []gate) {
	gate, ok := gateway{}, st.quick && st.free && len(gates) <= 1
	if ok && len(gates) == 1 {
		gate, ok = gates[0].quick()
	}
	if len(l.steps) == 0 {
		l.gate, l.quick = gate, true
	}
	l.quick = l.quick && ok && gate == l.gate && len(l.steps) < maxQuick
	l.end = max(l.end, st.end, gate.end) // beyond, careful tells what is absent from what is not there
	l.steps = append(l.steps, st)
}

// quick turns a gate into a gateway where it can be one.
func (g *gate) quick() (gateway, bool) {
	at, ok := g.on.place()
	if !ok || len(g.ranges) != 1 || g.ranges[0][0] > g.ranges[0][1] {
		return gateway{}, false
	}
	return gateway{at, g.ranges[0][0], g.ranges[0][1] - g.ranges[0][0]}, true
}

// quickStep works out which codes of f are plain values. Where it cannot, quick stays false.
func quickStep(f *field) step {
	st := step{factor: f.factor, offset: f.offset}
	at, ok := f.place()
	if !ok || f.form != integer {
		return st
	}
	st.mask, st.shift, st.end, st.big = at.mask, uint64(at.shift), at.end, at.big
	if f.signed {
		st.top = 1 << (f.bits - 1)
	}
	least, most := f.plainCodes()
	if least > most || !f.holds(least) || !f.holds(most) {
		return st
	}
	st.least, st.span = uint64(least), uint64(most-least) //nolint:gosec // two's complement is what is wanted
	st.quick, st.bits = true, f.bits
	st.bytes = f.rule == ruleJ1939 && f.bits >= 8 && f.bits%8 == 0
	return st
}

// place gives where the field stands in a frame's eight bytes, if it does.
func (f *field) place() (place, bool) {
	start, n := uint(f.start), uint(f.bits)
	if f.big {
		start = start&^7 | 7 - start&7
	}
	if n == 0 || start+n > 64 {
		return place{}, false
	}
	p := place{mask: 1<<n - 1, shift: uint8(start), end: uint8(start + n), big: f.big} //nolint:gosec // at most 64
	if f.big {
		p.shift = uint8(64 - start - n)
	}
	return p, true
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

// Read takes one frame in, as Frame does, and appends what s finds in the message it is or completes: those under a
// multiplexer last, and otherwise first those in little-endian order, as in the list.
func (d *Decoder) Read(f *bus.Frame, s *Set, dst []Hit) []Hit {
	if f.Class != bus.Data || f.IsRemote {
		return dst
	}
	if cap(dst)-len(dst) < s.most {
		dst = slices.Grow(dst, s.most)
	}
	if !f.IsExtended {
		at, n := s.index.find(f.ID | standardBit)
		return s.frame(d, f, at, n, dst)
	}
	pgn := f.ID >> 8 & 0x3FFFF
	if pgn>>8&0xFF < 240 {
		pgn &^= 0xFF
	}
	at, n := s.index.find(pgn)
	if n == 1 {
		if p := &s.plans[at]; p.plain && f.Length*8 >= p.steps.end { // most frames
			return quick(&p.steps, f, dst)
		}
	}
	if wholeMessages(pgn) {
		return d.joined(f, s, dst)
	}
	dst = s.frame(d, f, at, n, dst)
	if s.exact {
		at, n = s.index.find(f.ID | extendedBit)
		dst = s.frame(d, f, at, n, dst)
	}
	return dst
}

// wholeMessages reports whether a group must be taken in as messages: because they are joined from frames, or because they
// say who has which address.
func wholeMessages(pgn uint32) bool { return pgn == j1939.PGNAddressClaim || j1939.Joined(pgn) }

// joined goes the long way, over whole messages.
func (d *Decoder) joined(f *bus.Frame, s *Set, dst []Hit) []Hit {
	if !d.take(f) {
		return dst
	}
	m := &d.msg
	at, n := s.index.find(m.PGN)
	for i := range n {
		dst = s.plans[at+i].message(m, dst)
	}
	if s.exact {
		at, n = s.index.find(m.ID | extendedBit)
		for i := range n {
			dst = s.plans[at+i].message(m, dst)
		}
	}
	return dst
}

// frame reads a message that is one frame by the n plans from at on; dst has room for it.
func (s *Set) frame(d *Decoder, f *bus.Frame, at, n int32, dst []Hit) []Hit {
	for ; n > 0; at, n = at+1, n-1 {
		p := &s.plans[at]
		if p.plain && f.Length*8 >= p.steps.end {
			return quick(&p.steps, f, dst)
		}
		dst = p.steps.frame(d, f, dst)
		if p.on == nil || f.Length*8 < p.selector.end {
			continue
		}
		if v, n := p.codes.find(uint32(p.selector.code(f))); n > 0 { //nolint:gosec // at most 32 bits
			dst = p.variants[v].frame(d, f, dst)
		}
	}
	return dst
}

func (l *list) frame(d *Decoder, f *bus.Frame, dst []Hit) []Hit {
	if !l.quick || f.Length*8 < l.end {
		return careful(l.steps, d, f, dst)
	}
	if l.gate.code(f)-l.gate.least > l.gate.span {
		return dst
	}
	return quick(l, f, dst)
}

// maxQuick is how many steps quick takes: a bit each.
const maxQuick = 64

// quick reads at most maxQuick steps that are all quick, from any sender, in the frame, and whose gate holds. dst has
// room for them.
func quick(l *list, f *bus.Frame, dst []Hit) []Hit {
	word := binary.LittleEndian.Uint64(f.Data[:])
	n := len(dst) + len(l.steps)
	out := dst[len(dst):n]
	special := scale(l.steps[:l.low], word, out)
	if l.low < len(l.steps) {
		special |= scale(l.steps[l.low:], bits.ReverseBytes64(word), out[l.low:]) << l.low
	}
	if special != 0 {
		ask(l.steps, f, out, special)
	}
	return dst[:n]
}

// scale reads steps out of a frame's bytes in their order. It returns a bit for each step whose code is no plain value.
func scale(list []step, word uint64, out []Hit) uint64 {
	out = out[:len(list)]
	special := uint64(0) // the last step's bit on top
	for i := range list {
		st := &list[i]
		value := (word>>(st.shift&63)&st.mask ^ st.top) - st.top // carries the sign up
		_, over := bits.Sub64(st.span, value-st.least, 0)
		special = special>>1 | over<<63
		// The conversion forbids a fused product, as in field.scale.
		out[i] = Hit{Written: float64(float64(int64(value))*st.factor) + st.offset, Pick: st.number} //nolint:gosec // two's complement is what is wanted
	}
	return special >> (64 - len(list))
}

// ask says what the codes mean of the steps whose bits are set in which.
func ask(list []step, f *bus.Frame, out []Hit, which uint64) {
	word := binary.LittleEndian.Uint64(f.Data[:])
	for ; which != 0; which &= which - 1 {
		i := bits.TrailingZeros64(which)
		st, h := &list[i], &out[i]
		if st.bytes && !st.big {
			code := word >> (st.shift & 63) & st.mask
			if h.Status = byTopByte(uint8(code >> (st.bits - 8&63))); h.Status != OK { //nolint:gosec // the shift leaves 8 bits
				h.Written = 0
				continue
			}
		}
		h.Written, _, h.Status = st.pick.field.read(f.Data[:min(f.Length, 8)])
	}
}

// careful reads steps of any kind.
func careful(list []step, d *Decoder, f *bus.Frame, dst []Hit) []Hit {
	data := f.Data[:min(f.Length, 8)]
	for i := range list {
		if st := &list[i]; st.free || st.heard(d, f) {
			dst = st.slow(data, dst)
		}
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

// slow lets the field itself read.
func (st *step) slow(data []byte, dst []Hit) []Hit {
	if !st.pick.field.open(data) {
		return dst
	}
	written, _, status := st.pick.field.read(data)
	return append(dst, Hit{Written: written, Pick: st.number, Status: status})
}

// message reads a message of any length.
func (p *plan) message(m *Message, dst []Hit) []Hit {
	dst = whole(p.steps.steps, m, dst)
	if p.on == nil {
		return dst
	}
	if code, ok := p.on.raw(m.Data); ok {
		if v, n := p.codes.find(uint32(code)); n > 0 { //nolint:gosec // at most 32 bits
			dst = whole(p.variants[v].steps, m, dst)
		}
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

// index finds numbers in a sorted list: a hash table that is made once and costs less than a map.
type index struct {
	slots []indexSlot
	shift uint
}

type indexSlot struct {
	key   uint32
	at, n int32 // where in the list, and how many of them; 0 in an empty slot
}

// newIndex indexes keys, of which equal ones stand together.
func newIndex(keys []uint32) index {
	width := max(4, bits.Len(uint(len(keys)))+2)
	x := index{slots: make([]indexSlot, 1<<width), shift: uint(64 - width)}
	for at, key := range keys {
		i := x.start(key)
		for x.slots[i].n > 0 && x.slots[i].key != key {
			i = (i + 1) & (len(x.slots) - 1)
		}
		if x.slots[i].n == 0 {
			x.slots[i] = indexSlot{key: key, at: int32(at)}
		}
		x.slots[i].n++
	}
	return x
}

func (x *index) start(key uint32) int {
	return int(uint64(key) * 0x9E3779B97F4A7C15 >> (x.shift & 63)) //nolint:gosec // below the table's length
}

// find returns where key stands in the list and how often.
func (x *index) find(key uint32) (at, n int32) {
	for i := x.start(key); ; i++ {
		s := &x.slots[i&(len(x.slots)-1)]
		if s.n == 0 || s.key == key {
			return s.at, s.n
		}
	}
}
