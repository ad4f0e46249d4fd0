// SPDX-License-Identifier: Apache-2.0

package cusespi

import "encoding/binary"

// Parts of an ioctl number (include/uapi/asm-generic/ioctl.h).
const (
	typeSPI = 'k'

	directionWrite = 1 // the caller writes: data comes in
	directionRead  = 2
)

// Numbers of the ioctls (spidev.h).
const (
	numberMessage  = 0
	numberMode     = 1
	numberLSBFirst = 2
	numberBits     = 3
	numberSpeed    = 4
	numberMode32   = 5
)

// transferSize is the size of struct spi_ioc_transfer.
const transferSize = 32

// modeBits are those that spidev lets a program set (SPI_MODE_MASK, without the lines for two and four bits).
const modeBits = 0xff

// modeLSBFirst is the bit of the mode that numberLSBFirst works on.
const modeLSBFirst = 0x08

// piece is a part of the caller's memory.
type piece struct{ base, size uint64 }

// call is an ioctl as it arrived. Data is what came of the memory that an earlier retry asked for.
type call struct {
	direction, size, number uint32
	arg                     uint64
	data                    []byte
	room                    int // bytes that may go back
}

// retry asks for pieces of the caller's memory: their content to come in, or their room for what goes back.
func retry(in, out []piece) []byte {
	le := binary.LittleEndian
	b := make([]byte, ioctlOut, ioctlOut+16*(len(in)+len(out)))
	le.PutUint32(b[4:], isRetry)
	le.PutUint32(b[8:], uint32(len(in)))   //nolint:gosec // at most maxPieces
	le.PutUint32(b[12:], uint32(len(out))) //nolint:gosec // at most maxPieces
	for _, list := range [][]piece{in, out} {
		for _, p := range list {
			b = le.AppendUint64(b, p.base)
			b = le.AppendUint64(b, p.size)
		}
	}
	return b
}

// done ends an ioctl with its result and what goes back to the caller's memory.
func done(result int, back []byte) []byte {
	b := make([]byte, ioctlOut, ioctlOut+len(back))
	binary.LittleEndian.PutUint32(b, uint32(result)) //nolint:gosec // 0 or a byte count up to bufferSize
	return append(b, back...)
}

// ioctl answers struct fuse_ioctl_in and what follows it.
func (p *Port) ioctl(body []byte) ([]byte, error) {
	le := binary.LittleEndian
	if len(body) < ioctlIn {
		return nil, errInvalid
	}
	number := le.Uint32(body[12:])
	c := call{
		direction: number >> 30, size: number >> 16 & 0x3fff, number: number & 0xff,
		arg: le.Uint64(body[16:]), data: body[ioctlIn:], room: int(le.Uint32(body[28:])),
	}
	switch {
	case number>>8&0xff != typeSPI || int64(len(c.data)) != int64(le.Uint32(body[24:])):
		return nil, errNotTTY
	case c.number == numberMessage && c.direction == directionWrite:
		return p.exchange(c)
	default:
		return p.setting(c)
	}
}

// setting reads or writes one of the settings.
func (p *Port) setting(c call) ([]byte, error) {
	width, ok := map[uint32]uint32{numberMode: 1, numberLSBFirst: 1, numberBits: 1, numberSpeed: 4, numberMode32: 4}[c.number]
	if !ok || c.size != width {
		return nil, errNotTTY
	}
	whole := []piece{{c.arg, uint64(width)}}
	switch {
	case c.direction == directionRead && c.room == 0:
		return retry(nil, whole), nil
	case c.direction == directionRead:
		b := binary.LittleEndian.AppendUint32(nil, p.Settings().get(c.number))
		return done(0, b[:width]), nil
	case c.direction == directionWrite && len(c.data) == 0:
		return retry(whole, nil), nil
	case c.direction == directionWrite && len(c.data) == int(width):
		var b [4]byte
		copy(b[:], c.data)
		return p.set(c.number, binary.LittleEndian.Uint32(b[:]))
	default:
		return nil, errNotTTY
	}
}

// get returns the setting with an ioctl's number.
func (s Settings) get(number uint32) uint32 {
	switch number {
	case numberLSBFirst:
		if s.Mode&modeLSBFirst != 0 {
			return 1
		}
		return 0
	case numberBits:
		return uint32(s.BitsPerWord)
	case numberSpeed:
		return s.SpeedHz
	default:
		return s.Mode
	}
}

// set changes the setting with an ioctl's number.
func (p *Port) set(number, value uint32) ([]byte, error) {
	switch number {
	case numberMode, numberMode32:
		if value&^modeBits != 0 {
			return nil, errInvalid
		}
		p.change(func(s *Settings) { s.Mode = value })
	case numberLSBFirst:
		p.change(func(s *Settings) {
			s.Mode &^= modeLSBFirst
			if value != 0 {
				s.Mode |= modeLSBFirst
			}
		})
	case numberBits:
		if value != 0 && value != 8 { // words of other lengths are no matter for the chips modelled
			return nil, errInvalid
		}
		p.change(func(s *Settings) { s.BitsPerWord = byte(value & 0xff) })
	case numberSpeed:
		p.change(func(s *Settings) { s.SpeedHz = value })
	}
	return done(0, nil), nil
}

// exchange is SPI_IOC_MESSAGE. It takes up to three rounds: the list of transfers has to be fetched, then what they
// send; the kernel keeps nothing in between, so the list comes again each time and may have changed.
func (p *Port) exchange(c call) ([]byte, error) {
	if c.size%transferSize != 0 {
		return nil, errInvalid
	}
	list := piece{c.arg, uint64(c.size)}
	switch {
	case c.size == 0:
		return done(0, nil), nil
	case len(c.data) == 0:
		return retry([]piece{list}, nil), nil
	case len(c.data) < int(c.size):
		return nil, errFault
	}
	le := binary.LittleEndian
	in, out := []piece{list}, []piece{}
	total, incoming, outgoing := 0, int(c.size), 0
	for at := 0; at < int(c.size); at += transferSize {
		t := c.data[at:]
		size := le.Uint32(t[16:])
		if size > bufferSize || total+int(size) > bufferSize {
			return nil, errTooLong
		}
		if bits := t[26]; bits != 0 && bits != 8 {
			return nil, errInvalid
		}
		total += int(size)
		if base := le.Uint64(t); base != 0 && size > 0 {
			in = append(in, piece{base, uint64(size)})
			incoming += int(size)
		}
		if base := le.Uint64(t[8:]); base != 0 && size > 0 {
			out = append(out, piece{base, uint64(size)})
			outgoing += int(size)
		}
	}
	switch {
	case len(in)+len(out) > maxPieces:
		return nil, errTooLong
	case len(c.data) == incoming && c.room == outgoing:
		return done(total, p.run(c, outgoing)), nil
	case len(c.data) == int(c.size) && c.room == 0:
		return retry(in, out), nil
	default: // the list is another one than in the last round
		return nil, errFault
	}
}

// run sends the message whose list and bytes are in c and returns what the caller wants of what came in.
func (p *Port) run(c call, outgoing int) []byte {
	le := binary.LittleEndian
	list, sent := c.data[:c.size], c.data[c.size:]
	var transfers []transfer
	for at := 0; at < len(list); at += transferSize {
		size := le.Uint32(list[at+16:])
		t := transfer{out: make([]byte, size), in: make([]byte, size), speedHz: le.Uint32(list[at+20:]), change: list[at+27] != 0}
		if le.Uint64(list[at:]) != 0 {
			sent = sent[copy(t.out, sent):]
		}
		transfers = append(transfers, t)
	}
	p.message(transfers)
	back := make([]byte, 0, outgoing)
	for i, t := range transfers {
		if le.Uint64(list[i*transferSize+8:]) != 0 {
			back = append(back, t.in...)
		}
	}
	return back
}
