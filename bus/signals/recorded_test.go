// SPDX-License-Identifier: Apache-2.0

package signals_test

import (
	"bufio"
	"compress/gzip"
	"encoding/hex"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/signals"
)

// recorded reads a candump file of the test data with a reader of its own, so that these tests share no code with
// bus/capture. Missing data skips the test, in CI it fails it.
func recorded(t *testing.T, name, origin string) []bus.Frame {
	t.Helper()
	folder := os.Getenv("AIRHOLD_DATA")
	if folder == "" {
		folder = filepath.Join("..", "..", "..", "shared", "data")
	}
	f, err := os.Open(filepath.Join(folder, "can", name))
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%v; its public original is %s", err, origin)
		}
		t.Skipf("%v; its public original is %s", err, origin)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var out []bus.Frame
	start := 0.0
	for lines := bufio.NewScanner(z); lines.Scan(); {
		fields := strings.Fields(lines.Text())
		id, data, _ := strings.Cut(fields[2], "#")
		at, err1 := strconv.ParseFloat(strings.Trim(fields[0], "()"), 64)
		n, err2 := strconv.ParseUint(id, 16, 32)
		b, err3 := hex.DecodeString(data)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatalf("%s: line %q", name, lines.Text())
		}
		if len(out) == 0 {
			start = at
		}
		fr := bus.Frame{Frame: can.Frame{ID: uint32(n), IsExtended: len(id) > 3, Length: uint8(len(b))}}
		copy(fr.Data[:], b)
		fr.Boot = time.Duration((at - start) * 1e9)
		out = append(out, fr)
	}
	return out
}

// announcements counts, with a few lines of its own, the broadcasts whose packets are all in the recording.
func announcements(frames []bus.Frame) int64 {
	type open struct{ packets, next byte }
	bySender := make(map[byte]open)
	whole := int64(0)
	for i := range frames {
		f := &frames[i]
		sender, format := byte(f.ID), f.ID>>8&0xFFFF
		switch {
		case format == 0xECFF && f.Data[0] == 32:
			bySender[sender] = open{f.Data[3], 1}
		case format == 0xEBFF:
			if o, ok := bySender[sender]; ok && f.Data[0] == o.next {
				o.next++
				bySender[sender] = o
				if o.next > o.packets {
					whole++
					delete(bySender, sender)
				}
			}
		}
	}
	return whole
}

// A real truck with the key on (public recording; the counts of 61444 and the trouble code are its publisher's facts).
func TestRecordedTruck(t *testing.T) {
	frames := recorded(t, "truck-keyon-engine-off.candump.log.gz",
		"github.com/Heavy-Vehicle-Networking-At-U-Tulsa/NMFTA-CAN-Logger, commit 0cffaf71")
	d := signals.NewDecoder()
	count := make(map[uint32]int)
	faults := make(map[[2]uint32]int)
	values := []signals.Value(nil)
	for _, f := range frames {
		d.Frame(f, func(m *signals.Message) {
			count[m.PGN]++
			if dm1, ok := signals.DTCs(m); ok {
				for _, c := range dm1.DTCs {
					faults[[2]uint32{c.SPN, uint32(c.FMI)}]++
				}
			}
			if m.PGN == 0xEC00 || m.PGN == 0xEB00 {
				t.Fatalf("a transport frame was passed on as message %+v", m)
			}
			values = m.Signals(values[:0])
			for _, v := range values {
				if v.Status != signals.OK && (v.Written != 0 || v.SI != 0) {
					t.Fatalf("%s.%s is %s and has a value", m.Key, v.Key, v.Status)
				}
			}
			if m.PGN == 65269 && m.Data[3] == 0xFF && m.Data[4] == 0xFF && values[2].Status != signals.NotAvailable {
				t.Fatalf("ambient air %X is %s; want not available", m.Data, values[2].Status)
			}
		})
	}
	d.Finish()
	if count[61444] != 31105 {
		t.Errorf("%d messages of 61444; want 31105", count[61444])
	}
	if faults[[2]uint32{102, 3}] == 0 {
		t.Errorf("SPN 102 FMI 3 was not found among %v", faults)
	}
	whole := announcements(frames)
	if s := d.Stats(); s.Joined != whole || whole < 300 || s.Aborted != 38 || s.Broken != 38 {
		t.Errorf("Stats() = %+v; want %d joined and the 38 aborted connections broken", s, whole)
	}
	t.Logf("%d broadcasts joined; faults %v", whole, faults)
}

// A boat at rest with several receivers: every position packet whose frames follow each other must come out.
func TestRecordedBoat(t *testing.T) {
	frames := recorded(t, "boat-gnss-subset-180s.candump.log.gz", "github.com/canboat/canboat, commit 01d0dc3d")
	type open struct{ frames, next byte }
	bySender := make(map[[2]byte]open)
	whole := 0
	for i := range frames {
		f := &frames[i]
		if f.ID>>8&0x3FFFF != 129029 {
			continue
		}
		key := [2]byte{byte(f.ID), f.Data[0] >> 5}
		switch index := f.Data[0] & 31; {
		case index == 0:
			bySender[key] = open{1 + (f.Data[1]-6+6)/7, 1}
		case bySender[key].next == index:
			o := bySender[key]
			o.next++
			bySender[key] = o
			if o.next == o.frames {
				whole++
				delete(bySender, key)
			}
		}
	}
	d := signals.NewDecoder()
	joined, located, unlocated := 0, 0, 0
	for _, f := range frames {
		d.Frame(f, func(m *signals.Message) {
			if m.PGN != 129029 {
				return
			}
			joined++
			for _, v := range m.Signals(nil) {
				switch {
				case v.Key != "latitude":
				case v.Status == signals.OK && v.Written > 52 && v.Written < 53:
					located++ // the harbour of the recording
				case v.Status == signals.NotAvailable:
					unlocated++
				default:
					t.Errorf("latitude %+v", v)
				}
			}
		})
	}
	if joined != whole || whole < 1000 || located+unlocated != joined || unlocated == 0 {
		t.Errorf("%d joined of %d whole packets, %d with a place, %d without; want all joined and both kinds", joined, whole, located, unlocated)
	}
	t.Logf("%d fast packets 129029 joined, %d of them without a position", joined, unlocated)
}
