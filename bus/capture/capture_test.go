// SPDX-License-Identifier: Apache-2.0

package capture_test

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
)

// readAll reads a capture to its end.
func readAll(tb testing.TB, data []byte) ([]bus.Frame, *capture.Reader) {
	tb.Helper()
	r, err := capture.NewReader(bytes.NewReader(data))
	if err != nil {
		tb.Fatalf("NewReader: %v", err)
	}
	tb.Cleanup(func() { _ = r.Close() })
	var frames []bus.Frame
	var f bus.Frame
	for {
		err := r.Next(&f)
		if errors.Is(err, io.EOF) {
			return frames, r
		}
		if err != nil {
			tb.Fatalf("Next: %v", err)
		}
		frames = append(frames, f)
	}
}

func frame(id uint32, extended bool, data ...byte) can.Frame {
	f := can.Frame{ID: id, IsExtended: extended, Length: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

func at(sec, nano int64) time.Time { return time.Unix(sec, nano).UTC() }

// The lines are written by hand after can-utils' lib.h ("CAN DATA ASCII hexadecimal representation") and candump -L.
func TestCandumpLines(t *testing.T) {
	tests := []struct {
		name  string
		text  string
		want  []bus.Frame
		bad   int64
		other int64
		why   string // part of the first complaint
	}{
		{name: "extended", text: "(1477899735.000002) can0 18F0010B#C0FFF0FFFF5CFFFF\n", want: []bus.Frame{{
			Frame: frame(0x18F0010B, true, 0xC0, 0xFF, 0xF0, 0xFF, 0xFF, 0x5C, 0xFF, 0xFF), UTC: at(1477899735, 2000),
		}}},
		{name: "standard and empty", text: "(1477899735.000002) can0 123#\n(1477899735.500002) can1 7FF#01\n", want: []bus.Frame{
			{Frame: frame(0x123, false), UTC: at(1477899735, 2000)},
			{Frame: frame(0x7FF, false, 1), UTC: at(1477899735, 500002000), Boot: 500 * time.Millisecond, Link: 1},
		}},
		{name: "remote", text: "(1.0) vcan0 123#R\n(1.0) vcan0 00000123#R8\n", want: []bus.Frame{
			{Frame: can.Frame{ID: 0x123, IsRemote: true}, Class: bus.Remote, UTC: at(1, 0)},
			{Frame: can.Frame{ID: 0x123, IsRemote: true, IsExtended: true, Length: 8}, Class: bus.Remote, UTC: at(1, 0)},
		}},
		{name: "error frame: bus off", text: "(1.0) can0 20000040#0000000000000000\n", want: []bus.Frame{
			{Frame: frame(0x40, false, 0, 0, 0, 0, 0, 0, 0, 0), Class: bus.Error, UTC: at(1, 0)},
		}},
		{name: "bare, lower case, carriage return", text: "0cfe4846#a00f6ebc0e00c855\r\n", want: []bus.Frame{
			{Frame: frame(0x0CFE4846, true, 0xA0, 0x0F, 0x6E, 0xBC, 0x0E, 0x00, 0xC8, 0x55)},
		}},
		{name: "nanoseconds, direction, raw length code", text: "(1.123456789) can0 123#1122334455667788_9 R\n", want: []bus.Frame{
			{Frame: frame(0x123, false, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88), UTC: at(1, 123456789)},
		}},
		{name: "typed without a line end", text: "10EA2430#05FE00", want: []bus.Frame{{Frame: frame(0x10EA2430, true, 5, 0xFE, 0)}}},
		{name: "blank lines and comments", text: "\n# a note\n   \n", want: nil},
		{name: "FD and XL are counted", text: "(1.0) can0 123##1112233\n(1.0) can0 00242#81:00:12345678#11\n", other: 2},
		{name: "odd digits", text: "123#123\n", bad: 1, why: "even number of hex digits"},
		{name: "nine bytes", text: "123#112233445566778899\n", bad: 1, why: "at most 16"},
		{name: "standard identifier too big", text: "800#11\n", bad: 1, why: "above 7FF"},
		{name: "extended identifier too big", text: "(1.0) can0 9FFFFFFF#11\n", bad: 1, why: "above 1FFFFFFF"},
		{name: "four digits", text: "1234#11\n", bad: 1, why: "three or eight"},
		{name: "screen form", text: "  can0  123   [2]  11 22\n", bad: 1, why: "candump -L"},
		{name: "time beyond 2262", text: "(99999999999.0) can0 123#\n", bad: 1, why: "2262"},
		{name: "time without fraction", text: "(1477899735) can0 123#\n", bad: 1, why: "seconds.microseconds"},
		{name: "tail of a torn line is no frame", text: "(1.0) can0 00000123#11\n123#22\n", bad: 1, why: "tail of a torn line", want: []bus.Frame{
			{Frame: frame(0x123, true, 0x11), UTC: at(1, 0)},
		}},
		{name: "whole line behind a torn one", text: "(1.0) can0 123#11\n(2.0) can0 18F0(3.0) can0 123#33\n", bad: 1, want: []bus.Frame{
			{Frame: frame(0x123, false, 0x11), UTC: at(1, 0)},
			{Frame: frame(0x123, false, 0x33), UTC: at(3, 0), Boot: 2 * time.Second},
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, r := readAll(t, []byte(tt.text))
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("frames (-want +got):\n%s", diff)
			}
			if r.BadCount() != tt.bad || r.NotFrames() != tt.other {
				t.Errorf("bad %d, not frames %d; want %d, %d: %v", r.BadCount(), r.NotFrames(), tt.bad, tt.other, r.BadLines())
			}
			if tt.why != "" && (len(r.BadLines()) == 0 || !strings.Contains(r.BadLines()[0].String(), tt.why)) {
				t.Errorf("BadLines() = %v; want %q in the first", r.BadLines(), tt.why)
			}
			if words, torn := r.Torn(); torn {
				t.Errorf("Torn() = %q; want a whole capture", words)
			}
		})
	}
}

// einride's parser is the stranger: both must read the same frame from the same text.
func TestCandumpAgainstEinride(t *testing.T) {
	for _, text := range []string{"0CFE4846#A00F6EBC0E00C855", "123#", "7FF#R", "00000001#R8", "1FFFFFFF#00", "10EA2430#05FE00"} {
		var want can.Frame
		if err := want.UnmarshalString(text); err != nil {
			t.Fatal(err)
		}
		got, _ := readAll(t, []byte(text+"\n"))
		if len(got) != 1 || got[0].Frame != want {
			t.Errorf("%s: got %+v; want %+v", text, got, want)
		}
	}
}

func dataDir(tb testing.TB) string {
	tb.Helper()
	dir := os.Getenv("AIRHOLD_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	if _, err := os.Stat(filepath.Join(dir, "can")); err != nil {
		if os.Getenv("CI") != "" {
			tb.Fatalf("recorded bus logs: %v", err)
		}
		tb.Skipf("recorded bus logs missing: %v; set AIRHOLD_DATA to the folder that holds can/ (originals: NMFTA-CAN-Logger and canboat, see DEVELOPERS.md)", err)
	}
	return dir
}

// The counts stand in the README of the recorded data (NMFTA-CAN-Logger and canboat logs, MIT and Apache-2.0).
func TestRecordedLogs(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: long recordings, read by one goroutine")
	}
	tests := []struct {
		file string
		want int
	}{
		{"truck-keyon-engine-off.candump.log.gz", 145278},
		{"boat-gnss-subset-180s.candump.log.gz", 44005},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			path := filepath.Join(dataDir(t), "can", tt.file)
			r, err := capture.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			var text, ng bytes.Buffer
			dump := capture.NewCandumpWriter(&text)
			var frames []bus.Frame
			var f bus.Frame
			for err = r.Next(&f); err == nil; err = r.Next(&f) {
				if len(frames) == 0 {
					dump.AddLink(r.Links()[0])
				}
				frames = append(frames, f)
				if err := dump.Write(&f); err != nil {
					t.Fatal(err)
				}
			}
			words, torn := r.Torn()
			if !errors.Is(err, io.EOF) || len(frames) != tt.want || r.BadCount() != 0 || torn {
				t.Fatalf("%d frames, %d bad, torn %q, end %v; want %d whole frames", len(frames), r.BadCount(), words, err, tt.want)
			}
			if err := errors.Join(dump.Flush(), r.Close()); err != nil {
				t.Fatal(err)
			}
			if original := gunzip(t, path); !bytes.Equal(text.Bytes(), original) {
				t.Error("read and written again, the text differs from the original")
			}
			w, err := capture.NewPcapngWriter(&ng, r.Links())
			if err != nil {
				t.Fatal(err)
			}
			for i := range frames {
				if err := w.Write(&frames[i]); err != nil {
					t.Fatal(err)
				}
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			if back, _ := readAll(t, ng.Bytes()); !cmp.Equal(frames, back) {
				t.Error("through pcapng and back, the frames differ")
			}
		})
	}
}

func gunzip(tb testing.TB, path string) []byte {
	tb.Helper()
	packed, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		tb.Fatal(err)
	}
	plain, err := io.ReadAll(z)
	if err != nil {
		tb.Fatal(err)
	}
	return plain
}

const sample = "(1477899735.000002) can0 18F0010B#C0FFF0FFFF5CFFFF\n" +
	"(1477899735.000013) can1 123#1122\n" +
	"(1477899735.000021) can0 18FEBF0B#\n" +
	"(1477899735.000031) can0 20000004#0004000000000000\n" +
	"(1477899735.000041) can0 123#R\n" +
	"(1477899735.000051) can0 123#R4\n"

// A log cut anywhere gives the frames of its whole lines and no other, and says that it is torn.
func TestCandumpCutAtEveryByte(t *testing.T) {
	whole, _ := readAll(t, []byte(sample))
	for cut := range len(sample) + 1 {
		lines := strings.Count(sample[:cut], "\n")
		got, r := readAll(t, []byte(sample[:cut]))
		rest := sample[strings.LastIndex(sample[:cut], "\n")+1 : cut]
		_, data, _ := strings.Cut(rest, "#")
		complete := len(data) == 16 || data == "R4"
		want := lines
		if complete {
			want++
		}
		if len(got) != want || !prefixOf(got, whole) {
			t.Fatalf("cut at %d: %d frames; want the first %d", cut, len(got), want)
		}
		if _, torn := r.Torn(); torn != (rest != "" && !complete) || r.BadCount() != 0 {
			t.Fatalf("cut at %d (%q): torn %v, bad %v", cut, rest, torn, r.BadLines())
		}
	}
}

func TestCandumpZeroTailAndHole(t *testing.T) {
	whole, _ := readAll(t, []byte(sample))
	for _, zeros := range []int{1, 7, 4096, 300_000} {
		hole := string(make([]byte, zeros))
		got, r := readAll(t, []byte(sample+hole))
		words, torn := r.Torn()
		if !cmp.Equal(got, whole) || !torn || !strings.Contains(words, "zero") {
			t.Errorf("%d zeros behind: %d frames, torn %q; want %d and the zeros named", zeros, len(got), words, len(whole))
		}
		got, r = readAll(t, []byte(sample+hole+sample))
		if len(got) != 2*len(whole) || r.BadCount() != 1 {
			t.Errorf("%d zeros between: %d frames, bad %v; want %d frames and one place named", zeros, len(got), r.BadLines(), 2*len(whole))
		}
	}
}

func TestCandumpGarbage(t *testing.T) {
	garbage := bytes.Repeat([]byte("\x07(#?"), 20_000)
	got, r := readAll(t, append(append([]byte(sample), garbage...), "\n"+sample...))
	whole, _ := readAll(t, []byte(sample))
	if len(got) != 2*len(whole) || r.BadCount() == 0 {
		t.Errorf("%d frames, %d bad; want %d frames and the garbage named", len(got), r.BadCount(), 2*len(whole))
	}
	many := strings.Repeat("junk\n", 5000)
	if _, r := readAll(t, []byte(many)); r.BadCount() != 5000 || len(r.BadLines()) != 100 {
		t.Errorf("BadCount() = %d, %d listed; want 5000, 100", r.BadCount(), len(r.BadLines()))
	}
}

func TestCompressed(t *testing.T) {
	var gz, zs bytes.Buffer
	for range 2 { // two members each: files are joined with cat
		zw := gzip.NewWriter(&gz)
		_, _ = zw.Write([]byte(sample))
		_ = zw.Close()
		enc, err := zstd.NewWriter(&zs)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = enc.Write([]byte(sample))
		_ = enc.Close()
	}
	whole, _ := readAll(t, []byte(sample+sample))
	for name, packed := range map[string][]byte{"gzip": gz.Bytes(), "zstd": zs.Bytes()} {
		got, r := readAll(t, packed)
		if _, torn := r.Torn(); !cmp.Equal(got, whole) || torn {
			t.Errorf("%s: %d frames, torn %v; want %d", name, len(got), torn, len(whole))
		}
		for cut := 4; cut < len(packed); cut++ {
			got, r := readAll(t, packed[:cut])
			words, torn := r.Torn()
			if !prefixOf(got, whole) {
				t.Fatalf("%s cut at %d: a frame that was never recorded", name, cut)
			}
			if !torn && len(got) != len(whole) && len(got) != len(whole)/2 {
				t.Fatalf("%s cut at %d: %d frames and not torn (%q)", name, cut, len(got), words)
			}
		}
	}
}

func TestOpenErrors(t *testing.T) {
	if _, err := capture.Open(filepath.Join(t.TempDir(), "none.log")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Open(missing) = %v; want one that is os.ErrNotExist", err)
	}
	path := filepath.Join(t.TempDir(), "old.pcap")
	if err := os.WriteFile(path, binary.LittleEndian.AppendUint32(nil, 0xa1b2c3d4), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := capture.Open(path); !errors.Is(err, capture.ErrUnsupported) || !strings.Contains(err.Error(), "editcap") {
		t.Errorf("Open(pcap) = %v; want ErrUnsupported and the way out", err)
	}
	if got, r := readAll(t, nil); len(got) != 0 || r.BadCount() != 0 {
		t.Errorf("empty capture: %d frames, %d bad; want none", len(got), r.BadCount())
	}
}

// A failing disk is an error, not a torn capture.
func TestReadError(t *testing.T) {
	broken := errors.New("input/output error")
	for _, head := range [][]byte{[]byte(sample), pcapngOf(t, "can0")} {
		r, err := capture.NewReader(io.MultiReader(bytes.NewReader(head), iotest.ErrReader(broken)))
		if err != nil {
			t.Fatal(err)
		}
		var f bus.Frame
		for err == nil {
			err = r.Next(&f)
		}
		if !errors.Is(err, broken) {
			t.Errorf("Next() = %v; want %v", err, broken)
		}
		if _, torn := r.Torn(); torn {
			t.Error("a failing source was called torn")
		}
	}
}
