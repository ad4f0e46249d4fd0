// SPDX-License-Identifier: Apache-2.0

package traffic

import (
	"math"
	"testing"

	"go.einride.tech/can"

	"airhold/bus"
)

func parsed(tb testing.TB, text string) bus.Frame {
	tb.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		tb.Fatal(err)
	}
	return bus.Frame{Frame: f}
}

// CRC-15/CAN of the nine digits is 059E (Bosch CAN 2.0, 3.1.1; check value of the public catalogue of parametrised CRCs).
func TestChecksum(t *testing.T) {
	m := NewMeter()
	var got uint16
	for _, b := range []byte("123456789") {
		got = got<<8&maskCRC ^ m.crc[uint8(got>>7)^b]
	}
	if got != 0x059E {
		t.Errorf("checksum = %04X; want 059E", got)
	}
}

// A public bench note shows one device alone on a bus at 500 kbit/s, listened to without acknowledging: 15,720 times
// 18FEAE30#FFFFFEFEFFFFFFFF in 5 s, about 3,144 a second.
func TestBitsOfAnUnansweredFrame(t *testing.T) {
	f := parsed(t, "18FEAE30#FFFFFEFEFFFFFFFF")
	got := 500e3 / float64(NewMeter().stuffed(&f)+unansweredBits)
	if math.Abs(got-15720.0/5) > 1 {
		t.Errorf("repeated %.1f times a second; the bench saw %.1f", got, 15720.0/5)
	}
}

// ISO 11898-1: an 8-byte frame has 108 bits with an 11-bit identifier and 128 with a 29-bit one, and the pause of 3;
// stuffing adds at most one bit for every four after the first.
func TestBitsWithoutAndWithStuffing(t *testing.T) {
	m := NewMeter()
	for _, c := range []struct {
		text         string
		least, worst int64
	}{
		{"555#AAAAAAAAAAAAAAAA", 111, 135},
		{"000#0000000000000000", 111, 135},
		{"000#", 47, 55},
		{"15555555#AAAAAAAAAAAAAAAA", 131, 160},
		{"00000000#0000000000000000", 131, 160},
		{"1FFFFFFF#", 67, 80},
		{"123#R", 47, 55},
	} {
		f := parsed(t, c.text)
		if got := m.Bits(&f); got < c.least || got > c.worst {
			t.Errorf("Bits(%s) = %d; want %d to %d", c.text, got, c.least, c.worst)
		}
	}
	// All zeros, which no real frame is: the checksum is zero too, and each five zeros have a one put in.
	zeros := parsed(t, "000#0000000000000000")
	zeros.Length = 0 // the length code would be a one among them
	if got := m.Bits(&zeros); got != 47+34/5 {
		t.Errorf("Bits of zeros = %d; want %d", got, 47+34/5)
	}
}

// slow is the same counted on a list of bits, as the standard tells it.
func slow(f *bus.Frame) int64 {
	var bits []int
	add := func(v uint32, n int) {
		for i := n - 1; i >= 0; i-- {
			bits = append(bits, int(v>>i&1))
		}
	}
	rtr := uint32(0)
	if f.IsRemote {
		rtr = 1
	}
	add(0, 1)
	if f.IsExtended {
		add(f.ID>>18, 11)
		add(1, 1)
		add(1, 1)
		add(f.ID&0x3FFFF, 18)
		add(rtr, 1)
		add(0, 2)
	} else {
		add(f.ID, 11)
		add(rtr, 1)
		add(0, 2)
	}
	add(uint32(f.Length), 4)
	if !f.IsRemote {
		for _, b := range f.Data[:f.Length] {
			add(uint32(b), 8)
		}
	}
	var crc uint32
	for _, b := range bits {
		next := uint32(b) ^ crc>>14&1
		crc = crc << 1 & 0x7FFF
		if next == 1 {
			crc ^= 0x4599
		}
	}
	add(crc, 15)
	var sent []int
	for _, b := range bits {
		sent = append(sent, b)
		if n := len(sent); n >= 5 {
			same := true
			for _, c := range sent[n-5:] {
				same = same && c == sent[n-1]
			}
			// Five equal bits on the wire, the stuffed ones among them.
			if same {
				sent = append(sent, 1-b)
			}
		}
	}
	return int64(len(sent)) + 13
}

func FuzzBits(f *testing.F) {
	f.Add(uint32(0x18FEAE30), true, false, uint8(8), uint64(0xFFFFFEFEFFFFFFFF))
	f.Add(uint32(0), false, false, uint8(0), uint64(0))
	f.Add(uint32(0x7FF), false, true, uint8(8), uint64(0))
	m := NewMeter()
	f.Fuzz(func(t *testing.T, id uint32, extended, remote bool, length uint8, data uint64) {
		fr := bus.Frame{Frame: can.Frame{ID: id & 0x7FF, Length: length % 9, IsRemote: remote, IsExtended: extended}}
		if extended {
			fr.ID = id & 0x1FFFFFFF
		}
		for i := range fr.Length {
			fr.Data[i] = byte(data >> (56 - 8*i))
		}
		if got, want := m.Bits(&fr), slow(&fr); got != want {
			t.Errorf("Bits(%v) = %d; counted bit by bit %d", fr.Frame, got, want)
		}
	})
}

func BenchmarkBits(b *testing.B) {
	f := parsed(b, "18FEAE30#FFFFFEFEFFFFFFFF")
	m := NewMeter()
	b.ReportAllocs()
	for b.Loop() {
		m.Bits(&f)
	}
}
