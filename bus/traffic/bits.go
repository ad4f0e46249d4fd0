// SPDX-License-Identifier: Apache-2.0

package traffic

import "airhold/bus"

// Bits of a classic frame beside its identifier, its data and its checksum (ISO 11898-1).
const (
	polynomial = 0x4599 // x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1
	maskCRC    = 0x7FFF
	tailBits   = 13 // checksum delimiter, acknowledge slot and its delimiter, end of frame (7), intermission (3)

	// What follows the checksum when nobody acknowledges and the sender is error passive: checksum delimiter and
	// acknowledge slot, then the passive error flag (6), the error delimiter (8), intermission (3) and, because an error
	// passive sender must let others go first, the suspended transmission (8).
	unansweredBits = 2 + 6 + 8 + 3 + 8
)

// Meter counts how many bit times frames take. Stuff bits depend on nothing but the frame, so they are counted and not
// estimated. Its tables take 3 kB; it is read-only once made.
type Meter struct {
	crc [256]uint16
	// stuff says what becomes of a run of equal bits when eight more bits are sent: the next run below, and above it how
	// many bits were stuffed. A run is four times the last bit, plus its length less one; it never reaches five, because
	// then the complement is stuffed.
	stuff [8][256]uint8
}

const runMask = 7

// NewMeter makes the tables.
func NewMeter() *Meter {
	m := &Meter{}
	for b := range 256 {
		crc := uint16(b) << 7
		for range 8 {
			crc = crc<<1 ^ polynomial*(crc>>14&1)
		}
		m.crc[b] = crc & maskCRC
		for run := range uint8(8) {
			m.stuff[run][b] = stuffBits(run, uint64(b), 8)
		}
	}
	return m
}

// stuffBits sends the lowest width bits of v, highest first.
func stuffBits(run uint8, v uint64, width int) uint8 {
	var stuffed uint8
	last, length := run>>2, run&3+1
	for i := width - 1; i >= 0; i-- {
		if bit := uint8(v >> i & 1); bit == last {
			length++
		} else {
			last, length = bit, 1
		}
		if length == 5 {
			stuffed++
			last, length = last^1, 1
		}
	}
	return stuffed<<3 | last<<2 | (length - 1)
}

// Bits is how many bit times a frame takes on the wire with the pause that must follow it. An error report takes none.
func (m *Meter) Bits(f *bus.Frame) int64 {
	if f.Class == bus.Error {
		return 0
	}
	return m.stuffed(f) + tailBits
}

// stuffed counts from the start of the frame to the end of its checksum, the stretch in which bits are stuffed.
func (m *Meter) stuffed(f *bus.Frame) int64 {
	length := min(f.Length, 8)
	var remote uint64
	if f.IsRemote {
		remote = 1
	}
	// Everything before the data: start bit (zero), identifier, flags, two reserved zeros, length.
	head, width := uint64(f.ID&0x7FF)<<7|remote<<6|uint64(length), 19
	if f.IsExtended {
		const substitutes = 0b11 // of the remote request, and the identifier extension
		head = uint64(f.ID>>18)&0x7FF<<27 | substitutes<<25 | uint64(f.ID&0x3FFFF)<<7 | remote<<6 | uint64(length)
		width = 39
	}
	var crc uint16
	const idle = 1 << 2 // the bus rests at one
	odd := width % 8
	run := stuffBits(idle, head>>(width-odd), odd)
	total := int64(width) + int64(run>>3)
	crc = m.crc[head>>(width-odd)&0xFF] // zeros in front change nothing
	for at := width - odd - 8; at >= 0; at -= 8 {
		b := uint8(head >> at & 0xFF)
		crc = crc<<8&maskCRC ^ m.crc[uint8(crc>>7&0xFF)^b]
		run = m.stuff[run&runMask][b]
		total += int64(run >> 3)
	}
	if !f.IsRemote {
		for _, b := range f.Data[:length] {
			crc = crc<<8&maskCRC ^ m.crc[uint8(crc>>7&0xFF)^b]
			run = m.stuff[run&runMask][b]
			total += 8 + int64(run>>3)
		}
	}
	run = m.stuff[run&runMask][crc>>7&0xFF]
	total += 15 + int64(run>>3)
	return total + int64(stuffBits(run&runMask, uint64(crc&0x7F), 7)>>3)
}
