// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"compress/gzip"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"airhold/bus/signals"
)

const boatOrigin = "GitHub canboat/canboat, commit 01d0dc3d, Apache-2.0"

// track is when the frames of one identifier came, read from the text without any of airhold's code.
type track struct {
	count       int
	first, last float64
}

func tracks(t *testing.T, path string) map[uint64]*track {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	out := make(map[uint64]*track)
	for lines := bufio.NewScanner(z); lines.Scan(); {
		fields := strings.Fields(lines.Text())
		hex, _, _ := strings.Cut(fields[2], "#")
		id, err1 := strconv.ParseUint(hex, 16, 32)
		at, err2 := strconv.ParseFloat(strings.Trim(fields[0], "()"), 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("line %q", lines.Text())
		}
		k := out[id]
		if k == nil {
			k = &track{first: at}
			out[id] = k
		}
		k.count++
		k.last = at
	}
	return out
}

// The rates in the summary of a recording, down to its slowest messages, against the text of the recording itself and
// against the standards' repetition rates (from memory): J1939-71 sends ambient conditions and electrical power each second, J1939-73 DM1
// each second, NMEA 2000 its time and GNSS position each second and its heartbeat each minute.
func TestDecodeRates(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: a recording decoded from end to end by one goroutine")
	}
	for _, c := range []struct {
		file, origin string
		expected     map[string]float64 // /s, by PGN/source
		joined       map[string]float64 // the same, of messages of several frames
	}{
		{
			truckLog, truckOrigin,
			map[string]float64{"65269/0": 1, "65269/33": 1, "65271/0": 1, "61444/0": 100, "65265/0": 10, "65251/0": .2},
			map[string]float64{"65226/0": 1},
		},
		{"can/boat-gnss-subset-180s.candump.log.gz", boatOrigin, map[string]float64{"126992/20": 1, "126993/0": 1. / 60}, map[string]float64{"129029/20": 1}},
	} {
		path := recorded(t, c.file, c.origin)
		lines := jsonLines(t, "decode", path)
		summary := lines[len(lines)-1]
		rates, _ := summary["rates"].(map[string]any)
		rate := func(pgn, source string) float64 {
			bySource, _ := rates[pgn].(map[string]any)
			m, _ := bySource[source].(map[string]any)
			v, ok := m["value"].(float64)
			if !ok || m["unit"] != "/s" {
				return math.NaN()
			}
			return v
		}
		compared := 0
		for id, k := range tracks(t, path) {
			pgn, source := id>>8&0x3FFFF, id&0xFF
			single := pgn < 126000 || pgn == 126992 || pgn == 126993 || pgn == 127250 || pgn == 129025 || pgn == 129026
			if id <= 0x7FF || pgn>>8&0xFF < 240 || k.count < 2 || !single || pgn == 65226 {
				continue // a destination or several frames: not one message a frame
			}
			got := rate(strconv.FormatUint(pgn, 10), strconv.FormatUint(source, 10))
			want := float64(k.count-1) / (k.last - k.first)
			if math.Abs(got-want) <= 1e-3*want+1e-4 {
				compared++
				continue
			}
			t.Errorf("%s: %d from %d comes %v times a second; its text says %v", c.file, pgn, source, got, want)
		}
		if compared < 3 {
			t.Errorf("%s: only %d rates were compared", c.file, compared)
		}
		for _, list := range []map[string]float64{c.expected, c.joined} {
			for name, want := range list {
				pgn, source, _ := strings.Cut(name, "/")
				if got := rate(pgn, source); !(math.Abs(got-want) <= .1*want) {
					t.Errorf("%s: %s comes %v times a second; the standard says %v", c.file, name, got, want)
				}
			}
		}
	}
}

// A recording of endless kinds of messages, as a damaged or hostile one has them, is counted and does not fill the memory.
func TestDecodeSummaryIsBounded(t *testing.T) {
	t.Parallel()
	s := newDecodeSummary()
	const kinds = maxSent + 5000
	for i := range uint32(kinds) {
		s.message(&signals.Message{Extended: true, PGN: 0x10000 + i>>8, Source: uint8(i)})
	}
	if len(s.messages) != maxSent || s.further != kinds-maxSent {
		t.Errorf("%d kinds kept and %d messages beyond; want %d and %d", len(s.messages), s.further, maxSent, kinds-maxSent)
	}
}
