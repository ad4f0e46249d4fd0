// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"syscall"
	"time"

	"airhold/bus/capture"
	"airhold/firmware/clock"
)

const (
	chunkSize = capture.SealChunk
	// pieceSize is how many frames one write takes at most: 64 KiB.
	pieceSize = chunkSize / capture.PacketSize
	maxNotes  = 100

	flagError    = 0x20000000 // of a frame's identifier (linux/can.h)
	errorCounter = 0x00000004 // error class "controller problems", in whose frames bytes 6 and 7 count (linux/can/error.h)
	errorCount   = 0x00000200 // error class "counters in bytes 6 and 7"

	indexSync = 10 * time.Second
	askClock  = time.Second
	// counterEvery is how many clock questions go by between two notes of the counters.
	counterEvery = 10
	// gapEvery is how often the log tells of a gap that lasts. The disk that it is short of is the log's own, too.
	gapEvery = time.Minute
)

// writer owns the files. Log's lock makes it one goroutine's at a time.
type writer struct {
	o    *Options
	ring *ring
	seq  int64

	out     *output
	buf     []byte // one piece, with wall times
	counts  []linkCounts
	lost    []losses      // as the ring has them now
	told    []losses      // as the last statistics of a file told
	gapped  uint64        // of lost, how many stand in a gap
	gap     Gap           // that waits for a file to be noted in
	gapTold time.Duration // boot time at which the log told of it
	looks   int
	reserve int64 // bytes that must be free

	offsets []gnssOffset // that wait for a file

	elapsed  time.Duration
	syncedAt time.Duration
	endedAt  time.Duration // boot time at which the last file was ended
	askedAt  time.Duration
	asked    bool
	paused   bool
	unsynced bool // a sync failed: what the disk keeps is not known

	ended []int64 // files that are complete, for the keeper

	s    Stats
	seen atomic.Pointer[Stats]
}

// step is one beat, elapsed after the first: it writes what waits, and syncs and rotates when it is time.
func (w *writer) step(elapsed time.Duration) {
	w.elapsed = elapsed
	err := w.work()
	w.report(err)
}

func (w *writer) work() error {
	now := w.o.Clock.Sample()
	w.look(now)
	if w.paused {
		return w.end()
	}
	if w.out != nil && w.turnDue(now) {
		if err := w.end(); err != nil {
			return err
		}
	}
	err := w.drain(now)
	// One beat earlier than the interval: a frame waits at most one beat for its write, and must not wait longer than the
	// interval for the disk.
	if w.out != nil && w.elapsed-w.syncedAt >= w.o.SyncEvery-w.o.WriteEvery {
		err = errors.Join(err, w.sync())
	}
	return err
}

// look asks once a second how much room there is, and notes the clock.
func (w *writer) look(now clock.Sample) {
	if w.asked && w.elapsed-w.askedAt < askClock {
		return
	}
	w.asked, w.askedAt = true, w.elapsed
	free, total, err := w.o.disk.room()
	w.reserve = w.o.reserve(total)
	switch {
	case err != nil: // then writing itself will tell
	case !w.paused && free < w.reserve:
		w.paused = true
	case w.paused && free >= w.reserve+w.reserve/4: // apart, so that it does not go on and off
		w.paused = false
	}
	w.losses(now)
	if w.looks++; w.looks%counterEvery == 0 && w.out != nil {
		w.counters(now)
	}
}

// losses takes over what the ring counted, and writes the clock and gaps into the index.
func (w *writer) losses(now clock.Sample) {
	since, until, offsets := w.ring.take(w.lost)
	full := uint64(0)
	for _, l := range w.lost {
		full += l.ring
	}
	lasts := full > w.gapped
	if lasts {
		gap := &w.gap
		begins := gap.Frames == 0
		if begins {
			gap.From = since
			w.s.Gaps++
		}
		gap.To = until
		gap.Frames += int64(full - w.gapped)
		w.gapped = full
		w.lately(*gap)
		if begins || now.Boot-w.gapTold >= gapEvery {
			w.gapTold = now.Boot
			w.o.Log.Warn("frames were not recorded",
				slog.Int64("frames", gap.Frames), slog.Duration("from", gap.From), slog.Duration("to", gap.To), slog.String("why", w.s.State))
		}
	}
	w.offsets = append(w.offsets, offsets...)
	w.offsets = w.offsets[max(0, len(w.offsets)-maxOffsets):]
	if w.out == nil {
		return
	}
	if !lasts {
		w.noteGap()
	}
	for _, o := range w.offsets {
		w.out.ipend = appendClock(w.out.ipend, &ClockMark{Boot: o.at, GNSS: o.offset, GNSSQuality: o.quality})
	}
	w.offsets = w.offsets[:0]
	w.out.ipend = appendClock(w.out.ipend, &ClockMark{Boot: now.Boot, Wall: now.UTC, Quality: now.Quality})
}

// lately keeps a gap for people; one that goes on takes the place of what was known of it. Whoever has the list already
// keeps it as it was.
func (w *writer) lately(g Gap) {
	known := w.s.Lately
	if n := len(known); n > 0 && known[n-1].From == g.From {
		known = known[:n-1]
	}
	w.s.Lately = append(slices.Clone(known[max(0, len(known)-maxNotes+1):]), g)
}

// noteGap writes a gap that is over into the index.
func (w *writer) noteGap() {
	if w.gap.Frames > 0 {
		w.out.ipend = appendGap(w.out.ipend, &w.gap)
		w.gap = Gap{}
	}
}

// turnDue tells whether the present file is long enough, old enough, or of another clock.
func (w *writer) turnDue(now clock.Sample) bool {
	out := w.out
	step := offsetOf(now) - offsetOf(out.opened)
	return w.unsynced || out.size >= w.o.RotateBytes || now.Boot-out.opened.Boot >= w.o.RotateEvery ||
		step >= clock.StepThreshold || step <= -clock.StepThreshold
}

// offsetOf is wall time minus boot time; 0 where there is no wall clock.
func offsetOf(s clock.Sample) time.Duration {
	if s.UTC.IsZero() {
		return 0
	}
	return time.Duration(s.UTC.UnixNano()) - s.Boot
}

// drain writes what waits in pieces of 64 KiB.
func (w *writer) drain(now clock.Sample) error {
	for {
		batch := w.ring.waiting(pieceSize)
		if len(batch) == 0 {
			return nil
		}
		if w.out == nil {
			if err := w.begin(now); err != nil {
				return err
			}
		}
		w.buf = w.buf[:0]
		for i := range batch {
			p := batch[i]
			capture.PutPacketTime(&p, max(0, capture.PacketTime(&p)+int64(w.out.offset)))
			w.buf = append(w.buf, p[:]...)
		}
		if err := w.write(w.buf, batch); err != nil {
			return err
		}
		w.count(batch)
		w.ring.free(len(batch))
		w.s.Written += int64(len(batch))
	}
}

// flush writes and syncs what waits.
func (w *writer) flush() error {
	w.asked = false
	err := w.work()
	if err == nil && w.out != nil {
		err = w.sync()
	}
	w.report(err)
	return err
}

// report says how it went, and logs a change once.
func (w *writer) report(err error) {
	switch {
	case w.paused:
		w.say(fmt.Sprintf("not recording frames: less than %d MB of the disk are free, and they are kept for the alarms; free some space", w.reserve>>20), err)
	case errors.Is(err, syscall.ENOSPC):
		w.say("not recording frames: the disk is full; what was recorded is kept, and recording goes on when there is room", err)
	case err != nil:
		w.say("not recording frames: the disk does not take them; it is tried again", err)
	default:
		w.say("recording", nil)
	}
}

func (w *writer) say(state string, err error) {
	if state != w.s.State && w.s.State != "" {
		if state == "recording" {
			w.o.Log.Info("recording frames again", slog.String("boot", w.o.Boot))
		} else {
			w.o.Log.Error("frames are not recorded", slog.String("why", state), slog.Any("error", err))
		}
	}
	w.s.State, w.s.Err = state, err
	w.s.File, w.s.Bytes = "", 0
	if w.out != nil {
		w.s.File, w.s.Bytes = w.out.name, w.out.size
	}
	s := w.s
	w.seen.Store(&s)
}

// note keeps a sentence for people.
func (w *writer) note(words string) {
	if len(w.s.Notes) < maxNotes && !slices.Contains(w.s.Notes, words) {
		w.s.Notes = append(slices.Clip(w.s.Notes), words)
	}
}

// takeEnded returns the files that were completed since it was last asked.
func (w *writer) takeEnded() []int64 {
	e := w.ended
	w.ended = nil
	return e
}
