// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"encoding/binary"
	"math/bits"
	"time"

	"airhold/bus"
)

// This file holds the two straight roads of the package: the line and the block that nearly all of a recording consists
// of. Each takes what is perfect and nothing else; whatever it declines goes the careful way, which alone judges damage.
// Eight characters are worked on at once, each in its own byte of a 64-bit word.

const (
	ones  = 0x0101010101010101
	tops  = 0x8080808080808080
	lows  = 0x0f0f0f0f0f0f0f0f
	sixth = 0x0000ffffffffffff // the first six of eight characters
)

// hex8 reads eight hex digits; byte k of the answer is made of the digits 2k and 2k+1. False when one is no digit.
//
// Adding 0x80-c to a byte below 0x80 sets its top bit exactly when it is c or more, and never carries into the next.
func hex8(x uint64) (uint32, bool) {
	lower := x | 0x20*ones
	digit := (x + (0x80-'0')*ones) &^ (x + (0x80-'9'-1)*ones)
	letter := (lower + (0x80-'a')*ones) &^ (lower + (0x80-'f'-1)*ones)
	ok := (digit|letter)&^x&tops == tops
	n := x&lows + x>>6&ones*9 // bit 6 is set in letters only
	n = (n<<4 | n>>8) & 0x00ff00ff00ff00ff
	n = (n | n>>8) & 0x0000ffff0000ffff
	return uint32(n | n>>16), ok //nolint:gosec // the low half is the answer
}

// decimal6 reads six decimal digits, the first in the lowest byte; what stands in the two highest bytes is ignored.
func decimal6(x uint64) (uint32, bool) {
	ok := (x&(0xf0*ones)|(x+6*ones)&(0xf0*ones)>>4)&sixth == 0x33*ones&sixth
	x &= lows & sixth
	x = (x*10 + x>>8) & 0x000000ff00ff00ff // pairs
	return uint32(x&0xff*10_000 + x>>16&0xff*100 + x>>32), ok
}

// nearLinks is how many links a straight road knows by heart: a box has few.
const nearLinks = 4

// nearLink is a link name with the blank behind it, as the first bytes of a word.
type nearLink struct {
	word, mask uint64
	length     int // of name and blank; 0: none
	index      uint16
}

// straightLine is the state of the straight road through candump text.
type straightLine struct {
	seconds [10]byte // as they stood in the last line
	ns      int64    // the same as nanoseconds
	known   bool
	links   [nearLinks]nearLink
	used    int
}

const (
	stampLength = 20                                // "(1477899735.000002) "
	frameLength = 8 + 1 + 2*maxData + 1             // "18F0010B#C0FFF0FFFF5CFFFF\n"
	shortest    = stampLength + 8 + frameLength - 1 // room for every load below
)

// learn remembers what the careful way has just understood: the time's seconds and the link.
func (q *straightLine) learn(text []byte, link uint16) {
	if len(text) < stampLength || text[0] != '(' || text[11] != '.' {
		return
	}
	for _, c := range text[1:11] {
		if c-'0' > 9 {
			return
		}
	}
	copy(q.seconds[:], text[1:11])
	q.ns = 0
	for _, c := range q.seconds {
		q.ns = q.ns*10 + int64(c-'0')
	}
	q.known = q.ns < maxSeconds
	q.ns *= 1e9
	for i := range q.links[:q.used] {
		if q.links[i].index == link {
			return
		}
	}
	n := 0
	for stampLength+n < len(text) && text[stampLength+n] != ' ' {
		n++
	}
	if n == 0 || n > 7 || stampLength+n >= len(text) || q.used == nearLinks || text[18] != ')' || text[19] != ' ' {
		return
	}
	var word [8]byte
	copy(word[:], text[stampLength:stampLength+n+1])
	mask := ^uint64(0) >> (64 - 8*(n+1))
	q.links[q.used] = nearLink{binary.LittleEndian.Uint64(word[:]) & mask, mask, n + 1, link}
	q.used++
}

// line reads one line of the usual form from the start of s, which goes on beyond it: a second and a link that were
// seen before, microseconds, an extended identifier and whole data bytes. It returns the line's length with its end, or
// 0 when it is not that.
func (q *straightLine) line(s []byte, f *bus.Frame, first int64) (length int, ns int64) {
	le := binary.LittleEndian
	if len(s) < shortest || !q.known || s[0] != '(' || [10]byte(s[1:11]) != q.seconds ||
		s[11] != '.' || le.Uint16(s[18:]) != ')'|' '<<8 {
		return 0, 0
	}
	micro, ok := decimal6(le.Uint64(s[12:]))
	if !ok {
		return 0, 0
	}
	name := le.Uint64(s[stampLength:])
	i := 0
	for i < q.used && name&q.links[i&(nearLinks-1)].mask != q.links[i&(nearLinks-1)].word {
		i++
	}
	if i == q.used {
		return 0, 0
	}
	link := &q.links[i&(nearLinks-1)]
	s = s[stampLength+link.length:]
	if len(s) < frameLength || s[8] != '#' {
		return 0, 0
	}
	digits := 2 * maxData
	first8, last8 := le.Uint64(s[9:]), le.Uint64(s[17:])
	if s[25] != '\n' {
		digits = bytes.IndexByte(s[9:25], '\n')
		if digits < 0 || digits%2 != 0 {
			return 0, 0
		}
		first8, last8 = shorten(first8, digits), shorten(last8, digits-8)
	}
	id, okID := hex8(le.Uint64(s))
	lo, okLow := hex8(first8)
	hi, okHigh := hex8(last8)
	id = bits.ReverseBytes32(id)
	if !okID || !okLow || !okHigh || id > maskExtended {
		return 0, 0
	}
	f.ID = id
	f.Length = uint8(digits / 2)
	le.PutUint32(f.Data[:], lo)
	le.PutUint32(f.Data[4:], hi)
	f.IsRemote = false
	f.IsExtended = true
	f.Class = bus.Data
	f.Link = link.index
	ns = q.ns + int64(micro)*1000
	f.Boot = time.Duration(ns - first)
	f.UTC = time.Unix(q.ns/1e9, int64(micro)*1000).UTC()
	return stampLength + link.length + frameLength - 2*maxData + digits, ns
}

// shorten puts the digit 0 in place of what stands behind the first n characters.
func shorten(word uint64, n int) uint64 {
	keep := ^(^uint64(0) << (8 * min(max(n, 0), 8))) // a shift by 64 leaves nothing, so that all is kept
	return word&keep | '0'*ones&^keep
}

// plainBlock is the length of the one block that the straight road through pcapng takes: an enhanced packet with a frame
// of 16 bytes and no options, which is what the recorder writes and what the kernel's own captures consist of.
const plainBlock = epbSize

// plain reads plain blocks from the start of b, in a little-endian section in which a frame with a time was seen before,
// and returns how many. It stops at whatever else stands there, also at a plain block that has something wrong inside, and
// before one that is followed by no other and could be two halves.
func (d *pcapngDecoder) plain(b []byte, buf []bus.Frame) int {
	le := binary.LittleEndian
	r := d.owner
	links, first, all := d.ifaces, r.first, b
	var second uint64 // since 1970, of the block before, and as nanoseconds
	var startNs uint64
	n := 0
	for ; n < len(buf) && len(b) >= plainBlock; n++ {
		s := (*[plainBlock]byte)(b)
		number := le.Uint32(s[8:])
		id, length := binary.BigEndian.Uint32(s[28:]), s[32]
		if !framedPlain(s) ||
			uint64(number) >= uint64(len(links)) || !links[number].usual ||
			length > maxData || s[33]&fdFlagFD != 0 || id > maskStandard && id&(flagExtended|flagError) == 0 {
			break
		}
		ns := uint64(le.Uint32(s[12:]))<<32 | uint64(le.Uint32(s[16:]))
		if ns-startNs >= 1e9 {
			if ns >= maxSeconds*1e9 {
				break
			}
			second = ns / 1e9
			startNs = second * 1e9
		}
		f := &buf[n]
		if id&(flagRemote|flagError) == 0 {
			f.ID = id & maskExtended
			f.Length = length
			le.PutUint64(f.Data[:], le.Uint64(s[36:])&^(^uint64(0)<<(8*length))) // a shift by 64 leaves nothing, so that all is kept
			f.IsRemote = false
			f.IsExtended = id&flagExtended != 0
			f.Class = bus.Data
		} else if setFrame(f, id, length, s[36:44]) != "" {
			break
		}
		f.Boot = time.Duration(int64(ns) - first)                 //nolint:gosec // below maxSeconds
		f.UTC = time.Unix(int64(second), int64(ns-startNs)).UTC() //nolint:gosec // as above
		f.Link = links[number].link
		b = b[plainBlock:]
	}
	if n > 0 && (len(b) < plainBlock || !framedPlain((*[plainBlock]byte)(b))) && d.mayHide(all[(n-1)*plainBlock:n*plainBlock]) {
		n--
	}
	if n > 0 {
		r.lastBoot = buf[n-1].Boot
	}
	return n
}

// framedPlain tells whether the lengths of a plain block are what they must be.
func framedPlain(s *[plainBlock]byte) bool {
	const framed = socketCANHead + maxData
	le := binary.LittleEndian
	return le.Uint64(s[0:]) == plainBlock<<32|blockEnhanced && le.Uint64(s[20:]) == framed<<32|framed && le.Uint32(s[44:]) == plainBlock
}
