// SPDX-License-Identifier: Apache-2.0

// Package capture reads and writes recordings of CAN traffic.
//
// Words: a capture is a file of frames with the time each was received and the link it was heard on. Two forms are
// read and written: candump text (the log form of can-utils, `candump -L`, and bare `ID#DATA` lines as people type
// them) and pcapng with link type 227. Either may be compressed with gzip or Zstandard; the form is told from the
// first bytes, never from the file's name. A capture is torn when its end was lost, as after a power cut.
//
// What is damaged is left out and said, never guessed: a block or line counts only when it is whole. The package
// never touches a wire: it opens files for reading, and writes only to the io.Writer it is given.
//
// Sources: can-utils' log text as its candump and log2long print and parse it; the pcapng draft of the IETF OPSAWG
// (draft-ietf-opsawg-pcapng); the LINKTYPE_CAN_SOCKETCAN page of the link-type registry at tcpdump.org; the CAN flag bits of
// linux/can.h; RFC 1952 and RFC 8878 for the first bytes of gzip and Zstandard.
package capture

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"github.com/klauspost/compress/zstd"

	"airhold/bus"
)

// Flag bits of a CAN identifier as the kernel and both file forms carry it (linux/can.h).
const (
	flagExtended = 0x80000000
	flagRemote   = 0x40000000
	flagError    = 0x20000000
	maskExtended = 0x1fffffff
	maskStandard = 0x7ff
	maxData      = 8
)

// maxBad bounds the list of BadLines; BadCount goes on counting.
const maxBad = 100

// maxLinks bounds the list of links, so that a damaged file cannot grow it without end; bus.Frame.Link is 16 bits.
const maxLinks = 1024

// ErrUnsupported is wrapped by the error for a file that is a capture, but of a kind this package does not read.
var ErrUnsupported = errors.New("unsupported capture form")

// Bad is one place of a capture that held no whole frame.
type Bad struct {
	Line   int64  // the line, from 1; 0 in a pcapng
	Offset int64  // the first byte of the place in the uncompressed capture, from 0
	Reason string // what is wrong, in words
}

// String says where and what.
func (b Bad) String() string {
	if b.Line > 0 {
		return fmt.Sprintf("line %d: %s", b.Line, b.Reason)
	}
	return fmt.Sprintf("byte %d: %s", b.Offset, b.Reason)
}

// Reader reads one capture from its start. It is for one goroutine.
type Reader struct {
	dec  decoder
	file io.Closer
	zip  func()

	ahead      [readAhead]bus.Frame // decoded and not handed out yet
	at, filled int

	section Section
	stats   []Statistics // by link

	links     []string
	linkIndex map[string]uint16

	bad      []Bad
	badCount int64
	other    int64
	torn     string

	first    int64 // nanoseconds since 1970 at which f.Boot is zero: the boot clock's zero, or the first frame
	anyStamp bool
	lastBoot time.Duration
}

// decoder reads one form. fill reads at least one frame, or returns why not. It asks its source for more only where it has
// no frame yet.
type decoder interface {
	fill(buf []bus.Frame) (int, error)
}

// Open opens the capture at path.
func Open(path string) (*Reader, error) {
	file, err := os.Open(path) //nolint:gosec // the person names the file
	if err != nil {
		return nil, fmt.Errorf("open capture: %w", err)
	}
	r, err := NewReader(file)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), file.Close())
	}
	r.file = file
	return r, nil
}

// NewReader reads a capture from src. An empty capture is no error: its first Next answers io.EOF.
//
// A file of another kind is refused with an error that wraps ErrUnsupported and says what to do.
func NewReader(src io.Reader) (*Reader, error) {
	r := &Reader{linkIndex: map[string]uint16{}}
	raw := &tracked{src: src}
	plain, err := r.unpack(raw)
	if err != nil {
		return nil, err
	}
	in := newWindow(plain)
	head, err := in.peek(4)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read capture: %w", err)
	}
	if len(head) == 4 {
		switch [4]byte(head) {
		case [4]byte{0x0a, 0x0d, 0x0d, 0x0a}:
			r.dec = &pcapngDecoder{owner: r, in: in}
			return r, nil
		case [4]byte{0xd4, 0xc3, 0xb2, 0xa1}, [4]byte{0xa1, 0xb2, 0xc3, 0xd4},
			[4]byte{0x4d, 0x3c, 0xb2, 0xa1}, [4]byte{0xa1, 0xb2, 0x3c, 0x4d}:
			return nil, fmt.Errorf("%w: this is the older pcap form; convert it with: editcap -F pcapng OLD NEW", ErrUnsupported)
		}
	}
	r.dec = &candumpDecoder{owner: r, in: in}
	return r, nil
}

// unpack undoes gzip or Zstandard. A compressed stream that ends early is a torn capture, not an error.
func (r *Reader) unpack(raw *tracked) (io.Reader, error) {
	head := bufio.NewReaderSize(raw, 16) // so small that longer reads go past it
	magic, err := head.Peek(4)
	if err != nil && raw.err != nil {
		return nil, fmt.Errorf("read capture: %w", raw.err)
	}
	switch {
	case len(magic) >= 2 && magic[0] == 0x1f && magic[1] == 0x8b:
		return &unpacked{owner: r, raw: raw, name: "gzip", open: func() (io.Reader, error) { return gzip.NewReader(bufio.NewReaderSize(head, windowSize)) }}, nil
	case len(magic) == 4 && [4]byte(magic) == [4]byte{0x28, 0xb5, 0x2f, 0xfd}:
		z, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
			zstd.WithDecoderMaxWindow(64<<20))
		if err != nil {
			return nil, fmt.Errorf("open zstd stream: %w", err)
		}
		r.zip = z.Close
		return &unpacked{owner: r, raw: raw, name: "zstd", open: func() (io.Reader, error) { return &unsealer{owner: r, in: newWindow(head), dec: z}, nil }}, nil
	}
	return head, nil
}

// tracked remembers why its source failed, to tell a failing disk from a damaged compressed stream.
type tracked struct {
	src io.Reader
	err error
}

func (t *tracked) Read(p []byte) (int, error) {
	n, err := t.src.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		t.err = err
	}
	return n, err //nolint:wrapcheck // io.EOF must pass as it is
}

type unpacked struct {
	owner *Reader
	raw   *tracked
	name  string
	open  func() (io.Reader, error)
	src   io.Reader
	done  bool
}

func (u *unpacked) Read(p []byte) (int, error) {
	if u.done {
		return 0, io.EOF
	}
	var n int
	var err error
	if u.src == nil {
		u.src, err = u.open()
	}
	if err == nil {
		n, err = u.src.Read(p)
	}
	switch {
	case err == nil:
		return n, nil
	case errors.Is(err, io.EOF):
		u.done = true
		return n, io.EOF
	case u.raw.err != nil:
		return n, u.raw.err
	}
	u.done = true
	if errors.Is(err, io.ErrUnexpectedEOF) {
		u.owner.tear("the " + u.name + " stream ends early; what it still held was read")
	} else {
		u.owner.tear(fmt.Sprintf("the %s stream is damaged (%v); what came before the damage was read", u.name, err))
	}
	return n, io.EOF
}

// Next reads the next frame into f. At the end of the capture it returns io.EOF, also when the capture is torn: ask
// Torn. Any other error comes from the source, and repeats.
//
// f.UTC is what the capture says, and zero for a bare line. A box whose clock was never set records times near 1970,
// and they are passed on as they are. f.Boot counts from the first frame that has a time, and runs backwards where the
// recorded time does; a bare line takes the value of the frame before. In a section that says how its times stand to the
// boot clock, f.Boot is the boot clock. f.Link indexes Links.
func (r *Reader) Next(f *bus.Frame) error {
	if r.at < r.filled {
		*f = r.ahead[r.at]
		r.at++
		return nil
	}
	return r.refill(f)
}

// Batch reads frames into buf, at least one and as many as the capture gives without waiting, and returns how many. It
// is Next for those who can take several, and ends with the same errors.
func (r *Reader) Batch(buf []bus.Frame) (int, error) {
	if r.at < r.filled {
		n := copy(buf, r.ahead[r.at:r.filled])
		r.at += n
		return n, nil
	}
	if len(buf) == 0 {
		return 0, nil
	}
	return r.dec.fill(buf)
}

// readAhead is how many frames Next decodes at once: 7 KiB of them, which stay in the processor's first cache.
const readAhead = 128

// refill decodes the next frames and hands out the first.
func (r *Reader) refill(f *bus.Frame) error {
	n, err := r.dec.fill(r.ahead[:])
	if err != nil {
		r.at, r.filled = 0, 0
		return err
	}
	r.at, r.filled = 1, n
	*f = r.ahead[0]
	return nil
}

// Links lists the names of the links seen so far, which may be a few frames further than Next. A bare line has the name "". In a pcapng an interface without a
// name is called by its number. A link that comes back in a later section of the file keeps its index.
func (r *Reader) Links() []string { return r.links }

// Section is what the present section of a pcapng says of itself; zero in candump text.
func (r *Reader) Section() Section { return r.section }

// Statistics is what a pcapng says of a link, as far as it was read; false where it says nothing.
func (r *Reader) Statistics(link uint16) (Statistics, bool) {
	if int(link) >= len(r.stats) {
		return Statistics{}, false
	}
	return r.stats[link], r.stats[link] != Statistics{}
}

// Whole is where, in the uncompressed bytes of a pcapng, the last whole block ended that was read so far: what stands
// behind it once Next has returned io.EOF is torn. -1 in candump text.
func (r *Reader) Whole() int64 {
	if d, ok := r.dec.(*pcapngDecoder); ok {
		return d.whole
	}
	return -1
}

// BadLines lists the first 100 places that held no whole frame.
func (r *Reader) BadLines() []Bad { return r.bad }

// BadCount is how many such places there were.
func (r *Reader) BadCount() int64 { return r.badCount }

// NotFrames counts what was whole but is no classic CAN frame: CAN FD and CAN XL frames, and packets of other link types.
func (r *Reader) NotFrames() int64 { return r.other }

// Torn tells, once Next has returned io.EOF, whether the end of the capture was lost, and what, in words.
func (r *Reader) Torn() (string, bool) { return r.torn, r.torn != "" }

// Close releases what Open or NewReader took; it does not close a reader given to NewReader.
func (r *Reader) Close() error {
	if r.zip != nil {
		r.zip()
		r.zip = nil
	}
	if r.file == nil {
		return nil
	}
	err := r.file.Close()
	r.file = nil
	if err != nil {
		return fmt.Errorf("close capture: %w", err)
	}
	return nil
}

func (r *Reader) blame(line, offset int64, reason string) {
	r.badCount++
	if len(r.bad) < maxBad {
		r.bad = append(r.bad, Bad{Line: line, Offset: offset, Reason: reason})
	}
}

func (r *Reader) tear(words string) {
	if r.torn != "" {
		r.torn += "; "
	}
	r.torn += words
}

// link finds or adds a link; false when there are too many.
func (r *Reader) link(name []byte) (uint16, bool) {
	for i, have := range r.links[:min(len(r.links), 8)] { // a box has few links, and this beats the map
		if have == string(name) {
			return uint16(i), true
		}
	}
	if i, ok := r.linkIndex[string(name)]; ok {
		return i, true
	}
	if len(r.links) >= maxLinks {
		return 0, false
	}
	i := uint16(len(r.links)) //nolint:gosec // below maxLinks
	r.links = append(r.links, string(name))
	r.linkIndex[string(name)] = i
	return i, true
}

// stamp sets both times of a frame recorded ns nanoseconds after 1970; ns is not negative.
func (r *Reader) stamp(f *bus.Frame, ns int64) {
	if !r.anyStamp {
		r.anyStamp = true
		r.first = ns
	}
	r.lastBoot = time.Duration(ns - r.first)
	f.Boot = r.lastBoot
	f.UTC = time.Unix(ns/1e9, ns%1e9).UTC()
}

// maxSeconds is the last whole second that nanoseconds in an int64 can hold: the year 2262.
const maxSeconds = math.MaxInt64/1_000_000_000 - 1
