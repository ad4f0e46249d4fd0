// SPDX-License-Identifier: Apache-2.0

package rig_test

import (
	"encoding/binary"
	"math"
	"os"
	"testing"
	"time"

	"go.einride.tech/can/pkg/dbc"

	"airhold/bus"
	"airhold/firmware/rig"
)

// gather fetches the frames of the first d of a story.
func gather(tb testing.TB, o rig.Options, d time.Duration) (*rig.Rig, []bus.Frame) {
	tb.Helper()
	r, err := rig.New(o)
	if err != nil {
		tb.Fatal(err)
	}
	var out []bus.Frame
	for at := time.Duration(0); at <= d; at += 100 * time.Millisecond {
		out = r.Due(at, out)
	}
	return r, out
}

// of picks the frames with an identifier.
func of(frames []bus.Frame, id uint32) []bus.Frame {
	var out []bus.Frame
	for _, f := range frames {
		if f.ID == id {
			out = append(out, f)
		}
	}
	return out
}

func u16(f bus.Frame, firstByte int) float64 { // bytes count from 1, as in the standards
	return float64(binary.LittleEndian.Uint16(f.Data[firstByte-1:]))
}

func u32(f bus.Frame, firstByte int) float64 {
	return float64(binary.LittleEndian.Uint32(f.Data[firstByte-1:]))
}

func TestRates(t *testing.T) {
	_, frames := gather(t, rig.Options{Story: "quiet"}, 10*time.Second)
	for id, want := range map[uint32]int{
		0x0cf022f0: 100, 0x0cfe48f0: 100, 0x0cfe49f0: 100, 0x0cfe45f0: 100, 0x0cf00400: 200, 0x09f8011c: 100, 0x09f8021c: 100,
		0x18ff2a10: 50, 0x18fee500: 10, 0x18fef500: 10, 0x18fef700: 10, 0x18fee61c: 10, 0x0df0101c: 10, 0x18feca00: 10, 0x18feca10: 10,
		0x18eeff00: 1, 0x18eefff0: 1, 0x18eeff1c: 1, 0x18eeff10: 1,
	} {
		got := len(of(frames, id))
		if got < want || got > want+1 {
			t.Errorf("%08x came %d times in 10 s; want %d", id, got, want)
		}
	}
	last := time.Duration(-1)
	for _, f := range frames {
		if f.Boot <= last {
			t.Fatalf("%s at %s after %s: two frames at once on one bus", f.String(), f.Boot, last)
		}
		last = f.Boot
		if !f.IsExtended || f.Length != 8 || f.Class != bus.Data || !f.UTC.IsZero() {
			t.Fatalf("odd frame %+v", f)
		}
	}
}

// Byte places and scales by hand after SAE J1939-71, ISO 11783-7 and NMEA 2000.
func TestFramesSayWhatIsTrue(t *testing.T) {
	const at = 90 * time.Second
	r, frames := gather(t, rig.Options{Story: "quiet", Seed: 2}, at)
	last := func(id uint32) bus.Frame {
		t.Helper()
		fs := of(frames, id)
		if len(fs) == 0 {
			t.Fatalf("no %08x", id)
		}
		return fs[len(fs)-1]
	}
	truth := func(f bus.Frame) rig.Truth { return r.Truth(f.Boot) }
	check := func(what string, got, want, tolerance float64) {
		t.Helper()
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s = %.6g; true is %.6g", what, got, want)
		}
	}
	bits := func(what string, got, want byte) {
		t.Helper()
		if got != want {
			t.Errorf("%s = %#08b; want %#08b", what, got, want)
		}
	}

	f := last(0x0cf022f0)
	x := truth(f)
	check("selected speed", u16(f, 1)*0.001, float64(x.Speed), 0.07)
	check("selected distance", u32(f, 3)*0.001, x.Travelled, 0.3)
	bits("direction", f.Data[7]&3, 1)
	bits("speed source", f.Data[7]>>2&7, 1)
	bits("limit", f.Data[7]>>5, 0)
	f = last(0x0cfe48f0)
	check("wheel speed", u16(f, 1)*0.001, 1.04*float64(truth(f).Speed), 0.07)
	bits("wheel speed byte 8", f.Data[7], 0b00_11_01_01)
	f = last(0x0cfe49f0)
	check("ground speed", u16(f, 1)*0.001, float64(truth(f).Speed), 0.07)
	bits("ground speed byte 8", f.Data[7], 0b1111_1101)
	f = last(0x0cfe45f0)
	bits("in work", f.Data[1]>>6, 1)
	check("hitch position", float64(f.Data[0])*0.4, 10, 0.4)
	f = last(0x0cf00400)
	check("engine", u16(f, 4)*0.125, truth(f).EngineRPM, 2)
	f = last(0x18fef500)
	x = truth(f)
	check("barometer", float64(f.Data[0])*500, float64(x.Barometer), 251)
	check("ambient", u16(f, 4)*0.03125-273, float64(x.Ambient)-273.15, 0.02)
	f = last(0x18fef700)
	check("battery", u16(f, 5)*0.05, float64(truth(f).MachineVolts), 0.026)
	f = last(0x09f8011c)
	x = truth(f)
	check("latitude", float64(int32(binary.LittleEndian.Uint32(f.Data[0:])))*1e-7, x.Latitude, 5e-6)
	check("longitude", float64(int32(binary.LittleEndian.Uint32(f.Data[4:])))*1e-7, x.Longitude, 5e-6)
	f = last(0x09f8021c)
	x = truth(f)
	check("course", u16(f, 3)*1e-4, x.Heading, 1e-3)
	check("speed over ground", u16(f, 5)*0.01, float64(x.Speed), 0.07)
	bits("reference", f.Data[1], 0xfc)
	f = last(0x18fee500)
	check("engine hours", u32(f, 1)*0.05, 1234, 0.1)

	f = last(0x18fee61c)
	local := r.Clock(f.Boot)
	utc := local.UTC()
	want := [8]byte{
		byte(utc.Second() * 4), byte(utc.Minute()), byte(utc.Hour()), 4, 28 * 4, 2026 - 1985, 125, 126,
	}
	want[0] = f.Data[0]
	check("second", float64(f.Data[0])/4, float64(utc.Second())+float64(utc.Nanosecond())*1e-9, 0.25)
	if f.Data != want {
		t.Errorf("time = % x; want % x", f.Data, want)
	}
	f = last(0x0df0101c)
	days := time.Date(2026, 4, 28, 0, 0, 0, 0, time.UTC).Unix() / 86400
	check("days", u16(f, 3), float64(days), 0)
	clock := r.Clock(f.Boot).UTC()
	seconds := float64(clock.Hour()*3600+clock.Minute()*60+clock.Second()) + float64(clock.Nanosecond())*1e-9
	check("time of day", u32(f, 5)*1e-4, seconds, 0.01)
	f = last(0x18feca00)
	if want := [8]byte{0, 0xff, 0, 0, 0, 0, 0xff, 0xff}; f.Data != want {
		t.Errorf("DM1 = % x; want % x (no fault)", f.Data, want)
	}
}

// config/example.dbc and the rig must mean the same bits. The file is read with a DBC parser that is not ours.
func TestRankTargetsFollowTheExampleDBC(t *testing.T) {
	text, err := os.ReadFile("../../config/example.dbc")
	if err != nil {
		t.Fatal(err)
	}
	p := dbc.NewParser("example.dbc", text)
	if err := p.Parse(); err != nil {
		t.Fatal(err)
	}
	var message *dbc.MessageDef
	for _, d := range p.Defs() {
		if m, ok := d.(*dbc.MessageDef); ok && m.MessageID.ToCAN() == 0x18ff2a10 && m.MessageID.IsExtended() {
			message = m
		}
	}
	if message == nil {
		t.Fatal("no message 0x18ff2a10 in the file")
	}
	r, frames := gather(t, rig.Options{Story: "quiet"}, 20*time.Second)
	fs := of(frames, 0x18ff2a10)
	f := fs[len(fs)-1]
	x := r.Truth(f.Boot)
	want := map[string]float64{
		"front_target": float64(x.Ranks[0].Target) / 1000, "rear_target": float64(x.Ranks[1].Target) / 1000, "load_target": 600,
	}
	for _, s := range message.Signals {
		raw := f.Data.UnsignedBitsLittleEndian(uint8(s.StartBit), uint8(s.Size))
		if got := float64(raw)*s.Factor + s.Offset; math.Abs(got-want[string(s.Name)]) > s.Factor {
			t.Errorf("%s = %g %s; want %g", s.Name, got, s.Unit, want[string(s.Name)])
		}
		delete(want, string(s.Name))
	}
	if len(want) > 0 {
		t.Errorf("the file lacks %v", want)
	}
	_, parked := gather(t, rig.Options{Story: "shop"}, time.Second)
	f = of(parked, 0x18ff2a10)[0]
	for i := range 6 {
		if f.Data[i] != 0xff {
			t.Fatalf("targets with the control off = % x; want not available", f.Data)
		}
	}
}

// BAM after SAE J1939-21: control byte 32, size 10, two packets, PGN 65226; then two numbered packets. The fault codes
// unpacked by hand after J1939-73.
func TestCodesComeAsBroadcast(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "quiet", Faults: []rig.Event{{What: rig.Codes, Amount: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	frames := r.Due(950*time.Millisecond, nil)
	if n := len(of(frames, 0x18feca10)); n != 0 {
		t.Errorf("%d single-frame DM1 beside the broadcast", n)
	}
	cm := of(frames, 0x1cecff10)
	if len(cm) != 1 || cm[0].Data != [8]byte{32, 10, 0, 2, 0xff, 0xca, 0xfe, 0x00} {
		t.Fatalf("announcement = %v", cm)
	}
	dt := of(frames, 0x1cebff10)
	if len(dt) != 2 || dt[0].Data[0] != 1 || dt[1].Data[0] != 2 {
		t.Fatalf("packets = %v", dt)
	}
	if gap := dt[0].Boot - cm[0].Boot; gap < 50*time.Millisecond || gap > 200*time.Millisecond {
		t.Errorf("first packet %s after the announcement; want 50 to 200 ms", gap)
	}
	text := append(append([]byte{}, dt[0].Data[1:]...), dt[1].Data[1:]...)
	code := func(b []byte) (spn, fmi, count int) {
		return int(b[0]) | int(b[1])<<8 | int(b[2]>>5)<<16, int(b[2] & 31), int(b[3] & 127)
	}
	if s, f, n := code(text[2:]); s != 520201 || f != 1 || n != 1 {
		t.Errorf("first code = %d/%d, %d times; want 520201/1 once", s, f, n)
	}
	if s, f, n := code(text[6:]); s != 520202 || f != 16 || n != 3 {
		t.Errorf("second code = %d/%d, %d times; want 520202/16, three times", s, f, n)
	}
	for _, b := range text[10:] {
		if b != 0xff {
			t.Errorf("padding % x; want ff", text[10:])
		}
	}
}

// NAME after SAE J1939-81: identity bits 0-20, maker 21-31, function 40-47, class 49-55, industry 60-62, address-capable 63.
func TestClaimsAtKeyOn(t *testing.T) {
	_, frames := gather(t, rig.Options{}, time.Second)
	seen := map[uint64]bool{}
	for i, addr := range []uint32{0x00, 0xf0, 0x1c, 0x10} {
		if frames[i].ID != 0x18eeff00|addr {
			t.Fatalf("frame %d is %08x; want the claim of %#x first", i, frames[i].ID, addr)
		}
		name := binary.LittleEndian.Uint64(frames[i].Data[:])
		if seen[name] {
			t.Errorf("NAME %016x twice", name)
		}
		seen[name] = true
		if maker := name >> 21 & 0x7ff; maker != 2047 {
			t.Errorf("maker of %#x = %d; want the invented 2047", addr, maker)
		}
		if name>>48&1 != 0 {
			t.Errorf("reserved bit of %#x is set", addr)
		}
	}
}

func TestSilence(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "quiet"})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(r.Due(time.Second, nil)); n < 80 {
		t.Fatalf("%d frames in a second", n)
	}
	r.SilenceBus(true)
	if n := len(r.Due(2*time.Second, nil)); n != 0 {
		t.Errorf("%d frames on a silent bus", n)
	}
	r.SilenceBus(false)
	if n := len(r.Due(3*time.Second, nil)); n < 80 {
		t.Errorf("%d frames after the silence", n)
	}
	if err := r.Do(rig.Event{What: rig.Key}); err != nil {
		t.Fatal(err)
	}
	frames := r.Due(20*time.Second, nil)
	if end := frames[len(frames)-1].Boot; end < 5*time.Second || end > 7*time.Second {
		t.Errorf("last frame at %s; want three seconds after key-off at 3 s", end)
	}
	fs := of(frames, 0x0cfe48f0)
	if got := fs[len(fs)-1].Data[7] >> 2 & 3; got != 0 {
		t.Errorf("key switch after key-off = %d; want 0", got)
	}
	if err := r.Do(rig.Event{What: rig.Key, Amount: 1}); err != nil {
		t.Fatal(err)
	}
	if n := len(of(r.Due(21*time.Second, nil), 0x18eefff0)); n != 1 {
		t.Errorf("%d claims after the key came back; want one", n)
	}
}

func TestFramesNobodyFetchesAreCounted(t *testing.T) {
	r, err := rig.New(rig.Options{Story: "quiet"})
	if err != nil {
		t.Fatal(err)
	}
	r.Advance(20 * time.Minute)
	n := int64(len(r.Due(20*time.Minute, nil)))
	_, all := gather(t, rig.Options{Story: "quiet"}, 20*time.Minute)
	if lost := r.LostFrames(); lost == 0 || n+lost != int64(len(all)) {
		t.Errorf("%d fetched and %d lost of %d", n, lost, len(all))
	}
}
