// SPDX-License-Identifier: Apache-2.0

package capture_test

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"airhold/bus"
	"airhold/bus/capture"
)

const bootOffset = 1_764_367_000_123_456_789 * time.Nanosecond

// recording is a section as a recorder writes it: times are boot times and an offset.
func recording(tb testing.TB, frames []bus.Frame) []byte {
	tb.Helper()
	out := capture.AppendSection(nil, capture.Section{
		Software: "airhold v0.test", Hardware: "bench", Comments: []string{"machine file sha256: 00ff", "boot: a"}, Booted: true, BootOffset: bootOffset,
	}, []capture.LinkInfo{{Name: "can0", Description: "tractor bus"}, {Name: "can1", Description: "implement bus"}})
	var count [2]uint64
	for i := range frames {
		var b [capture.PacketSize]byte
		if err := capture.PutPacket(&b, &frames[i], int64(frames[i].Boot+bootOffset)); err != nil {
			tb.Fatal(err)
		}
		count[frames[i].Link]++
		out = append(out, b[:]...)
	}
	for link, n := range count {
		out = capture.AppendStatistics(out, uint16(link), capture.Statistics{
			Start: int64(bootOffset), At: int64(bootOffset + time.Hour), Received: n + 5, Dropped: 5, OSDropped: 3, Recorded: n,
		}, "5 frames are missing")
	}
	return out
}

func TestSectionAndStatisticsComeBack(t *testing.T) {
	want := testFrames(101, 2)
	got, r := readAll(t, recording(t, want))
	for i := range want {
		want[i].UTC = time.Unix(0, int64(want[i].Boot+bootOffset)).UTC()
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("frames, with their boot times (-want +got):\n%s", diff)
	}
	wantSection := capture.Section{Software: "airhold v0.test", Hardware: "bench", Comments: []string{"machine file sha256: 00ff", "boot: a"}, Booted: true, BootOffset: bootOffset}
	if diff := cmp.Diff(wantSection, r.Section()); diff != "" {
		t.Errorf("section (-want +got):\n%s", diff)
	}
	for link, n := range []uint64{51, 50} {
		s, ok := r.Statistics(uint16(link))
		wantStats := capture.Statistics{Start: int64(bootOffset), At: int64(bootOffset + time.Hour), Received: n + 5, Dropped: 5, OSDropped: 3, Recorded: n}
		if !ok || s != wantStats {
			t.Errorf("statistics of link %d: %+v, %v; want %+v", link, s, ok, wantStats)
		}
	}
	if r.BadCount() != 0 {
		t.Errorf("bad places: %v", r.BadLines())
	}
}

// A section without an offset behind one that has it counts from its own first frame again.
func TestBootOffsetEndsWithItsSection(t *testing.T) {
	frames := testFrames(3, 1)
	frames[0].Boot, frames[1].Boot, frames[2].Boot = time.Hour, time.Hour+1, time.Hour+2
	data := append(recording(t, frames), writePcapng(t, frames, "can0")...)
	got, _ := readAll(t, data)
	for i, want := range []time.Duration{time.Hour, time.Hour + 1, time.Hour + 2, 0} {
		if got[i].Boot != want {
			t.Errorf("frame %d: boot time %v; want %v", i, got[i].Boot, want)
		}
	}
}

func TestPacketPlaces(t *testing.T) {
	f := testFrames(1, 1)[0]
	f.Link = 3
	var b [capture.PacketSize]byte
	for _, ns := range []int64{0, 1, 1<<32 + 7, 1<<62 + 5} {
		if err := capture.PutPacket(&b, &f, ns); err != nil || capture.PacketTime(&b) != ns || capture.PacketLink(&b) != 3 {
			t.Errorf("PutPacket(%d): time %d, link %d, %v", ns, capture.PacketTime(&b), capture.PacketLink(&b), err)
		}
	}
	if err := capture.PutPacket(&b, &f, -1); err == nil {
		t.Error("a time before 1970 was written")
	}
}

// Statistics of a link nobody described, cut short, or with an option longer than the block are named, and cost no frame.
func TestStatisticsWrongInside(t *testing.T) {
	o := binary.LittleEndian
	payload := []byte{0, 0, 1, 0x23, 1, 0, 0, 0, 7}
	stats := func(number uint32, options ...byte) []byte {
		return block(o, 5, append(append(o.AppendUint32(nil, number), make([]byte, 8)...), options...))
	}
	desc := iface(o, 227, option(o, 9, []byte{9}))
	data := bytes.Join([][]byte{section(o), desc, stats(7), stats(0, 4, 0, 200, 0), packet(o, 0, 5, payload), stats(0, 4, 0, 4, 0, 1, 2, 3, 4)}, nil)
	got, r := readAll(t, data)
	if len(got) != 1 || r.BadCount() != 2 {
		t.Errorf("%d frames, bad %v; want 1 and 2 places", len(got), r.BadLines())
	}
	if _, ok := r.Statistics(9); ok {
		t.Error("statistics of a link that is not there")
	}
}

// Whole says, at every cut, where the last whole block ends.
func TestWholeAtEveryByte(t *testing.T) {
	frames := testFrames(20, 2)
	data := recording(t, frames)
	var ends []int // walked by the length fields alone, after draft-ietf-opsawg-pcapng section 3.1
	for at := 0; at < len(data); {
		at += int(binary.LittleEndian.Uint32(data[at+4:]))
		ends = append(ends, at)
	}
	for cut := ends[0]; cut <= len(data); cut++ {
		want := 0
		for _, e := range ends {
			if e <= cut {
				want = e
			}
		}
		for _, tail := range [][]byte{nil, make([]byte, 4096), bytes.Repeat([]byte{0x55, 0x06}, 100)} {
			_, r := readAll(t, append(bytes.Clone(data[:cut]), tail...))
			got := r.Whole()
			if len(tail) > 0 && cut < len(data) && got > int64(want) && got <= int64(cut+7) && bytes.Equal(data[cut:got], tail[:int(got)-cut]) {
				continue // the tail happens to be what was cut off
			}
			if got != int64(want) {
				t.Fatalf("cut at %d, %d bytes behind: Whole() = %d; want %d", cut, len(tail), got, want)
			}
		}
	}
	if _, r := readAll(t, []byte(sample)); r.Whole() != -1 {
		t.Error("candump text has no blocks")
	}
}

func TestSealedIsTheSame(t *testing.T) {
	frames := testFrames(5000, 2)
	plain := recording(t, frames)
	var sealed bytes.Buffer
	var chunks []int
	n, err := capture.Seal(&sealed, bytes.NewReader(plain), func(c []byte) { chunks = append(chunks, len(c)) })
	if err != nil || n != int64(len(plain)) || len(chunks) != (len(plain)+capture.SealChunk-1)/capture.SealChunk {
		t.Fatalf("Seal() = %d, %v, %d chunks; want %d bytes", n, err, len(chunks), len(plain))
	}
	if err := capture.VerifySeal(bytes.NewReader(sealed.Bytes()), bytes.NewReader(plain)); err != nil {
		t.Errorf("VerifySeal() = %v", err)
	}
	got, r := readAll(t, sealed.Bytes())
	if _, torn := r.Torn(); len(got) != len(frames) || torn || r.BadCount() != 0 {
		t.Errorf("%d frames, torn %v; want %d", len(got), torn, len(frames))
	}
	for at := 0; at < sealed.Len(); at += 97 {
		broken := bytes.Clone(sealed.Bytes())
		broken[at] ^= 0x10
		if capture.VerifySeal(bytes.NewReader(broken), bytes.NewReader(plain)) == nil {
			t.Fatalf("byte %d of the sealed capture was changed and nobody saw it", at)
		}
		if capture.VerifySeal(bytes.NewReader(sealed.Bytes()[:at]), bytes.NewReader(plain)) == nil {
			t.Fatalf("a sealed capture cut at %d passed", at)
		}
	}
	longer := append(bytes.Clone(plain), 1)
	if capture.VerifySeal(bytes.NewReader(sealed.Bytes()), bytes.NewReader(longer)) == nil {
		t.Error("a longer plain capture passed")
	}
}

// Damage to some frames of a sealed capture costs what these held, and gives no false frame: also where what is missing
// is a multiple of a block's length, so that the halves would fit.
func TestDamageInASealedCapture(t *testing.T) {
	const links = 2
	frames := testFrames(9000, links)
	for i := range frames { // every frame tells its number
		f := &frames[i]
		f.Class, f.IsRemote, f.IsExtended, f.ID, f.Length = bus.Data, false, true, uint32(i), 8
		binary.BigEndian.PutUint64(f.Data[:], uint64(i)*0x9e3779b97f4a7c15)
	}
	plain := recording(t, frames)
	var sealed bytes.Buffer
	if _, err := capture.Seal(&sealed, bytes.NewReader(plain), nil); err != nil {
		t.Fatal(err)
	}
	magic := []byte{0x28, 0xb5, 0x2f, 0xfd}
	var starts []int
	for at := 0; at < sealed.Len(); at += 4 {
		i := bytes.Index(sealed.Bytes()[at:], magic)
		if i < 0 {
			break
		}
		at += i
		starts = append(starts, at)
	}
	for _, hit := range [][]int{{1}, {2, 3}, {1, 2, 3}, {3, 5}, {2, 3, 4}} {
		broken := bytes.Clone(sealed.Bytes())
		lost := 0
		for _, k := range hit {
			broken[starts[k]+5000] ^= 0xff
			lost += capture.SealChunk
		}
		got, r := readAll(t, broken)
		if most := lost/capture.PacketSize + 2*len(hit); len(got) < len(frames)-most || len(got) == len(frames) || r.BadCount() == 0 {
			t.Errorf("frames %v damaged: %d of %d read, %d places named; want all but %d", hit, len(got), len(frames), r.BadCount(), most)
		}
		last := -1
		for i := range got {
			n := int(got[i].ID)
			if n <= last || n >= len(frames) || got[i].Frame != frames[n].Frame || got[i].Boot != frames[n].Boot || got[i].Link != frames[n].Link {
				t.Fatalf("frames %v damaged: frame %d is false: %+v", hit, i, got[i])
			}
			last = n
		}
	}
}

// RFC 8878 section 3.1.1: a frame begins with the magic number; each of ours can be unpacked alone.
func TestSealedFramesStandAlone(t *testing.T) {
	plain := recording(t, testFrames(5000, 2))
	var sealed bytes.Buffer
	if _, err := capture.Seal(&sealed, bytes.NewReader(plain), nil); err != nil {
		t.Fatal(err)
	}
	dec, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer dec.Close()
	packed, n := sealed.Bytes(), 0
	for rest := packed; len(rest) > 0; n++ {
		var h zstd.Header
		if err := h.Decode(rest); err != nil || !h.HasCheckSum || !h.HasFCS {
			t.Fatalf("frame %d: %+v, %v; want length and checksum", n, h, err)
		}
		end := bytes.Index(rest[4:], []byte{0x28, 0xb5, 0x2f, 0xfd})
		if end < 0 {
			end = len(rest) - 4
		}
		chunk, err := dec.DecodeAll(rest[:end+4], nil)
		if err != nil || !bytes.Equal(chunk, plain[n*capture.SealChunk:][:len(chunk)]) || uint64(len(chunk)) != h.FrameContentSize {
			t.Fatalf("frame %d alone: %d bytes, %v", n, len(chunk), err)
		}
		rest = rest[end+4:]
	}
	if want := (len(plain) + capture.SealChunk - 1) / capture.SealChunk; n != want {
		t.Errorf("%d frames; want %d", n, want)
	}
}

// stranger finds a program of another project, or says what is missing.
func stranger(tb testing.TB, name, pkg string) string {
	tb.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			tb.Fatalf("%s is missing: apt-get install %s", name, pkg)
		}
		tb.Skipf("%s is missing: apt-get install %s", name, pkg)
	}
	return path
}

// tshark and capinfos (Wireshark) are the strangers: names, descriptions, nanoseconds, comments and counts, plain and sealed.
func TestStrangersReadTheRecording(t *testing.T) {
	tshark, capinfos := stranger(t, "tshark", "tshark"), stranger(t, "capinfos", "wireshark-common")
	frames := testFrames(3000, 2)
	plain := recording(t, frames)
	var sealed bytes.Buffer
	if _, err := capture.Seal(&sealed, bytes.NewReader(plain), nil); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"a.pcapng": plain, "a.pcapng.zst": sealed.Bytes()} {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.CommandContext(t.Context(), tshark, "-n", "-r", path, "-T", "fields", "-e", "frame.interface_name",
			"-e", "frame.interface_description", "-e", "frame.time_epoch").Output()
		if err != nil {
			t.Fatalf("tshark: %v", err)
		}
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		if len(lines) != len(frames) {
			t.Fatalf("%s: tshark counts %d frames; want %d", name, len(lines), len(frames))
		}
		for i, line := range lines {
			ns := int64(frames[i].Boot + bootOffset)
			about := []string{"tractor bus", "implement bus"}[frames[i].Link]
			want := "can" + strconv.Itoa(int(frames[i].Link)) + "\t" + about + "\t" + strconv.FormatInt(ns/1e9, 10) + "." + strconv.FormatInt(ns%1e9+1e9, 10)[1:]
			if line != want {
				t.Fatalf("%s: tshark reads frame %d as %q; want %q", name, i, line, want)
			}
		}
		out, err = exec.CommandContext(t.Context(), capinfos, path).Output()
		if err != nil {
			t.Fatalf("capinfos: %v", err)
		}
		for _, want := range []string{"airhold v0.test", "machine file sha256: 00ff", "Number of stat entries = 1", "nanoseconds (9)"} {
			if !strings.Contains(string(out), want) {
				t.Errorf("%s: capinfos does not say %q:\n%s", name, want, out)
			}
		}
	}
}
