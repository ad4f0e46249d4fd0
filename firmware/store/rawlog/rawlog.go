// SPDX-License-Identifier: Apache-2.0

// Package rawlog records every frame of a boot, as it was heard, through power cuts and full disks.
//
// Words: a log is all raw frames of one boot; a file is one piece of it, boot-<id>-0001.pcapng and so on, begun anew after
// 64 MiB, 15 minutes or a step of the wall clock; its index is the .idx file beside it; a file is sealed when it has become
// boot-<id>-0001.pcapng.zst, was compared with the plain file byte for byte, and the plain file is gone; a gap is a time in
// which frames were heard and not recorded.
//
// Frame only puts a frame into a ring in memory. One goroutine (Run) takes from there and writes every 100 ms or 64 KiB,
// and makes the disk keep it once a second, so that a power cut costs a second at most. It never appends to a file of an
// earlier start: what a power cut tore is cut back to its last whole block, and a new file is begun. Time stamps are the
// boot clock plus an offset that is fixed for each file and written in it: a wall clock that jumps begins a new file and
// moves nothing that was recorded.
//
// When the disk is 85 % full the oldest sealed files go, those of boots with alarms last; when it is nearly full the
// recording of frames stops by itself, so that the alarms still have room. Every frame that was heard and not recorded is
// counted and said.
//
// Sources: the pcapng draft (see bus/capture); CRC32C as in RFC 3720 appendix B.4; the figures of ring and rates: four
// links of 500 kbit/s carry at most 15,268 extended frames of eight bytes a second (ISO 11898-1: 131 bits a frame).
package rawlog

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
)

// Clock gives pairs of boot and wall time. Only Sample of clock.Clock is needed.
type Clock interface {
	Sample() clock.Sample
}

// Options are the settings of a Log. Zero values stand for the defaults named.
type Options struct {
	Boot     string             // id of the boot, for the files' names; needed
	Number   int64              // boots count up, so that they have an order without a clock
	Links    []capture.LinkInfo // in the order of Frame.Link; needed
	Clock    Clock              // needed
	Software string             // program and version
	Machine  string             // SHA-256 of the machine file
	Log      *slog.Logger       // nil: silent

	Ring        int           // frames that may wait for the disk, 98,304: more than 6 s at 15,300 frames/s, 4.5 MiB
	WriteEvery  time.Duration // 100 ms
	SyncEvery   time.Duration // 1 s; from 0.2 to 10 s: what a power cut may cost
	RotateBytes int64         // 64 MiB
	RotateEvery time.Duration // 15 min

	FullAt  float64 // of the disk: above, sealed files are deleted, 0.85
	Reserve int64   // bytes that are left free for the rest of the box: below, recording stops; 5 % of the disk, at most 256 MiB
	// Alarmed tells whether a boot had alarms, whose files are kept longest. It is called from the goroutine of Run; nil:
	// none had.
	Alarmed func(boot string) bool

	// NoSync leaves it to the system when the disk keeps what was written. It is for the test that must show what the
	// syncs are worth, and for nothing else: no machine file can set it.
	NoSync bool

	disk disk // nil: the folder
}

const (
	defaultRing = 98_304
	mostReserve = 256 << 20
	syncLeast   = 200 * time.Millisecond
	syncMost    = 10 * time.Second
)

// complete checks the options and fills in the defaults.
func (o *Options) complete() error {
	switch {
	case !bootID(o.Boot):
		return fmt.Errorf("boot id %q: only small letters, digits and '-' can stand in a file name", o.Boot)
	case len(o.Links) == 0:
		return errors.New("recording of frames: no link is named")
	case o.Clock == nil:
		return errors.New("recording of frames: it needs a clock")
	case o.SyncEvery != 0 && (o.SyncEvery < syncLeast || o.SyncEvery > syncMost):
		return fmt.Errorf("recording of frames: a sync every %v; allowed are 0.2 s to 10 s", o.SyncEvery)
	case o.FullAt < 0 || o.FullAt > 1:
		return fmt.Errorf("recording of frames: files are deleted at %g %% of the disk; allowed are 0 to 100 %%", o.FullAt*100)
	}
	or := func(v *time.Duration, d time.Duration) {
		if *v <= 0 {
			*v = d
		}
	}
	or(&o.WriteEvery, 100*time.Millisecond)
	or(&o.SyncEvery, time.Second)
	or(&o.RotateEvery, 15*time.Minute)
	if o.Ring <= 0 {
		o.Ring = defaultRing
	}
	if o.RotateBytes <= 0 {
		o.RotateBytes = 64 << 20
	}
	if o.FullAt == 0 {
		o.FullAt = 0.85
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return nil
}

// reserve is how many bytes of a disk of this size are left free.
func (o *Options) reserve(total int64) int64 {
	if o.Reserve > 0 {
		return o.Reserve
	}
	return min(total/20, mostReserve)
}

// Log is the recorder of one boot. Frame, Dropped, Offset and Stats may be called from any goroutine.
type Log struct {
	dir  string
	o    Options
	ring *ring

	mu     sync.Mutex // one writer at a time: Run, Flush and Close
	writer writer
	keeper keeper
}

// Open repairs what an earlier start left torn in the folder, and prepares the log of this boot. The first file is begun
// with the first frame. Notes in Stats say what was repaired.
func Open(dir string, o Options) (*Log, error) {
	if err := o.complete(); err != nil {
		return nil, err
	}
	if o.disk == nil {
		o.disk = folder(dir)
	}
	l := &Log{dir: dir, o: o, ring: newRing(o.Ring, len(o.Links))}
	notes, err := repairAll(dir)
	if err != nil {
		return nil, err
	}
	seq, err := lastNumber(dir, o.Boot)
	if err != nil {
		return nil, err
	}
	links := len(o.Links)
	l.writer = writer{o: &l.o, ring: l.ring, seq: seq, counts: make([]linkCounts, links), lost: make([]losses, links), told: make([]losses, links)}
	l.keeper = keeper{dir: dir, o: &l.o, wake: make(chan struct{}, 1), compare: verify}
	for _, n := range notes {
		l.writer.note(n)
		o.Log.Warn("torn recording repaired", slog.String("note", n))
	}
	l.writer.say("recording", nil)
	return l, nil
}

// Frame queues one frame. It copies f and waits for nothing but another Frame. While the ring is full the newest frames
// are dropped and counted.
func (l *Log) Frame(f *bus.Frame) { l.ring.put(f) }

// Dropped tells how many frames of a link the kernel has dropped so far in this boot.
func (l *Log) Dropped(link uint16, total uint64) { l.ring.osDrops(link, total) }

// Offset notes how far GNSS or bus time is from the boot clock: offset is UTC minus boot time, in nanoseconds.
func (l *Log) Offset(at time.Duration, offset time.Duration, quality clock.Quality) {
	l.ring.gnss(gnssOffset{at: at, offset: offset, quality: quality})
}

// Run writes until ctx ends; then it writes what is left and ends the file. A full or broken disk does not end it.
func (l *Log) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { l.keeper.run(ctx) })
	beat := time.NewTicker(l.o.WriteEvery) //nolint:forbidigo // when to write is the disk's time, not the box's
	defer beat.Stop()
	start := time.Now() //nolint:forbidigo // as above
	for {
		select {
		case <-beat.C:
		case <-l.ring.wake:
		case <-ctx.Done():
			return l.Close()
		}
		l.mu.Lock()
		l.writer.step(time.Since(start)) //nolint:forbidigo // as above
		ended := l.writer.takeEnded()
		l.mu.Unlock()
		l.keeper.add(ended)
	}
}

// Flush writes what waits and makes the disk keep it. The error says why it could not; what waits is kept.
func (l *Log) Flush() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.writer.flush()
}

// Close flushes and ends the file. It may be called again.
func (l *Log) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return errors.Join(l.writer.flush(), l.writer.end())
}

// Seal seals every file that is complete, at once, and keeps the disk's budget. Run does both by itself.
func (l *Log) Seal(ctx context.Context) error {
	l.mu.Lock()
	ended := l.writer.takeEnded()
	l.mu.Unlock()
	l.keeper.add(ended)
	return l.keeper.turn(ctx)
}

// Stats is how the recording does.
type Stats struct {
	State   string   // in words: recording, or why not
	Err     error    // why the last write failed; nil while all is well
	Notes   []string // what opening and sealing had to put right, at most 100 sentences
	File    string   // the file being written; empty: none yet
	Bytes   int64    // in this file
	Files   int64    // begun in this boot
	Written int64    // frames handed to the system in this boot
	Synced  int64    // of these, how many the disk keeps
	Dropped int64    // frames that found the ring full
	Refused int64    // frames that could not be written down, of a link nobody named
	Kernel  int64    // frames that the kernel dropped before they came here
	Gaps    int64    // times in which frames were dropped
	Lately  []Gap    // the last hundred of them
	Waiting int      // frames in the ring
	Sealed  int64    // files sealed by this start
	Deleted int64    // sealed files deleted for room
}

// Stats may be called from any goroutine; it waits for no disk.
func (l *Log) Stats() Stats {
	s := *l.writer.seen.Load()
	l.ring.stats(&s)
	l.keeper.stats(&s)
	return s
}

// bootID reports whether an id can stand in a file name as it is.
func bootID(id string) bool {
	for _, c := range id {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return id != "" && len(id) <= 64
}
