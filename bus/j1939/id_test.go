// SPDX-License-Identifier: Apache-2.0

package j1939_test

import (
	"testing"

	"airhold/bus/j1939"
)

func TestSplitTakesIdentifiersApart(t *testing.T) {
	for name, c := range map[string]struct {
		id   uint32
		want j1939.ID
	}{
		// cantools tests/test_database.py, J1939 identifier tests.
		"destination in the identifier": {0x14123456, j1939.ID{Priority: 5, PGN: 0x1200, Destination: 0x34, Source: 0x56}},
		// J1939-Framework Tests/request_frame.cpp.
		"request": {0x10EA2430, j1939.ID{Priority: 4, PGN: 0xEA00, Destination: 0x24, Source: 0x30}},
		// AgIsoStack++ test/speed_distance_message_tests.cpp.
		"broadcast": {0x0CFE4846, j1939.ID{Priority: 3, PGN: 65096, Destination: 255, Source: 0x46}},
		// canboat analyzer/tests/actisense-format: data page 1.
		"data page": {0x09F80196, j1939.ID{Priority: 2, PGN: 129025, Destination: 255, Source: 0x96}},
	} {
		if got := j1939.Split(c.id); got != c.want {
			t.Errorf("%s: Split(%08X) = %+v; want %+v", name, c.id, got, c.want)
		}
		if got := c.want.CAN(); got != c.id {
			t.Errorf("%s: CAN() = %08X; want %08X", name, got, c.id)
		}
	}
}

// Property: every 29-bit identifier comes back as it was.
func TestSplitLosesNothing(t *testing.T) {
	for id := uint32(0); id < 1<<29; id += 9973 {
		if got := j1939.Split(id).CAN(); got != id {
			t.Fatalf("Split(%08X).CAN() = %08X", id, got)
		}
	}
}

func TestNAMEFields(t *testing.T) {
	// J1939-Framework Tests/address_claim_frame_test.cpp: 14EE2535#2A65009D85F1B42F.
	n, ok := j1939.ParseNAME([]byte{0x2A, 0x65, 0x00, 0x9D, 0x85, 0xF1, 0xB4, 0x2F})
	got := []int{
		int(n.Identity()), int(n.Manufacturer()), int(n.ECUInstance()), int(n.FunctionInstance()), int(n.Function()),
		int(n.DeviceClass()), int(n.ClassInstance()), int(n.IndustryGroup()), int(n.ArbitraryAddress()),
	}
	want := []int{25898, 1256, 5, 16, 241, 90, 15, 2, 0}
	for i := range want {
		if !ok || got[i] != want[i] {
			t.Fatalf("NAME fields = %v, %v; want %v", got, ok, want)
		}
	}
	if _, ok := j1939.ParseNAME(make([]byte, 7)); ok {
		t.Error("seven bytes were taken for a NAME")
	}
}

func TestAddressBookFollowsAMovedDevice(t *testing.T) {
	claim := func(source uint8, name byte) *j1939.Message {
		return &j1939.Message{
			ID: j1939.ID{PGN: j1939.PGNAddressClaim, Source: source, Destination: 255}, Data: []byte{name, 0, 0, 0, 0, 0, 0, 0},
		}
	}
	var b j1939.AddressBook
	b.Hear(claim(10, 1))
	b.Hear(claim(20, 2))
	b.Hear(claim(11, 1)) // the first device moves
	b.Hear(claim(20, 3)) // a third takes the second's address
	b.Hear(claim(254, 9))
	want := []j1939.Address{{Address: 11, NAME: 1}, {Address: 20, NAME: 3}}
	got := b.List()
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("List() = %v; want %v", got, want)
	}
	b.Hear(claim(254, 1)) // cannot claim any address
	if _, ok := b.At(0, 11); ok {
		t.Error("a device that cannot claim kept its address")
	}
}

func TestDM1(t *testing.T) {
	na := j1939.Lamps{
		Malfunction: j1939.LampNotAvailable, RedStop: j1939.LampNotAvailable,
		AmberWarning: j1939.LampNotAvailable, Protect: j1939.LampNotAvailable,
	}
	for name, c := range map[string]struct {
		data []byte
		want []j1939.DTC
		lamp j1939.Lamps
	}{
		// AgIsoStack++ test/diagnostic_protocol_tests.cpp.
		"one code": {
			[]byte{0xFF, 0xFF, 0xD2, 0x04, 0x1F, 0x01, 0xFF, 0xFF}, []j1939.DTC{{SPN: 1234, FMI: 31, Count: 1}}, na,
		},
		// J1939-73: all zero is "no fault"; lamps in the order malfunction, red, amber, protect.
		"no fault": {
			[]byte{0b00_01_10_11, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF},
			nil,
			j1939.Lamps{Malfunction: 0, RedStop: j1939.LampOn, AmberWarning: j1939.LampError, Protect: j1939.LampNotAvailable},
		},
		// Derived from the layout: the three top SPN bits, count 127, old conversion.
		"largest": {
			[]byte{0xFF, 0xFF, 0xFE, 0xFF, 0xE3, 0xFF},
			[]j1939.DTC{{SPN: 0x7FFFE, FMI: 3, Count: 127, Conversion: 1}},
			na,
		},
		"torn code": {[]byte{0xFF, 0xFF, 1, 2, 3}, nil, na},
	} {
		got, ok := j1939.ParseDM1(c.data, nil)
		if !ok || len(got.DTCs) != len(c.want) || got.Lamps != c.lamp {
			t.Errorf("%s: ParseDM1 = %+v, %v; want %+v and %+v", name, got, ok, c.want, c.lamp)
			continue
		}
		for i := range c.want {
			if got.DTCs[i] != c.want[i] {
				t.Errorf("%s: code %d = %+v; want %+v", name, i, got.DTCs[i], c.want[i])
			}
		}
	}
	if _, ok := j1939.ParseDM1([]byte{1}, nil); ok {
		t.Error("one byte was taken for a DM1")
	}
}
