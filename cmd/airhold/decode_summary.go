// SPDX-License-Identifier: Apache-2.0

package main

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// decodeSummary counts what a recording held.
type decodeSummary struct {
	frames, remote, faults int64
	notFrames, badCount    int64
	messages               map[sentBy]*heard
	further                int64            // messages beyond maxSent kinds
	plain                  map[uint32]int64 // 11-bit identifiers
	keys                   map[uint32]string
	sessions               j1939.Stats
	addresses              []namedAddress
	bad                    []capture.Bad
	torn                   string
	loads                  map[string]*linkLoad
	first, last            time.Duration
	at, covered            time.Duration // time of the last frame, and the sum of all gaps that are no silence or clock step
}

// maxSent bounds the list of who sent what: no bus comes near, a damaged or hostile recording might.
const maxSent = 1 << 16

// sentBy is a parameter group and who sent it.
type sentBy struct {
	pgn    uint32
	source uint8
}

// heard counts the messages of one sentBy.
type heard struct {
	count       int64
	first, last time.Duration
}

type namedAddress struct {
	key  string
	name j1939.NAME
}

// linkLoad sums the bits of one link. Stuff bits depend on the content and are not seen in a recording, so there is a
// least and a greatest sum.
type linkLoad struct {
	least, most      int64
	second           int64 // whose bits are being summed
	current, busiest int64 // least bits within a second
}

func newDecodeSummary() *decodeSummary {
	return &decodeSummary{
		messages: make(map[sentBy]*heard), plain: make(map[uint32]int64), keys: make(map[uint32]string),
		loads: make(map[string]*linkLoad),
	}
}

func (s *decodeSummary) frame(f *bus.Frame, link string) {
	if s.frames == 0 {
		s.first, s.last, s.at = f.Boot, f.Boot, f.Boot
	}
	if gap := f.Boot - s.at; gap > 0 && gap <= silence {
		s.covered += gap
	}
	s.at = f.Boot
	s.frames++
	s.first, s.last = min(s.first, f.Boot), max(s.last, f.Boot)
	switch {
	case f.Class == bus.Error:
		s.faults++
		return
	case f.IsRemote || f.Class == bus.Remote:
		s.remote++
	}
	l := s.loads[link]
	if l == nil {
		l = &linkLoad{second: -1}
		s.loads[link] = l
	}
	least, most := frameBits(f)
	l.least += least
	l.most += most
	if sec := int64(f.Boot / time.Second); sec != l.second {
		l.second, l.current = sec, 0
	}
	l.current += least
	l.busiest = max(l.busiest, l.current)
}

// frameBits counts a frame on the wire with the three bits after it, without stuff bits and with as many as there can
// be (ISO 11898-1: one after every five equal bits from the start to the end of the checksum).
func frameBits(f *bus.Frame) (least, most int64) {
	n := int64(f.Length)
	if f.IsRemote {
		n = 0
	}
	fixed, stuffed := int64(47), int64(34)
	if f.IsExtended {
		fixed, stuffed = 67, 54
	}
	return fixed + 8*n, fixed + 8*n + (stuffed+8*n-1)/4
}

func (s *decodeSummary) message(m *signals.Message) {
	if !m.Extended {
		s.plain[m.ID]++
		return
	}
	by := sentBy{m.PGN, m.Source}
	h := s.messages[by]
	if h == nil {
		if len(s.messages) == maxSent {
			s.further++
			return
		}
		h = &heard{first: m.At}
		s.messages[by] = h
		s.keys[m.PGN] = m.Key
	}
	h.count++
	h.last = m.At
}

func (s *decodeSummary) finish(j decodeJob) {
	s.sessions = j.decoder.Stats()
	s.bad = j.reader.BadLines()
	s.badCount = j.reader.BadCount()
	s.notFrames = j.reader.NotFrames() + s.badCount
	if why, torn := j.reader.Torn(); torn {
		s.torn = why
	}
	links := j.reader.Links()
	list := j.decoder.Addresses()
	one := !slices.ContainsFunc(list, func(a j1939.Address) bool { return a.Link != list[0].Link })
	for _, a := range list {
		key := strconv.Itoa(int(a.Address))
		if !one && int(a.Link) < len(links) {
			key = links[a.Link] + ":" + key
		}
		s.addresses = append(s.addresses, namedAddress{key, a.NAME})
	}
}

// busLoad is how full one link was.
type busLoad struct {
	link                 string
	rate                 int64   // bit/s it is reckoned against
	least, most, busiest float64 // shares of it: whole recording without and with stuff bits, busiest second
}

// silence is how long a link must be quiet to count as off: every network here has a message each second or two.
const silence = 10 * time.Second

// busLoads reckons against the slowest usual rate that could have carried the traffic: 250 kbit/s is what J1939,
// ISO 11783 and NMEA 2000 run at; the rate itself is not in a recording. It is empty for recordings without times.
func (s *decodeSummary) busLoads() []busLoad {
	span := s.covered.Seconds()
	if span <= 0 {
		return nil
	}
	var out []busLoad
	for _, link := range slices.Sorted(maps.Keys(s.loads)) {
		l := s.loads[link]
		b := busLoad{link: link, rate: 250_000}
		for b.rate < 1_000_000 && max(float64(l.least)/span, float64(l.busiest)) > float64(b.rate) {
			b.rate *= 2
		}
		whole := span * float64(b.rate)
		b.least, b.most = float64(l.least)/whole, float64(l.most)/whole
		b.busiest = float64(l.busiest) / float64(b.rate)
		out = append(out, b)
	}
	return out
}

// byCount lists who sent what, the busiest first.
func (s *decodeSummary) byCount() []messageCount {
	out := make([]messageCount, 0, len(s.messages))
	for by, h := range s.messages {
		out = append(out, messageCount{by, *h})
	}
	slices.SortFunc(out, func(a, b messageCount) int {
		return cmp.Or(cmp.Compare(b.count, a.count), cmp.Compare(a.pgn, b.pgn), cmp.Compare(a.source, b.source))
	})
	return out
}

type messageCount struct {
	sentBy
	heard
}

// rate is how many came a second, between the first and the last; false when that cannot be said.
func (h *heard) rate() (float64, bool) {
	if h.count < 2 || h.last <= h.first {
		return 0, false
	}
	return float64(h.count-1) / (h.last - h.first).Seconds(), true
}
