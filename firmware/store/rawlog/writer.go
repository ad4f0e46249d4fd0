// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
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
)

// linkCounts are what the present file holds of one link.
type linkCounts struct {
	frames, errors    uint64
	transmit, receive uint8
}

// output is the file being written.
type output struct {
	name   string
	f      file
	size   int64
	synced int64 // of size
	opened clock.Sample
	offset time.Duration // added to boot times
	since  time.Duration // boot time from which on the statistics count

	index   file // nil: it could not be made
	isize   int64
	ipend   []byte // records that wait
	isyncAt time.Duration

	chunk  Chunk // being filled
	frames int64
}

// writer owns the files. Log's lock makes it one goroutine's at a time.
type writer struct {
	o    *Options
	ring *ring
	seq  int64

	out     *output
	buf     []byte // one piece, with wall times
	counts  []linkCounts
	lost    []losses // as the ring has them now
	told    []losses // as the last statistics of a file told
	gapped  uint64   // of lost, how many stand in a gap
	gap     Gap      // that waits for a file to be noted in
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
		if gap.Frames == 0 {
			gap.From = since
			w.s.Gaps++
		}
		gap.To = until
		gap.Frames += int64(full - w.gapped)
		w.gapped = full
		w.o.Log.Warn("frames were not recorded",
			slog.Int64("frames", gap.Frames), slog.Duration("from", gap.From), slog.Duration("to", gap.To), slog.String("why", w.s.State))
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

// begin makes the next file, with its header, kept by the disk together with its name.
func (w *writer) begin(now clock.Sample) error {
	w.seq++
	name := fileName(w.o.Boot, w.seq, plainEnd)
	f, err := w.o.disk.create(name)
	if err != nil {
		w.seq--
		return err
	}
	out := &output{name: name, f: f, opened: now, since: now.Boot, isyncAt: w.elapsed}
	if w.endedAt > 0 {
		out.since = w.endedAt // so that no loss is between two files
	}
	out.offset = max(0, offsetOf(now)) // a clock that was never set may lag behind the boot clock by some milliseconds
	links := make([]string, len(w.o.Links))
	for i, l := range w.o.Links {
		links[i] = l.Name
	}
	head := capture.AppendSection(nil, capture.Section{
		Software: w.o.Software, Booted: true, BootOffset: out.offset,
		Comments: []string{
			"boot: " + w.o.Boot, fmt.Sprintf("file: %d", w.seq), "clock: " + now.Quality.String(), "machine file sha256: " + w.o.Machine,
		},
	}, w.o.Links)
	w.out = out
	err = w.write(head, nil)
	if err == nil && !w.o.NoSync {
		err = out.f.Sync()
	}
	if err == nil {
		w.beginIndex(&Begin{
			Boot: w.o.Boot, Number: w.o.Number, Seq: w.seq, Offset: out.offset, Software: w.o.Software, Machine: w.o.Machine, Links: links,
		}, now)
	}
	if err == nil && !w.o.NoSync {
		err = w.o.disk.settle()
	}
	if err != nil {
		w.out = nil
		rerr := errors.Join(f.Close(), w.o.disk.remove(name))
		if out.index != nil {
			rerr = errors.Join(rerr, out.index.Close(), w.o.disk.remove(fileName(w.o.Boot, w.seq, indexEnd)))
		}
		if rerr != nil {
			return errors.Join(err, rerr) // its name is not used again
		}
		w.seq--
		return err
	}
	out.synced = out.size
	w.s.Files++
	clear(w.counts)
	return nil
}

// beginIndex makes the index. Without one the frames are recorded all the same.
func (w *writer) beginIndex(b *Begin, now clock.Sample) {
	f, err := w.o.disk.create(fileName(w.o.Boot, w.seq, indexEnd))
	if err != nil {
		w.note(fmt.Sprintf("%s has no index: %v", w.out.name, err))
		return
	}
	w.out.index = f
	w.out.ipend = appendClock(appendBegin(nil, b), &ClockMark{Boot: now.Boot, Wall: now.UTC, Quality: now.Quality})
	w.writeIndex()
	if !w.o.NoSync {
		w.noteIndex(f.Sync())
	}
}

// write puts bytes behind the file and keeps the running check sum; they are the blocks of batch, where there is one.
// After an error the file ends where it ended before.
func (w *writer) write(p []byte, batch []packet) error {
	out := w.out
	if _, err := out.f.WriteAt(p, out.size); err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", out.name, err), out.f.Truncate(out.size))
	}
	out.size += int64(len(p))
	for done := 0; len(p) > 0; {
		c := &out.chunk
		n := min(int64(len(p)), chunkSize-c.Length)
		c.CRC32C = crc32.Update(c.CRC32C, castagnoli(), p[:n])
		c.Length += n
		p = p[n:]
		for whole := len(batch) - (len(p)+capture.PacketSize-1)/capture.PacketSize; done < whole; done++ {
			boot := time.Duration(capture.PacketTime(&batch[done]))
			if c.Frames == 0 || boot < c.First {
				c.First = boot
			}
			c.Last = max(c.Last, boot)
			c.Frames++
		}
		if c.Length == chunkSize {
			out.ipend = appendChunk(out.ipend, c)
			out.chunk = Chunk{Offset: c.Offset + chunkSize}
		}
	}
	return nil
}

// count adds the frames of a batch that was written.
func (w *writer) count(batch []packet) {
	for i := range batch {
		p := &batch[i]
		c := &w.counts[capture.PacketLink(p)]
		c.frames++
		if id := binary.BigEndian.Uint32(p[28:]); id&flagError != 0 {
			c.errors++
			if id&(errorCounter|errorCount) != 0 {
				c.transmit, c.receive = p[36+6], p[36+7]
			}
		}
	}
	w.out.frames += int64(len(batch))
}

// sync makes the disk keep what was written.
func (w *writer) sync() error {
	out := w.out
	w.syncedAt = w.elapsed
	w.writeIndex()
	if w.o.NoSync || out.synced == out.size {
		return nil
	}
	written := w.s.Written
	if err := out.f.Sync(); err != nil {
		// What a failed sync has kept nobody knows, and the next one may say "fine" without it: the file is left as it is.
		w.unsynced = true
		return fmt.Errorf("sync %s: %w", out.name, err)
	}
	out.synced = out.size
	w.s.Synced = written
	if out.index != nil && w.elapsed-out.isyncAt >= indexSync {
		out.isyncAt = w.elapsed
		w.noteIndex(out.index.Sync())
	}
	return nil
}

// writeIndex appends the records that wait. An index that cannot be written waits for the next time, up to a bound.
func (w *writer) writeIndex() {
	out := w.out
	if out.index == nil || len(out.ipend) == 0 {
		out.ipend = out.ipend[:0]
		return
	}
	if _, err := out.index.WriteAt(out.ipend, out.isize); err != nil {
		w.noteIndex(errors.Join(err, out.index.Truncate(out.isize)))
		if len(out.ipend) > chunkSize {
			out.ipend = out.ipend[:0]
		}
		return
	}
	out.isize += int64(len(out.ipend))
	out.ipend = out.ipend[:0]
}

func (w *writer) noteIndex(err error) {
	if err != nil {
		w.note(fmt.Sprintf("the index of %s is not complete: %v", w.out.name, err))
	}
}

// end closes the file with the statistics of its links. Nothing to do where there is none.
func (w *writer) end() error {
	out := w.out
	if out == nil {
		return nil
	}
	now := w.o.Clock.Sample()
	w.losses(now)
	w.noteGap()
	w.counters(now)
	err := w.statistics(now)
	switch {
	case w.o.NoSync:
	case w.unsynced:
		err = errors.Join(err, errUnsynced)
	default:
		serr := out.f.Sync() // also where the statistics found no room: the frames before them did
		if serr == nil {
			w.s.Synced = w.s.Written
		}
		err = errors.Join(err, serr)
	}
	if out.chunk.Length > 0 {
		out.ipend = appendChunk(out.ipend, &out.chunk)
	}
	if err == nil {
		out.ipend = appendEnd(out.ipend, &End{Bytes: out.size, Frames: out.frames, At: now.Boot})
	}
	w.writeIndex()
	if out.index != nil {
		if !w.o.NoSync {
			w.noteIndex(out.index.Sync())
		}
		w.noteIndex(out.index.Close())
	}
	w.ended = append(w.ended, w.seq)
	w.out, w.unsynced = nil, false
	w.syncedAt, w.endedAt = w.elapsed, now.Boot
	return errors.Join(err, out.f.Close())
}

// errUnsynced is for a file that was left after a sync had failed.
var errUnsynced = errors.New("the disk refused to keep the end of a file; the next one is begun")

// statistics appends the counts of each link to the file.
func (w *writer) statistics(now clock.Sample) error {
	out := w.out
	var b []byte
	for i := range w.counts {
		c, lost := &w.counts[i], w.lost[i]
		full, kernel := lost.ring-w.told[i].ring, lost.kernel-w.told[i].kernel
		words := ""
		if full+kernel > 0 {
			words = fmt.Sprintf("%d frames of this link were heard and are not in this file: %d because the disk did not take them, %d because the system dropped them", full+kernel, full, kernel)
		}
		b = capture.AppendStatistics(b, uint16(i), capture.Statistics{
			Start: int64(out.since + out.offset), At: int64(max(out.since, now.Boot) + out.offset),
			Received: c.frames + full + kernel, Dropped: full + kernel, OSDropped: kernel, Recorded: c.frames,
		}, words)
	}
	if err := w.write(b, nil); err != nil {
		return err
	}
	copy(w.told, w.lost)
	return nil
}

// counters notes the counts of each link in the index.
func (w *writer) counters(now clock.Sample) {
	for i := range w.counts {
		c, lost := &w.counts[i], w.lost[i]
		w.out.ipend = appendCounters(w.out.ipend, &Counters{
			At: now.Boot, Link: uint16(i), Recorded: c.frames, Full: lost.ring, Kernel: lost.kernel,
			Errors: c.errors, Transmit: c.transmit, Receive: c.receive,
		})
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
