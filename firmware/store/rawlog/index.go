// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"time"

	"airhold/firmware/clock"
)

// The index beside a file is a sequence of records: one byte of kind, one of zero, two of length, the content, and the
// CRC32C of all that. All numbers are little-endian; times are nanoseconds. A record whose check sum is wrong, and what
// stands behind it, was torn by a power cut.
const (
	recordHead = 4
	recordTail = 4
	maxRecord  = 2048
)

// recordKind says what a record is.
type recordKind uint8

const (
	recordBegin    recordKind = 1 + iota // what the file is
	recordChunk                          // 64 KiB of the file, or its last piece
	recordCounters                       // of one link
	recordClock                          // boot time, wall time, GNSS offset
	recordGap                            // frames that were not recorded
	recordEnd                            // the file was ended in order
)

// indexMark is the start of the first record's content, with the version of the form.
const indexMark = "airhold frames 1"

// Begin is what a file is.
type Begin struct {
	Boot     string
	Number   int64         // of the boot
	Seq      int64         // of the file within its boot
	Offset   time.Duration // to add to a boot time to get the time stamp in the file
	Software string
	Machine  string // SHA-256 of the machine file
	Links    []string
}

// Chunk is one stretch of the file.
type Chunk struct {
	Offset, Length int64
	CRC32C         uint32
	Frames         int64         // whose block ends in it
	First, Last    time.Duration // boot times of these; both zero where there is none
}

// Counters are the counts of one link, since the start of the boot, but for Recorded.
type Counters struct {
	At       time.Duration
	Link     uint16
	Recorded uint64 // in this file
	Full     uint64 // dropped because the ring was full
	Kernel   uint64 // dropped by the kernel
	Errors   uint64 // error frames recorded in this file
	// Transmit and Receive are the controller's error counters as its last error frame gave them (linux/can/error.h:
	// bytes 6 and 7); meaningless while Errors is 0.
	Transmit, Receive uint8
}

// ClockMark ties the boot clock to the wall clock and to GNSS or bus time.
type ClockMark struct {
	Boot    time.Duration
	Wall    time.Time     // zero: there is none
	Quality clock.Quality // of Wall
	// GNSS is UTC minus boot time by GNSS or bus time, with its own quality; Unset: there is none.
	GNSS        time.Duration
	GNSSQuality clock.Quality
}

// Gap is a time in which frames were dropped because the disk did not take them.
type Gap struct {
	From, To time.Duration
	Frames   int64
}

// End is how the file was ended.
type End struct {
	Bytes, Frames int64
	At            time.Duration
}

// Index is what an .idx file says.
type Index struct {
	Begin    Begin
	Chunks   []Chunk
	Counters []Counters // in the order in which they were written
	Clocks   []ClockMark
	Gaps     []Gap
	Ended    bool // in order; else a power cut ended the file
	End      End
	Whole    int64 // bytes of the index that are whole
	Torn     int64 // bytes behind them
}

// errNoIndex is for a file that is no index.
var errNoIndex = errors.New("not an index of recorded frames")

func castagnoli() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

// fields appends numbers to a record's content.
type fields struct{ b []byte }

func (f *fields) u8(v uint8)   { f.b = append(f.b, v) }
func (f *fields) u16(v uint16) { f.b = binary.LittleEndian.AppendUint16(f.b, v) }
func (f *fields) u32(v uint32) { f.b = binary.LittleEndian.AppendUint32(f.b, v) }
func (f *fields) u64(v uint64) { f.b = binary.LittleEndian.AppendUint64(f.b, v) }
func (f *fields) i64(v int64)  { f.u64(uint64(v)) } //nolint:gosec // two's complement both ways
func (f *fields) text(s string) {
	s = s[:min(len(s), 256)]
	f.u16(uint16(len(s))) //nolint:gosec // at most 256
	f.b = append(f.b, s...)
}

// appendRecord appends one record whose content fill writes.
func appendRecord(b []byte, kind recordKind, fill func(f *fields)) []byte {
	start := len(b)
	f := fields{append(b, byte(kind), 0, 0, 0)}
	fill(&f)
	n := len(f.b) - start - recordHead
	binary.LittleEndian.PutUint16(f.b[start+2:], uint16(n)) //nolint:gosec // below maxRecord by construction
	return binary.LittleEndian.AppendUint32(f.b, crc32.Checksum(f.b[start:], castagnoli()))
}

func appendBegin(b []byte, v *Begin) []byte {
	return appendRecord(b, recordBegin, func(f *fields) {
		f.b = append(f.b, indexMark...)
		f.text(v.Boot)
		f.i64(v.Number)
		f.i64(v.Seq)
		f.i64(int64(v.Offset))
		f.text(v.Software)
		f.text(v.Machine)
		links := v.Links[:min(len(v.Links), 32)]
		f.u16(uint16(len(links))) //nolint:gosec // at most 32
		for _, l := range links {
			f.text(l[:min(len(l), 32)])
		}
	})
}

func appendChunk(b []byte, v *Chunk) []byte {
	return appendRecord(b, recordChunk, func(f *fields) {
		f.i64(v.Offset)
		f.i64(v.Length)
		f.u32(v.CRC32C)
		f.i64(v.Frames)
		f.i64(int64(v.First))
		f.i64(int64(v.Last))
	})
}

func appendCounters(b []byte, v *Counters) []byte {
	return appendRecord(b, recordCounters, func(f *fields) {
		f.i64(int64(v.At))
		f.u16(v.Link)
		f.u64(v.Recorded)
		f.u64(v.Full)
		f.u64(v.Kernel)
		f.u64(v.Errors)
		f.u8(v.Transmit)
		f.u8(v.Receive)
	})
}

func appendClock(b []byte, v *ClockMark) []byte {
	return appendRecord(b, recordClock, func(f *fields) {
		f.i64(int64(v.Boot))
		sec, nano := int64(0), int64(-1) // no wall clock
		if !v.Wall.IsZero() {
			sec, nano = v.Wall.Unix(), int64(v.Wall.Nanosecond())
		}
		f.i64(sec)
		f.i64(nano)
		f.u8(uint8(v.Quality))
		f.i64(int64(v.GNSS))
		f.u8(uint8(v.GNSSQuality))
	})
}

func appendGap(b []byte, v *Gap) []byte {
	return appendRecord(b, recordGap, func(f *fields) {
		f.i64(int64(v.From))
		f.i64(int64(v.To))
		f.i64(v.Frames)
	})
}

func appendEnd(b []byte, v *End) []byte {
	return appendRecord(b, recordEnd, func(f *fields) {
		f.i64(v.Bytes)
		f.i64(v.Frames)
		f.i64(int64(v.At))
	})
}

// content takes numbers off a record; bad stays true once it was too short.
type content struct {
	b   []byte
	bad bool
}

func (c *content) take(n int) []byte {
	if n > len(c.b) {
		c.bad = true
		return make([]byte, n)
	}
	v := c.b[:n]
	c.b = c.b[n:]
	return v
}
func (c *content) u8() uint8               { return c.take(1)[0] }
func (c *content) u16() uint16             { return binary.LittleEndian.Uint16(c.take(2)) }
func (c *content) u32() uint32             { return binary.LittleEndian.Uint32(c.take(4)) }
func (c *content) u64() uint64             { return binary.LittleEndian.Uint64(c.take(8)) }
func (c *content) i64() int64              { return int64(c.u64()) } //nolint:gosec // two's complement both ways
func (c *content) duration() time.Duration { return time.Duration(c.i64()) }
func (c *content) text() string            { return string(c.take(int(c.u16()))) }

// ParseIndex reads an index. One that was torn gives what is whole; one that has no whole first record, or another first
// record, is an error.
func ParseIndex(data []byte) (*Index, error) {
	x := &Index{}
	for rest := data; ; {
		if len(rest) < recordHead+recordTail {
			x.Torn = int64(len(rest))
			break
		}
		n := int(binary.LittleEndian.Uint16(rest[2:]))
		whole := recordHead + n + recordTail
		if n > maxRecord || rest[1] != 0 || whole > len(rest) ||
			crc32.Checksum(rest[:recordHead+n], castagnoli()) != binary.LittleEndian.Uint32(rest[recordHead+n:]) {
			x.Torn = int64(len(rest))
			break
		}
		if !x.add(recordKind(rest[0]), rest[recordHead:][:n]) {
			return nil, fmt.Errorf("%w: it does not begin as one, or a record is shorter than its kind", errNoIndex)
		}
		x.Whole += int64(whole)
		rest = rest[whole:]
	}
	if x.Whole == 0 {
		return nil, fmt.Errorf("%w: its first record is not whole", errNoIndex)
	}
	return x, nil
}

// add takes one record; false when it cannot be one. A kind that a later version has is passed over.
func (x *Index) add(kind recordKind, b []byte) bool {
	c := content{b: b}
	if (x.Whole == 0) != (kind == recordBegin) {
		return false
	}
	switch kind {
	case recordBegin:
		if !bytes.Equal(c.take(len(indexMark)), []byte(indexMark)) {
			return false
		}
		v := &x.Begin
		v.Boot, v.Number, v.Seq, v.Offset, v.Software, v.Machine = c.text(), c.i64(), c.i64(), c.duration(), c.text(), c.text()
		for range min(c.u16(), 32) {
			v.Links = append(v.Links, c.text())
		}
	case recordChunk:
		x.Chunks = append(x.Chunks, Chunk{c.i64(), c.i64(), c.u32(), c.i64(), c.duration(), c.duration()})
	case recordCounters:
		x.Counters = append(x.Counters, Counters{c.duration(), c.u16(), c.u64(), c.u64(), c.u64(), c.u64(), c.u8(), c.u8()})
	case recordClock:
		v := ClockMark{Boot: c.duration()}
		if sec, nano := c.i64(), c.i64(); nano >= 0 {
			v.Wall = time.Unix(sec, nano).UTC()
		}
		v.Quality, v.GNSS, v.GNSSQuality = clock.Quality(c.u8()), c.duration(), clock.Quality(c.u8())
		x.Clocks = append(x.Clocks, v)
	case recordGap:
		x.Gaps = append(x.Gaps, Gap{c.duration(), c.duration(), c.i64()})
	case recordEnd:
		x.Ended, x.End = true, End{c.i64(), c.i64(), c.duration()}
	}
	return !c.bad
}

// ReadIndex reads the index at path.
func ReadIndex(path string) (*Index, error) {
	data, err := os.ReadFile(path) //nolint:gosec // a file of the data folder
	if err != nil {
		return nil, fmt.Errorf("read the index of a recording: %w", err)
	}
	x, err := ParseIndex(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return x, nil
}

// readBegin reads the first record of an index.
func readBegin(path string) (*Begin, error) {
	f, err := os.Open(path) //nolint:gosec // a file of the data folder
	if err != nil {
		return nil, fmt.Errorf("read the index of a recording: %w", err)
	}
	head := make([]byte, recordHead+maxRecord+recordTail)
	n, err := io.ReadFull(f, head)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("read the index of a recording: %w", err)
	}
	x, err := ParseIndex(head[:n])
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &x.Begin, nil
}
