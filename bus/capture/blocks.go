// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/bus"
)

// Further options of pcapng, with the section of draft-ietf-opsawg-pcapng that defines them.
const (
	optComment  = 1 // 3.5
	optHardware = 2 // 4.1
	optOS       = 3 // 4.1
	optUserAppl = 4 // 4.1

	optIfDescription = 3 // 4.2

	optStart     = 2 // 4.6
	optEndTime   = 3 // 4.6
	optReceived  = 4 // 4.6
	optDropped   = 5 // 4.6
	optOSDropped = 7 // 4.6
	optDelivered = 8 // 4.6
)

// PacketSize is the length of a frame as PutPacket writes it: an enhanced packet block with a 16-byte SocketCAN frame.
const PacketSize = epbSize

// maxText bounds each text of a section header or interface description.
const maxText = 1024

// bootOffsetWords stand before the nanoseconds in the comment that ties a section's time stamps to the boot clock.
const bootOffsetWords = "boot clock offset in ns: "

// Section is what a pcapng section says about itself.
type Section struct {
	Software string   // program and version
	Hardware string   // the box; may be empty
	Comments []string // a fact each
	// Booted says that the time stamps are the boot clock plus BootOffset, which is how exact boot times are read back.
	Booted     bool
	BootOffset time.Duration
}

// LinkInfo describes one link in a pcapng section.
type LinkInfo struct {
	Name        string
	Description string // may be empty
}

// Statistics is what a section says of one link, from Start to At.
type Statistics struct {
	Start, At int64  // nanoseconds since 1970, as the time stamps are
	Received  uint64 // frames that came in at the link, as far as anybody knows
	Dropped   uint64 // of these, how many nobody could record, for whatever reason
	OSDropped uint64 // of these, how many the kernel dropped before the program saw them
	Recorded  uint64 // of these, how many stand in the file
}

// AppendSection appends a section header and the description of each link. Time stamps will be nanoseconds.
func AppendSection(b []byte, s Section, links []LinkInfo) []byte {
	le := binary.LittleEndian
	body := le.AppendUint32(nil, orderMagic)
	body = le.AppendUint16(body, 1) // version 1.0
	body = le.AppendUint16(body, 0)
	body = le.AppendUint64(body, ^uint64(0)) // section length not given
	comments := s.Comments
	if s.Booted {
		comments = append(slices.Clip(comments), bootOffsetWords+strconv.FormatInt(int64(s.BootOffset), 10))
	}
	for _, c := range comments {
		body = appendText(body, optComment, c)
	}
	body = appendText(body, optHardware, s.Hardware)
	body = appendText(body, optUserAppl, s.Software)
	b = appendBlock(b, blockSection, appendOption(body, optEnd, nil))
	for _, l := range links {
		b = appendLink(b, l)
	}
	return b
}

func appendLink(b []byte, l LinkInfo) []byte {
	le := binary.LittleEndian
	body := le.AppendUint16(nil, linkSocketCAN)
	body = le.AppendUint16(body, 0)
	body = le.AppendUint32(body, 0) // no limit of length
	body = appendText(body, optIfName, l.Name)
	body = appendText(body, optIfDescription, l.Description)
	body = appendOption(body, optTsResol, []byte{nanoResolution})
	return appendBlock(b, blockInterface, appendOption(body, optEnd, nil))
}

// AppendStatistics appends an interface statistics block for the link with that index. The words, where there are any,
// become its comment.
func AppendStatistics(b []byte, link uint16, s Statistics, words string) []byte {
	le := binary.LittleEndian
	body := le.AppendUint32(nil, uint32(link))
	body = appendStamp(body, s.At)
	body = appendText(body, optComment, words)
	body = appendOption(body, optStart, appendStamp(nil, s.Start))
	body = appendOption(body, optEndTime, appendStamp(nil, s.At))
	for _, o := range []struct {
		code  uint16
		value uint64
	}{{optReceived, s.Received}, {optDropped, s.Dropped}, {optOSDropped, s.OSDropped}, {optDelivered, s.Recorded}} {
		body = appendOption(body, o.code, le.AppendUint64(nil, o.value))
	}
	return appendBlock(b, blockStats, appendOption(body, optEnd, nil))
}

// PutPacket writes one frame with its time in nanoseconds since 1970. A frame that could not be read again is an error
// and leaves b undefined. It does not look whether the section describes the frame's link.
func PutPacket(b *[PacketSize]byte, f *bus.Frame, ns int64) error {
	id, err := kernelID(f)
	if err != nil {
		return err
	}
	if ns < 0 {
		return fmt.Errorf("write frame: a time %s before 1970", -time.Duration(ns))
	}
	le := binary.LittleEndian
	const framed = socketCANHead + maxData
	le.PutUint64(b[0:], epbSize<<32|blockEnhanced)
	le.PutUint32(b[8:], uint32(f.Link))
	PutPacketTime(b, ns)
	le.PutUint64(b[20:], framed<<32|framed)
	binary.BigEndian.PutUint32(b[28:], id)
	le.PutUint32(b[32:], uint32(f.Length))
	data := uint64(0)
	if f.Class != bus.Remote {
		data = le.Uint64(f.Data[:]) &^ (^uint64(0) << (8 * f.Length)) // a shift by 64 leaves nothing, so that all is kept
	}
	le.PutUint64(b[36:], data)
	le.PutUint32(b[44:], epbSize)
	return nil
}

// PutPacketTime gives a packet another time; ns is not negative.
func PutPacketTime(b *[PacketSize]byte, ns int64) {
	binary.LittleEndian.PutUint64(b[12:], uint64(ns)<<32|uint64(ns)>>32) //nolint:gosec // high half first
}

// PacketTime is the time of a packet that PutPacket wrote.
func PacketTime(b *[PacketSize]byte) int64 {
	v := binary.LittleEndian.Uint64(b[12:])
	return int64(v<<32 | v>>32) //nolint:gosec // was not negative
}

// PacketLink is the link of a packet that PutPacket wrote.
func PacketLink(b *[PacketSize]byte) uint16 { return binary.LittleEndian.Uint16(b[8:]) }

func appendStamp(b []byte, ns int64) []byte {
	return binary.LittleEndian.AppendUint64(b, uint64(ns)<<32|uint64(ns)>>32) //nolint:gosec // high half first
}

func appendBlock(b []byte, kind uint32, body []byte) []byte {
	le := binary.LittleEndian
	n := uint32(len(body) + 12) //nolint:gosec // texts are bounded
	b = le.AppendUint32(b, kind)
	b = le.AppendUint32(b, n)
	b = append(b, body...)
	return le.AppendUint32(b, n)
}

// appendText appends a text option; none for an empty text.
func appendText(b []byte, code uint16, text string) []byte {
	if text == "" {
		return b
	}
	return appendOption(b, code, []byte(strings.ToValidUTF8(text[:min(len(text), maxText)], "")))
}

func appendOption(b []byte, code uint16, value []byte) []byte {
	b = binary.LittleEndian.AppendUint16(b, code)
	b = binary.LittleEndian.AppendUint16(b, uint16(len(value))) //nolint:gosec // bounded by maxText
	b = append(b, value...)
	return append(b, make([]byte, -len(value)&3)...)
}

// options calls take for each option of a block in turn; false when one is longer than the block.
func (d *pcapngDecoder) options(opts []byte, take func(code uint16, value []byte)) bool {
	for len(opts) >= 4 {
		code, n := d.order.Uint16(opts), int(d.order.Uint16(opts[2:]))
		if code == optEnd {
			return true
		}
		padded := (n + 3) &^ 3
		if padded > len(opts)-4 {
			return false
		}
		take(code, opts[4:4+n])
		opts = opts[4+padded:]
	}
	return true
}

// maxComments bounds what is kept of a section's comments.
const maxComments = 32

// describe reads what a section header says of the recording.
func (d *pcapngDecoder) describe(opts []byte, offset int64) {
	var s Section
	whole := d.options(opts, func(code uint16, value []byte) {
		text := strings.TrimRight(string(value[:min(len(value), maxText)]), "\x00")
		switch code {
		case optComment:
			if ns, ok := strings.CutPrefix(text, bootOffsetWords); ok {
				if n, err := strconv.ParseInt(ns, 10, 64); err == nil && n > -maxSeconds*1e9 && n < maxSeconds*1e9 {
					s.Booted, s.BootOffset = true, time.Duration(n)
				}
			} else if len(s.Comments) < maxComments {
				s.Comments = append(s.Comments, text)
			}
		case optHardware:
			s.Hardware = text
		case optUserAppl:
			s.Software = text
		}
	})
	if !whole {
		d.owner.blame(0, offset, "an option of the section header is longer than the block")
	}
	r := d.owner
	if s.Booted {
		r.first, r.anyStamp = int64(s.BootOffset), true
	} else if r.section.Booted {
		r.anyStamp = false // times of this section have nothing to do with the clock of the one before
	}
	r.section = s
}

// statistics keeps the newest counts of a link.
func (d *pcapngDecoder) statistics(body []byte, offset int64) {
	number := d.u32(body)
	if number >= uint32(len(d.ifaces)) { //nolint:gosec // at most maxLinks
		d.owner.blame(0, offset, fmt.Sprintf("counts of interface %d, which the section does not describe", number))
		return
	}
	i := &d.ifaces[number]
	if !i.usual {
		return
	}
	u64 := func(b []byte) uint64 { return d.order.Uint64(b) }
	stamp := func(b []byte) int64 { return int64(uint64(d.u32(b))<<32 | uint64(d.u32(b[4:]))) } //nolint:gosec // a wrong one is shown as it is
	s := Statistics{At: stamp(body[4:])}
	whole := d.options(body[12:], func(code uint16, value []byte) {
		if len(value) != 8 {
			return
		}
		switch code {
		case optStart:
			s.Start = stamp(value)
		case optReceived:
			s.Received = u64(value)
		case optDropped:
			s.Dropped = u64(value)
		case optOSDropped:
			s.OSDropped = u64(value)
		case optDelivered:
			s.Recorded = u64(value)
		}
	})
	if !whole {
		d.owner.blame(0, offset, "an option of the interface statistics is longer than the block")
		return
	}
	r := d.owner
	for len(r.stats) <= int(i.link) {
		r.stats = append(r.stats, Statistics{})
	}
	r.stats[i.link] = s
}
