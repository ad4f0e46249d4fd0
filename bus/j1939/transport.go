// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"bytes"

	"airhold/bus"
)

// Control bytes of the transport protocol (J1939-21, ISO 11783-3).
const (
	cmRTS         = 0x10 // request to send: opens a connection
	cmCTS         = 0x11 // clear to send: the receiver asks for packets
	cmEOMA        = 0x13 // end of message acknowledged
	cmExtendedRTS = 0x14 // the same for up to 117,440,505 bytes
	cmExtendedCTS = 0x15 // answers do not end what was announced
	cmBAM         = 0x20 // broadcast announcement
	cmAbort       = 0xFF
)

// transportKey names the one session a sender may have with a destination.
func transportKey(link uint16, source, destination uint8) key {
	return key(link)<<16 | key(source)<<8 | key(destination)
}

// control follows a TP.CM frame. Answers (CTS, EOMA, abort) come from the receiver as well, so they are looked up in
// both directions.
func (a *Assembler) control(f *bus.Frame, id ID, b []byte) {
	if len(b) < 8 {
		return
	}
	about := uint32(b[5]) | uint32(b[6])<<8 | uint32(b[7]&3)<<16
	there := transportKey(f.Link, id.Source, id.Destination)
	back := transportKey(f.Link, id.Destination, id.Source)
	switch b[0] {
	case cmBAM, cmRTS:
		a.announce(f, id, there, b, about)
	case cmCTS:
		if s := a.find(back, f.Boot); s != nil && s.id.PGN == about {
			s.last = f.Boot
		}
	case cmEOMA:
		if s := a.find(back, f.Boot); s != nil && s.id.PGN == about {
			a.end(a.table.find(back))
		}
	case cmAbort:
		for _, k := range [2]key{there, back} {
			s := a.find(k, f.Boot)
			if s == nil || s.id.PGN != about {
				continue
			}
			if s.phase == open {
				a.stats.Aborted++
			}
			a.end(a.table.find(k))
		}
	}
}

// extendedKey names the one extended transfer a sender may have with a destination.
func extendedKey(link uint16, source, destination uint8) key {
	return 1<<62 | transportKey(link, source, destination)
}

// extended counts extended transfers. They are skipped: nothing in the catalogue is that long, and one could take
// 117 MB. A request that is repeated before it is answered by data counts once.
func (a *Assembler) extended(f *bus.Frame, id ID, b []byte) {
	if len(b) < 8 || b[0] == cmExtendedCTS {
		return
	}
	there := extendedKey(f.Link, id.Source, id.Destination)
	about := uint32(b[5]) | uint32(b[6])<<8 | uint32(b[7]&3)<<16
	if b[0] != cmExtendedRTS { // data begin, or the transfer ends: the next request is another one
		for _, k := range [2]key{there, extendedKey(f.Link, id.Destination, id.Source)} {
			if i := a.table.find(k); i >= 0 && a.table.slots[i].id.PGN == about {
				a.end(i)
			}
		}
		return
	}
	if s := a.find(there, f.Boot); s != nil && s.id.PGN == about {
		s.last = f.Boot
		return
	}
	s := a.start(there, f, false)
	s.id, s.wait = ID{PGN: about, Source: id.Source, Destination: id.Destination}, waitConnection
	a.close(s, done)
	a.stats.Skipped++
}

// announce opens a session, or counts it as broken at once where its size and packet count disagree: a listener could
// not tell when such a message is whole.
func (a *Assembler) announce(f *bus.Frame, id ID, k key, b []byte, about uint32) {
	broadcast := b[0] == cmBAM
	if broadcast != (id.Destination == Global) {
		a.stats.Broken++
		return
	}
	size := uint16(b[1]) | uint16(b[2])<<8
	packets := b[3]
	if s := a.find(k, f.Boot); s != nil && s.phase == open && s.have == 0 && s.id.PGN == about &&
		s.size == size && s.broadcast == broadcast {
		s.last = f.Boot // the same announcement again, before any packet
		return
	}
	if size == 0 || size > maxTP || int(packets) != (int(size)+6)/7 {
		if i := a.table.find(k); i >= 0 {
			a.end(i)
		}
		a.stats.Broken++
		return
	}
	s := a.start(k, f, true)
	s.id = ID{PGN: about, Priority: id.Priority, Source: id.Source, Destination: id.Destination}
	s.size, s.packets, s.broadcast, s.next = size, packets, broadcast, 1
	if broadcast {
		s.wait = waitBroadcast
	} else {
		s.wait = waitConnection
	}
}

// packet takes a TP.DT frame. A broadcast is never repeated, so a gap breaks it. In a connection the receiver may ask
// for packets again, so a gap only breaks it when the session ends unfilled.
func (a *Assembler) packet(f *bus.Frame, m *Message, b []byte) bool {
	if len(b) < 2 || b[0] == 0 {
		return false
	}
	k := transportKey(f.Link, m.Source, m.Destination)
	seq := b[0]
	s := a.find(k, f.Boot)
	if s == nil {
		a.orphan(k, f, seq)
		return false
	}
	s.last = f.Boot
	switch {
	case s.phase == done && s.broadcast && (seq != s.packets || f.Data != s.tail):
		a.orphan(k, f, seq) // the announcement of the next message was missed
		return false
	case s.phase == lost:
		if m.Destination == Global && seq < s.next {
			a.stats.Broken++ // a further message whose announcement was missed
		}
		s.next = seq
		return false
	case s.phase == done:
		return false // a packet that the receiver asked for again
	}
	at := (int(seq) - 1) * 7
	want := min(7, int(s.size)-at)
	switch {
	case seq > s.packets || len(b)-1 < want:
		a.fail(s)
		return false
	case s.seen(seq):
		if s.broadcast && (seq != s.next-1 || !bytes.Equal(s.buf[at:at+want], b[1:1+want])) {
			a.fail(s)
			return false
		}
		if !s.broadcast {
			copy(s.buf[at:at+want], b[1:])
		}
		return false
	case s.broadcast && seq != s.next:
		a.fail(s)
		return false
	}
	copy(s.buf[at:at+want], b[1:])
	s.mark(seq)
	s.next = seq + 1
	if s.have < s.packets {
		return false
	}
	s.tail = f.Data
	a.deliver(s, m)
	return true
}
