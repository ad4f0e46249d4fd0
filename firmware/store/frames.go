// SPDX-License-Identifier: Apache-2.0

package store

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"

	"airhold/bus"
	"airhold/bus/capture"
)

// Tap takes raw frames of the present boot and writes them to boot-<id>.pcapng beside its log, once a second, in one
// piece: a power cut loses the last second, and a file that was cut is still a capture up to there.
type Tap struct {
	dropped atomic.Int64

	mu    sync.Mutex
	queue []bus.Frame
	spare []bus.Frame

	out  *os.File // the rest belongs to the writer
	buf  bytes.Buffer
	pcap *capture.PcapngWriter
	size int64
}

// tapQueue is how many frames may wait: more than four seconds of a full 250 kbit/s bus on two links.
const tapQueue = 1 << 14

// Frames begins the capture of raw frames for links, whose order is that of Frame.Link. A boot must have been
// started.
func (s *Store) Frames(links []string) (*Tap, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.boot == nil {
		return nil, errors.New("capture of frames: no boot was started")
	}
	path := filepath.Join(s.dir, "boot-"+s.rec.id+".pcapng")
	out, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640) //nolint:gosec // the folder is the user's choice
	if err != nil {
		return nil, fmt.Errorf("capture of frames: %w", err)
	}
	t := &Tap{out: out, queue: make([]bus.Frame, 0, tapQueue), spare: make([]bus.Frame, 0, tapQueue)}
	if t.pcap, err = capture.NewPcapngWriter(&t.buf, links); err == nil {
		err = t.flush()
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("capture of frames: %w", err), out.Close())
	}
	s.mu.Lock()
	s.taps = append(s.taps, t)
	s.mu.Unlock()
	return t, nil
}

// Write queues one frame. It never waits for the disk; while the queue is full, the newest frames are dropped and
// counted in Health. It may be called from several goroutines.
func (t *Tap) Write(f *bus.Frame) {
	t.mu.Lock()
	full := len(t.queue) == cap(t.queue)
	if !full {
		t.queue = append(t.queue, *f)
	}
	t.mu.Unlock()
	if full {
		t.dropped.Add(1)
	}
}

func (s *Store) flushTaps() error {
	s.mu.Lock()
	taps := s.taps
	s.mu.Unlock()
	var err error
	for _, t := range taps {
		err = errors.Join(err, t.flush())
	}
	return err
}

// flush writes what waits. After an error of the disk the file ends where it ended before, and what was to be written
// is tried again; until then the queue takes what it can.
func (t *Tap) flush() error {
	if t.buf.Len() == 0 {
		t.mu.Lock()
		batch := t.queue
		t.queue, t.spare = t.spare[:0], nil
		t.mu.Unlock()
		for i := range batch {
			if err := t.pcap.Write(&batch[i]); err != nil {
				t.dropped.Add(1) // a frame that cannot be written down, of a link nobody named: the others can
			}
		}
		t.spare = batch[:0]
		if err := t.pcap.Flush(); err != nil {
			return err
		}
	}
	if t.buf.Len() == 0 {
		return nil
	}
	if _, err := t.out.WriteAt(t.buf.Bytes(), t.size); err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", t.out.Name(), err), t.out.Truncate(t.size))
	}
	t.size += int64(t.buf.Len())
	t.buf.Reset()
	if err := t.out.Sync(); err != nil {
		return fmt.Errorf("write %s: %w", t.out.Name(), err)
	}
	return nil
}
