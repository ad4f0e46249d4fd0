// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"time"

	"airhold/bus"
)

// maxLine is far above any frame line (CAN XL text may take 4 KiB); a longer one is damage.
const maxLine = 16 << 10

// lineKind is what a line turned out to be.
type lineKind uint8

const (
	lineBad lineKind = iota
	lineFrame
	lineOther // CAN FD or XL
	lineBlank // empty, or a comment
)

type candumpDecoder struct {
	owner   *Reader
	in      *window
	line    int64
	scanned int // bytes of the window known to hold no line end

	lastIndex uint16 // the link of the line before
	straight  straightLine
}

// fields is one parsed line.
type fields struct {
	bare     bool
	ns       int64
	link     []byte
	complete bool // nothing that could follow would change the frame
}

// fill takes the lines that are in the window the straight way, and the first that is not that way the careful one.
func (d *candumpDecoder) fill(buf []bus.Frame) (int, error) {
	n := 0
	r := d.owner
	if d.scanned == 0 {
		seen := d.in.buffered()
		taken, last := 0, int64(0)
		for n < len(buf) {
			length, ns := d.straight.line(seen[taken:], &buf[n], r.first)
			if length == 0 {
				break
			}
			taken += length
			last = ns
			n++
		}
		if n > 0 {
			d.in.skip(taken)
			d.line += int64(n)
			d.lastIndex = buf[n-1].Link
			r.lastBoot = time.Duration(last - r.first)
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

func (d *candumpDecoder) next(f *bus.Frame) error {
	for {
		text, ended, err := d.take()
		if err != nil {
			return err
		}
		offset := d.in.pos - int64(len(text))
		if ended {
			offset--
		}
		if d.accept(f, text, offset, ended) {
			return nil
		}
	}
}

// take returns the next line without its end, and whether it had one. A line above maxLine is dropped and reported.
func (d *candumpDecoder) take() ([]byte, bool, error) {
	for {
		seen := d.in.buffered()
		if i := bytes.IndexByte(seen[d.scanned:], '\n'); i >= 0 {
			i += d.scanned
			d.in.skip(i + 1)
			d.scanned = 0
			d.line++
			return seen[:i], true, nil
		}
		d.scanned = len(seen)
		if len(seen) > maxLine {
			if err := d.drop(); err != nil {
				return nil, false, err
			}
			continue
		}
		if err := d.in.more(); err != nil {
			if err != io.EOF { //nolint:errorlint // window passes io.EOF as it is
				return nil, false, fmt.Errorf("read capture: %w", err)
			}
			if len(seen) == 0 {
				return nil, false, io.EOF
			}
			d.in.skip(len(seen))
			d.scanned = 0
			d.line++
			return seen, false, nil
		}
	}
}

// drop skips a line that is too long to be one, up to its end or the end of the capture.
//
// Zero bytes are what a power cut leaves where a file system had given out space but not written it. They have no line
// end of their own, so only they are dropped where a line may follow them directly.
func (d *candumpDecoder) drop() error {
	start := d.in.pos
	zeros := true
	d.line++
	for {
		seen := d.in.buffered()
		if zeros {
			i := 0
			for i < len(seen) && seen[i] == 0 {
				i++
			}
			d.in.skip(i)
			if i < len(seen) && (i > 0 || d.in.pos > start) && seen[i] == '(' {
				d.line-- // the line goes on behind the zeros
				d.scanned = 0
				d.owner.blame(d.line+1, start, fmt.Sprintf("%d zero bytes, as a power cut leaves them", d.in.pos-start))
				return nil
			}
			zeros = i == len(seen)
			seen = seen[i:]
		}
		if i := bytes.IndexByte(seen, '\n'); i >= 0 {
			d.in.skip(i + 1)
			d.scanned = 0
			d.owner.blame(d.line, start, fmt.Sprintf("%d bytes without a line end are no frame", d.in.pos-start))
			return nil
		}
		d.in.skip(len(seen))
		if err := d.in.more(); err != nil {
			d.scanned = 0
			if err != io.EOF { //nolint:errorlint // window passes io.EOF as it is
				return fmt.Errorf("read capture: %w", err)
			}
			if zeros {
				d.owner.tear(fmt.Sprintf("the last %d bytes are zero, as a power cut leaves them", d.in.pos-start))
			} else {
				d.owner.tear(fmt.Sprintf("the last %d bytes have no line end and are no frame", d.in.pos-start))
			}
			return io.EOF
		}
	}
}

// accept turns a line into a frame, or notes why it is none.
func (d *candumpDecoder) accept(f *bus.Frame, text []byte, offset int64, ended bool) bool {
	r := d.owner
	body := text
	if ended && len(body) > 0 && body[len(body)-1] == '\r' {
		body = body[:len(body)-1]
	}
	var p fields
	kind, reason := parseLine(f, body, &p)
	if !ended {
		return d.acceptLast(f, body, &p, kind, offset)
	}
	if kind == lineFrame && p.bare && r.anyStamp {
		// In a log with times this is the tail of a torn line, and its identifier may be the tail of a longer one.
		kind, reason = lineBad, "no time stamp, in a log that has them: the tail of a torn line"
	}
	switch kind {
	case lineFrame:
		done := d.finish(f, &p, offset)
		if done && !p.bare {
			d.straight.learn(body, f.Link)
		}
		return done
	case lineOther:
		r.other++
	case lineBlank:
	case lineBad:
		r.blame(d.line, offset, reason)
		// A whole line may stand behind the torn one it was appended to, or behind zero bytes.
		if i := bytes.LastIndexByte(body, '('); i > 0 {
			if kind, _ := parseLine(f, body[i:], &p); kind == lineFrame && !p.bare {
				return d.finish(f, &p, offset+int64(i))
			}
		}
	}
	return false
}

// acceptLast judges a last line that has no line end. A frame of eight bytes is whole; a shorter one may have lost its
// end and would be a false frame, unless the whole input is one line that somebody typed.
func (d *candumpDecoder) acceptLast(f *bus.Frame, text []byte, p *fields, kind lineKind, offset int64) bool {
	r := d.owner
	typed := p.bare && d.line == 1
	switch {
	case kind == lineFrame && (p.complete || typed) && (!p.bare || !r.anyStamp):
		return d.finish(f, p, offset)
	case kind == lineBlank && len(bytes.TrimSpace(text)) == 0:
		return false
	}
	whole := bytes.TrimRight(text, "\x00")
	switch zeros := len(text) - len(whole); {
	case len(whole) == 0:
		r.tear(fmt.Sprintf("the last %d bytes are zero, as a power cut leaves them", zeros))
	case zeros > 0:
		r.tear(fmt.Sprintf("line %d stops and %d zero bytes follow, as a power cut leaves them; its frame was left out", d.line, zeros))
	default:
		r.tear(fmt.Sprintf("line %d, the last, has no line end and may be cut short (%d bytes); its frame was left out", d.line, len(text)))
	}
	return false
}

func (d *candumpDecoder) finish(f *bus.Frame, p *fields, offset int64) bool {
	links := d.owner.links
	if int(d.lastIndex) >= len(links) || links[d.lastIndex] != string(p.link) {
		i, ok := d.owner.link(p.link)
		if !ok {
			d.owner.blame(d.line, offset, fmt.Sprintf("more than %d link names", maxLinks))
			return false
		}
		d.lastIndex = i
	}
	f.Link = d.lastIndex
	if p.bare {
		f.Boot = d.owner.lastBoot
		return true
	}
	d.owner.stamp(f, p.ns)
	return true
}

// parseLine parses one line without its end. On anything but lineFrame the content of f means nothing.
func parseLine(f *bus.Frame, s []byte, p *fields) (lineKind, string) {
	*p = fields{bare: true}
	if len(s) == 0 || s[0] == '#' {
		return lineBlank, ""
	}
	if s[0] != '(' {
		if s[0] == ' ' || s[0] == '\t' {
			s = bytes.TrimSpace(s)
			if len(s) == 0 {
				return lineBlank, ""
			}
		}
		kind, reason := parseFrame(f, s, p)
		if kind == lineBad && bytes.IndexByte(s, '[') >= 0 {
			reason = "this is candump's screen form; record with candump -L or candump -l"
		}
		return kind, reason
	}
	p.bare = false
	n, reason := parseStamp(s, p)
	if reason != "" {
		return lineBad, reason
	}
	s = s[n:]
	end := bytes.IndexByte(s, ' ')
	if end <= 0 {
		return lineBad, "no link name after the time"
	}
	if end > 64 || bytes.IndexByte(s[:end], 0) >= 0 {
		return lineBad, "the link name cannot be one"
	}
	p.link = s[:end]
	return parseFrame(f, s[end+1:], p)
}

// parseStamp parses "(seconds.fraction) " and returns its length. can-utils writes six digits, newer versions nine on request.
func parseStamp(s []byte, p *fields) (int, string) {
	const wrong = "the time is not (seconds.microseconds)"
	i := 1
	var sec int64
	for ; i < len(s) && s[i]-'0' <= 9; i++ {
		if sec = sec*10 + int64(s[i]-'0'); sec > maxSeconds {
			return 0, "the time is beyond the year 2262"
		}
	}
	if i == 1 || i >= len(s) || s[i] != '.' {
		return 0, wrong
	}
	i++
	start := i
	var frac int64
	for ; i < len(s) && s[i]-'0' <= 9; i++ {
		frac = frac*10 + int64(s[i]-'0')
		if i-start >= 9 {
			return 0, wrong
		}
	}
	if i == start || i+1 >= len(s) || s[i] != ')' || s[i+1] != ' ' {
		return 0, wrong
	}
	for k := i - start; k < 9; k++ {
		frac *= 10
	}
	p.ns = sec*1e9 + frac
	return i + 2, ""
}

// parseFrame parses ID#DATA, ID#R, ID##FD, and the " R" or " T" (received, sent) that candump -x adds behind.
func parseFrame(f *bus.Frame, s []byte, p *fields) (lineKind, string) {
	var id uint32
	n := 0
	for ; n < len(s) && n < 9; n++ {
		v := hexValue[s[n]]
		if v > 15 {
			break
		}
		id = id<<4 | uint32(v)
	}
	if n >= len(s) || s[n] != '#' {
		return lineBad, "no ID#DATA"
	}
	f.Class = bus.Data
	f.IsRemote = false
	f.IsExtended = false
	f.UTC = time.Time{}
	switch {
	case n == 3 && id <= maskStandard:
	case n == 8 && id <= maskExtended:
		f.IsExtended = true
	case n == 8 && id&^maskExtended == flagError:
		f.Class = bus.Error
		id &= maskExtended
	case n == 5:
		return lineOther, "" // CAN XL: two digits of network, three of priority
	case n == 3:
		return lineBad, "a three-digit identifier above 7FF"
	case n == 8:
		return lineBad, "an identifier above 1FFFFFFF"
	default:
		return lineBad, "an identifier has three or eight hex digits"
	}
	f.ID = id
	s = s[n+1:]
	if len(s) > 0 && (s[0] == '#' || s[0] == 'R') {
		return parseSpecial(f, s, p)
	}
	var data uint64 // the first byte lowest
	i := 0
	for ; i+1 < len(s) && i < 2*maxData; i += 2 {
		hi, lo := hexValue[s[i]], hexValue[s[i+1]]
		if hi|lo > 15 {
			break
		}
		data |= uint64(hi<<4|lo) << (4 * i)
	}
	binary.LittleEndian.PutUint64(f.Data[:], data)
	f.Length = uint8(i / 2)
	p.complete = i == 2*maxData
	return parseTail(s[i:], p.complete)
}

func parseSpecial(f *bus.Frame, s []byte, p *fields) (lineKind, string) {
	if s[0] == '#' {
		return lineOther, "" // CAN FD
	}
	f.Class = bus.Remote
	f.IsRemote = true
	f.Length = 0
	f.Data = [maxData]byte{}
	s = s[1:]
	if len(s) > 0 && s[0]-'0' <= maxData {
		f.Length = s[0] - '0'
		p.complete = true
		s = s[1:]
	}
	return parseTail(s, f.Length == maxData)
}

// parseTail accepts what may stand behind the data: nothing, a raw length code 9..F of an eight-byte frame ("_9", can-utils
// since 2020), and the direction of candump -x.
func parseTail(s []byte, eight bool) (lineKind, string) {
	if eight && len(s) >= 2 && s[0] == '_' {
		if v := hexValue[s[1]]; v >= 9 && v <= 15 {
			s = s[2:]
		}
	}
	if len(s) == 2 && s[0] == ' ' && (s[1] == 'R' || s[1] == 'T') {
		s = nil
	}
	if len(s) == 0 {
		return lineFrame, ""
	}
	return lineBad, "the data is not an even number of hex digits, at most 16"
}
