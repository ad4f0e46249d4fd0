// SPDX-License-Identifier: Apache-2.0

package capture_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
)

// testFrames is a mix of every class, on the given number of links.
func testFrames(n, links int) []bus.Frame {
	rng := rand.New(rand.NewPCG(1, 2))
	out := make([]bus.Frame, n)
	start := time.Unix(1_700_000_000, 123_456_789).UTC()
	for i := range out {
		f := &out[i]
		f.Boot = time.Duration(i) * 523_117 * time.Nanosecond
		f.UTC = start.Add(f.Boot)
		f.Link = uint16(i % links)
		f.Length = uint8(rng.IntN(9))
		for k := range f.Data[:f.Length] {
			f.Data[k] = byte(rng.Uint32())
		}
		switch i % 7 {
		case 1:
			f.ID = rng.Uint32N(0x800)
		case 2:
			f.Class, f.IsRemote = bus.Remote, true
			f.ID, f.IsExtended, f.Data = rng.Uint32N(0x20000000), true, can.Data{}
		case 3:
			f.Class, f.ID = bus.Error, 1<<rng.IntN(9)
		default:
			f.ID, f.IsExtended = rng.Uint32N(0x20000000), true
		}
	}
	return out
}

func writePcapng(tb testing.TB, frames []bus.Frame, links ...string) []byte {
	tb.Helper()
	var out bytes.Buffer
	w, err := capture.NewPcapngWriter(&out, links)
	if err != nil {
		tb.Fatal(err)
	}
	for i := range frames {
		if err := w.Write(&frames[i]); err != nil {
			tb.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		tb.Fatal(err)
	}
	return out.Bytes()
}

func pcapngOf(tb testing.TB, links ...string) []byte {
	tb.Helper()
	return writePcapng(tb, testFrames(20, len(links)), links...)
}

func TestPcapngRoundTrip(t *testing.T) {
	want := testFrames(500, 2)
	got, r := readAll(t, writePcapng(t, want, "can0", "can1"))
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("frames (-want +got):\n%s", diff)
	}
	if !cmp.Equal(r.Links(), []string{"can0", "can1"}) {
		t.Errorf("Links() = %q; want can0, can1", r.Links())
	}
}

// block builds a pcapng block by hand, in either byte order.
func block(o binary.AppendByteOrder, kind uint32, body []byte) []byte {
	body = append(body, make([]byte, -len(body)&3)...)
	n := uint32(len(body) + 12)
	b := o.AppendUint32(nil, kind)
	b = o.AppendUint32(b, n)
	b = append(b, body...)
	return o.AppendUint32(b, n)
}

func section(o binary.AppendByteOrder) []byte {
	b := o.AppendUint32(nil, 0x1a2b3c4d)
	b = o.AppendUint16(b, 1)
	b = o.AppendUint16(b, 0)
	return block(o, 0x0a0d0d0a, o.AppendUint64(b, 1<<64-1))
}

func option(o binary.AppendByteOrder, code uint16, value []byte) []byte {
	b := o.AppendUint16(nil, code)
	b = o.AppendUint16(b, uint16(len(value)))
	b = append(b, value...)
	return append(b, make([]byte, -len(value)&3)...)
}

func iface(o binary.AppendByteOrder, link uint16, options ...[]byte) []byte {
	b := o.AppendUint16(nil, link)
	b = o.AppendUint16(b, 0)
	b = o.AppendUint32(b, 0)
	for _, opt := range options {
		b = append(b, opt...)
	}
	return block(o, 1, b)
}

func packet(o binary.AppendByteOrder, number uint32, stamp uint64, data []byte) []byte {
	b := o.AppendUint32(nil, number)
	b = o.AppendUint32(b, uint32(stamp>>32))
	b = o.AppendUint32(b, uint32(stamp))
	b = o.AppendUint32(b, uint32(len(data)))
	b = o.AppendUint32(b, uint32(len(data)))
	return block(o, 6, append(b, data...))
}

// Blocks laid out by hand after draft-ietf-opsawg-pcapng sections 4.1 to 4.4 and the LINKTYPE_CAN_SOCKETCAN page.
func TestPcapngForms(t *testing.T) {
	payload := []byte{0x98, 0xF0, 0x01, 0x0B, 2, 0, 0, 0, 0xAA, 0xBB} // extended 18F0010B, two bytes
	want := frame(0x18F0010B, true, 0xAA, 0xBB)
	const sec = 1_477_899_735
	for name, o := range map[string]binary.AppendByteOrder{"little": binary.LittleEndian, "big": binary.BigEndian} {
		tests := []struct {
			name  string
			desc  []byte
			stamp uint64
			utc   time.Time
			link  string
		}{
			{"microseconds by default, no name", iface(o, 227), sec*1e6 + 2, at(sec, 2000), "0"},
			{"nanoseconds", iface(o, 227, option(o, 2, []byte("can0")), option(o, 9, []byte{9}), option(o, 0, nil)), sec*1e9 + 7, at(sec, 7), "can0"},
			{"power of two", iface(o, 227, option(o, 9, []byte{0x80 | 10}), option(o, 2, []byte("vcan0"))), sec<<10 | 512, at(sec, 500_000_000), "vcan0"},
			{"offset", iface(o, 227, option(o, 14, o.AppendUint64(nil, 1000))), 1e6, at(1001, 0), "0"},
			{"picoseconds", iface(o, 227, option(o, 9, []byte{12})), 5e12 + 1999, at(5, 1), "0"},
		}
		for _, tt := range tests {
			t.Run(name+" "+tt.name, func(t *testing.T) {
				data := bytes.Join([][]byte{section(o), tt.desc, block(o, 0x0bad, []byte("custom")), packet(o, 0, tt.stamp, payload)}, nil)
				got, r := readAll(t, data)
				if diff := cmp.Diff([]bus.Frame{{Frame: want, UTC: tt.utc}}, got); diff != "" {
					t.Errorf("frames (-want +got):\n%s", diff)
				}
				if !cmp.Equal(r.Links(), []string{tt.link}) || r.BadCount() != 0 {
					t.Errorf("Links() = %q, bad %v; want %q", r.Links(), r.BadLines(), tt.link)
				}
			})
		}
		t.Run(name+" simple packet", func(t *testing.T) {
			simple := block(o, 3, append(o.AppendUint32(nil, uint32(len(payload))), payload...))
			got, _ := readAll(t, append(append(section(o), iface(o, 227)...), simple...))
			if diff := cmp.Diff([]bus.Frame{{Frame: want}}, got); diff != "" {
				t.Errorf("frames (-want +got):\n%s", diff)
			}
		})
		t.Run(name+" not classic CAN", func(t *testing.T) {
			data := bytes.Join([][]byte{
				section(o), iface(o, 227), iface(o, 1),
				packet(o, 1, 1, make([]byte, 60)),                                                  // Ethernet
				packet(o, 0, 1, append([]byte{0, 0, 1, 0x23, 12, 4, 0, 0}, make([]byte, 12)...)),   // CAN FD
				packet(o, 0, 1, append([]byte{0, 0, 1, 0x23, 0x80, 0, 0, 0}, make([]byte, 12)...)), // CAN XL
			}, nil)
			if got, r := readAll(t, data); len(got) != 0 || r.NotFrames() != 3 || r.BadCount() != 0 {
				t.Errorf("%d frames, %d not frames, bad %v; want 0, 3, none", len(got), r.NotFrames(), r.BadLines())
			}
		})
		t.Run(name+" wrong inside", func(t *testing.T) {
			data := bytes.Join([][]byte{
				section(o), iface(o, 227), iface(o, 227, option(o, 9, []byte{99})),
				packet(o, 7, 1, payload),                              // no such interface
				packet(o, 0, 1<<63, payload),                          // time
				packet(o, 0, 1, []byte{0, 0, 0x08, 0, 0, 0, 0, 0}),    // identifier 800
				packet(o, 0, 1, []byte{0, 0, 1, 0, 8, 0, 0, 0, 1, 2}), // 8 announced, 2 there
				packet(o, 0, 1, []byte{0, 0, 1}),                      // stump
				packet(o, 0, 1, append([]byte{0, 0, 1, 0, 9, 0, 0, 0}, make([]byte, 8)...)),
			}, nil)
			if got, r := readAll(t, data); len(got) != 0 || r.BadCount() != 7 {
				t.Errorf("%d frames, bad %v; want 0 and 7 places", len(got), r.BadLines())
			}
		})
	}
}

// prefixOf tells whether got is the beginning of want.
func prefixOf(got, want []bus.Frame) bool {
	return len(got) <= len(want) && (len(got) == 0 || cmp.Equal(got, want[:len(got)]))
}

// wholeBlocks counts the 48-byte blocks of whole that stand complete in damaged, from head on. A block cut in the zeros
// at its end and followed by zeros is complete.
func wholeBlocks(damaged, whole []byte, head int) int {
	n := 0
	for lo := head; lo+48 <= min(len(damaged), len(whole)) && bytes.Equal(damaged[lo:lo+48], whole[lo:lo+48]); lo += 48 {
		n++
	}
	return n
}

// A file cut at any byte keeps exactly its whole blocks; with a zero tail too.
func TestPcapngCutAtEveryByte(t *testing.T) {
	want := testFrames(20, 2)
	data := writePcapng(t, want, "can0", "can1")
	head := len(data) - 48*len(want)
	for cut := 4; cut <= len(data); cut++ {
		for _, tail := range []int{0, 4096} {
			damaged := append(bytes.Clone(data[:cut]), make([]byte, tail)...)
			whole := wholeBlocks(damaged, data, head)
			if tail == 0 && whole != max(0, (cut-head)/48) {
				t.Fatalf("cut at %d: the test counts %d whole blocks", cut, whole)
			}
			got, r := readAll(t, damaged)
			if len(got) != whole || !prefixOf(got, want) {
				t.Fatalf("cut at %d, %d zeros: %d frames; want the first %d", cut, tail, len(got), whole)
			}
			clean := tail == 0 && (cut == len(data) || cut >= head && (cut-head)%48 == 0)
			if words, torn := r.Torn(); torn == clean && cut >= head {
				t.Fatalf("cut at %d, %d zeros: torn %q; want torn %v", cut, tail, words, !clean)
			}
		}
	}
}

// A torn file with another appended: every whole frame of both, none that was never written. The second file's frames
// are told apart by their link.
func TestPcapngSplicedAtEveryByte(t *testing.T) {
	first, second := testFrames(12, 1), testFrames(9, 1)
	a, b := writePcapng(t, first, "can0"), writePcapng(t, second, "can1")
	head := len(a) - 48*len(first)
	for cut := head; cut <= len(a); cut++ {
		for _, zeros := range []int{0, 13, 4096} {
			spliced := append(append(bytes.Clone(a[:cut]), make([]byte, zeros)...), b...)
			got, r := readAll(t, spliced)
			whole := wholeBlocks(spliced[:cut+zeros], a, head)
			if len(got) != whole+len(second) {
				t.Fatalf("cut at %d, %d zeros: %d frames; want %d", cut, zeros, len(got), whole+len(second))
			}
			for i := range got {
				want := first
				k := i
				if i >= whole {
					want, k = second, i-whole
				}
				name := r.Links()[got[i].Link]
				if got[i].Frame != want[k].Frame || !got[i].UTC.Equal(want[k].UTC) || (name == "can1") != (i >= whole) {
					t.Fatalf("cut at %d, %d zeros: frame %d is false: %+v on %s", cut, zeros, i, got[i], name)
				}
			}
			if damaged := cut+zeros != head+48*whole; (r.BadCount() > 0) != damaged {
				t.Fatalf("cut at %d, %d zeros: bad %v; want damage named: %v", cut, zeros, r.BadLines(), damaged)
			}
		}
	}
}

// One flipped byte costs at most the block it is in, or, in an interface description or section header, what hangs on it.
func TestPcapngFlippedByte(t *testing.T) {
	want := testFrames(10, 1)
	data := writePcapng(t, want, "can0")
	head := len(data) - 48*len(want)
	for at := head; at < len(data); at++ {
		broken := bytes.Clone(data)
		broken[at] ^= 0xff
		got, _ := readAll(t, broken)
		if len(got) < len(want)-1 {
			t.Fatalf("byte %d flipped: %d frames; want at least %d", at, len(got), len(want)-1)
		}
	}
	for at := range head {
		broken := bytes.Clone(data)
		broken[at] ^= 0xff
		if len(broken) < 4 || at < 4 {
			continue // then it is no pcapng at all
		}
		if got, _ := readAll(t, broken); len(got) > len(want) {
			t.Fatalf("byte %d flipped: %d frames of %d", at, len(got), len(want))
		}
	}
}

func TestPcapngSectionLost(t *testing.T) {
	a, b := pcapngOf(t, "can0"), pcapngOf(t, "can1")
	data := append(bytes.Clone(a), append(bytes.Repeat([]byte{0x55}, 30), b[len(section(binary.LittleEndian))+16:]...)...)
	got, r := readAll(t, data) // the second section header is gone, its interface description is whole
	if len(got) != 20 || r.BadCount() == 0 {
		t.Errorf("%d frames, bad %d; want the first 20 and the loss named", len(got), r.BadCount())
	}
	for i := range got {
		if r.Links()[got[i].Link] != "can0" {
			t.Fatalf("frame %d is on %s", i, r.Links()[got[i].Link])
		}
	}
}

// tshark is the stranger that opens what the writer wrote.
func TestPcapngWithTshark(t *testing.T) {
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("tshark is missing: apt-get install tshark")
		}
		t.Skip("tshark is missing: apt-get install tshark")
	}
	want := testFrames(300, 2)
	path := filepath.Join(t.TempDir(), "written.pcapng")
	if err := os.WriteFile(path, writePcapng(t, want, "can0", "can1"), 0o600); err != nil {
		t.Fatal(err)
	}
	fields := exec.CommandContext(t.Context(), tshark, "-n", "-r", path, "-T", "fields", "-e", "frame.interface_name",
		"-e", "can.id", "-e", "can.len", "-e", "frame.time_epoch", "-e", "can.flags.err", "-e", "can.flags.rtr")
	out, err := fields.Output()
	if err != nil {
		t.Fatalf("tshark: %v", err)
	}
	lines := strings.Split(strings.TrimRight(string(out), "\n"), "\n")
	if len(lines) != len(want) {
		t.Fatalf("tshark counts %d frames; want %d", len(lines), len(want))
	}
	for i, line := range lines {
		f := &want[i]
		id, flags := strconv.Itoa(int(f.ID)), "0\t0"
		switch f.Class {
		case bus.Error:
			id, flags = "", "1\t" // tshark names no identifier and no remote flag of an error frame
		case bus.Remote:
			flags = "0\t1"
		case bus.Data:
		}
		wantLine := fmt.Sprintf("can%d\t%s\t%d\t%d.%09d\t%s", f.Link, id, f.Length, f.UTC.Unix(), f.UTC.Nanosecond(), flags)
		if line != wantLine {
			t.Fatalf("tshark reads frame %d as %q; want %q", i, line, wantLine)
		}
	}
}

func TestWriterErrors(t *testing.T) {
	var out bytes.Buffer
	ng, err := capture.NewPcapngWriter(&out, []string{"can0"})
	if err != nil {
		t.Fatal(err)
	}
	dump := capture.NewCandumpWriter(&out, "can0")
	tests := map[string]bus.Frame{
		"unknown link":     {Link: 1},
		"nine bytes":       {Frame: can.Frame{Length: 9}},
		"identifier":       {Frame: can.Frame{ID: 0x800}},
		"before the start": {Boot: -1},
		"before 1970":      {UTC: time.Date(1969, 1, 1, 0, 0, 0, 0, time.UTC)},
	}
	for name, f := range tests {
		if ng.Write(&f) == nil || dump.Write(&f) == nil {
			t.Errorf("%s: written; want an error", name)
		}
	}
}
