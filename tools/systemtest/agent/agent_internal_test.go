// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"encoding/binary"
	"encoding/hex"
	"os"
	"path/filepath"
	"testing"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
)

// struct can_frame of linux/can.h: identifier with flags in the machine's order, length, three bytes, data.
func TestRawFrames(t *testing.T) {
	if binary.NativeEndian.Uint16([]byte{1, 0}) != 1 {
		t.Skip("the bytes below are for a little-endian machine")
	}
	for _, c := range []struct {
		name string
		got  []byte
		want string
	}{
		{"extended and numbered", numbered(0x0102), "2201ff98" + "08000000" + "0000000000000102"},
		{"a warning", errorReport(0x204, 0x04, 96), "04020020" + "08000000" + "0004000000000060"},
		{"standard", rawFrame(0x123, 7), "23010000" + "01000000" + "0700000000000000"},
	} {
		if hex.EncodeToString(c.got) != c.want {
			t.Errorf("%s: %x; want %s", c.name, c.got, c.want)
		}
	}
}

func TestRecordingsAreCounted(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, numbers ...uint64) {
		f, err := os.Create(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		w, err := capture.NewPcapngWriter(f, []string{"can0"})
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range numbers {
			frame := bus.Frame{Frame: can.Frame{ID: numberedID, IsExtended: true, Length: 8}}
			binary.BigEndian.PutUint64(frame.Data[:], n)
			if err := w.Write(&frame); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	write("boot-a-0001.pcapng", 10, 11, 13)
	write("boot-a-0002.pcapng", 14, 12, 15, 99)
	got, err := readSome(dir, func(n uint64) bool { return n < 99 })
	if err != nil || got.frames != 5 || got.first != 10 || got.last != 15 || got.missing != 1 || got.disorder != 1 || len(got.files) != 2 {
		t.Errorf("%+v, %v; want 5 frames from 10 to 15, one missing, one out of order", got, err)
	}
	// While a file is sealed it is there twice.
	write("boot-a-0001.pcapng.zst", 10, 11, 13)
	if files, err := recordings(dir); err != nil || len(files) != 2 || filepath.Base(files[0]) != "boot-a-0001.pcapng.zst" {
		t.Errorf("recordings: %v, %v", files, err)
	}
}

// 187.5 µV a step at ±6.144 V and 125 µV at ±4.096 V (Texas Instruments SBAS444, table of full-scale ranges); the result is read
// highest byte first, and the ready bit is set.
func TestConverterModel(t *testing.T) {
	c := &ads1115{volts: [4]float64{2.5, 0, 0, 5}}
	for _, x := range []struct {
		config [2]byte // single conversion of an input, range in bits 11 to 9
		want   uint16
	}{
		{[2]byte{0xc1, 0x83}, 13333}, {[2]byte{0xc3, 0x83}, 20000}, {[2]byte{0xf1, 0x83}, 26667}, {[2]byte{0xf3, 0x83}, 32767}, {[2]byte{0xd1, 0x83}, 0},
	} {
		var ready, result [2]byte
		for _, err := range []error{c.Tx([]byte{1, x.config[0], x.config[1]}, nil), c.Tx([]byte{1}, ready[:]), c.Tx([]byte{0}, result[:])} {
			if err != nil {
				t.Fatal(err)
			}
		}
		if got := binary.BigEndian.Uint16(result[:]); got != x.want || ready[0]&0x80 == 0 {
			t.Errorf("configuration %x: %d, ready %x; want %d", x.config, got, ready, x.want)
		}
	}
}
