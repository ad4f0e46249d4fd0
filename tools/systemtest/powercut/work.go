// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/rawlog"
)

// Counts says how far each kind of record is: records 0 to n-1.
type Counts struct {
	Frames  int // raw frames
	Entries int // of the boot's log
	Learned int // the value of a counter among what the box has learned
	Boots   int // boots whose log was begun
}

// Beat is what the recorder's work has come to at one moment.
type Beat struct {
	At      time.Duration // since the work began
	Writes  int           // of the disk, read after the rest
	Offered Counts        // given to the recorder
	Synced  Counts        // said to be on the medium for certain
	Took    time.Duration // the longest commit so far
}

// Options of the work. The zero value is what the box does.
type Options struct {
	Every   time.Duration // between two commits, 1 s
	Rotate  int64         // bytes after which a new file of frames is begun, 64 MiB; the old one is sealed
	Frames  time.Duration // between two frames, 500 µs
	Entries time.Duration // between two entries of the log, 10 ms
}

func (o Options) withDefaults() Options {
	set := func(d *time.Duration, to time.Duration) {
		if *d == 0 {
			*d = to
		}
	}
	set(&o.Every, time.Second)
	set(&o.Frames, 500*time.Microsecond)
	set(&o.Entries, 10*time.Millisecond)
	return o
}

// firstBoot and secondBoot are the ids of the boot that is cut and of the one after it.
const (
	firstBoot  = "cut-1"
	secondBoot = "cut-2"
)

// counter is the name of the learned value that counts commits.
const counter = "powercut.counter"

// links are the CAN links.
func links() []capture.LinkInfo { return []capture.LinkInfo{{Name: "can0"}, {Name: "can1"}} }

// reserve is what the recorder of frames must leave free; the trial's disk is smaller than the box's.
const reserve = 1 << 20

// began is the invented wall time of frame 0.
func began() time.Time { return time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC) }

// frame returns raw frame k of a boot: its number and a checksum over number and boot are the data, so that none can be
// taken for another.
func frame(boot string, k int, o Options) bus.Frame {
	var f bus.Frame
	f.Frame = can.Frame{ID: 0x18f00000 | uint32(k)&0xffff, Length: 8, IsExtended: true} //nolint:gosec // the low half
	binary.LittleEndian.PutUint32(f.Data[:], uint32(k))                                 //nolint:gosec // not negative, far under 2^32
	binary.LittleEndian.PutUint32(f.Data[4:], mark(boot, k))
	f.Boot = time.Duration(k) * o.Frames
	f.UTC = began().Add(f.Boot)
	f.Link = uint16(k % len(links())) //nolint:gosec // 0 or 1
	return f
}

// mark is a checksum of a record's number.
func mark(boot string, k int) uint32 {
	return crc32.Checksum(strconv.AppendInt([]byte(boot), int64(k), 10), crc32.MakeTable(crc32.Castagnoli))
}

// entry returns entry k of a boot's log: now and then a tick, otherwise a reading with a number of its own.
func entry(boot string, k int, o Options) store.Entry {
	at := time.Duration(k) * o.Entries
	if k%10 == 9 {
		return store.Entry{Kind: store.IsTick, At: at}
	}
	return store.Entry{Kind: store.IsReading, At: at, Reading: readings.Reading{
		At: at, Channel: readings.Channel(k % 2), Value: float64(k), Volts: float64(mark(boot, k)), Raw: int32(k), //nolint:gosec // 0 or 1, far under 2^31
	}}
}

func table() *readings.Table {
	return readings.NewTable([]readings.Info{{ID: "tank", Source: "invented"}, {ID: "front", Source: "invented"}})
}

// startFrames opens the recorder of frames for a boot whose clock shows what the frames' times show.
func startFrames(dir, boot string, o Options, now func() time.Duration) (*rawlog.Log, error) {
	return rawlog.Open(dir, rawlog.Options{
		Boot: boot, Links: links(), Clock: boxClock(now), Software: "powercut",
		SyncEvery: o.Every, RotateBytes: o.Rotate, Reserve: reserve,
	})
}

// boxClock is a clock whose wall time began at a known moment.
type boxClock func() time.Duration

// Sample is part of rawlog.Clock.
func (c boxClock) Sample() clock.Sample {
	boot := c()
	return clock.Sample{Boot: boot, UTC: began().Add(boot), Quality: clock.Good}
}

// Work is a boot of the box as far as the disk can tell: frames and readings come all the time, and once every interval
// the recorder of frames syncs and the store commits. It goes on until ctx ends and then closes in order. written says how many writes the disk has
// seen; tell is called with each beat, one at a time.
func Work(ctx context.Context, dir string, o Options, written func() (int, error), tell func(Beat) error) error {
	w := &work{o: o.withDefaults(), begun: time.Now(), written: written, tell: tell}
	err := w.startLog(dir)
	if err != nil {
		return err
	}
	offering, enough := context.WithCancel(ctx)
	keeping, stop := context.WithCancel(context.WithoutCancel(ctx)) // what keeps the records ends after what gives them
	var commits, recording error
	var wg sync.WaitGroup
	wg.Go(func() {
		defer enough()
		recording = w.raw.Run(keeping)
	})
	wg.Go(func() {
		defer enough()
		commits = w.commits(keeping)
	})
	err = w.offer(offering)
	enough()
	stop()
	wg.Wait()
	if err = errors.Join(err, commits, recording, w.st.Close()); err != nil {
		return err
	}
	w.mu.Lock()
	w.synced.Entries = int(w.entries.Load())
	w.mu.Unlock()
	return w.beat()
}

type work struct {
	o       Options
	st      *store.Store
	raw     *rawlog.Log
	begun   time.Time
	written func() (int, error)

	frames, entries, learned atomic.Int64

	mu     sync.Mutex // guards the rest
	synced Counts
	took   time.Duration
	tell   func(Beat) error
}

// startLog opens the store and begins the boot that is cut.
func (w *work) startLog(dir string) error {
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		return err
	}
	if err := st.StartBoot(store.Snapshot{Boot: firstBoot, Software: "powercut"}, table()); err != nil {
		return errors.Join(err, st.Close())
	}
	w.synced.Boots = 1
	now := func() time.Duration { return time.Since(w.begun) }
	if w.raw, err = startFrames(dir, firstBoot, w.o, now); err != nil {
		return errors.Join(err, st.Close())
	}
	w.st = st
	return nil
}

// step is how often the work looks at its watch.
const step = 2 * time.Millisecond

// offer gives the recorder what is due.
func (w *work) offer(ctx context.Context) error {
	tick := time.NewTicker(step)
	defer tick.Stop()
	for {
		now := time.Since(w.begun)
		for k := int(w.frames.Load()); time.Duration(k)*w.o.Frames <= now; k++ {
			f := frame(firstBoot, k, w.o)
			w.raw.Frame(&f)
			w.frames.Store(int64(k + 1))
		}
		for k := int(w.entries.Load()); time.Duration(k)*w.o.Entries <= now; k++ {
			w.st.Append(entry(firstBoot, k, w.o))
			w.entries.Store(int64(k + 1))
		}
		if err := w.beat(); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// commits commits every interval.
func (w *work) commits(ctx context.Context) error {
	tick := time.NewTicker(w.o.Every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		w.st.KeepLearned(counter, []byte(strconv.FormatInt(w.learned.Add(1), 10)))
		sure := w.offered()
		begun := time.Now()
		if err := w.st.Commit(); err != nil {
			return fmt.Errorf("commit: %w", err)
		}
		w.mu.Lock()
		w.synced.Entries, w.synced.Learned = sure.Entries, sure.Learned
		w.took = max(w.took, time.Since(begun))
		w.mu.Unlock()
		if err := w.beat(); err != nil {
			return err
		}
	}
}

func (w *work) offered() Counts {
	return Counts{Frames: int(w.frames.Load()), Entries: int(w.entries.Load()), Learned: int(w.learned.Load()), Boots: 1}
}

// beat tells how far the work is. The number of writes is read last: what was offered or synced before them is in.
func (w *work) beat() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.synced.Frames = int(w.raw.Stats().Synced)
	b := Beat{At: time.Since(w.begun), Offered: w.offered(), Synced: w.synced, Took: w.took}
	var err error
	if b.Writes, err = w.written(); err != nil {
		return err
	}
	return w.tell(b)
}
