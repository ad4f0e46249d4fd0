// SPDX-License-Identifier: Apache-2.0

package rawlog_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"
	"golang.org/x/sys/unix"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
	"airhold/firmware/store/rawlog"
)

// fullRate is four links of 500 kbit/s at 100 % with extended frames of eight bytes: 131 bits each (ISO 11898-1, without
// stuffing), 15,268 a second.
const fullRate = 15_300

// cost is what a recording at full rate took.
type cost struct {
	resident  int64   // bytes, the most at any time
	processor float64 // of one core
	dropped   int64
	written   int64
	frames    int64 // read back
}

// TestRecordAtFullRate is the recorder alone in a process: the test below starts it, and reads its last line.
func TestRecordAtFullRate(t *testing.T) {
	dir := os.Getenv("AIRHOLD_RECORD_INTO")
	if dir == "" {
		return // only a part of the test below
	}
	took, err := time.ParseDuration(os.Getenv("AIRHOLD_RECORD_FOR"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := rawlog.Open(dir, rawlog.Options{
		Boot: "a", Clock: clock.Live{}, Links: []capture.LinkInfo{{Name: "can0"}, {Name: "can1"}, {Name: "can2"}, {Name: "can3"}},
		RotateBytes: 4 << 20, Reserve: 1, FullAt: 1, // so that files are sealed meanwhile
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- l.Run(ctx) }()
	start, boot := time.Now(), clock.Live{}.Boot()
	var n int64
	f := bus.Frame{Frame: can.Frame{ID: 0x18fef100, IsExtended: true, Length: 8}}
	for now := time.Duration(0); now < took; now = time.Since(start) {
		for ; n < int64(now*fullRate/time.Second); n++ {
			f.Boot, f.Link = boot+time.Duration(n)*time.Second/fullRate, uint16(n%4)
			binary.LittleEndian.PutUint64(f.Data[:], uint64(n)*0x9e3779b97f4a7c15) // what compresses worst
			l.Frame(&f)
		}
		time.Sleep(2 * time.Millisecond)
	}
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	var use unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &use); err != nil {
		t.Fatal(err)
	}
	s := l.Stats()
	processor := time.Duration(use.Utime.Nano() + use.Stime.Nano())
	fmt.Fprintf(os.Stdout, "COST %d %d %d %d %d\n", use.Maxrss*1024, processor, s.Dropped+s.Refused, s.Written, n)
}

func record(t *testing.T, took time.Duration) cost {
	t.Helper()
	dir := t.TempDir()
	cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestRecordAtFullRate$", "-test.count=1")
	cmd.Env = append(os.Environ(), "AIRHOLD_RECORD_INTO="+dir, "AIRHOLD_RECORD_FOR="+took.String())
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var c cost
	var processor, heard int64
	at := strings.Index(string(out), "COST ")
	if at < 0 {
		t.Fatalf("no answer: %s", out)
	}
	if _, err := fmt.Sscanf(string(out[at:]), "COST %d %d %d %d %d", &c.resident, &processor, &c.dropped, &c.written, &heard); err != nil {
		t.Fatal(err)
	}
	c.processor = float64(processor) / float64(took)
	files, err := rawlog.Files(dir, "a")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		c.frames += f.Frames
	}
	if c.frames != heard-c.dropped || c.written != c.frames {
		t.Errorf("%d frames in %d files, %d written, %d dropped; %d were heard", c.frames, len(files), c.written, c.dropped, heard)
	}
	return c
}

// At the rate of four full links of 500 kbit/s nothing is dropped and the process stays under 24 MB, sealing included.
// AIRHOLD_RECORD_LONG makes it last longer than CI's few seconds.
func TestFullRateDropsNothingAndStaysSmall(t *testing.T) {
	took := 4 * time.Second
	if long, err := time.ParseDuration(os.Getenv("AIRHOLD_RECORD_LONG")); err == nil {
		took = long
	}
	c := record(t, took)
	t.Logf("%s at %d frames/s: %.1f MB resident at most, %.1f %% of a core, %d of %d frames dropped",
		took, fullRate, float64(c.resident)/1e6, c.processor*100, c.dropped, c.written+c.dropped)
	if c.dropped != 0 {
		t.Errorf("%d frames were dropped", c.dropped)
	}
	if !racing && c.resident >= 24e6 {
		t.Errorf("%.1f MB resident; want under 24", float64(c.resident)/1e6)
	}
}

// The whole way from Frame to the disk, as fast as the disk takes it, in frames a second.
func BenchmarkReceiveToDisk(b *testing.B) {
	dir := b.TempDir()
	l, err := rawlog.Open(dir, rawlog.Options{Boot: "a", Clock: clock.Live{}, Links: []capture.LinkInfo{{Name: "can0"}}, Reserve: 1})
	if err != nil {
		b.Fatal(err)
	}
	const piece = 50_000
	b.ReportAllocs()
	f := bus.Frame{Frame: can.Frame{ID: 0x18fef100, IsExtended: true, Length: 8}}
	for b.Loop() {
		for range piece {
			f.Boot++
			l.Frame(&f)
		}
		if err := l.Flush(); err != nil {
			b.Fatal(err)
		}
		if s := l.Stats(); s.File != "" && s.Bytes > 32<<20 {
			if err := l.Close(); err != nil {
				b.Fatal(err)
			}
			_ = os.Remove(filepath.Join(dir, "boot-a-"+fmt.Sprintf("%04d", s.Files)+".pcapng"))
		}
	}
	b.ReportMetric(float64(b.N)*piece/b.Elapsed().Seconds(), "frames/s")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/piece, "ns/frame")
}

// BenchmarkFrame is what the listener's goroutine pays.
func BenchmarkFrame(b *testing.B) {
	l, err := rawlog.Open(b.TempDir(), rawlog.Options{Boot: "a", Clock: clock.Live{}, Links: []capture.LinkInfo{{Name: "can0"}}, Ring: 1 << 10})
	if err != nil {
		b.Fatal(err)
	}
	f := bus.Frame{Frame: can.Frame{ID: 0x18fef100, IsExtended: true, Length: 8}}
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		if n%1000 == 0 {
			b.StopTimer()
			if err := l.Flush(); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
		}
		l.Frame(&f)
	}
	if s := l.Stats(); s.Dropped != 0 {
		b.Fatal("the ring was full: " + strconv.FormatInt(s.Dropped, 10))
	}
}
