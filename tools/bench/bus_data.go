// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"time"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/dbc"

	"airhold/bus"
)

// busEpoch is when all made recordings begin: any day would do.
const busEpoch = 1_477_899_735

// spacing of the frames of a busy pair of links: 1,700 a second.
const spacing = 588 * time.Microsecond

// writeFile makes a file and hands out a buffered writer.
func writeFile(path string, fill func(w *bufio.Writer) error) error {
	f, err := os.Create(path) //nolint:gosec // a name made here
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<20)
	return errors.Join(fill(w), w.Flush(), f.Close())
}

// candumpLines writes n lines of two busy links, as candump -L does.
func candumpLines(w io.Writer, n int, seed uint64) error {
	r := rand.New(rand.NewPCG(seed, 1)) //nolint:gosec // inputs are repeatable
	for i := range n {
		at := time.Duration(i) * spacing
		sec, micro := busEpoch+int64(at/time.Second), int64(at%time.Second/time.Microsecond)
		id := 0x18000000 | r.Uint32N(1<<26)
		var err error
		if r.IntN(16) == 0 {
			_, err = fmt.Fprintf(w, "(%d.%06d) can%d %08X#%06X\n", sec, micro, i&1, id, r.Uint32N(1<<24))
		} else {
			_, err = fmt.Fprintf(w, "(%d.%06d) can%d %08X#%016X\n", sec, micro, i&1, id, r.Uint64())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// dbcFrames makes n frames of the messages of a DBC file as a bus would carry them: each message with a period of its own,
// which wavers a little. Every code is a plain value, but for a share of special ones: not available, error, out of range.
func dbcFrames(text []byte, n int, special float64, seed uint64) ([]bus.Frame, error) {
	p := dbc.NewParser("air.dbc", text)
	if err := p.Parse(); err != nil {
		return nil, err
	}
	type turn struct {
		message *dbc.MessageDef
		due     time.Duration
		every   time.Duration
		page    uint64
	}
	var turns []*turn
	r := rand.New(rand.NewPCG(seed, 2)) //nolint:gosec // inputs are repeatable
	const ms = time.Millisecond
	periods := []time.Duration{50 * ms, 100 * ms, 20 * ms, 50 * ms, 100 * ms, 100 * ms} // in the file's order
	for _, d := range p.Defs() {
		if m, ok := d.(*dbc.MessageDef); ok {
			every := periods[len(turns)%len(periods)]
			turns = append(turns, &turn{message: m, every: every, due: time.Duration(r.Int64N(int64(every)))})
		}
	}
	out := make([]bus.Frame, n)
	for i := range out {
		t := slices.MinFunc(turns, func(a, b *turn) int { return cmp.Compare(a.due, b.due) })
		at := t.due
		t.due += t.every - t.every/20 + time.Duration(r.Int64N(int64(t.every/10)))
		m := t.message
		f := &out[i]
		f.Frame = can.Frame{ID: m.MessageID.ToCAN(), IsExtended: m.MessageID.IsExtended(), Length: 8}
		f.Link, f.Boot, f.UTC = uint16(i&1), at, time.Unix(busEpoch, int64(at)).UTC()
		page := t.page % 3
		t.page++
		for k := range m.Signals {
			s := &m.Signals[k]
			if s.IsMultiplexed && s.MultiplexerSwitch != page {
				continue
			}
			code := plainCode(r, s, f.IsExtended)
			if s.IsMultiplexerSwitch {
				code = page
			} else if r.Float64() < special {
				code = 1<<s.Size - 1 - r.Uint64N(2)
			}
			start, size := uint8(s.StartBit), uint8(s.Size) //nolint:gosec // of eight bytes
			if s.IsBigEndian {
				f.Data.SetUnsignedBitsBigEndian(start, size, code)
			} else {
				f.Data.SetUnsignedBitsLittleEndian(start, size, code)
			}
		}
	}
	return out, nil
}

// plainCode draws a code that is a value by the file's range and, in a parameter group, by J1939's ranges.
func plainCode(r *rand.Rand, s *dbc.SignalDef, group bool) uint64 {
	for {
		code := r.Uint64N(1 << s.Size)
		value := float64(code)
		if s.IsSigned && code>>(s.Size-1) == 1 {
			value -= float64(uint64(1) << s.Size)
		}
		value = value*s.Factor + s.Offset
		switch {
		case group && !s.IsSigned && s.Size >= 8 && code>>(s.Size-8) > 0xFA:
		case group && s.Size == 2 && code > 1:
		case s.Maximum > s.Minimum && (value < s.Minimum || value > s.Maximum):
		default:
			return code
		}
	}
}

// writeFrames writes frames in the form that the Go peers read: tools/bench/peers/input.go has it.
func writeFrames(path string, frames []bus.Frame) error {
	return writeFile(path, func(w *bufio.Writer) error {
		var b [16]byte
		for i := range frames {
			f := &frames[i]
			id := f.ID
			if f.IsExtended {
				id |= 1 << 31
			}
			binary.LittleEndian.PutUint32(b[:], id)
			b[4] = f.Length
			copy(b[8:], f.Data[:])
			if _, err := w.Write(b[:]); err != nil {
				return err
			}
		}
		return nil
	})
}

// busRow is a row of five columns, as a recorder of analog readings has them.
type busRow struct {
	Time    int64   `parquet:"time,delta"`
	Channel int32   `parquet:"channel"`
	Raw     int32   `parquet:"raw"`
	Value   float64 `parquet:"value"`
	Quality int32   `parquet:"quality"`
}

// parquetRows are n readings of twelve channels that wander.
func parquetRows(n int, seed uint64) []busRow {
	r := rand.New(rand.NewPCG(seed, 3)) //nolint:gosec // inputs are repeatable
	var raw [12]int32
	out := make([]busRow, n)
	for i := range out {
		c := i % len(raw)
		raw[c] += r.Int32N(9) - 4
		out[i] = busRow{int64(i/len(raw))*100_000_000 + int64(c)*1_163_000, int32(c), raw[c], float64(raw[c]) * .0625, 0}
		if r.IntN(200) == 0 {
			out[i].Quality = 2
		}
	}
	return out
}

// writeRows writes rows in the form that the Go peers read.
func writeRows(path string, rows []busRow) error {
	return writeFile(path, func(w *bufio.Writer) error {
		le := binary.LittleEndian
		var b [28]byte
		for i := range rows {
			le.PutUint64(b[:], uint64(rows[i].Time))     //nolint:gosec // not negative
			le.PutUint32(b[8:], uint32(rows[i].Channel)) //nolint:gosec // two's complement is what is wanted
			le.PutUint32(b[12:], uint32(rows[i].Raw))    //nolint:gosec // as above
			le.PutUint64(b[16:], math.Float64bits(rows[i].Value))
			le.PutUint32(b[24:], uint32(rows[i].Quality)) //nolint:gosec // as above
			if _, err := w.Write(b[:]); err != nil {
				return err
			}
		}
		return nil
	})
}
