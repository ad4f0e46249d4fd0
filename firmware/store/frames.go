// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"errors"
	"fmt"
	"syscall"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
	"airhold/firmware/store/rawlog"
)

// Tap records the raw frames of the present boot beside its log: boot-<id>-0001.pcapng and so on, as rawlog does it.
type Tap struct {
	log *rawlog.Log
}

// Frames begins the recording of raw frames for links, whose order is that of Frame.Link. A boot must have been started,
// and Run must not. What earlier boots left torn is repaired, and Notes says so.
func (s *Store) Frames(links []string) (*Tap, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.boot == nil {
		return nil, errors.New("recording of frames: no boot was started")
	}
	o := rawlog.Options{
		Boot: s.rec.id, Number: s.rec.number, Software: s.rec.software, Machine: s.rec.machine, Clock: rawClock{s}, Log: s.log,
		SyncEvery: s.o.Raw.SyncEvery, FullAt: s.o.Raw.FullAt, Reserve: s.o.Raw.Reserve, Alarmed: s.HadAlarms,
	}
	for _, l := range links {
		o.Links = append(o.Links, capture.LinkInfo{Name: l})
	}
	log, err := rawlog.Open(s.dir, o)
	if err != nil {
		return nil, err
	}
	s.notes = append(s.notes, log.Stats().Notes...)
	t := &Tap{log}
	s.mu.Lock()
	s.taps = append(s.taps, t)
	s.mu.Unlock()
	return t, nil
}

// rawClock is the store's clock; without one there is no wall time.
type rawClock struct{ s *Store }

func (c rawClock) Sample() clock.Sample { return c.s.sample() }

// Write queues one frame. It never waits for the disk; while the queue is full, the newest frames are dropped and
// counted in Health. It may be called from several goroutines.
func (t *Tap) Write(f *bus.Frame) { t.log.Frame(f) }

// Dropped tells how many frames of a link the kernel has dropped so far: the recording says so.
func (t *Tap) Dropped(link uint16, total uint64) { t.log.Dropped(link, total) }

// Offset notes what GNSS or bus time says at a boot time: offset is UTC minus boot time.
func (t *Tap) Offset(at, offset time.Duration, q clock.Quality) { t.log.Offset(at, offset, q) }

// HadAlarms tells whether the journal knows of alarms in a boot. Where it cannot be asked, the answer is yes: the boot's
// files are then kept longer.
func (s *Store) HadAlarms(boot string) bool {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.done {
		return true
	}
	var n int64
	err := s.box.conn.QueryRowContext(context.Background(), "SELECT EXISTS (SELECT 1 FROM journal WHERE boot_id = ? AND kind = 'alarm')", boot).Scan(&n)
	return err != nil || n != 0
}

// rawLogs returns the logs of raw frames.
func (s *Store) rawLogs() []*rawlog.Log {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]*rawlog.Log, 0, len(s.taps))
	for _, t := range s.taps {
		out = append(out, t.log)
	}
	return out
}

// flushFrames writes what waits of raw frames, and makes the disk keep it.
func (s *Store) flushFrames() error {
	var err error
	for _, l := range s.rawLogs() {
		err = errors.Join(err, fullDisk(l.Flush()))
	}
	return err
}

// closeFrames ends the files of raw frames.
func (s *Store) closeFrames() error {
	var err error
	for _, l := range s.rawLogs() {
		err = errors.Join(err, fullDisk(l.Close()))
	}
	return err
}

// fullDisk says of a full disk what the rest of the store says.
func fullDisk(err error) error {
	if errors.Is(err, syscall.ENOSPC) {
		return fmt.Errorf("raw frames: free some space (%w: %w)", ErrDiskFull, err)
	}
	return err
}

// health adds how the recording of raw frames does.
func (h *Health) health(logs []*rawlog.Log) {
	for _, l := range logs {
		r := l.Stats()
		h.Raw = append(h.Raw, r)
		h.Frames += r.Dropped + r.Refused
		if h.Err == nil && r.Err != nil {
			h.Err = fullDisk(fmt.Errorf("%s (%w)", r.State, r.Err))
		}
	}
}
