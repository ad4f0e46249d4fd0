// SPDX-License-Identifier: Apache-2.0

package socketcan_test

import (
	"encoding/binary"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/bus/socketcan"
)

// Messages are laid out by hand after linux/rtnetlink.h and linux/can/netlink.h; the numbers are those of the headers.

func attr(kind uint16, value ...byte) []byte {
	b := binary.NativeEndian.AppendUint16(nil, uint16(4+len(value)))
	b = binary.NativeEndian.AppendUint16(b, kind)
	b = append(b, value...)
	return append(b, make([]byte, -len(value)&3)...)
}

func u32(values ...uint32) []byte {
	var b []byte
	for _, v := range values {
		b = binary.NativeEndian.AppendUint32(b, v)
	}
	return b
}

func message(kind uint16, body ...byte) []byte {
	b := u32(uint32(16 + len(body)))
	b = binary.NativeEndian.AppendUint16(b, kind)
	b = append(b, make([]byte, 10)...) // flags, sequence, sender
	return append(append(b, body...), make([]byte, -len(body)&3)...)
}

func newLink(hardware uint16, index, flags uint32, attrs ...[]byte) []byte {
	b := []byte{0, 0}
	b = binary.NativeEndian.AppendUint16(b, hardware)
	b = append(b, u32(index, flags, 0)...)
	for _, a := range attrs {
		b = append(b, a...)
	}
	return message(16, b...)
}

func name(s string) []byte { return attr(3, append([]byte(s), 0)...) }

func info(kind string, data ...[]byte) []byte {
	var d []byte
	for _, a := range data {
		d = append(d, a...)
	}
	return attr(18|0x8000, append(attr(1, append([]byte(kind), 0)...), attr(2, d...)...)...)
}

// pieces of IFLA_INFO_DATA of a controller.
func timing(rate uint32) []byte { return attr(1, u32(rate, 875, 0, 0, 0, 0, 0, 0)...) }
func timingConst() []byte       { return attr(2, make([]byte, 48)...) }
func mode(flags uint32) []byte  { return attr(5, u32(0, flags)...) }
func state(v uint32) []byte     { return attr(4, u32(v)...) } // enum can_state
func rateConst() []byte         { return attr(13, u32(10000, 20000)...) }
func parent() []byte            { return attr(56, []byte("spi0.0\x00")...) }

func counters(sending, hearing uint16) []byte { // struct can_berr_counter
	return attr(8, binary.NativeEndian.AppendUint16(binary.NativeEndian.AppendUint16(nil, sending), hearing)...)
}

const (
	up        = 1
	can       = 280
	listening = 2
	berr      = 0x10
)

func TestLinks(t *testing.T) {
	tests := []struct {
		name    string
		message []byte
		want    socketcan.Link
		refused error    // nil: may be opened
		words   []string // in the refusal
	}{
		{
			name:    "a controller that listens only",
			message: newLink(can, 3, up, name("can0"), parent(), info("can", timing(500000), timingConst(), mode(listening|berr))),
			want:    socketcan.Link{Name: "can0", Index: 3, Kind: "can", CAN: true, Up: true, ModeKnown: true, ListenOnly: true, Bitrate: 500000},
		},
		{
			name: "a controller that met errors",
			message: newLink(can, 3, up, name("can0"), parent(), info("can", timing(250000), timingConst(), state(2), counters(0, 130),
				mode(listening))),
			want: socketcan.Link{
				Name: "can0", Index: 3, Kind: "can", CAN: true, Up: true, ModeKnown: true, ListenOnly: true, Bitrate: 250000,
				State: "passive", Hearing: 130,
			},
		},
		{
			name:    "a controller that left the bus",
			message: newLink(can, 3, up, name("can0"), info("can", timing(250000), timingConst(), state(3), counters(248, 0), mode(listening))),
			want: socketcan.Link{
				Name: "can0", Index: 3, Kind: "can", CAN: true, Up: true, ModeKnown: true, ListenOnly: true, Bitrate: 250000,
				State: "off", Sending: 248,
			},
		},
		{
			name:    "a state no header knows",
			message: newLink(can, 3, up, name("can0"), info("can", timingConst(), state(77), mode(listening))),
			want:    socketcan.Link{Name: "can0", Index: 3, Kind: "can", CAN: true, Up: true, ModeKnown: true, ListenOnly: true},
		},
		{
			name:    "a controller that would acknowledge",
			message: newLink(can, 3, up, name("can0"), parent(), info("can", timing(500000), timingConst(), mode(berr))),
			want:    socketcan.Link{Name: "can0", Index: 3, Kind: "can", CAN: true, Up: true, ModeKnown: true, Bitrate: 500000},
			refused: socketcan.ErrNotListenOnly,
			words:   []string{"sudo airhold link can0 --bitrate 500000", "listen-only on"},
		},
		{
			name:    "never set up",
			message: newLink(can, 4, 0, name("can1"), parent(), info("can", timingConst(), mode(0))),
			want:    socketcan.Link{Name: "can1", Index: 4, Kind: "can", CAN: true, ModeKnown: true},
			refused: socketcan.ErrNotListenOnly,
			words:   []string{"airhold link can1 --bitrate 250000"},
		},
		{
			name:    "listen-only, but down",
			message: newLink(can, 3, 0, name("can0"), info("can", timing(250000), timingConst(), mode(listening))),
			want:    socketcan.Link{Name: "can0", Index: 3, Kind: "can", CAN: true, ModeKnown: true, ListenOnly: true, Bitrate: 250000},
			refused: socketcan.ErrDown,
			words:   []string{"airhold link can0 --bitrate 250000"},
		},
		{
			name:    "no mode reported",
			message: newLink(can, 3, up, name("can0"), info("can", timingConst())),
			want:    socketcan.Link{Name: "can0", Index: 3, Kind: "can", CAN: true, Up: true},
			refused: socketcan.ErrNotListenOnly,
		},
		{
			name:    "virtual",
			message: newLink(can, 5, up, name("vcan0"), info("vcan")),
			want:    socketcan.Link{Name: "vcan0", Index: 5, Kind: "vcan", CAN: true, Up: true},
		},
		{
			name:    "virtual, down",
			message: newLink(can, 5, 0, name("vcan0"), info("vcan")),
			want:    socketcan.Link{Name: "vcan0", Index: 5, Kind: "vcan", CAN: true},
			refused: socketcan.ErrDown,
			words:   []string{"sudo ip link set vcan0 up"},
		},
		{
			name:    "serial line, old kernel",
			message: newLink(can, 6, up, name("slcan0")),
			want:    socketcan.Link{Name: "slcan0", Index: 6, CAN: true, Up: true},
			refused: socketcan.ErrNotCAN,
			words:   []string{"slcan", "cannot report"},
		},
		{
			name:    "serial line, new kernel, claims to listen",
			message: newLink(can, 6, up, name("can0"), info("can", timing(250000), rateConst(), mode(listening))),
			want:    socketcan.Link{Name: "can0", Index: 6, Kind: "can", CAN: true, Up: true, ModeKnown: true, ListenOnly: true, Bitrate: 250000, Serial: true},
			refused: socketcan.ErrNotCAN,
			words:   []string{"slcan"},
		},
		{
			name:    "another kind",
			message: newLink(can, 7, up, name("vx0"), info("vxcan")),
			want:    socketcan.Link{Name: "vx0", Index: 7, Kind: "vxcan", CAN: true, Up: true},
			refused: socketcan.ErrNotCAN,
			words:   []string{"vxcan"},
		},
		{
			name:    "Ethernet whose driver data looks like a mode",
			message: newLink(1, 2, up, name("eth0"), info("bridge", mode(listening))),
			want:    socketcan.Link{Name: "eth0", Index: 2, Kind: "bridge", Up: true},
			refused: socketcan.ErrNotCAN,
		},
		{
			name:    "a name that would spoil a terminal",
			message: newLink(1, 2, up, name("a\x1b[2J")),
			want:    socketcan.Link{Name: `"a\x1b[2J"`, Index: 2, Up: true},
			refused: socketcan.ErrNotCAN,
		},
	}
	var all []byte
	var want []socketcan.Link
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := socketcan.ParseLinks(tt.message)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]socketcan.Link{tt.want}, got); diff != "" {
				t.Fatalf("ParseLinks (-want +got):\n%s", diff)
			}
			refusal := got[0].Refusal()
			if !errors.Is(refusal, tt.refused) || (refusal != nil) != (tt.refused != nil) {
				t.Errorf("Refusal() = %v; want %v", refusal, tt.refused)
			}
			for _, w := range tt.words {
				if !strings.Contains(refusal.Error(), w) {
					t.Errorf("Refusal() = %q; want %q in it", refusal, w)
				}
			}
		})
		all = append(all, tt.message...)
		want = append(want, tt.want)
	}
	got, err := socketcan.ParseLinks(append(all, message(3, 0, 0, 0, 0)...))
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("all in one answer: %v\n%s", err, diff)
	}
	// A mode that was cut off must never pass for one that was read.
	one := tests[0].message
	for cut := 1; cut < len(one); cut++ {
		if links, err := socketcan.ParseLinks(one[:cut]); err == nil {
			t.Errorf("cut at %d: %+v; want an error", cut, links)
		}
	}
	if _, err := socketcan.ParseLinks(message(2, 0xff, 0xff, 0xff, 0xff)); err == nil {
		t.Error("an error answer was taken for no links")
	}
}

func FuzzLinks(f *testing.F) {
	f.Add(newLink(can, 3, up, name("can0"), info("can", timing(500000), timingConst(), mode(listening))))
	f.Fuzz(func(t *testing.T, data []byte) {
		links, _ := socketcan.ParseLinks(data)
		for _, l := range links {
			silent := l.Kind == "vcan" || l.Kind == "can" && l.ModeKnown && l.ListenOnly
			if l.Refusal() == nil && (!l.CAN || !l.Up || !silent) {
				t.Fatalf("%+v may be opened", l)
			}
		}
	})
}

// A filter passes a group from any sender, to any destination, with any priority, and nothing else (J1939-21: a format
// byte below 240 is followed by a destination).
func TestPGNFilter(t *testing.T) {
	for _, c := range []struct {
		pgn  uint32
		id   uint32
		fits bool
	}{
		{61444, 0x0CF00400, true},
		{61444, 0x18F00417, true},
		{61444, 0x0CF00500, false},
		{61444, 0x0DF00400, false}, // another data page
		{60416, 0x1CECFF00, true},
		{60416, 0x18EC2110, true},
		{60416, 0x1CEBFF00, false},
		{61184, 0x18EF2510, true}, // 239 in the format byte: the last that is followed by a destination
		{61440, 0x18F00010, true},
		{61440, 0x18F00110, false},
		{129029, 0x0DF80500, true},
		{129029, 0x0CF80500, false},
	} {
		if got := socketcan.PGNFilter(c.pgn).Fits(c.id, true); got != c.fits {
			t.Errorf("filter of %d and %08X: %v; want %v", c.pgn, c.id, got, c.fits)
		}
		if socketcan.PGNFilter(c.pgn).Fits(c.id, false) {
			t.Errorf("filter of %d passes an 11-bit identifier", c.pgn)
		}
	}
	plain := socketcan.Filter{ID: 0x123, Mask: 0x7FF}
	if !plain.Fits(0x123, false) || plain.Fits(0x124, false) || plain.Fits(0x123, true) {
		t.Error("the filter of 11-bit 123 passes something else, or not itself")
	}
}
