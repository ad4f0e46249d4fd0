// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"

	"airhold/bus"
)

const (
	writeBuffer = 1 << 16
	// epbSize is an enhanced packet block with a 16-byte SocketCAN frame: 8 head, 20 fixed, 16 frame, 4 trailer.
	epbSize = 48
	// nanoResolution is 10^-9 s, for if_tsresol.
	nanoResolution = 9
)

// errLink is for a frame whose link the writer was not told of.
var errLink = errors.New("frame of a link the capture does not name")

// PcapngWriter writes one section of pcapng with link type 227 and nanoseconds. It buffers: call Flush.
// It is for one goroutine. After an error from the underlying writer the capture is torn and every call repeats the error.
type PcapngWriter struct {
	out   *bufio.Writer
	links int
	block [epbSize]byte
}

// NewPcapngWriter writes the section header and an interface description for each of links; a frame's Link indexes them.
func NewPcapngWriter(w io.Writer, links []string) (*PcapngWriter, error) {
	p := &PcapngWriter{out: bufio.NewWriterSize(w, writeBuffer)}
	if err := p.append(AppendSection(nil, Section{Software: "airhold"}, nil)); err != nil {
		return nil, err
	}
	for _, name := range links {
		if err := p.AddLink(name); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// AddLink describes one more link, which takes the next index.
func (p *PcapngWriter) AddLink(name string) error {
	if p.links >= maxLinks {
		return fmt.Errorf("add link %q: more than %d links", name, maxLinks)
	}
	if err := p.append(appendLink(nil, LinkInfo{Name: name})); err != nil {
		return err
	}
	p.links++
	return nil
}

// Write appends one frame. Its time is f.UTC; where that is zero, f.Boot, counted from 1970, because pcapng cannot say "no
// clock".
func (p *PcapngWriter) Write(f *bus.Frame) error {
	if int(f.Link) >= p.links {
		return fmt.Errorf("%w: index %d of %d", errLink, f.Link, p.links)
	}
	ns, err := stampOf(f)
	if err != nil {
		return err
	}
	if err := PutPacket(&p.block, f, ns); err != nil {
		return err
	}
	if _, err := p.out.Write(p.block[:]); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

// Flush hands what is buffered to the underlying writer.
func (p *PcapngWriter) Flush() error {
	if err := p.out.Flush(); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

func (p *PcapngWriter) append(b []byte) error {
	if _, err := p.out.Write(b); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

// CandumpWriter writes the log form of candump. It buffers: call Flush. It is for one goroutine.
//
// The form holds microseconds; finer times are cut off. A frame without a wall clock is written with f.Boot as its time,
// or, on a link named "", as a bare line. What candump -x or a raw length code adds to a line is not kept.
type CandumpWriter struct {
	out   *bufio.Writer
	links []string
	line  []byte
}

// NewCandumpWriter writes to w; a frame's Link indexes links.
func NewCandumpWriter(w io.Writer, links ...string) *CandumpWriter {
	return &CandumpWriter{out: bufio.NewWriterSize(w, writeBuffer), links: slices.Clone(links)}
}

// AddLink names one more link, which takes the next index.
func (c *CandumpWriter) AddLink(name string) { c.links = append(c.links, name) }

// Write appends one line.
func (c *CandumpWriter) Write(f *bus.Frame) error {
	if int(f.Link) >= len(c.links) {
		return fmt.Errorf("%w: index %d of %d", errLink, f.Link, len(c.links))
	}
	id, err := kernelID(f)
	if err != nil {
		return err
	}
	b := c.line[:0]
	if name := c.links[f.Link]; name != "" || !f.UTC.IsZero() {
		ns, err := stampOf(f)
		if err != nil {
			return err
		}
		b = append(b, '(')
		b = appendDigits(b, ns/1e9, 10)
		b = append(b, '.')
		b = appendDigits(b, ns%1e9/1e3, 6)
		b = append(b, ") "...)
		if name == "" {
			name = "can" // a line with a time needs a name to be read again
		}
		b = append(b, name...)
		b = append(b, ' ')
	}
	c.line = append(appendFrame(b, f, id), '\n')
	if _, err := c.out.Write(c.line); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

// Flush hands what is buffered to the underlying writer.
func (c *CandumpWriter) Flush() error {
	if err := c.out.Flush(); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

func appendFrame(b []byte, f *bus.Frame, id uint32) []byte {
	const digits = "0123456789ABCDEF"
	shift := 8
	if f.Class == bus.Error || f.IsExtended {
		shift = 28
		id &= maskExtended | flagError
	} else {
		id &= maskStandard
	}
	for ; shift >= 0; shift -= 4 {
		b = append(b, digits[id>>shift&15])
	}
	b = append(b, '#')
	if f.Class == bus.Remote {
		b = append(b, 'R')
		if f.Length > 0 {
			b = append(b, '0'+f.Length)
		}
		return b
	}
	for _, v := range f.Data[:f.Length] {
		b = append(b, digits[v>>4], digits[v&15])
	}
	return b
}

// appendDigits appends v with at least width digits.
func appendDigits(b []byte, v int64, width int) []byte {
	var digits [20]byte
	i := len(digits)
	for ; v > 0 || width > 0; width-- {
		i--
		digits[i] = byte('0' + v%10)
		v /= 10
	}
	return append(b, digits[i:]...)
}

// kernelID joins identifier and flags as linux/can.h does, and refuses a frame that could not be read again.
func kernelID(f *bus.Frame) (uint32, error) {
	if f.Length > maxData {
		return 0, fmt.Errorf("write frame: %d data bytes; classic CAN has at most 8", f.Length)
	}
	limit := uint32(maskStandard)
	id := f.ID
	switch {
	case f.Class == bus.Error:
		limit = maskExtended
		id |= flagError
	case f.IsExtended:
		limit = maskExtended
		id |= flagExtended
	}
	if f.ID > limit {
		return 0, fmt.Errorf("write frame: identifier %X above %X", f.ID, limit)
	}
	if f.Class == bus.Remote {
		id |= flagRemote
	}
	return id, nil
}

// stampOf is a frame's time in nanoseconds since 1970.
func stampOf(f *bus.Frame) (int64, error) {
	ns := int64(f.Boot)
	if !f.UTC.IsZero() {
		sec := f.UTC.Unix()
		if sec < 0 || sec > maxSeconds {
			return 0, fmt.Errorf("write frame: time %s is outside the years 1970 to 2262", f.UTC.Format("2006-01-02"))
		}
		ns = sec*1e9 + int64(f.UTC.Nanosecond())
	}
	if ns < 0 {
		return 0, fmt.Errorf("write frame: %s before the recording began", -f.Boot)
	}
	return ns, nil
}
