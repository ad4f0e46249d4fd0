// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
)

// marked makes frames whose data say which frame they are, so that one put together from two is known.
func marked(n int) []bus.Frame {
	out := make([]bus.Frame, n)
	for i := range out {
		f := &out[i]
		at := time.Duration(i) * spacing
		f.UTC, f.Boot, f.Link = time.Unix(busEpoch, int64(at)).UTC(), at, uint16(i&1)
		f.ID, f.IsExtended, f.Length = 0x18FF0000|uint32(i&0xFFFF), true, 8
		binary.LittleEndian.PutUint64(f.Data[:], mark(f.UTC.UnixNano()))
	}
	return out
}

// mark is what a frame of that time carries: Fibonacci hashing, 2^64 over the golden ratio.
func mark(ns int64) uint64 { return uint64(ns) * 0x9E3779B97F4A7C15 } //nolint:gosec // only a hash

// genuine counts the frames of a capture, and those that nobody wrote.
func genuine(data []byte) (whole, invented int, err error) {
	r, err := capture.NewReader(bytes.NewReader(data))
	if err != nil {
		return 0, 0, err
	}
	var f bus.Frame
	for err = r.Next(&f); err == nil; err = r.Next(&f) {
		if mark(f.UTC.UnixNano()) == binary.LittleEndian.Uint64(f.Data[:]) {
			whole++
		} else {
			invented++
		}
	}
	if !errors.Is(err, io.EOF) {
		return whole, invented, err
	}
	return whole, invented, r.Close()
}

// epbSize is a frame's block in a capture of this project: 48 bytes (length and trailer stand in it and are checked).
const epbSize = 48

// cuts is bar 8: a recording cut at every byte, and two torn ones joined at every phase of a block.
func (b *busBench) cuts(ctx context.Context, w io.Writer, v *verdict) error {
	const name = "8 recordings that were cut"
	if !strings.Contains(name, b.options.only) {
		return nil
	}
	var whole bytes.Buffer
	frames := marked(b.size.cutBytes/epbSize + 100)
	if err := writeCapture(&whole, frames); err != nil {
		return err
	}
	data := whole.Bytes()
	lost, invented := 0, 0
	head := len(data) - len(frames)*epbSize
	for cut := len(data) - b.size.cutBytes; cut < len(data); cut++ {
		n, made, err := genuine(data[:cut])
		if err != nil {
			return err
		}
		if n != (cut-head)/epbSize {
			lost++
		}
		invented += made
	}
	theirs := int64(0)
	spliced := 0
	for phase := 1; phase < epbSize; phase++ {
		torn := append(bytes.Clone(data[:head+10*epbSize+phase]), data[head+20*epbSize:head+40*epbSize]...)
		_, made, err := genuine(torn)
		if err != nil {
			return err
		}
		spliced += made
		path := b.path("spliced.pcapng")
		if err := os.WriteFile(path, torn, 0o600); err != nil {
			return err
		}
		f, err := b.goPeer("", "pcapng-invented", path).run(ctx)
		if err != nil {
			return err
		}
		theirs += int64(f.sum)
	}
	fmt.Fprintf(w, "8 cut at every byte of the last %d KiB, and two torn ones spliced at every byte of a block\t%d cuts with a loss, %d and %d frames that nobody wrote\tgopacket NgReader (spliced)\t%d frames that nobody wrote\t\tnone\t\t\n",
		b.size.cutBytes>>10, lost, invented, spliced, theirs)
	if lost+invented+spliced > 0 {
		v.missed = append(v.missed, fmt.Sprintf("8: %d cuts with a loss, %d and %d invented frames", lost, invented, spliced))
	}
	if theirs == 0 {
		return errors.New("8: the splices make no false frame even for a reader without a check, so they prove nothing")
	}
	agree := 0
	for i := range b.size.tsharkCuts {
		cut := len(data) - 1 - i*b.size.cutBytes/b.size.tsharkCuts - i*7
		path := b.path("cut.pcapng")
		if err := os.WriteFile(path, data[:cut], 0o600); err != nil {
			return err
		}
		n, err := capinfos(ctx, path)
		switch {
		case errors.Is(err, errMissing):
			v.missing = append(v.missing, "tshark")
			return nil
		case err != nil:
			return err
		case n == int64((cut-head)/epbSize):
			agree++
		default:
			v.missed = append(v.missed, fmt.Sprintf("8: tshark's library finds %d frames of %d in a capture cut at byte %d", n, (cut-head)/epbSize, cut))
		}
	}
	fmt.Fprintf(w, "8 cut captures in tshark's library\t%d of %d cuts with every whole frame\t\t\t\tall\t\t\n", agree, b.size.tsharkCuts)
	return nil
}
