// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/clock"
)

func TestIndexTellsTheFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.l.Offset(250*time.Millisecond, 777, clock.Coarse)
	d.l.Dropped(1, 9)
	d.run(60)
	d.l.Frame(&bus.Frame{Frame: can.Frame{ID: 0x204, Length: 8, Data: can.Data{6: 17, 7: 131}}, Class: bus.Error, Boot: 6 * time.Second, Link: 2})
	if err := d.l.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	x, err := ReadIndex(filepath.Join(dir, "boot-a-0001.idx"))
	if err != nil {
		t.Fatal(err)
	}
	if b := x.Begin; b.Boot != "a" || b.Number != 7 || b.Seq != 1 || b.Software != "airhold test" || b.Machine != "00ff" || len(b.Links) != 4 || b.Links[3] != "can3" {
		t.Errorf("begin %+v", b)
	}
	if !x.Ended || x.End.Bytes != int64(len(data)) || x.End.Frames != 6001 || x.Torn != 0 {
		t.Errorf("end %+v, torn %d; want %d bytes, 6001 frames", x.End, x.Torn, len(data))
	}
	// CRC32C of every chunk, against the standard library over the bytes of the file.
	at, sum := int64(0), int64(0)
	last := time.Duration(-1)
	for i, c := range x.Chunks {
		want := crc32.Checksum(data[c.Offset:c.Offset+c.Length], crc32.MakeTable(crc32.Castagnoli))
		if c.Offset != at || c.CRC32C != want || c.Length != chunkSize && i != len(x.Chunks)-1 || c.First <= last || c.Last < c.First {
			t.Errorf("chunk %d: %+v; want offset %d, CRC32C %08x", i, c, at, want)
		}
		at += c.Length
		sum += c.Frames
		last = c.Last
	}
	if at != int64(len(data)) || sum != 6001 {
		t.Errorf("chunks cover %d bytes and %d frames; want %d, 6001", at, sum, len(data))
	}
	gnss := false
	for _, c := range x.Clocks {
		gnss = gnss || c.Boot == 250*time.Millisecond && c.GNSS == 777 && c.GNSSQuality == clock.Coarse && c.Wall.IsZero()
		if !c.Wall.IsZero() && !c.Wall.Equal(d.h.wall.Add(c.Boot)) {
			t.Errorf("clock %+v; want wall time of boot time", c)
		}
	}
	if !gnss || len(x.Clocks) < 7 {
		t.Errorf("%d clock marks, GNSS offset %v; want one a second and the offset", len(x.Clocks), gnss)
	}
	final := map[uint16]Counters{}
	for _, c := range x.Counters {
		final[c.Link] = c
	}
	if c := final[1]; c.Recorded != 1500 || c.Kernel != 9 || c.Full != 0 {
		t.Errorf("counters of can1: %+v", c)
	}
	if c := final[2]; c.Recorded != 1501 || c.Errors != 1 || c.Transmit != 17 || c.Receive != 131 {
		t.Errorf("counters of can2: %+v; want the error counters of its error frame", c)
	}
	// The file itself says the same.
	r, err := capture.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	var f bus.Frame
	for err == nil {
		err = r.Next(&f)
	}
	s, ok := r.Statistics(1)
	if !ok || s.Recorded != 1500 || s.Received != 1509 || s.Dropped != 9 || s.OSDropped != 9 {
		t.Errorf("statistics of can1 in the file: %+v", s)
	}
}

// CRC32C against the worked example of RFC 3720 appendix B.4: 32 bytes of zeros give 8a9136aa.
func TestCheckSumIsCRC32C(t *testing.T) {
	t.Parallel()
	if got := crc32.Checksum(make([]byte, 32), castagnoli()); got != 0x8a9136aa {
		t.Errorf("CRC32C of 32 zeros = %08x; want 8a9136aa", got)
	}
}

// An index cut anywhere, or with any byte changed, gives no record that was not written.
func TestIndexCutAndChanged(t *testing.T) {
	t.Parallel()
	b := appendBegin(nil, &Begin{Boot: "a", Number: 3, Seq: 1, Links: []string{"can0"}})
	ends := []int{len(b)}
	for i := range 5 {
		b = appendChunk(b, &Chunk{Offset: int64(i) * chunkSize, Length: chunkSize, Frames: int64(i)})
		ends = append(ends, len(b))
	}
	for cut := range b {
		want := 0
		for i, e := range ends {
			if e <= cut {
				want = i + 1
			}
		}
		x, err := ParseIndex(b[:cut])
		if want == 0 {
			if !errors.Is(err, errNoIndex) {
				t.Fatalf("cut at %d: %v; want errNoIndex", cut, err)
			}
			continue
		}
		if err != nil || len(x.Chunks) != want-1 || x.Whole != int64(ends[want-1]) || x.Torn != int64(cut-ends[want-1]) {
			t.Fatalf("cut at %d: %d chunks, whole %d, torn %d, %v; want %d", cut, len(x.Chunks), x.Whole, x.Torn, err, want-1)
		}
	}
	for at := range b {
		broken := bytes.Clone(b)
		broken[at] ^= 0x40
		if x, err := ParseIndex(broken); err == nil && len(x.Chunks) == 5 {
			t.Fatalf("byte %d changed and nobody saw it", at)
		}
	}
}

func FuzzIndex(f *testing.F) {
	b := appendBegin(nil, &Begin{Boot: "a", Links: []string{"can0"}})
	b = appendClock(appendChunk(b, &Chunk{Length: 5}), &ClockMark{Boot: 7, Wall: time.Unix(1, 2)})
	f.Add(appendEnd(appendGap(appendCounters(b, &Counters{Link: 1}), &Gap{Frames: 3}), &End{Bytes: 9}))
	f.Fuzz(func(t *testing.T, data []byte) {
		x, err := ParseIndex(data)
		if err == nil && x.Whole+x.Torn != int64(len(data)) {
			t.Fatalf("%d whole and %d torn of %d", x.Whole, x.Torn, len(data))
		}
	})
}

func TestNames(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"boot-a-0001.pcapng": "a 1 .pcapng", "boot-a-0001-12345.pcapng.zst": "a-0001 12345 .pcapng.zst", "boot-a-0009.idx": "a 9 .idx",
		"boot-a-0001.pcapng.zst.tmp": "a 1 .pcapng.zst.tmp",
		"boot-a.pcapng":              "", "boot-a-001.pcapng": "", "boot-A-0001.pcapng": "", "a-0001.pcapng": "", "boot-a-00x1.pcapng": "",
		"boot--0001.pcapng": "", "boot-a-0001.db": "", "boot-a-99999999999.pcapng": "",
	} {
		got := ""
		if boot, seq, end, ok := splitName(name); ok {
			got = fmt.Sprintf("%s %d %s", boot, seq, end)
		}
		if got != want {
			t.Errorf("splitName(%s) = %q; want %q", name, got, want)
		}
	}
}
