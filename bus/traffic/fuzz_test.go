// SPDX-License-Identifier: Apache-2.0

package traffic_test

import (
	"encoding/binary"
	"encoding/json"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/signals"
	"airhold/bus/traffic"
)

// Any frames at any times: nothing panics, every frame is counted, the bounds hold, shares are shares, and the picture can
// be written.
func FuzzTracker(f *testing.F) {
	f.Add([]byte("\x00\x00\x00\x00\x0c\xf0\x04\x00\x08\xf3\x91\x91\xaa\x18\x00\xf3\xff\x80"), uint16(250))
	f.Add([]byte("\x00\x00\x10\x00\x18\xee\xff\x80\x08\x07\x00\x00\x9d\x00\x81\x08\xa0\x80\x00\x00\x20\x00\x00\x00\x02\x04\x08\x00\x10\x00\x00\x00\x00\x00\x80\x20"), uint16(0))
	f.Add([]byte("\x00\x00\x10\x00\x18\xfe\xca\x00\x08\x04\xff\x66\x00\x03\x01\xff\xff\x80"), uint16(500))
	f.Fuzz(func(t *testing.T, data []byte, kilobits uint16) {
		tr, d := traffic.New(traffic.Options{Bitrate: int64(kilobits) * 1000}), signals.NewDecoder()
		const size = 18 // four bytes of time, four of identifier, length, eight of data, flags
		var at time.Duration
		frames, reports := 0, 0
		for ; len(data) >= size; data = data[size:] {
			at += time.Duration(int32(binary.BigEndian.Uint32(data))) * time.Microsecond
			fr := bus.Frame{Frame: can.Frame{ID: binary.BigEndian.Uint32(data[4:]), Length: data[8] % 9}, Boot: at}
			copy(fr.Data[:], data[9:17])
			switch flags := data[17]; {
			case flags&0x20 != 0:
				fr.Class = bus.Error
				reports++
			case flags&0x80 != 0:
				fr.IsExtended = true
				fr.ID &= 0x1FFFFFFF
				frames++
			default:
				fr.ID &= 0x7FF
				if flags&0x40 != 0 {
					fr.IsRemote, fr.Class = true, bus.Remote
				}
				frames++
			}
			if tr.Keep(&fr) {
				d.Frame(fr, tr.Message)
			}
			if data[17]&1 != 0 {
				tr.Tick(at + time.Second)
			}
		}
		p := tr.Picture()
		if p.Frames != int64(frames) || p.Controller.Counts.Reports != int64(reports) {
			t.Errorf("%d frames, %d reports; want %d, %d", p.Frames, p.Controller.Counts.Reports, frames, reports)
		}
		if len(p.Groups) > 1024 || len(p.Talkers) > 256 || len(p.Faults) > 256 || len(p.Changes) > 32 {
			t.Errorf("%d groups, %d talkers, %d faults, %d changes; want bounds kept", len(p.Groups), len(p.Talkers), len(p.Faults), len(p.Changes))
		}
		if p.Load != nil && p.Load.Value < 0 {
			t.Errorf("load %v %%", p.Load.Value)
		}
		if _, err := json.Marshal(p); err != nil {
			t.Error(err)
		}
	})
}
