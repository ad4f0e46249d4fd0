// SPDX-License-Identifier: Apache-2.0

package traffic_test

import (
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/traffic"
)

// report makes an error report. The bits are those of linux/can/error.h, written out so that they do not come from the
// code under test.
func report(class uint32, data ...byte) bus.Frame {
	f := bus.Frame{Frame: can.Frame{ID: class, Length: 8}, Class: bus.Error}
	copy(f.Data[:], data)
	return f
}

func heard() bus.Frame { return bus.Frame{Frame: can.Frame{ID: 0x123}} }

func times(n int, f bus.Frame) []bus.Frame {
	out := make([]bus.Frame, n)
	for i := range out {
		out[i] = f
	}
	return out
}

func join(parts ...[]bus.Frame) []bus.Frame {
	var out []bus.Frame
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

func one(f ...bus.Frame) []bus.Frame { return f }

// What drivers send, by the header's own table: warning from 96, passive from 128, off from 256; and ISO 11898-1 for what
// makes a controller sound again.
func TestControllerState(t *testing.T) {
	var (
		rxWarning = report(0x204, 0, 0x04, 0, 0, 0, 0, 0, 96)
		rxPassive = report(0x204, 0, 0x10, 0, 0, 0, 0, 0, 128)
		txPassive = report(0x204, 0, 0x20, 0, 0, 0, 0, 128, 0)
		recovered = report(0x204, 0, 0x40, 0, 0, 0, 0, 0, 95)
		off       = report(0x040)
		restarted = report(0x100)
		stuff     = report(0x088, 0, 0, 0x04)
		old       = report(0x004, 0, 0x10, 0, 0, 0, 0, 3, 130) // counters without the bit that says so, before Linux 6.0
	)
	for name, c := range map[string]struct {
		frames     []bus.Frame
		want       traffic.State
		tx, rx     uint8
		counted    bool
		onlyErrors bool
	}{
		"nothing heard":                          {nil, traffic.Unknown, 0, 0, false, false},
		"a frame":                                {one(heard()), traffic.Active, 0, 0, false, false},
		"warning":                                {one(heard(), rxWarning), traffic.Warning, 0, 96, true, false},
		"passive by receiving":                   {one(heard(), rxWarning, rxPassive), traffic.Passive, 0, 128, true, false},
		"passive by sending":                     {one(txPassive), traffic.Passive, 128, 0, true, true},
		"passive, older kernel":                  {one(old), traffic.Passive, 3, 130, true, true},
		"recovered":                              {one(rxPassive, recovered), traffic.Active, 0, 95, true, true},
		"off":                                    {one(heard(), off), traffic.Off, 0, 0, false, false},
		"off, nothing ever heard":                {one(off), traffic.Off, 0, 0, false, true},
		"off, and counters do not bring it back": {one(off, report(0x200, 0, 0, 0, 0, 0, 0, 0, 5)), traffic.Off, 0, 5, true, true},
		"off and restarted":                      {one(rxPassive, off, restarted), traffic.Active, 0, 0, true, true},
		"off, then frames":                       {one(off, heard()), traffic.Active, 0, 0, false, false},
		"errors on the wire, counters below":     {one(heard(), report(0x288, 0, 0, 0x02, 0, 0, 0, 0, 9)), traffic.Active, 0, 9, true, false},
		"counters alone":                         {one(report(0x288, 0, 0, 0x02, 0, 0, 0, 0, 127)), traffic.Warning, 0, 127, true, true},
		"counters at 95":                         {one(heard(), report(0x200, 0, 0, 0, 0, 0, 0, 95, 0)), traffic.Active, 95, 0, true, false},
		"counters at 96":                         {one(heard(), report(0x200, 0, 0, 0, 0, 0, 0, 96, 0)), traffic.Warning, 96, 0, true, false},
		"counters at 128":                        {one(heard(), report(0x200, 0, 0, 0, 0, 0, 0, 0, 128)), traffic.Passive, 0, 128, true, false},
		"only errors, no counters":               {one(stuff, stuff), traffic.Unknown, 0, 0, false, true},
		"passive, 127 frames":                    {join(one(rxPassive), times(127, heard())), traffic.Passive, 0, 128, true, false},
		"passive, 128 frames":                    {join(one(rxPassive), times(128, heard())), traffic.Active, 0, 128, true, false},
		"passive, frames and an error among":     {join(one(rxPassive), times(127, heard()), one(stuff), times(127, heard())), traffic.Passive, 0, 128, true, false},
		"recovered, as some adapters say it":     {one(rxPassive, report(0x008, 0, 0, 0x40)), traffic.Active, 0, 128, true, true},
	} {
		var m traffic.Controller
		for _, f := range c.frames {
			if f.Class == bus.Error {
				m.Error(&f)
			} else {
				m.Heard(f.Boot)
			}
		}
		got, _ := m.State()
		tx, rx, counted := m.Errors()
		if got != c.want || tx != c.tx || rx != c.rx || counted != c.counted || m.OnlyErrors() != c.onlyErrors {
			t.Errorf("%s: state %v, counters %d %d %v, only errors %v; want %v, %d %d %v, %v",
				name, got, tx, rx, counted, m.OnlyErrors(), c.want, c.tx, c.rx, c.counted, c.onlyErrors)
		}
		if m.Words() == "" {
			t.Errorf("%s: no words", name)
		}
	}
}

func TestControllerCounts(t *testing.T) {
	var m traffic.Controller
	for _, f := range []bus.Frame{
		report(0x088, 0, 0, 0x04),       // stuff
		report(0x088, 0, 0, 0x02, 0x1A), // form, in the end of the frame
		report(0x088, 0, 0, 0x08),       // a dominant bit that did not come
		report(0x088, 0, 0, 0x00, 0x08), // in the checksum
		report(0x004, 0, 0x01),          // receive buffer ran over
		report(0x020), report(0x002, 5), report(0x001), report(0x010, 0, 0, 0, 0, 0x04),
		report(0x204, 0, 0x08, 0, 0, 0, 0, 96, 0), report(0x204, 0, 0x20, 0, 0, 0, 0, 128, 0), report(0x040), report(0x100), report(0),
	} {
		m.Error(&f)
	}
	data := heard()
	m.Error(&data) // no report: ignored
	want := traffic.Counts{
		Reports: 14, Stuff: 1, Form: 1, Bit: 1, Checksum: 1, Bus: 4, NoAnswer: 1, Arbitration: 1, Timeout: 1, Transceiver: 1,
		Overflows: 1, Off: 1, Restarts: 1, Warnings: 1, Passive: 1, Unexplained: 1,
	}
	if got := m.Counts(); got != want {
		t.Errorf("Counts() = %+v\nwant %+v", got, want)
	}
}

// A link that was opened anew is judged anew.
func TestControllerOpensAnew(t *testing.T) {
	var m traffic.Controller
	m.Open(time.Second, traffic.Passive)
	if s, at := m.State(); s != traffic.Passive || at != time.Second || !m.OnlyErrors() {
		t.Errorf("opened passive: %v since %v, only errors %v; want passive, 1s, true", s, at, m.OnlyErrors())
	}
	m.Heard(0)
	m.Open(5*time.Second, traffic.Unknown)
	if s, at := m.State(); s != traffic.Unknown || at != 5*time.Second || m.OnlyErrors() {
		t.Errorf("opened anew: %v since %v, only errors %v; want unknown, 5s, false", s, at, m.OnlyErrors())
	}
}

// State survives the way to a script and back.
func TestStateAsText(t *testing.T) {
	for s := traffic.Unknown; s <= traffic.Off; s++ {
		text, err := s.MarshalText()
		var back traffic.State
		if err != nil || back.UnmarshalText(text) != nil || back != s {
			t.Errorf("%v became %q and %v (%v)", s, text, back, err)
		}
	}
	var s traffic.State
	if s = traffic.Off; s.UnmarshalText([]byte("nonsense")) != nil || s != traffic.Unknown {
		t.Errorf("nonsense became %v; want unknown", s)
	}
}
