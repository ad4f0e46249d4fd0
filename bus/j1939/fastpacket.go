// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"bytes"

	"airhold/bus"
)

// fastKey names a fast packet by sender, group, destination and sequence counter.
func fastKey(link uint16, id ID, seq uint8) key {
	return 1<<63 | key(link)<<40 | key(id.PGN)<<20 | key(id.Destination)<<11 | key(id.Source)<<3 | key(seq)
}

// fast takes a frame of a fast packet: sequence counter in bits 8-6 and frame counter in bits 5-1 of the first byte,
// in frame 0 the length and six bytes, then seven bytes a frame. The frames of one packet cannot overtake each other
// on a bus, so any gap breaks it.
func (a *Assembler) fast(f *bus.Frame, m *Message, b []byte) bool {
	if len(b) < 2 {
		return false
	}
	index := b[0] & 0x1F
	k := fastKey(f.Link, m.ID, b[0]>>5)
	s := a.find(k, f.Boot)
	if index == 0 {
		return a.fastFirst(f, m, k, s, b)
	}
	if s == nil {
		a.orphan(k, f, index)
		return false
	}
	s.last = f.Boot
	switch s.phase {
	case lost:
		if index < s.next {
			a.stats.Broken++ // the counter came round: the next packet lost its first frame, too
		}
		s.next = index
		return false
	case done:
		if index != s.packets-1 || f.Data != s.tail {
			a.orphan(k, f, index)
		}
		return false
	case open:
	}
	at := 6 + (int(index)-1)*7
	if index == s.next-1 {
		n := min(7, len(b)-1)
		if bytes.Equal(s.buf[at:at+n], b[1:1+n]) {
			return false // the same frame twice
		}
	}
	if want := min(7, int(s.size)-at); index != s.next || len(b)-1 < want {
		s.next = index
		a.fail(s)
		return false
	}
	copy(s.buf[at:], b[1:])
	s.next++
	if s.next < s.packets {
		return false
	}
	s.tail = f.Data
	a.deliver(s, m)
	return true
}

func (a *Assembler) fastFirst(f *bus.Frame, m *Message, k key, s *session, b []byte) bool {
	size := uint16(b[1])
	if s != nil && s.phase == open && s.next == 1 && s.size == size && bytes.Equal(s.buf[:len(b)-2], b[2:]) {
		s.last = f.Boot // the same frame twice
		return false
	}
	if size == 0 || size > maxFast || len(b)-2 < min(6, int(size)) {
		if i := a.table.find(k); i >= 0 {
			a.end(i)
		}
		a.orphan(k, f, 0)
		return false
	}
	s = a.start(k, f, false)
	s.id, s.size, s.wait = m.ID, size, waitFast
	s.packets = uint8(1 + (max(int(size), 6)-6+6)/7)
	s.next = 1
	copy(s.buf, b[2:])
	if s.packets > 1 {
		return false
	}
	s.tail = f.Data
	a.deliver(s, m)
	return true
}
