// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"errors"
	"sync"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/readings"
	"airhold/firmware/store"
)

// mailboxSize is how many entries wait for the spine: some seven seconds of the example machine at its busiest.
const mailboxSize = 8192

// letter is one entry on its way to the spine; a command carries where its answer goes.
type letter struct {
	entry  store.Entry
	answer chan alarms.Answer
}

// mailbox carries what intake finds to the spine. Any goroutine may put; the spine's takes. When it is full, a real
// box drops the oldest reading and counts it, because an old sample is worthless; a simulation waits instead, because
// its time can wait. Ticks and commands are never dropped.
type mailbox struct {
	mu    sync.Mutex
	room  *sync.Cond
	wait  bool // a full box makes the sender wait
	ring  []letter
	head  int
	count int
	lost  int64
	shut  bool
	wake  chan struct{}
}

func newMailbox(wait bool) *mailbox {
	m := &mailbox{wait: wait, ring: make([]letter, mailboxSize), wake: make(chan struct{}, 1)}
	m.room = sync.NewCond(&m.mu)
	return m
}

// Reading implements intake.Out.
func (m *mailbox) Reading(r readings.Reading) {
	m.put(letter{entry: store.Entry{Kind: store.IsReading, At: r.At, Reading: r}})
}

// Fault implements intake.Out.
func (m *mailbox) Fault(f readings.MachineFault) {
	m.put(letter{entry: store.Entry{Kind: store.IsFault, At: f.At, Fault: f}})
}

func (m *mailbox) put(l letter) {
	m.mu.Lock()
	for m.wait && m.count == len(m.ring) && !m.shut {
		m.room.Wait()
	}
	if m.shut {
		m.mu.Unlock()
		return
	}
	if m.count == len(m.ring) && !m.dropOldestReading() {
		m.grow()
	}
	m.ring[(m.head+m.count)%len(m.ring)] = l
	m.count++
	m.mu.Unlock()
	select {
	case m.wake <- struct{}{}:
	default:
	}
}

// dropOldestReading makes room; false where no reading waits.
func (m *mailbox) dropOldestReading() bool {
	for i := range m.count {
		if m.ring[(m.head+i)%len(m.ring)].entry.Kind != store.IsReading {
			continue
		}
		for j := i; j > 0; j-- {
			m.ring[(m.head+j)%len(m.ring)] = m.ring[(m.head+j-1)%len(m.ring)]
		}
		m.head = (m.head + 1) % len(m.ring)
		m.count--
		m.lost++
		return true
	}
	return false
}

func (m *mailbox) grow() {
	bigger := make([]letter, 2*len(m.ring))
	for i := range m.count {
		bigger[i] = m.ring[(m.head+i)%len(m.ring)]
	}
	m.ring, m.head = bigger, 0
}

// errBeat says that the beat came before anything else.
var errBeat = errors.New("beat")

// take moves what waits into dst, at most its capacity. It waits for something to come, returns errBeat at each beat,
// and the context's error once that has ended and nothing waits any more.
func (m *mailbox) take(ctx context.Context, beat <-chan time.Time, dst []letter) ([]letter, error) {
	for {
		select {
		case <-beat:
			return dst[:0], errBeat
		default:
		}
		m.mu.Lock()
		n := min(m.count, cap(dst))
		dst = dst[:n]
		for i := range n {
			at := (m.head + i) % len(m.ring)
			dst[i] = m.ring[at]
			m.ring[at] = letter{}
		}
		m.head = (m.head + n) % len(m.ring)
		m.count -= n
		m.room.Broadcast()
		m.mu.Unlock()
		if n > 0 {
			return dst, nil
		}
		select {
		case <-m.wake:
		case <-beat:
			return dst, errBeat
		case <-ctx.Done():
			return dst, ctx.Err()
		}
	}
}

// close lets waiting senders go; what they bring then is not taken.
func (m *mailbox) close() {
	m.mu.Lock()
	m.shut = true
	m.room.Broadcast()
	m.mu.Unlock()
}

// dropped returns how many readings were dropped so far.
func (m *mailbox) dropped() int64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.lost
}
