// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/binary"
	"errors"
	"math"
	"os"

	"go.einride.tech/can"
)

// readFrames reads FRAMES: 16 bytes a frame, identifier with the top bit for 29-bit ones (little-endian), length,
// three empty bytes, eight data bytes.
func readFrames(path string) ([]can.Frame, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	if len(b) == 0 || len(b)%16 != 0 {
		return nil, errors.New("not a file of frames")
	}
	out := make([]can.Frame, len(b)/16)
	for i := range out {
		r := b[16*i:]
		id := binary.LittleEndian.Uint32(r)
		out[i] = can.Frame{ID: id & can.MaxExtendedID, IsExtended: id>>31 == 1, Length: r[4], Data: can.Data(r[8:16])}
	}
	return out, nil
}

// columns are what ROWS holds: 28 bytes a row, time in ns (8), channel (4), raw (4), value (8), quality (4), little-endian.
type columns struct {
	time    []int64
	channel []int32
	raw     []int32
	value   []float64
	quality []int32
}

func readRows(path string) (*columns, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	if len(b) == 0 || len(b)%28 != 0 {
		return nil, errors.New("not a file of rows")
	}
	c := &columns{}
	le := binary.LittleEndian
	for ; len(b) > 0; b = b[28:] {
		c.time = append(c.time, int64(le.Uint64(b)))
		c.channel = append(c.channel, int32(le.Uint32(b[8:])))
		c.raw = append(c.raw, int32(le.Uint32(b[12:])))
		c.value = append(c.value, math.Float64frombits(le.Uint64(b[16:])))
		c.quality = append(c.quality, int32(le.Uint32(b[24:])))
	}
	return c, nil
}
