// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"time"

	"airhold/bus"
)

// How long a listener waits before it calls a session broken: J1939-21 gives the packets of a broadcast T1 = 750 ms
// and a connection T2 = T3 = 1250 ms. A sender that gives up after T3 says so with an abort, which comes a little
// later (1260 ms in a recorded truck), hence the margin. NMEA 2000 gives fast packets 750 ms.
const (
	waitBroadcast  = 750 * time.Millisecond
	waitConnection = 1500 * time.Millisecond
	waitFast       = 750 * time.Millisecond
	sweepEvery     = time.Second
)

// Sizes of the wire format.
const (
	maxPackets = 255
	maxTP      = 1785 // 255 packets of 7 bytes
	maxFast    = 223  // 6 bytes and 31 times 7
	bufTP      = maxPackets * 7
	bufFast    = 6 + 31*7
)

// Options bound the memory of an Assembler.
type Options struct {
	// MaxSessions is how many sessions may be open, or lately ended, at once; 0 means 512, the largest value is
	// 65536. Each takes about 130 bytes, and a buffer of 223 or 1785 bytes while it is open. When all are taken the
	// one untouched longest gives way and, if it was open, counts as broken.
	MaxSessions int
}

// Stats counts what became of sessions since the Assembler was made.
type Stats struct {
	Joined  int64 // messages joined from several frames
	Broken  int64 // sessions that never became whole: a packet lost, aborted, timed out, pushed out, malformed
	Aborted int64 // of those broken, the ones an abort frame ended
	Skipped int64 // extended transfers (over 1785 bytes), which are counted and not joined
}

// Message is a parameter group as one piece, from one frame or from a session.
type Message struct {
	ID

	Data   []byte // valid until the next call of Frame; a joined message has its filling removed
	At     time.Duration
	UTC    time.Time
	Link   uint16
	Frames int32 // how many frames carried it
}

// Assembler joins the frames of any number of links into messages. One goroutine at a time may use it.
type Assembler struct {
	table   table
	pool    pool
	stats   Stats
	sweptAt time.Duration
	single  [8]byte
	started bool
}

// NewAssembler returns an Assembler that has seen nothing.
func NewAssembler(o Options) *Assembler {
	n := o.MaxSessions
	if n <= 0 {
		n = 512
	}
	return &Assembler{table: newTable(min(n, 1<<16))}
}

// Stats returns the counts so far.
func (a *Assembler) Stats() Stats { return a.stats }

// Frame takes one frame in. It reports true when m now holds a message: the frame's own, or the one it completed.
// Frames of transport sessions are no messages of their own, nor are frames with 11-bit identifiers, remote requests
// and error reports. Times must be those of the frames; where they run backwards nothing times out.
func (a *Assembler) Frame(f *bus.Frame, m *Message) bool {
	if f.Class != bus.Data || f.IsRemote || !f.IsExtended {
		return false
	}
	a.sweep(f.Boot)
	m.ID, m.At, m.UTC, m.Link, m.Frames = Split(f.ID), f.Boot, f.UTC, f.Link, 1
	n := min(int(f.Length), 8)
	switch {
	case m.PGN == pgnTransport:
		a.control(f, m.ID, f.Data[:n])
		return false
	case m.PGN == pgnTransportData:
		return a.packet(f, m, f.Data[:n])
	case m.PGN == pgnExtended:
		a.extended(f, m.ID, f.Data[:n])
		return false
	case m.PGN == pgnExtendedData:
		return false
	case Fast(m.PGN):
		return a.fast(f, m, f.Data[:n])
	}
	a.single = f.Data
	m.Data = a.single[:n]
	return true
}

// Joined reports whether the frames of pgn are parts of longer messages: those of the transport protocols, and of groups
// that NMEA 2000 sends as fast packets.
func Joined(pgn uint32) bool {
	if pgn >= firstFast {
		return Fast(pgn)
	}
	return pgn == pgnTransport || pgn == pgnTransportData || pgn == pgnExtended || pgn == pgnExtendedData
}

// Finish counts the sessions that are still open as broken: no more frames will come.
func (a *Assembler) Finish() {
	for i := range a.table.slots {
		if a.table.slots[i].used {
			a.end(int32(i))
		}
	}
}

// sweep ends what has been silent too long, once a second of the frames' own time.
func (a *Assembler) sweep(now time.Duration) {
	if !a.started || now < a.sweptAt {
		a.started, a.sweptAt = true, now
		return
	}
	if now-a.sweptAt < sweepEvery {
		return
	}
	a.sweptAt = now
	for i := range a.table.slots {
		a.expire(int32(i), now)
	}
}

// expire ends a session that has been silent too long. One that was open is kept as lost for as long again, so that a
// late packet of it is not taken for a message of its own. It reports whether the slot is still in use.
func (a *Assembler) expire(i int32, now time.Duration) bool {
	s := &a.table.slots[i]
	switch {
	case !s.used || !s.stale(now):
	case s.phase == open:
		a.fail(s)
		s.last = now
	default:
		a.end(i)
	}
	return s.used
}

// end forgets a session, counting it if it was open.
func (a *Assembler) end(i int32) {
	s := &a.table.slots[i]
	if s.phase == open {
		a.stats.Broken++
	}
	a.pool.put(s.buf)
	s.buf = nil
	a.table.remove(i)
}

// fail marks an open session as broken, counts it, and remembers it so that its later packets are not counted again.
func (a *Assembler) fail(s *session) {
	a.stats.Broken++
	a.close(s, lost)
}

func (a *Assembler) close(s *session, p phase) {
	a.pool.put(s.buf)
	s.buf, s.phase = nil, p
}

// find returns the session of key, after what silence has made of it.
func (a *Assembler) find(k key, now time.Duration) *session {
	i := a.table.find(k)
	if i < 0 || !a.expire(i, now) {
		return nil
	}
	a.table.touch(i)
	return &a.table.slots[i]
}

// start returns a fresh open session for key, ending whatever was there or, in a full table, the one untouched longest.
func (a *Assembler) start(k key, f *bus.Frame, big bool) *session {
	if i := a.table.find(k); i >= 0 {
		a.end(i)
	}
	if a.table.full() {
		a.end(a.table.oldest())
	}
	s := a.table.add(k)
	s.last, s.phase = f.Boot, open
	s.buf = a.pool.get(big)
	return s
}

// orphan notes a packet whose beginning was never seen: its message is lost, and counted once.
func (a *Assembler) orphan(k key, f *bus.Frame, index uint8) {
	s := a.start(k, f, false)
	s.next = index
	a.fail(s)
}

// deliver hands a complete session out. The buffer goes back to the pool, which does not touch it before the next
// session starts, hence the promise that Data holds until the next frame.
func (a *Assembler) deliver(s *session, m *Message) {
	m.ID = s.id
	m.Data = s.buf[:s.size]
	m.Frames = int32(s.packets)
	a.stats.Joined++
	a.close(s, done)
}
