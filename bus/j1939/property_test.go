// SPDX-License-Identifier: Apache-2.0

package j1939_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
)

// plan is a session that the test's own sender makes: its frames, what must come out, and under which identifier.
type plan struct {
	frames []bus.Frame
	data   []byte
	id     j1939.ID
	link   uint16
}

func extended(id j1939.ID, link uint16, data [8]byte) bus.Frame {
	return bus.Frame{Frame: can.Frame{ID: id.CAN(), IsExtended: true, Length: 8, Data: data}, Link: link}
}

// sender cuts random messages into frames as the standards say, independently of the code under test.
func sender(r *rand.Rand, n int) *plan {
	kind := n % 3
	p := &plan{link: uint16(r.IntN(2))}
	source := uint8(n) // one session a sender at a time
	size := 9 + r.IntN(1777)
	if kind == 2 {
		size = 7 + r.IntN(217)
	}
	p.data = make([]byte, size)
	for i := range p.data {
		p.data[i] = byte(r.Uint32())
	}
	if kind == 2 {
		p.id = j1939.ID{PGN: 129029, Priority: 3, Source: source, Destination: 255}
		counter := byte(r.IntN(8)) << 5
		first := [8]byte{counter, byte(size)}
		copy(first[2:], p.data[:6])
		p.frames = append(p.frames, extended(p.id, p.link, first))
		for i, rest := byte(1), p.data[6:]; len(rest) > 0; i++ {
			f := [8]byte{counter | i, 255, 255, 255, 255, 255, 255, 255}
			rest = rest[copy(f[1:], rest):]
			p.frames = append(p.frames, extended(p.id, p.link, f))
		}
		return p
	}
	pgn := uint32(0xFE00 + n%256)
	p.id = j1939.ID{PGN: pgn, Priority: 6, Source: source, Destination: 255}
	packets := (size + 6) / 7
	open := [8]byte{0x20, byte(size), byte(size >> 8), byte(packets), 255, byte(pgn), byte(pgn >> 8), byte(pgn >> 16)}
	if kind == 1 {
		open[0], p.id.Destination = 0x10, 250-source%100
	}
	control := j1939.ID{PGN: 0xEC00, Priority: 6, Source: source, Destination: p.id.Destination}
	data := j1939.ID{PGN: 0xEB00, Priority: 6, Source: source, Destination: p.id.Destination}
	p.frames = append(p.frames, extended(control, p.link, open))
	for i, rest := byte(1), p.data; len(rest) > 0; i++ {
		f := [8]byte{i, 255, 255, 255, 255, 255, 255, 255}
		rest = rest[copy(f[1:], rest):]
		p.frames = append(p.frames, extended(data, p.link, f))
	}
	return p
}

// Property: sessions of many senders in any interleaving come out whole; with one frame of one session lost, that one
// is broken, counted once, and the others are whole.
func TestAnyInterleavingIsJoined(t *testing.T) {
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 1))
		plans := make([]*plan, 2+r.IntN(40))
		for i := range plans {
			plans[i] = sender(r, i)
		}
		victim := -1
		if seed%2 == 1 {
			victim = r.IntN(len(plans))
			at := r.IntN(len(plans[victim].frames))
			plans[victim].frames = slices.Delete(plans[victim].frames, at, at+1)
		}
		want := make(map[string][]byte)
		total := 0
		for i, p := range plans {
			total += len(p.frames)
			if i != victim {
				want[fmt.Sprint(p.link, p.id)] = p.data
			}
		}
		a := j1939.NewAssembler(j1939.Options{})
		now := time.Duration(0)
		for total > 0 {
			p := plans[r.IntN(len(plans))]
			if len(p.frames) == 0 {
				continue
			}
			f := p.frames[0]
			p.frames = p.frames[1:]
			total--
			now += 100 * time.Microsecond
			f.Boot = now
			var m j1939.Message
			if !a.Frame(&f, &m) {
				continue
			}
			key := fmt.Sprint(m.Link, m.ID)
			if !bytes.Equal(m.Data, want[key]) {
				t.Fatalf("seed %d: message %s = %x; want %x", seed, key, m.Data, want[key])
			}
			delete(want, key)
		}
		a.Finish()
		broken := int64(0)
		if victim >= 0 {
			broken = 1
		}
		if s := a.Stats(); len(want) != 0 || s.Broken != broken {
			t.Fatalf("seed %d: %d messages missing, Stats() = %+v; want none missing and %d broken", seed, len(want), s, broken)
		}
	}
}

// junk is a frame of a hostile or broken node: a session frame of any kind, with any content, from one of a few senders.
func junk(r *rand.Rand) bus.Frame {
	pgns := []uint32{0xEC00, 0xEB00, 0xC800, 0xC700, 129029, 126208, 130820}
	id := j1939.ID{
		PGN: pgns[r.IntN(len(pgns))], Priority: uint8(r.IntN(8)), Source: 200 + uint8(r.IntN(3)), Destination: uint8(r.IntN(256)),
	}
	if r.IntN(2) == 0 {
		id.Destination = 255
	}
	var data [8]byte
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	if r.IntN(2) == 0 {
		data[0] = []byte{0x10, 0x11, 0x13, 0x14, 0x16, 0x17, 0x20, 0xFF, 1, 2, 0x20, 0x40}[r.IntN(12)]
	}
	f := extended(id, uint16(r.IntN(2)), data)
	f.Length = uint8(r.IntN(9))
	return f
}

// Property: whatever a hostile node sends, and even with every frame of the others heard twice, their messages come out whole
// and once; only the hostile node's own sessions may be broken.
func TestHostileFramesBreakNobodyElse(t *testing.T) {
	start := rand.Uint64()
	t.Logf("seed %d", start)
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(start, seed))
		plans := make([]*plan, 2+r.IntN(20))
		want := make(map[string][]byte)
		total := 0
		for i := range plans {
			plans[i] = sender(r, i)
			want[fmt.Sprint(plans[i].link, plans[i].id)] = plans[i].data
			total += len(plans[i].frames)
		}
		a := j1939.NewAssembler(j1939.Options{})
		now := time.Duration(0)
		var m j1939.Message
		for total > 0 {
			now += 100 * time.Microsecond
			if r.IntN(3) == 0 {
				f := junk(r)
				f.Boot = now
				if a.Frame(&f, &m) && m.Source < 200 {
					t.Fatalf("seed %d/%d: junk %s became a message of %d", start, seed, f.String(), m.Source)
				}
				continue
			}
			p := plans[r.IntN(len(plans))]
			if len(p.frames) == 0 {
				continue
			}
			f := p.frames[0]
			p.frames = p.frames[1:]
			total--
			f.Boot = now
			for range 1 + r.IntN(2) {
				if !a.Frame(&f, &m) {
					continue
				}
				key := fmt.Sprint(m.Link, m.ID)
				if data, ok := want[key]; !ok || !bytes.Equal(m.Data, data) {
					t.Fatalf("seed %d/%d: message %s came damaged or twice", start, seed, key)
				}
				delete(want, key)
			}
		}
		if len(want) > 0 {
			t.Fatalf("seed %d/%d: %d messages were lost to junk", start, seed, len(want))
		}
	}
}
