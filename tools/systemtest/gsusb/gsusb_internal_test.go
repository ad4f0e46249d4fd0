// SPDX-License-Identifier: Apache-2.0

package gsusb

import (
	"context"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"time"

	"airhold/tools/systemtest/usbip"
)

// The bytes below are laid out by hand after the packed structures of drivers/net/can/usb/gs_usb.c (Linux 6.6); each
// comment gives the members. That they are right is shown by the driver itself in the system test.

func bytesOf(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestFrames(t *testing.T) {
	f := Frame{ID: 0x98FEF100, Length: 3, Data: [8]byte{1, 2, 3}}
	// echo_id, can_id, can_dlc channel flags reserved, data[8], timestamp_us
	want := bytesOf(t, "ffffffff 00f1fe98 03 00 00 00 0102030000000000 d2040000")
	if got := received(unsolicited, f, 1234); hex.EncodeToString(got) != hex.EncodeToString(want) || len(got) != receivedSize {
		t.Errorf("received = %x; want %x", got, want)
	}
	echo, got, ok := sent(bytesOf(t, "07000000 00f1fe98 03 00 00 00 0102030000000000"))
	if echo != 7 || got != f || !ok {
		t.Errorf("sent = %d %+v %v; want 7 %+v", echo, got, ok, f)
	}
	for _, bad := range []string{"", "07000000 00f1fe98 03 00 00 00 01020300000000", "07000000 00f1fe98 09 00 00 00 0102030000000000", "07000000 00f1fe98 03 01 00 00 0102030000000000"} {
		if _, _, ok := sent(bytesOf(t, bad)); ok {
			t.Errorf("sent(%s) was taken", bad)
		}
	}
}

func TestBitrate(t *testing.T) {
	for _, c := range []struct {
		timing string // prop_seg, phase_seg1, phase_seg2, sjw, brp
		want   uint32
	}{
		{"06000000 07000000 02000000 01000000 0c000000", 250_000}, // 48 MHz / (12 * 16)
		{"06000000 07000000 02000000 01000000 06000000", 500_000},
		{"05000000 06000000 04000000 01000000 03000000", 1_000_000},
		{"06000000 07000000 02000000 01000000 00000000", 0},
		{"06000000", 0},
	} {
		if got := bitrate(bytesOf(t, c.timing)); got != c.want {
			t.Errorf("bitrate(%s) = %d; want %d", c.timing, got, c.want)
		}
	}
}

// control is a vendor request for the interface, as the driver makes it.
func control(request byte, in bool) usbip.Setup {
	s := usbip.Setup{RequestType: 0x41, Request: request}
	if in {
		s.RequestType |= 0x80
	}
	return s
}

func start(t *testing.T, a *Adapter, flags string) {
	t.Helper()
	for request, data := range map[byte]string{0: "efbe0000", 1: "06000000 07000000 02000000 01000000 0c000000"} {
		if _, err := a.Control(control(request, false), bytesOf(t, data)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.Control(control(2, false), bytesOf(t, "01000000"+flags)); err != nil {
		t.Fatal(err)
	}
}

func TestDriverStartsAndStops(t *testing.T) {
	a := New(Options{})
	config, err := a.Control(control(5, true), nil)
	if err != nil || len(config) != 12 || config[3] != 0 {
		t.Errorf("configuration %x, %v; want 12 bytes and one channel", config, err)
	}
	consts, err := a.Control(control(4, true), nil)
	if err != nil || len(consts) != 40 || consts[0]&1 == 0 {
		t.Errorf("limits %x, %v; want 40 bytes with listen-only", consts, err)
	}
	if a.Hear(Frame{ID: 1}) {
		t.Error("an adapter that was not started heard something")
	}
	start(t, a, "11000000")
	want := Status{Running: true, ListenOnly: true, Bitrate: 250_000, Starts: 1, Lost: 1}
	if got := a.Status(); got != want {
		t.Errorf("started: %+v; want %+v", got, want)
	}
	if !a.Hear(Frame{ID: 0x123, Length: 1, Data: [8]byte{5}}) {
		t.Error("a started adapter was deaf")
	}
	got, err := a.In(t.Context(), 1, 64)
	if err != nil || len(got) != receivedSize || hex.EncodeToString(got[:20]) != "ffffffff23010000010000000500000000000000" {
		t.Errorf("In = %x, %v", got, err)
	}
	if err := a.Out(t.Context(), 2, bytesOf(t, "07000000 23010000 00 00 00 00 0000000000000000")); err != nil || a.Status().Sent != 1 {
		t.Errorf("Out: %v, %+v; want one frame counted", err, a.Status())
	}
	if got, err := a.In(t.Context(), 1, 64); err != nil || got[0] != 7 {
		t.Errorf("the driver was told %x, %v; want its own number 7 back", got, err)
	}
	if _, err := a.Control(control(2, false), bytesOf(t, "00000000 00000000")); err != nil || a.Status().Running {
		t.Errorf("stopped: %v, %+v", err, a.Status())
	}
	// In ends with its context.
	short, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, err := a.In(short, 1, 64); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("In without a frame: %v", err)
	}
}

// Bits of linux/can/error.h: controller 0x4, bus off 0x40, restarted 0x100, counters 0x200; data[1] active 0x40, warning
// 0x04, passive 0x10 at reception; data[6] and [7] the counters of sending and receiving.
func TestReports(t *testing.T) {
	a := New(Options{})
	start(t, a, "11000000")
	for _, c := range []struct {
		state  State
		tx, rx byte
		want   string
	}{
		{Warning, 0, 96, "04020020 08000000 0004000000000060"},
		{Passive, 1, 128, "04020020 08000000 0010000000000180"},
		{BusOff, 255, 0, "40000020 08000000 000000000000ff00"},
		{Active, 0, 0, "00010020 08000000 0000000000000000"},
		{Active, 0, 3, "04020020 08000000 0040000000000003"},
	} {
		if !a.Report(c.state, c.tx, c.rx) {
			t.Fatal("lost")
		}
		got, err := a.In(t.Context(), 1, 64)
		if err != nil || hex.EncodeToString(got[4:20]) != strings.ReplaceAll(c.want, " ", "") {
			t.Errorf("state %d: %x, %v; want %s", c.state, got[4:20], err, c.want)
		}
	}
	a.Report(Passive, 2, 130)
	// struct gs_device_state: state, rxerr, txerr.
	if got, err := a.Control(control(14, true), nil); err != nil || hex.EncodeToString(got) != "020000008200000002000000" {
		t.Errorf("state asked for: %x, %v", got, err)
	}
}

func TestRefusals(t *testing.T) {
	a := New(Options{Talker: true})
	consts, err := a.Control(control(4, true), nil)
	if err != nil || consts[0]&1 != 0 {
		t.Errorf("an adapter without listen-only says %x, %v", consts, err)
	}
	for name, c := range map[string]struct {
		s    usbip.Setup
		data string
	}{
		"listen-only of one that cannot": {control(2, false), "01000000 01000000"},
		"another mode":                   {control(2, false), "02000000 00000000"},
		"a short mode":                   {control(2, false), "01000000"},
		"another byte order":             {control(0, false), "0000beef"},
		"an impossible timing":           {control(1, false), "00000000 00000000 00000000 00000000 00000000"},
		"an unknown request":             {control(99, true), ""},
		"a class request":                {usbip.Setup{RequestType: 0x21, Request: 4}, ""},
	} {
		if _, err := a.Control(c.s, bytesOf(t, c.data)); !errors.Is(err, usbip.ErrStall) {
			t.Errorf("%s: %v; want a refusal", name, err)
		}
	}
	start(t, a, "10000000")
	if a.Status().ListenOnly {
		t.Error("it says that it listens only")
	}
	for range queueLimit + 5 {
		a.Hear(Frame{ID: 1})
	}
	if got := a.Status().Lost; got != 5 {
		t.Errorf("%d lost behind a full queue; want 5", got)
	}
}

func FuzzOut(f *testing.F) {
	f.Add([]byte("\x07\x00\x00\x00\x23\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		a := New(Options{})
		if _, err := a.Control(control(2, false), data); err != nil && !errors.Is(err, usbip.ErrStall) {
			t.Error(err)
		}
		if err := a.Out(t.Context(), 2, data); err == nil && len(data) < sentSize {
			t.Error("a short frame was taken")
		}
	})
}
