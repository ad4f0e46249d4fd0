// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"airhold/bus"
)

// spliceParts are a section of two links, and blocks of frames no two of which are alike. Every second block has in
// its data what begins a block of that type.
func spliceParts(t *testing.T, rng *rand.Rand, from int64, link uint16, kind uint32) (head []byte, blocks [][]byte, frames []bus.Frame) {
	t.Helper()
	head = AppendSection(nil, Section{Software: "test"}, []LinkInfo{{Name: "can0"}, {Name: "can1"}})
	for i := range 6 {
		ns := from + int64(i)*588_000
		f := bus.Frame{Link: link, UTC: time.Unix(0, ns).UTC()}
		f.ID, f.Length, f.IsExtended = rng.Uint32N(1<<29), 8, true
		binary.LittleEndian.PutUint64(f.Data[:], rng.Uint64()|1<<63|1<<31)
		if i%2 == 0 {
			binary.LittleEndian.PutUint32(f.Data[4:], kind)
		}
		var b [PacketSize]byte
		if err := PutPacket(&b, &f, ns); err != nil {
			t.Fatal(err)
		}
		blocks, frames = append(blocks, b[:]), append(frames, f)
	}
	return head, blocks, frames
}

// readings reads a capture with and without the straight road, in one piece and in many. All must give the same, which it
// returns.
func readings(t *testing.T, data []byte) ([]bus.Frame, *Reader) {
	t.Helper()
	want, slow := careful(t, data)
	for name, src := range map[string]io.Reader{"at once": bytes.NewReader(data), "in pieces": &pieces{data, 29}} {
		r, err := NewReader(src)
		if err != nil {
			t.Fatal(err)
		}
		var got []bus.Frame
		buf := make([]bus.Frame, 5)
		n := 0
		for ; err == nil; n, err = r.Batch(buf) {
			got = append(got, buf[:n]...)
		}
		if !errors.Is(err, io.EOF) || !slices.Equal(want, got) || r.Whole() != slow.Whole() || r.torn != slow.torn || !slices.Equal(r.BadLines(), slow.BadLines()) {
			t.Fatalf("%s: %d frames, whole up to %d, torn %q, bad %v, %v; the careful way %d, %d, %q, %v", name,
				len(got), r.Whole(), r.torn, r.BadLines(), err, len(want), slow.Whole(), slow.torn, slow.BadLines())
		}
	}
	return want, slow
}

type pieces struct {
	data []byte
	size int
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(p.data) == 0 {
		return 0, io.EOF
	}
	n := copy(b, p.data[:min(p.size, len(p.data))])
	p.data = p.data[n:]
	return n, nil
}

// sameFrames compares all but the boot time, which counts from the first frame that was read.
func sameFrames(got, want []bus.Frame) bool {
	return slices.EqualFunc(got, want, func(a, b bus.Frame) bool {
		return a.Frame == b.Frame && a.UTC.Equal(b.UTC) && a.Link == b.Link && a.Class == b.Class
	})
}

// clocks at which recordings are made: set, and two hours and two months after the start of a box whose clock never was.
var clocks = []int64{1_764_367_000_123_456_789, 7_200_000_000_001, 5_184_000_000_000_001}

// A block torn at any byte, with whole blocks right behind it: these are read, and no frame that nobody wrote. Torn eight
// bytes before its end the block finds its own length in the next one's head; what takes no look at what follows takes
// the two for one, as gopacket's pcapgo.NgReader does.
func TestSpliceInventsNoFrame(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, from := range clocks {
		for link := range uint16(2) {
			head, blocks, frames := spliceParts(t, rng, from, link, 0x99)
			stats := AppendStatistics(nil, link, Statistics{At: from, Received: 7}, "words")
			for cut := 1; cut < plainBlock; cut++ {
				for behind := 1; behind <= 3; behind++ {
					for before := range 3 {
						data := append(append(bytes.Clone(head), bytes.Join(blocks[:before], nil)...), blocks[before][:cut]...)
						data = append(data, bytes.Join(blocks[6-behind:], nil)...)
						got, r := readings(t, data)
						if want := append(slices.Clone(frames[:before]), frames[6-behind:]...); !sameFrames(got, want) {
							t.Fatalf("clock %d, link %d, cut at %d: %+v; want %+v", from, link, cut, got, want)
						}
						if bad := r.BadLines(); len(bad) != 1 || bad[0].Offset != int64(len(head)+before*plainBlock) || r.Whole() != int64(len(data)) {
							t.Fatalf("cut at %d: bad %v, whole up to %d; want the torn block named and all %d bytes", cut, bad, r.Whole(), len(data))
						}
					}
				}
			}
			// Counts torn in the same way, and one torn block after the other.
			for cut := 1; cut < len(stats); cut++ {
				data := bytes.Join([][]byte{head, blocks[0], stats[:cut], stats, blocks[1]}, nil)
				if got, r := readings(t, data); !sameFrames(got, frames[:2]) || r.BadCount() != 1 {
					t.Fatalf("counts cut at %d: %+v, bad %v", cut, got, r.BadLines())
				}
			}
			for cut := 1; cut < plainBlock; cut++ {
				if cut == 8 {
					continue // 48 bytes as of a whole block, and a whole one follows: nobody can tell
				}
				data := bytes.Join([][]byte{head, blocks[0], blocks[1][:40], blocks[2][:cut], blocks[3], blocks[4]}, nil)
				if got, _ := readings(t, data); !sameFrames(got, []bus.Frame{frames[0], frames[3], frames[4]}) {
					t.Fatalf("clock %d, link %d, torn twice, at 40 and %d: %+v", from, link, cut, got)
				}
			}
		}
	}
}

// Out of a sealed file comes the same.
func TestSpliceInASealedCapture(t *testing.T) {
	head, blocks, frames := spliceParts(t, rand.New(rand.NewPCG(13, 14)), clocks[0], 0, 0x99)
	for cut := 1; cut < plainBlock; cut++ {
		plain := bytes.Join([][]byte{head, blocks[0], blocks[1][:cut], blocks[2], blocks[3]}, nil)
		var sealed bytes.Buffer
		if _, err := Seal(&sealed, bytes.NewReader(plain), nil); err != nil {
			t.Fatal(err)
		}
		if got, r := readings(t, sealed.Bytes()); !sameFrames(got, []bus.Frame{frames[0], frames[2], frames[3]}) || r.Whole() != int64(len(plain)) {
			t.Fatalf("cut at %d: %+v, whole up to %d", cut, got, r.Whole())
		}
	}
}

// A torn block of counts may find its length in the data of the frame behind it. The frame is kept.
func TestSpliceKeepsTheFrameInside(t *testing.T) {
	head, blocks, frames := spliceParts(t, rand.New(rand.NewPCG(15, 16)), clocks[0], 0, 0x99)
	stats := AppendStatistics(nil, 0, Statistics{At: clocks[0], Received: 7}, "words")
	for half := range 2 {
		inside := bytes.Clone(blocks[1])
		want := slices.Clone(frames[:3])
		binary.LittleEndian.PutUint32(inside[36+4*half:], uint32(len(stats)))
		binary.LittleEndian.PutUint32(want[1].Data[4*half:], uint32(len(stats)))
		for cut := 1; cut < len(stats); cut++ {
			data := bytes.Join([][]byte{head, blocks[0], stats[:cut], inside, blocks[2]}, nil)
			if got, r := readings(t, data); !sameFrames(got, want) || r.BadCount() != 1 {
				t.Fatalf("cut at %d: %+v, bad %v", cut, got, r.BadLines())
			}
		}
	}
}

// The same at the end of the capture, where the second block is torn too. Of four bytes or fewer behind the joint
// nobody can tell.
func TestSpliceAtTheEnd(t *testing.T) {
	head, blocks, frames := spliceParts(t, rand.New(rand.NewPCG(7, 8)), clocks[0], 1, 0x99)
	for cut := 1; cut < plainBlock; cut++ {
		for end := 13; end < plainBlock; end++ {
			data := bytes.Join([][]byte{head, blocks[0], blocks[1][:cut], blocks[2][:end]}, nil)
			got, r := readings(t, data)
			if _, torn := r.Torn(); !sameFrames(got, frames[:1]) || !torn || r.Whole() != int64(len(head)+plainBlock) {
				t.Fatalf("cut at %d and %d: %+v, whole up to %d", cut, end, got, r.Whole())
			}
		}
	}
}

// A frame whose data look like the head of a block is kept wherever what follows allows it.
func TestDataLikeABlockAreKept(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for _, from := range clocks {
		for link := range uint16(2) {
			for _, kind := range []uint32{blockInterface, blockName, blockStats, blockEnhanced} {
				head, blocks, frames := spliceParts(t, rng, from, link, kind)
				whole := append(bytes.Clone(head), bytes.Join(blocks, nil)...)
				for cut := len(whole) - 3*plainBlock; cut <= len(whole); cut++ {
					for _, zeros := range []int{0, 1, 15, 31, 4096} {
						data := append(bytes.Clone(whole[:cut]), make([]byte, zeros)...)
						n := 0 // what was cut off may itself have been zeros
						for end := len(head) + plainBlock; end <= min(len(data), len(whole)) && bytes.Equal(data[:end], whole[:end]); end += plainBlock {
							n++
						}
						got, r := readings(t, data)
						if !sameFrames(got, frames[:n]) {
							t.Fatalf("clock %d, type %d, cut at %d, %d zeros: %d frames; want %d", from, kind, cut, zeros, len(got), n)
						}
						if r.Whole() != int64(len(head)+n*plainBlock) {
							t.Fatalf("type %d, cut at %d: whole up to %d", kind, cut, r.Whole())
						}
					}
				}
				strange := appendBlock(nil, 0xbad, []byte("a type that this package does not know  "))
				if got, r := readings(t, bytes.Join([][]byte{head, blocks[0], strange, blocks[1]}, nil)); !sameFrames(got, frames[:2]) || r.BadCount() != 0 {
					t.Fatalf("type %d, a strange block behind: %+v, bad %v", kind, got, r.BadLines())
				}
				for at := 8; at < 2*plainBlock; at++ { // damage in the block behind, but not in its head, or in the one after that
					broken := bytes.Clone(whole)
					broken[len(head)+plainBlock+at] ^= 0xff
					if got, _ := readings(t, broken); len(got) < 5 || !sameFrames(got[:1], frames[:1]) || !sameFrames(got[len(got)-3:], frames[3:]) {
						t.Fatalf("type %d, byte %d behind the first block changed: %+v", kind, at, got)
					}
				}
			}
		}
	}
}

// A source that has no more for the moment holds up no frame, unless its data look like the head of a block.
func TestLivePcapng(t *testing.T) {
	head, blocks, frames := spliceParts(t, rand.New(rand.NewPCG(11, 12)), clocks[0], 0, 0x99)
	pr, pw := io.Pipe()
	go func() {
		_, _ = pw.Write(append(bytes.Clone(head), bytes.Join(blocks[:3], nil)...))
		select {} // and then nothing more
	}()
	r, err := NewReader(pr)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		var f bus.Frame
		if err := r.Next(&f); err != nil || f.Frame != frames[i].Frame {
			t.Fatalf("frame %d of a live source: %+v, %v", i, f, err)
		}
	}
}
