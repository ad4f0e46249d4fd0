// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"slices"
	"sync"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
)

// wakeAt is how many waiting frames wake the writer before its time: 64 KiB.
const wakeAt = 64 << 10 / capture.PacketSize

// packet is a frame as it will stand in the file, with boot time in place of wall time.
type packet = [capture.PacketSize]byte

// losses are the frames of one link that were heard and not recorded.
type losses struct {
	ring   uint64 // the ring was full
	kernel uint64
}

type gnssOffset struct {
	at, offset time.Duration
	quality    clock.Quality
}

// maxOffsets bounds the offsets that wait for the index: one a second comes in, and the writer takes them ten times a second.
const maxOffsets = 64

// ring holds frames that wait for the writer. Its lock is held for the copy of one frame.
type ring struct {
	wake chan struct{}

	mu      sync.Mutex
	slots   []packet
	head    uint64 // frames put in, ever
	tail    uint64 // frames taken out, ever
	lost    []losses
	refused int64
	since   time.Duration // boot time of the first frame that found the ring full since it was last asked
	until   time.Duration
	offsets []gnssOffset
}

func newRing(size, links int) *ring {
	return &ring{wake: make(chan struct{}, 1), slots: make([]packet, size), lost: make([]losses, links)}
}

func (r *ring) put(f *bus.Frame) {
	r.mu.Lock()
	switch {
	case int(f.Link) >= len(r.lost):
		r.refused++
	case r.head-r.tail == uint64(len(r.slots)):
		if r.since == 0 {
			r.since = f.Boot
		}
		r.until = f.Boot
		r.lost[f.Link].ring++
	case capture.PutPacket(&r.slots[r.head%uint64(len(r.slots))], f, int64(f.Boot)) != nil:
		r.refused++
	default:
		r.head++
	}
	poke := r.head-r.tail == wakeAt
	r.mu.Unlock()
	if poke {
		select {
		case r.wake <- struct{}{}:
		default:
		}
	}
}

func (r *ring) osDrops(link uint16, total uint64) {
	r.mu.Lock()
	if int(link) < len(r.lost) {
		r.lost[link].kernel = total
	}
	r.mu.Unlock()
}

func (r *ring) gnss(o gnssOffset) {
	r.mu.Lock()
	if len(r.offsets) < maxOffsets {
		r.offsets = append(r.offsets, o)
	}
	r.mu.Unlock()
}

// waiting gives at most n of the frames that wait, the oldest first, in one piece. They stay the writer's until free.
func (r *ring) waiting(n int) []packet {
	r.mu.Lock()
	defer r.mu.Unlock()
	size := uint64(len(r.slots))
	at := r.tail % size
	n = int(min(uint64(n), r.head-r.tail, size-at)) //nolint:gosec // below len(slots)
	return r.slots[at:][:n]
}

// free gives the oldest n places back.
func (r *ring) free(n int) {
	r.mu.Lock()
	r.tail += uint64(n) //nolint:gosec // not negative
	r.mu.Unlock()
}

// take copies the losses into lost and returns between which boot times the ring was full, since it was last asked, and
// the offsets that came in.
func (r *ring) take(lost []losses) (since, until time.Duration, offsets []gnssOffset) {
	r.mu.Lock()
	defer r.mu.Unlock()
	copy(lost, r.lost)
	since, until, offsets = r.since, r.until, slices.Clone(r.offsets)
	r.since, r.until, r.offsets = 0, 0, r.offsets[:0]
	return since, until, offsets
}

func (r *ring) stats(s *Stats) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s.Waiting = int(r.head - r.tail) //nolint:gosec // at most len(slots)
	s.Refused = r.refused
	for _, l := range r.lost {
		s.Dropped += int64(l.ring)  //nolint:gosec // counts of frames
		s.Kernel += int64(l.kernel) //nolint:gosec // as above
	}
}
