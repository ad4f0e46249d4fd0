// SPDX-License-Identifier: Apache-2.0

package j1939_test

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
)

// FuzzAssembler feeds any sequence of frames: 15 bytes each, identifier, time step in 10 ms, length, data.
func FuzzAssembler(f *testing.F) {
	f.Fuzz(func(t *testing.T, script []byte) {
		a := j1939.NewAssembler(j1939.Options{MaxSessions: 4})
		var now time.Duration
		var m j1939.Message
		frames := int64(0)
		for ; len(script) >= 14; script = script[14:] {
			fr := bus.Frame{Frame: can.Frame{
				ID: binary.LittleEndian.Uint32(script) & can.MaxExtendedID, IsExtended: true, Length: script[5] % 16,
			}}
			now += time.Duration(int8(script[4])) * 10 * time.Millisecond
			fr.Boot = now
			copy(fr.Data[:], script[6:14])
			frames++
			if a.Frame(&fr, &m) && (len(m.Data) > 1785 || m.Frames > 1 && int64(m.Frames) > frames) {
				t.Fatalf("message of %d bytes in %d frames out of %d", len(m.Data), m.Frames, frames)
			}
		}
		a.Finish()
		if s := a.Stats(); s.Joined+s.Broken > frames || s.Aborted > s.Broken {
			t.Fatalf("Stats() = %+v after %d frames", s, frames)
		}
	})
}

func FuzzDM1(f *testing.F) {
	f.Fuzz(func(t *testing.T, data []byte) {
		d, ok := j1939.ParseDM1(data, nil)
		if ok != (len(data) >= 2) || len(d.DTCs)*4 > len(data) {
			t.Fatalf("ParseDM1(%x) = %+v, %v", data, d, ok)
		}
		for _, c := range d.DTCs {
			if c.SPN >= 1<<19 || c.FMI > 31 || c.Count > 127 || c.Conversion > 1 {
				t.Fatalf("code %+v out of range", c)
			}
		}
	})
}

func FuzzNAME(f *testing.F) {
	f.Fuzz(func(t *testing.T, data []byte) {
		n, ok := j1939.ParseNAME(data)
		if !ok {
			return
		}
		again := uint64(n.Identity()) | uint64(n.Manufacturer())<<21 | uint64(n.ECUInstance())<<32 |
			uint64(n.FunctionInstance())<<35 | uint64(n.Function())<<40 | uint64(n.DeviceClass())<<49 |
			uint64(n.ClassInstance())<<56 | uint64(n.IndustryGroup())<<60 | uint64(n.ArbitraryAddress())<<63
		if again != uint64(n)&^(1<<48) {
			t.Fatalf("fields of %x give %x", uint64(n), again)
		}
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	for _, name := range []string{"FuzzAssembler", "FuzzDM1", "FuzzNAME"} {
		if found, err := filepath.Glob(filepath.Join("testdata", "fuzz", name, "*")); err != nil || len(found) == 0 {
			t.Errorf("no seed for %s in testdata/fuzz: %v", name, err)
		}
	}
	if _, err := os.Stat("testdata"); err != nil {
		t.Error(err)
	}
}
