// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"time"

	"airhold/bus/capture"
	"airhold/firmware/clock"
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
