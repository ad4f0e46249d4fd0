// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"time"

	"go.einride.tech/can"
)

// phase is where a session stands.
type phase uint8

const (
	open phase = iota // packets are expected
	done              // delivered; kept to recognise repeated packets
	lost              // broken and counted; kept so that its remaining packets are not counted again
)

// key names a session; transportKey and fastKey make it.
type key uint64

// session is one message on its way.
type session struct {
	key       key
	buf       []byte
	id        ID
	last      time.Duration // time of the frame that last belonged to it
	wait      time.Duration
	touched   uint64    // order of use, for giving way
	tail      can.Data  // the last packet of a delivered session, to know it when it comes twice
	got       [4]uint64 // which transport packets are in, bit 0 unused
	chain     int32     // next slot of the same bucket, or of the free list; -1 ends it
	size      uint16
	packets   uint8
	have      uint8
	next      uint8 // the packet expected next, or the last one seen of a lost session
	phase     phase
	used      bool
	broadcast bool
}

func (s *session) stale(now time.Duration) bool {
	wait := s.wait
	if wait == 0 {
		wait = waitFast
	}
	return now-s.last > wait
}

func (s *session) seen(seq uint8) bool { return s.got[seq>>6]>>(seq&63)&1 == 1 }

func (s *session) mark(seq uint8) {
	s.got[seq>>6] |= 1 << (seq & 63)
	s.have++
}

// table is a hash table of fixed size: a map would allocate while sessions come and go.
type table struct {
	slots   []session
	buckets []int32
	free    int32
	tick    uint64
}

func newTable(n int) table {
	size := 1
	for size < n {
		size <<= 1
	}
	t := table{slots: make([]session, n), buckets: make([]int32, size)}
	for i := range t.buckets {
		t.buckets[i] = -1
	}
	for i := range t.slots {
		t.slots[i].chain = int32(i) + 1
	}
	t.slots[n-1].chain = -1
	return t
}

func (t *table) bucket(k key) *int32 {
	h := uint64(k) * 0x9E3779B97F4A7C15               // Fibonacci hashing: 2^64 over the golden ratio
	return &t.buckets[h>>32&uint64(len(t.buckets)-1)] //nolint:gosec // a length is not negative
}

func (t *table) find(k key) int32 {
	for i := *t.bucket(k); i >= 0; i = t.slots[i].chain {
		if t.slots[i].key == k {
			return i
		}
	}
	return -1
}

func (t *table) full() bool { return t.free < 0 }

func (t *table) touch(i int32) {
	t.tick++
	t.slots[i].touched = t.tick
}

// add takes a free slot; the caller has made sure there is one.
func (t *table) add(k key) *session {
	i := t.free
	t.free = t.slots[i].chain
	b := t.bucket(k)
	t.tick++
	t.slots[i] = session{key: k, chain: *b, used: true, touched: t.tick}
	*b = i
	return &t.slots[i]
}

func (t *table) remove(i int32) {
	s := &t.slots[i]
	for p := t.bucket(s.key); ; p = &t.slots[*p].chain {
		if *p == i {
			*p = s.chain
			break
		}
	}
	*s = session{chain: t.free}
	t.free = i
}

// oldest returns the used slot untouched longest.
func (t *table) oldest() int32 {
	var at int32
	least := ^uint64(0)
	for i := range t.slots {
		if s := &t.slots[i]; s.used && s.touched < least {
			at, least = int32(i), s.touched
		}
	}
	return at
}

// pool keeps the buffers of ended sessions. It never holds more than were once in use together.
type pool struct {
	big, small [][]byte
}

func (p *pool) get(big bool) []byte {
	list, size := &p.small, bufFast
	if big {
		list, size = &p.big, bufTP
	}
	n := len(*list)
	if n == 0 {
		return make([]byte, size)
	}
	b := (*list)[n-1]
	*list = (*list)[:n-1]
	return b
}

func (p *pool) put(b []byte) {
	switch len(b) {
	case bufTP:
		p.big = append(p.big, b)
	case bufFast:
		p.small = append(p.small, b)
	}
}
