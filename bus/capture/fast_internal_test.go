// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/bus"
)

// strconv is the stranger for the word-wise digits: every byte in every place.
func TestDigitsAgainstStrconv(t *testing.T) {
	word := func(s []byte) uint64 {
		var x uint64
		for i, c := range s {
			x |= uint64(c) << (8 * i)
		}
		return x
	}
	for place := range 8 {
		for c := range 256 {
			s := []byte("1aF90bC7")
			s[place] = byte(c)
			want, err := strconv.ParseUint(string(s), 16, 32)
			if s[0] == '+' || bytes.ContainsRune(s, '_') {
				err = strconv.ErrSyntax
			}
			got, ok := hex8(word(s))
			swapped := got<<24 | got<<8&0xff0000 | got>>8&0xff00 | got>>24
			if ok != (err == nil) || ok && uint64(swapped) != want {
				t.Fatalf("hex8(%q) = %08x, %v; want %08x, %v", s, swapped, ok, want, err)
			}
			s = []byte("019283xx")
			s[place] = byte(c)
			want, err = strconv.ParseUint(string(s[:6]), 10, 32)
			if s[0] == '+' {
				err = strconv.ErrSyntax
			}
			six, ok := decimal6(word(s))
			if ok != (err == nil) || ok && uint64(six) != want {
				t.Fatalf("decimal6(%q) = %d, %v; want %d, %v", s, six, ok, want, err)
			}
		}
	}
}

// careful reads a capture without the straight roads.
func careful(t *testing.T, data []byte) ([]bus.Frame, *Reader) {
	t.Helper()
	r, err := NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	next := r.dec.(interface{ next(f *bus.Frame) error }).next
	var out []bus.Frame
	for {
		var f bus.Frame
		if err := next(&f); err != nil {
			if !errors.Is(err, io.EOF) {
				t.Fatal(err)
			}
			return out, r
		}
		out = append(out, f)
	}
}

// Both ways read the same of anything: valid recordings with any byte changed, dropped or doubled.
func TestStraightAndCarefulAgree(t *testing.T) {
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: many broken recordings, read by one goroutine")
	}
	rng := rand.New(rand.NewPCG(3, 4))
	var text bytes.Buffer
	packets := AppendSection(nil, Section{Software: "test"}, []LinkInfo{{Name: "can0"}, {Name: "can1"}})
	for i := range 60 {
		length := 8
		if i%5 == 0 {
			length = i % 9
		}
		fmt.Fprintf(&text, "(%010d.%06d) can%d %08X#%X\n", 1477899735+i/40, i*588, i&1, rng.Uint32N(1<<29), bytes.Repeat([]byte{byte(i)}, length))
		f := bus.Frame{Link: uint16(i & 1)}
		f.ID, f.Length, f.IsExtended = rng.Uint32N(1<<29), uint8(length), true
		f.Data = [8]byte{1, 2, 3, 4, 5, 6, 7, byte(i)}
		switch i % 7 {
		case 3:
			f.Class, f.IsRemote = bus.Remote, true
		case 5:
			f.Class = bus.Error
		}
		var b [PacketSize]byte
		if err := PutPacket(&b, &f, 1477899735e9+int64(i)*1e8); err != nil {
			t.Fatal(err)
		}
		packets = append(packets, b[:]...)
	}
	check := func(data []byte) {
		t.Helper()
		if len(data) < 4 {
			return
		}
		want, slow := careful(t, data)
		r, err := NewReader(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		var got []bus.Frame
		var f bus.Frame
		for err = r.Next(&f); err == nil; err = r.Next(&f) {
			got = append(got, f)
		}
		if !errors.Is(err, io.EOF) || !cmp.Equal(want, got) || !cmp.Equal(slow.Links(), r.Links()) || !cmp.Equal(slow.BadLines(), r.BadLines()) ||
			slow.torn != r.torn || slow.NotFrames() != r.NotFrames() || slow.Whole() != r.Whole() {
			t.Fatalf("%q:\ncareful %d frames, %q, %v, torn %q\nstraight %d frames, %q, %v, torn %q\n%s", data,
				len(want), slow.Links(), slow.BadLines(), slow.torn, len(got), r.Links(), r.BadLines(), r.torn, cmp.Diff(want, got))
		}
	}
	for _, whole := range [][]byte{text.Bytes(), packets} {
		check(whole)
		for at := range whole {
			broken := bytes.Clone(whole)
			switch at % 4 {
			case 0:
				broken[at] = byte(rng.Uint32())
			case 1:
				broken[at] ^= 1 << rng.IntN(8)
			case 2:
				broken = append(broken[:at], broken[at+1:]...)
			case 3:
				broken = append(broken[:at+1], broken[at:]...)
			}
			check(broken)
		}
	}
	taken := 0 // so that the test cannot pass because nothing takes the straight road
	r, _ := NewReader(bytes.NewReader(text.Bytes()))
	var buf [200]bus.Frame
	for {
		n, err := r.dec.fill(buf[:])
		if err != nil {
			break
		}
		if n > 1 {
			taken += n
		}
	}
	if taken < 30 {
		t.Errorf("%d of 60 lines took the straight road; want most", taken)
	}
}

// A batch and single reads give the same frames; a source that gives little at a time holds none up.
func TestBatch(t *testing.T) {
	var text bytes.Buffer
	for i := range 300 {
		fmt.Fprintf(&text, "(1477899735.%06d) can0 18FEF100#%016X\n", i, i)
	}
	want, _ := careful(t, text.Bytes())
	r, _ := NewReader(bytes.NewReader(text.Bytes()))
	var got []bus.Frame
	buf := make([]bus.Frame, 7)
	var f bus.Frame
	for i := 0; ; i++ {
		if i%3 == 0 {
			if r.Next(&f) != nil {
				break
			}
			got = append(got, f)
			continue
		}
		n, err := r.Batch(buf)
		if err != nil {
			break
		}
		got = append(got, buf[:n]...)
	}
	if !cmp.Equal(want, got) {
		t.Errorf("%d frames in mixed reading; want %d", len(got), len(want))
	}
	if n, err := r.Batch(nil); n != 0 || err != nil {
		t.Errorf("Batch(nil) = %d, %v", n, err)
	}
	pr, pw := io.Pipe()
	go func() {
		_, _ = pw.Write(text.Bytes()[:3*len("(1477899735.000000) can0 18FEF100#0000000000000000\n")])
		select {} // and then nothing more
	}()
	live, err := NewReader(pr)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		if err := live.Next(&f); err != nil || f.Data[7] != byte(i) {
			t.Fatalf("frame %d of a live source: %+v, %v", i, f, err)
		}
	}
}
