// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math/bits"
	"strconv"
	"time"

	"airhold/bus"
)

// Block types and options of pcapng, with the section of draft-ietf-opsawg-pcapng that defines them.
const (
	blockSection   = 0x0a0d0d0a // 4.1; reads the same in both byte orders
	blockInterface = 1          // 4.2
	blockSimple    = 3          // 4.4
	blockName      = 4          // 4.5
	blockStats     = 5          // 4.6
	blockEnhanced  = 6          // 4.3

	orderMagic = 0x1a2b3c4d // 4.1

	optEnd      = 0
	optIfName   = 2  // 4.2
	optTsResol  = 9  // 4.2
	optTsOffset = 14 // 4.2

	linkSocketCAN = 227 // LINKTYPE_CAN_SOCKETCAN
	socketCANHead = 8   // identifier, length, FD flags, reserved, raw length code

	fdFlagFD = 0x04 // FD flags: a CAN FD frame (LINKTYPE_CAN_SOCKETCAN)
	xlFlag   = 0x80 // in the place of the length: a CAN XL frame

	// maxBlock is far above any block a CAN capture needs; a longer one is taken for damage.
	maxBlock = 1 << 20
)

// iface is one interface description of the current section.
type iface struct {
	can    bool
	link   uint16 // index in Reader.links
	units  uint64 // units of a time stamp a second; never 0
	offset int64  // seconds to add to every time stamp
	usual  bool   // CAN, nanoseconds and no offset
}

type pcapngDecoder struct {
	owner  *Reader
	in     *window
	order  binary.ByteOrder
	little bool
	ifaces []iface
	whole  int64 // where the last whole block ended
	lost   bool  // an interface description turned up right behind damage: its section header is gone, wait for the next one
}

// fill takes the blocks that are in the window the straight way, and the first that is not plain the careful one.
func (d *pcapngDecoder) fill(buf []bus.Frame) (int, error) {
	n := 0
	if d.little && !d.lost && d.owner.anyStamp {
		n = d.plain(d.in.buffered(), buf)
		d.in.skip(n * plainBlock)
		if n > 0 {
			d.whole = d.in.pos
		}
	}
	if n > 0 {
		return n, nil // what was read is not held up by a source that gives more only later
	}
	if err := d.next(&buf[0]); err != nil {
		return 0, err
	}
	return 1, nil
}

func (d *pcapngDecoder) next(f *bus.Frame) error {
	for {
		block, kind, err := d.take()
		if err != nil {
			return err
		}
		d.whole = d.in.pos
		offset := d.in.pos - int64(len(block))
		body := block[8 : len(block)-4]
		switch {
		case kind == blockSection:
			d.section(body, offset)
		case d.lost || d.order == nil:
			d.owner.blame(0, offset, "a block whose section header is lost")
		case kind == blockInterface:
			d.iface(body, offset)
		case kind == blockStats:
			d.statistics(body, offset)
		case kind == blockEnhanced:
			if d.enhanced(f, body, offset) {
				return nil
			}
		case kind == blockSimple:
			if d.simple(f, body, offset) {
				return nil
			}
		}
	}
}

// u32 reads by the section's byte order without an interface call: this is the hot path.
func (d *pcapngDecoder) u32(b []byte) uint32 { return u32(d.little, b) }

func u32(little bool, b []byte) uint32 {
	if little {
		return binary.LittleEndian.Uint32(b)
	}
	return binary.BigEndian.Uint32(b)
}

// take returns the next whole block with its type, skipping what is damaged.
func (d *pcapngDecoder) take() ([]byte, uint32, error) {
	head, err := d.in.peek(8)
	switch {
	case len(head) == 8:
		if h, ok := d.look(0); ok && !d.overlapped(h.length) {
			return d.accept(h), h.kind, nil
		}
	case err != io.EOF: //nolint:errorlint // window passes io.EOF as it is
		return nil, 0, fmt.Errorf("read capture: %w", err)
	case len(head) == 0:
		return nil, 0, io.EOF
	}
	if d.in.err != nil && d.in.err != io.EOF { //nolint:errorlint // as above
		return nil, 0, fmt.Errorf("read capture: %w", d.in.err)
	}
	return d.resync()
}

// blockHead is what a whole block says of itself.
type blockHead struct {
	kind   uint32
	length int
	little bool // a section header's own byte order, else that of the section
}

// look checks the block that begins at that many bytes from here: its length, that the length stands again at its end,
// and its inner lengths.
func (d *pcapngDecoder) look(at int) (blockHead, bool) {
	head, _ := d.in.peek(at + 8)
	if len(head) < at+8 {
		return blockHead{}, false
	}
	head = head[at:]
	h := blockHead{little: d.little}
	if binary.LittleEndian.Uint32(head) == blockSection {
		long, _ := d.in.peek(at + 12)
		if len(long) < at+12 {
			return blockHead{}, false
		}
		head = long[at:]
		switch {
		case binary.LittleEndian.Uint32(head[8:]) == orderMagic:
			h.little = true
		case binary.BigEndian.Uint32(head[8:]) == orderMagic:
			h.little = false
		default:
			return blockHead{}, false
		}
	} else if d.order == nil {
		return blockHead{}, false
	}
	n := u32(h.little, head[4:])
	if !possibleLength(n) {
		return blockHead{}, false
	}
	h.kind, h.length = u32(h.little, head), int(n)
	block, _ := d.in.peek(at + h.length)
	if len(block) < at+h.length {
		return blockHead{}, false
	}
	block = block[at:]
	return h, u32(h.little, block[n-4:]) == n && d.plausible(h.kind, block[8:n-4])
}

func possibleLength(n uint32) bool { return n%4 == 0 && n >= 12 && n <= maxBlock }

// accept moves on behind a block that look has found here.
func (d *pcapngDecoder) accept(h blockHead) []byte {
	block, _ := d.in.peek(h.length)
	d.in.skip(h.length)
	if h.kind == blockSection {
		d.little = h.little
		d.order = binary.BigEndian
		if h.little {
			d.order = binary.LittleEndian
		}
	}
	return block
}

// overlapped tells whether the block of n bytes that look has found here is the beginning of a torn one, which took the
// head of the next block for its own end: a block torn eight bytes before its end finds there, in the next one's length,
// its own length again. Then no block follows it, but one begins inside it.
func (d *pcapngDecoder) overlapped(n int) bool {
	if d.followed(n) {
		return false
	}
	block, _ := d.in.peek(n)
	if !d.mayHide(block) {
		return false // and so a source that gives more only later does not hold up this block
	}
	if _, ok := d.look(n); ok {
		return false
	}
	for at := 1; at+8 <= n; at++ {
		if block, _ = d.in.peek(n); d.known(block[at:]) {
			if _, ok := d.look(at); ok {
				return true
			}
		}
	}
	return d.overlappedByTorn(n)
}

// followed tells, of what is in the window already, whether a whole block of the section stands n bytes from here.
func (d *pcapngDecoder) followed(n int) bool {
	rest := d.in.buffered()[n:]
	if len(rest) < 12 || d.order == nil {
		return false
	}
	kind, m := d.u32(rest), d.u32(rest[4:])
	return kind != blockSection && possibleLength(m) && int(m) <= len(rest) && d.u32(rest[m-4:]) == m && d.plausible(kind, rest[8:m-4])
}

// overlappedByTorn is overlapped for a block inside that was torn too: the end of the outer one reads as the head of a
// block, and what stands behind is neither the head of the next one, nor zeros as a power cut leaves them, nor nothing.
func (d *pcapngDecoder) overlappedByTorn(n int) bool {
	block, _ := d.in.peek(n)
	if !d.known(block[n-8:]) {
		return false
	}
	next, err := d.in.peek(n + 16)         // no block has so many zeros behind its length
	if len(next) < n+16 && err != io.EOF { //nolint:errorlint // window passes io.EOF as it is
		return false
	}
	next = bytes.TrimRight(next[n:], "\x00")
	if len(next) < 4 {
		return false // may be the beginning of anything
	}
	// The torn block's rest begins with the number of its link, and a 1 there would read as an interface description.
	return !d.known(next) || d.u32(next) == blockInterface || len(next) >= 8 && !possibleLength(d.u32(next[4:]))
}

// mayHide tells whether a block could begin inside this one.
func (d *pcapngDecoder) mayHide(block []byte) bool {
	for at := 1; at+8 <= len(block); at++ {
		if block[at] > 10 { // as in hop
			continue
		}
		head := block[at:]
		if d.known(head) && (binary.LittleEndian.Uint32(head) == blockSection || possibleLength(d.u32(head[4:]))) {
			return true
		}
	}
	return false
}

// plausible checks the inside of the block types that matter here, so that two halves of blocks which happen to fit
// are not taken for one.
func (d *pcapngDecoder) plausible(kind uint32, body []byte) bool {
	switch kind {
	case blockSection:
		return len(body) >= 16
	case blockInterface:
		return len(body) >= 8
	case blockSimple:
		return len(body) >= 4
	case blockStats:
		return len(body) >= 12
	case blockEnhanced:
		if len(body) < 20 {
			return false
		}
		n := d.u32(body[12:])
		return n <= uint32(len(body)-20) && n <= d.u32(body[16:]) //nolint:gosec // body is shorter than maxBlock
	case 0:
		return false
	}
	return true
}

// resync steps over damage byte by byte until a whole block of a type this package knows begins, or the capture ends.
func (d *pcapngDecoder) resync() ([]byte, uint32, error) {
	start := d.in.pos
	zeros := true
	for {
		if seen := d.in.buffered(); len(seen) > 0 {
			zeros = zeros && seen[0] == 0
			d.in.skip(1)
			d.hop(&zeros)
		}
		head, err := d.in.peek(8)
		if len(head) < 8 {
			if err != io.EOF { //nolint:errorlint // window passes io.EOF as it is
				return nil, 0, fmt.Errorf("read capture: %w", err)
			}
			for _, b := range head {
				zeros = zeros && b == 0
			}
			d.in.skip(len(head))
			if zeros {
				d.owner.tear(fmt.Sprintf("the last %d bytes are zero, as a power cut leaves them", d.in.pos-start))
			} else {
				d.owner.tear(fmt.Sprintf("the last %d bytes are no whole block", d.in.pos-start))
			}
			return nil, 0, io.EOF
		}
		if !d.known(head) {
			continue
		}
		h, ok := d.look(0)
		if !ok || d.overlapped(h.length) {
			continue
		}
		if h.kind == blockInterface {
			d.lost = true
		}
		what := "damaged"
		if zeros {
			what = "zero, as a power cut leaves them"
		}
		d.owner.blame(0, start, fmt.Sprintf("%d bytes are %s", d.in.pos-start, what))
		return d.accept(h), h.kind, nil
	}
}

// hop skips bytes at which no block can begin: every type searched for begins with a byte from 0 to 10.
func (d *pcapngDecoder) hop(zeros *bool) {
	seen := d.in.buffered()
	i := 0
	for i < len(seen) && seen[i] > 10 {
		i++
	}
	// Long runs of zeros would be tried byte by byte otherwise; eight of them never begin a block.
	for len(seen)-i >= 16 && bytes.Equal(seen[i:i+16], make([]byte, 16)) {
		i += 8
	}
	if i > 0 {
		*zeros = *zeros && bytes.Count(seen[:i], []byte{0}) == i
		d.in.skip(i)
	}
}

// known tells whether head may begin a block worth resuming at.
func (d *pcapngDecoder) known(head []byte) bool {
	if binary.LittleEndian.Uint32(head) == blockSection {
		return true
	}
	if d.order == nil {
		return false
	}
	switch d.u32(head) {
	case blockInterface, blockEnhanced, blockStats, blockName:
		return true
	}
	return false
}

// section begins anew: interface numbers count from 0 again.
func (d *pcapngDecoder) section(body []byte, offset int64) {
	d.ifaces = d.ifaces[:0]
	d.lost = false
	if major := d.order.Uint16(body[4:]); major != 1 {
		d.lost = true
		d.owner.blame(0, offset, fmt.Sprintf("a section of version %d; this reader knows version 1", major))
		return
	}
	d.describe(body[16:], offset)
}

func (d *pcapngDecoder) iface(body []byte, offset int64) {
	i := iface{can: d.order.Uint16(body) == linkSocketCAN, units: 1e6}
	name := strconv.AppendInt(nil, int64(len(d.ifaces)), 10)
	whole := d.options(body[8:], func(code uint16, value []byte) {
		switch {
		case code == optIfName:
			name = bytes.TrimRight(value, "\x00")
		case code == optTsResol && len(value) == 1:
			i.units = unitsPerSecond(value[0])
		case code == optTsOffset && len(value) == 8:
			i.offset = int64(d.order.Uint64(value)) //nolint:gosec // the option is signed
		}
	})
	if !whole {
		d.owner.blame(0, offset, "an option of the interface description is longer than the block")
	}
	if i.units == 0 {
		d.owner.blame(0, offset, "an interface with a time resolution that does not fit 64 bits; its frames are left out")
	}
	if i.can {
		link, ok := d.owner.link(name)
		if !ok {
			d.owner.blame(0, offset, fmt.Sprintf("more than %d link names", maxLinks))
			i.units = 0
		}
		i.link = link
	}
	if len(d.ifaces) >= maxLinks {
		d.owner.blame(0, offset, fmt.Sprintf("more than %d interfaces in a section", maxLinks))
		return
	}
	i.usual = i.can && i.units == 1e9 && i.offset == 0
	d.ifaces = append(d.ifaces, i)
}

// unitsPerSecond decodes if_tsresol: a negative power of ten, or of two where the top bit is set. 0 means it does not fit.
func unitsPerSecond(resol byte) uint64 {
	power := resol & 0x7f
	if resol&0x80 != 0 {
		if power > 63 {
			return 0
		}
		return 1 << power
	}
	if power > 19 {
		return 0
	}
	units := uint64(1)
	for range power {
		units *= 10
	}
	return units
}

// nanoseconds since 1970 of a time stamp; false when it is before 1970 or beyond 2262.
func (i *iface) nanoseconds(stamp uint64) (int64, bool) {
	sec, rest := stamp/i.units, stamp%i.units
	if sec > maxSeconds || i.offset > maxSeconds || i.offset < -maxSeconds {
		return 0, false
	}
	whole := int64(sec) + i.offset
	if whole < 0 || whole > maxSeconds {
		return 0, false
	}
	hi, lo := bits.Mul64(rest, 1e9)
	frac, _ := bits.Div64(hi, lo, i.units) // rest < units, so the quotient is below 1e9
	return whole*1e9 + int64(frac), true   //nolint:gosec // as above
}

func (d *pcapngDecoder) enhanced(f *bus.Frame, body []byte, offset int64) bool {
	number := d.u32(body)
	if number >= uint32(len(d.ifaces)) { //nolint:gosec // at most maxLinks
		d.owner.blame(0, offset, fmt.Sprintf("a packet of interface %d, which the section does not describe", number))
		return false
	}
	i := &d.ifaces[number]
	if !i.can {
		d.owner.other++
		return false
	}
	if i.units == 0 {
		return false
	}
	n, whole := d.u32(body[12:]), d.u32(body[16:])
	if n < whole {
		d.owner.blame(0, offset, fmt.Sprintf("a frame of %d bytes of which %d were recorded", whole, n))
		return false
	}
	ns, ok := i.nanoseconds(uint64(d.u32(body[4:]))<<32 | uint64(d.u32(body[8:])))
	if !ok {
		d.owner.blame(0, offset, "a time outside the years 1970 to 2262")
		return false
	}
	if !d.packet(f, body[20:20+n], offset) {
		return false
	}
	f.Link = i.link
	d.owner.stamp(f, ns)
	return true
}

// simple is a packet without a time, always of interface 0.
func (d *pcapngDecoder) simple(f *bus.Frame, body []byte, offset int64) bool {
	if len(d.ifaces) == 0 {
		d.owner.blame(0, offset, "a packet of interface 0, which the section does not describe")
		return false
	}
	i := &d.ifaces[0]
	if !i.can {
		d.owner.other++
		return false
	}
	n := d.u32(body)
	if n > uint32(len(body)-4) { //nolint:gosec // shorter than maxBlock
		d.owner.blame(0, offset, fmt.Sprintf("a frame of %d bytes of which %d were recorded", n, len(body)-4))
		return false
	}
	if !d.packet(f, body[4:4+n], offset) {
		return false
	}
	f.Link = i.link
	f.UTC = time.Time{}
	f.Boot = d.owner.lastBoot
	return true
}

// packet decodes a LINKTYPE_CAN_SOCKETCAN packet: the identifier is big-endian in either byte order.
func (d *pcapngDecoder) packet(f *bus.Frame, p []byte, offset int64) bool {
	if len(p) < socketCANHead {
		d.owner.blame(0, offset, fmt.Sprintf("a frame of %d bytes; the shortest has %d", len(p), socketCANHead))
		return false
	}
	if p[4]&xlFlag != 0 || p[5]&fdFlagFD != 0 || len(p) > socketCANHead+maxData {
		d.owner.other++
		return false
	}
	id := binary.BigEndian.Uint32(p)
	reason := setFrame(f, id, p[4], p[socketCANHead:])
	if reason != "" {
		d.owner.blame(0, offset, reason)
		return false
	}
	return true
}

// setFrame fills class, identifier and data from a kernel identifier; data may be padded. It returns what is wrong.
func setFrame(f *bus.Frame, id uint32, length uint8, data []byte) string {
	if length > maxData {
		return fmt.Sprintf("a frame with %d data bytes; classic CAN has at most 8", length)
	}
	f.Length = length
	f.Data = [maxData]byte{}
	f.Class = bus.Data
	f.IsRemote = false
	f.IsExtended = false
	switch {
	case id&flagError != 0:
		f.Class = bus.Error
	case id&flagRemote != 0:
		f.Class = bus.Remote
		f.IsRemote = true
		f.IsExtended = id&flagExtended != 0
	default:
		f.IsExtended = id&flagExtended != 0
	}
	f.ID = id & maskExtended
	if f.Class != bus.Error && !f.IsExtended && f.ID > maskStandard {
		return "a standard identifier above 7FF"
	}
	if f.Class == bus.Remote {
		return ""
	}
	if int(length) > len(data) {
		return fmt.Sprintf("a frame that announces %d data bytes and has %d", length, len(data))
	}
	copy(f.Data[:length], data)
	return ""
}
