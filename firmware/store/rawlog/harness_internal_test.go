// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
)

// hand is a clock that a test moves.
type hand struct {
	mu   sync.Mutex
	boot time.Duration
	wall time.Time // at boot time 0
}

func newHand() *hand { return &hand{wall: time.Date(2026, 4, 28, 6, 0, 0, 0, time.UTC)} }

func (h *hand) Sample() clock.Sample {
	h.mu.Lock()
	defer h.mu.Unlock()
	return clock.Sample{Boot: h.boot, UTC: h.wall.Add(h.boot), Quality: clock.Good}
}

func (h *hand) move(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.boot += d
}

func (h *hand) step(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.wall = h.wall.Add(d)
}

// numbered is frame n: its number is its data, so that any reader can tell whether a frame was ever recorded.
func numbered(n uint64, at time.Duration) *bus.Frame {
	f := &bus.Frame{Frame: can.Frame{ID: 0x18fef100, IsExtended: true, Length: 8}, Boot: at, Link: uint16(n % 4)}
	binary.LittleEndian.PutUint64(f.Data[:], n)
	return f
}

func fourLinks() []capture.LinkInfo {
	return []capture.LinkInfo{{Name: "can0", Description: "tractor bus"}, {Name: "can1"}, {Name: "can2"}, {Name: "can3"}}
}

func testOptions(h *hand) Options {
	return Options{Boot: "a", Number: 7, Links: fourLinks(), Clock: h, Software: "airhold test", Machine: "00ff", Reserve: 1 << 20, FullAt: 1}
}

func open(tb testing.TB, dir string, o Options) *Log {
	tb.Helper()
	l, err := Open(dir, o)
	if err != nil {
		tb.Fatal(err)
	}
	return l
}

// readBack reads all files of a boot, and fails on a place that is no whole block unless there may be holes.
func readBack(tb testing.TB, dir, boot string, holesAllowed bool) []bus.Frame {
	tb.Helper()
	files, err := Files(dir, boot)
	if err != nil {
		tb.Fatal(err)
	}
	var out []bus.Frame
	for _, f := range files {
		r, err := capture.Open(f.Path)
		if err != nil {
			tb.Fatal(err)
		}
		var fr bus.Frame
		for err = r.Next(&fr); err == nil; err = r.Next(&fr) {
			out = append(out, fr)
		}
		if !errors.Is(err, io.EOF) {
			tb.Fatal(err)
		}
		words, torn := r.Torn()
		if torn || r.BadCount() != 0 && !holesAllowed {
			tb.Errorf("%s: bad %v, torn %q", filepath.Base(f.Path), r.BadLines(), words)
		}
		if err := r.Close(); err != nil {
			tb.Fatal(err)
		}
	}
	return out
}

func inOrder(tb testing.TB, frames []bus.Frame, step time.Duration) {
	tb.Helper()
	for i := range frames {
		n := binary.LittleEndian.Uint64(frames[i].Data[:])
		if want := numbered(uint64(i), 0); n != uint64(i) || frames[i].Frame != want.Frame || frames[i].Link != want.Link || frames[i].Boot != time.Duration(i)*step {
			tb.Fatalf("frame %d is %+v; want number %d at boot time %v", i, frames[i], i, time.Duration(i)*step)
		}
	}
}

func exists(dir, name string) bool {
	_, err := os.Stat(filepath.Join(dir, name))
	return err == nil
}
