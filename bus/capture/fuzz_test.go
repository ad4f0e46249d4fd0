// SPDX-License-Identifier: Apache-2.0

package capture_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"airhold/bus"
	"airhold/bus/capture"
)

// TestSeeds fails when a fuzz target has lost its committed seeds.
func TestSeeds(t *testing.T) {
	for _, target := range []string{"FuzzCandump", "FuzzPcapng"} {
		seeds, err := filepath.Glob(filepath.Join("testdata", "fuzz", target, "*"))
		if err != nil || len(seeds) == 0 {
			t.Errorf("%s: %d seeds, %v; want some", target, len(seeds), err)
		}
		for _, seed := range seeds {
			text, err := os.ReadFile(seed)
			if err != nil || !strings.HasPrefix(string(text), "go test fuzz v1\n[]byte(") {
				t.Errorf("%s is no seed: %v", seed, err)
			}
		}
	}
}

// fuzzRead reads anything and checks what holds of every input; it returns the frames.
func fuzzRead(t *testing.T, data []byte) ([]bus.Frame, []string) {
	t.Helper()
	r, err := capture.NewReader(bytes.NewReader(data))
	if err != nil {
		if !errors.Is(err, capture.ErrUnsupported) {
			t.Fatalf("NewReader: %v", err)
		}
		return nil, nil
	}
	defer r.Close()
	var frames []bus.Frame
	var f bus.Frame
	for len(frames) < 1<<16 {
		if err := r.Next(&f); err != nil {
			if !errors.Is(err, io.EOF) {
				t.Fatalf("Next: %v", err)
			}
			break
		}
		if f.Length > 8 || f.ID > 0x1fffffff || int(f.Link) >= len(r.Links()) || f.IsRemote != (f.Class == bus.Remote) ||
			f.Class == bus.Data && f.Validate() != nil {
			t.Fatalf("impossible frame %+v", f)
		}
		frames = append(frames, f)
	}
	if int64(len(r.BadLines())) != min(r.BadCount(), 100) {
		t.Fatalf("%d places listed of %d", len(r.BadLines()), r.BadCount())
	}
	return frames, r.Links()
}

// FuzzCandump: what was read, written and read again is the same; so is the text of the second writing.
func FuzzCandump(f *testing.F) {
	f.Add([]byte(sample))
	f.Fuzz(func(t *testing.T, data []byte) {
		frames, links := fuzzRead(t, data)
		write := func(frames []bus.Frame) []byte {
			var out bytes.Buffer
			w := capture.NewCandumpWriter(&out, links...)
			for i := range frames {
				if strings.ContainsAny(links[frames[i].Link], " \r\n\x00") {
					t.Skip("a link name that no text can carry")
				}
				if err := w.Write(&frames[i]); err != nil {
					t.Fatalf("write %+v: %v", frames[i], err)
				}
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			return out.Bytes()
		}
		for i := range frames {
			if frames[i].UTC.IsZero() && frames[i].Boot < 0 {
				t.Skip("a bare line behind a time that ran backwards")
			}
		}
		text := write(frames)
		again, names := fuzzRead(t, text)
		if len(again) != len(frames) {
			t.Fatalf("%d frames, then %d", len(frames), len(again))
		}
		for i := range frames {
			if again[i].Frame != frames[i].Frame || again[i].Class != frames[i].Class {
				t.Fatalf("frame %d: %+v, then %+v", i, frames[i], again[i])
			}
		}
		links = names
		if second := write(again); !bytes.Equal(second, text) {
			t.Fatalf("text %q, then %q", text, second)
		}
	})
}

// FuzzPcapng: no panic, no impossible frame, and frames that survive the writer unchanged.
func FuzzPcapng(f *testing.F) {
	f.Add(pcapngOf(f, "can0", "can1"))
	f.Add(recording(f, testFrames(5, 2)))
	f.Fuzz(func(t *testing.T, data []byte) {
		frames, links := fuzzRead(t, data)
		for i := range frames {
			if frames[i].UTC.IsZero() {
				return // pcapng cannot say "no clock"
			}
		}
		got, _ := fuzzRead(t, writePcapng(t, frames, links...))
		// Where a section ties its times to a boot clock, that is not carried over.
		if diff := cmp.Diff(frames, got, cmpopts.EquateEmpty(), cmpopts.IgnoreFields(bus.Frame{}, "Boot")); diff != "" {
			t.Fatalf("through the writer (-want +got):\n%s", diff)
		}
	})
}
