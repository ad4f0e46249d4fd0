// SPDX-License-Identifier: Apache-2.0

package capture_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
)

// logText is n lines of a busy bus.
func logText(n int) []byte {
	var b bytes.Buffer
	for i := range n {
		fmt.Fprintf(&b, "(%010d.%06d) can%d 18F%05X#%016X\n", 1477899735+i/1700, i%1700*588, i&1, i&0xfffff, uint64(i)*0x9e3779b97f4a7c15)
	}
	return b.Bytes()
}

// Reading and writing a frame allocates nothing: a box reads for months.
func TestNoAllocationPerFrame(t *testing.T) {
	const frames = 2000
	readers := map[string][]byte{"candump": logText(2 * frames), "pcapng": writePcapng(t, testFrames(2*frames, 2), "can0", "can1")}
	for name, data := range readers {
		r, err := capture.NewReader(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		var f bus.Frame
		for range 10 {
			_ = r.Next(&f) // both links are known from here on
		}
		if n := testing.AllocsPerRun(frames, func() {
			if err := r.Next(&f); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%s: %v allocations a frame; want 0", name, n)
		}
	}
	ng, err := capture.NewPcapngWriter(io.Discard, []string{"can0", "can1"})
	if err != nil {
		t.Fatal(err)
	}
	dump := capture.NewCandumpWriter(io.Discard, "can0", "can1")
	f := testFrames(1, 1)[0]
	_ = dump.Write(&f) // grows its line once
	for name, write := range map[string]func(*bus.Frame) error{"pcapng": ng.Write, "candump": dump.Write} {
		if n := testing.AllocsPerRun(frames, func() {
			if err := write(&f); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%s writer: %v allocations a frame; want 0", name, n)
		}
	}
}

func readThrough(b *testing.B, data []byte, want int) {
	b.Helper()
	r, err := capture.NewReader(bytes.NewReader(data))
	if err != nil {
		b.Fatal(err)
	}
	var f bus.Frame
	n := 0
	for err = r.Next(&f); err == nil; err = r.Next(&f) {
		n++
	}
	if n != want || !errors.Is(err, io.EOF) {
		b.Fatalf("%d frames, %v; want %d", n, err, want)
	}
}

const benchFrames = 100_000

func perFrame(b *testing.B) {
	b.Helper()
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/benchFrames, "ns/frame")
}

// BenchmarkCandump compares with the way einride's parser is used: split the text in lines, cut the frame out, parse it.
// It does less: times and link names are left out.
func BenchmarkCandump(b *testing.B) {
	data := logText(benchFrames)
	b.Run("airhold", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			readThrough(b, data, benchFrames)
		}
		perFrame(b)
	})
	b.Run("einride", func(b *testing.B) {
		b.ReportAllocs()
		text := string(data)
		for b.Loop() {
			n := 0
			for line := range strings.Lines(text) {
				var f can.Frame
				line = strings.TrimSuffix(line, "\n")
				if err := f.UnmarshalString(line[strings.LastIndexByte(line, ' ')+1:]); err != nil {
					b.Fatal(err)
				}
				n++
			}
			if n != benchFrames {
				b.Fatal(n)
			}
		}
		perFrame(b)
	})
}

func BenchmarkPcapng(b *testing.B) {
	frames := testFrames(benchFrames, 2)
	data := writePcapng(b, frames, "can0", "can1")
	b.Run("read", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			readThrough(b, data, benchFrames)
		}
		perFrame(b)
	})
	b.Run("batch", func(b *testing.B) {
		b.ReportAllocs()
		buf := make([]bus.Frame, 128)
		for b.Loop() {
			r, err := capture.NewReader(bytes.NewReader(data))
			n := 0
			for err == nil {
				var k int
				k, err = r.Batch(buf)
				n += k
			}
			if n != benchFrames || !errors.Is(err, io.EOF) {
				b.Fatalf("%d frames, %v; want %d", n, err, benchFrames)
			}
		}
		perFrame(b)
	})
	b.Run("seal", func(b *testing.B) {
		b.ReportAllocs()
		b.SetBytes(int64(len(data)))
		for b.Loop() {
			if _, err := capture.Seal(io.Discard, bytes.NewReader(data), nil); err != nil {
				b.Fatal(err)
			}
		}
		perFrame(b)
	})
	b.Run("write", func(b *testing.B) {
		b.ReportAllocs()
		w, err := capture.NewPcapngWriter(io.Discard, []string{"can0", "can1"})
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			for i := range frames {
				if err := w.Write(&frames[i]); err != nil {
					b.Fatal(err)
				}
			}
		}
		perFrame(b)
	})
}
