// SPDX-License-Identifier: Apache-2.0

package main

import (
	"cmp"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"time"

	"airhold/bus/j1939"
)

// sent is a message of the job log: what, how often, by whom.
type sent struct {
	pgn      uint32
	priority uint8
	source   uint8
	every    time.Duration
	size     int    // more than 8 bytes go as fast packets or, where broadcast is set, as a transport session
	link     int    // 0 is the tractor's bus, 1 that of the receiver
	fixed    []byte // the first bytes; what follows wanders
	cast     bool
	now      []byte // what was sent last
}

// schedule is a planting job: a tractor's ISO 11783 bus at 250 kbit/s, its receiver on a bus of its own, rates after the
// standards (design table of the messages), a third of the frames of makers' own groups that no catalogue knows.
func schedule() []sent {
	const ms = time.Millisecond
	list := []sent{
		{61444, 3, 0, 10 * ms, 8, 0, nil, false, nil},
		{65096, 3, 0, 100 * ms, 8, 0, nil, false, nil},
		{65097, 3, 0, 100 * ms, 8, 0, nil, false, nil},
		{61474, 3, 0, 100 * ms, 8, 0, nil, false, nil},
		{65093, 3, 0, 100 * ms, 8, 0, nil, false, nil},
		{65091, 3, 0, 100 * ms, 8, 0, nil, false, nil},
		{65265, 6, 0, 100 * ms, 8, 0, nil, false, nil},
		{65269, 6, 0, time.Second, 8, 0, nil, false, nil},
		{65271, 6, 0, time.Second, 8, 0, nil, false, nil},
		{65253, 6, 0, time.Second, 8, 0, nil, false, nil},
		{65198, 6, 0, time.Second, 8, 0, nil, false, nil},
		{65254, 6, 0, time.Second, 8, 0, []byte{40, 10, 9, 5, 40, 40, 125, 125}, false, nil},
		{65226, 6, 0, time.Second, 14, 0, []byte{0x10, 0xFF}, true, nil},
		{65226, 6, 3, time.Second, 8, 0, []byte{0, 0xFF, 0, 0, 0, 0}, false, nil},
		{51968, 3, 0x26, 20 * ms, 8, 0, []byte{0x23, 0, 0x8D, 1}, false, nil},  // a value of a group that has no name
		{51968, 3, 0x26, 100 * ms, 8, 0, []byte{0x23, 0, 0xA1, 0}, false, nil}, // condensed work states
		{129025, 2, 0x1C, 100 * ms, 8, 1, nil, false, nil},
		{129026, 2, 0x1C, 100 * ms, 8, 1, nil, false, nil},
		{129029, 3, 0x1C, time.Second, 43, 1, nil, false, nil},
		{126992, 3, 0x1C, time.Second, 8, 1, nil, false, nil},
		{130311, 5, 0x1C, 500 * ms, 8, 1, nil, false, nil},
		{130316, 5, 0x1C, 2 * time.Second, 8, 1, nil, false, nil},
	}
	for i := range uint32(20) {
		list = append(list, sent{0xFF20 + i, 6, uint8(0x80 + i%5), 100 * ms, 8, 0, nil, false, nil})
	}
	return list
}

// jobLine is one frame of the job log with its time.
type jobLine struct {
	at   time.Duration
	link int
	id   uint32
	data []byte
}

// jobLog writes seconds of the job as candump text and returns the number of lines.
func jobLog(w io.Writer, seconds int, seed uint64) (int64, error) {
	r := rand.New(rand.NewPCG(seed, 4)) //nolint:gosec // inputs are repeatable
	list := schedule()
	next := make([]time.Duration, len(list))
	for i := range list {
		next[i] = time.Duration(r.Int64N(int64(list[i].every)))
	}
	count := [256]byte{}
	var lines []jobLine
	total := int64(0)
	for second := range seconds {
		lines = lines[:0]
		until := time.Duration(second+1) * time.Second
		for i := range list {
			for ; next[i] < until; next[i] += list[i].every {
				lines = list[i].frames(lines, next[i], r, &count[i%256])
			}
		}
		slices.SortStableFunc(lines, func(a, b jobLine) int { return cmp.Compare(a.at, b.at) })
		for _, l := range lines {
			sec, micro := busEpoch+int64(l.at/time.Second), int64(l.at%time.Second/time.Microsecond)
			if _, err := fmt.Fprintf(w, "(%d.%06d) can%d %08X#%X\n", sec, micro, l.link, l.id, l.data); err != nil {
				return total, err
			}
		}
		total += int64(len(lines))
	}
	return total, nil
}

// wander changes some bytes a little, as quantities of a machine do. One in ten is not available, and stays so.
func (s *sent) wander(r *rand.Rand) []byte {
	if s.now == nil {
		s.now = make([]byte, s.size)
		for i := range s.now {
			if s.now[i] = 0xFF; r.IntN(10) > 0 {
				s.now[i] = byte(r.Uint32N(250)) //nolint:gosec // below 250
			}
		}
	}
	for i, b := range s.now {
		if b < 250 && r.IntN(4) == 0 {
			s.now[i] = min(b+byte(r.Uint32N(3)), 250) - min(b, 1) //nolint:gosec // at most 2
		}
	}
	copy(s.now, s.fixed)
	return s.now
}

// frames appends the frames of one message.
func (s *sent) frames(lines []jobLine, at time.Duration, r *rand.Rand, count *byte) []jobLine {
	data := slices.Clone(s.wander(r))
	add := func(id j1939.ID, gap time.Duration, b []byte) {
		lines = append(lines, jobLine{at + gap, s.link, id.CAN(), b})
	}
	id := j1939.ID{PGN: s.pgn, Priority: s.priority, Source: s.source, Destination: 0xFF}
	switch {
	case s.size <= 8:
		add(id, 0, data)
	case s.cast:
		packets := byte((s.size + 6) / 7) //nolint:gosec // at most 255
		control, packet := id, id
		control.PGN, packet.PGN = 0xEC00, 0xEB00
		add(control, 0, []byte{0x20, byte(s.size), byte(s.size >> 8), packets, 0xFF, byte(s.pgn), byte(s.pgn >> 8), byte(s.pgn >> 16)}) //nolint:gosec // the bytes of numbers
		for i := byte(1); i <= packets; i++ {
			b := []byte{i, 255, 255, 255, 255, 255, 255, 255}
			data = data[copy(b[1:], data):]
			add(packet, time.Duration(i)*50*time.Millisecond, b)
		}
	default:
		counter := *count << 5
		*count++
		b := []byte{counter, byte(s.size), 255, 255, 255, 255, 255, 255} //nolint:gosec // at most 223
		data = data[copy(b[2:], data):]
		add(id, 0, b)
		for i := byte(1); len(data) > 0; i++ {
			b := []byte{counter | i, 255, 255, 255, 255, 255, 255, 255}
			data = data[copy(b[1:], data):]
			add(id, time.Duration(i)*time.Millisecond, b)
		}
	}
	return lines
}
