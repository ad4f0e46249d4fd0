// SPDX-License-Identifier: Apache-2.0

package signals_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// wanted are picks of the catalogue and of the test's DBC, some of them bound to a sender.
func wanted(tb testing.TB) ([]signals.Pick, *signals.DBC) {
	tb.Helper()
	b := parse(tb)
	picks := append(signals.All(nil), b.All()...)
	for i := 0; i < len(picks); i += 3 {
		picks[i] = picks[i].WithSource(i / 3 % 4)
	}
	for i := 1; i < len(picks); i += 5 {
		picks[i] = picks[i].WithNAME(j1939.NAME(i % 4))
	}
	return append(picks, signals.Pick{}), b
}

// anyFrame makes a frame of a message that some pick reads, often with the codes that are no values.
func anyFrame(r *rand.Rand, picks []signals.Pick) bus.Frame {
	f := bus.Frame{Frame: can.Frame{IsExtended: true, Length: uint8(r.IntN(9))}, Link: uint16(r.IntN(2))}
	if r.IntN(2) == 0 {
		f.Length = 8
	}
	special := []byte{0xFF, 0xFE, 0xFD, 0xFC, 0xFB, 0xFA, 0x7F, 0x80, 0, 3}
	for i := range f.Data {
		if f.Data[i] = byte(r.Uint32()); r.IntN(2) == 0 {
			f.Data[i] = special[r.IntN(len(special))]
		}
	}
	pgn := picks[r.IntN(len(picks))].PGN()
	switch r.IntN(8) {
	case 0:
		f.ID, f.IsExtended = 291+uint32(r.IntN(2)), false
		return f
	case 1:
		f.ID = 0x18FEFDFF
		return f
	case 2:
		pgn = j1939.PGNAddressClaim
		copy(f.Data[:], []byte{byte(r.IntN(4)), 0, 0, 0, 0, 0, 0, 0})
	}
	f.ID = j1939.ID{PGN: pgn, Priority: 6, Source: uint8(r.IntN(5)), Destination: 255}.CAN()
	return f
}

// Property: a Set answers what its Picks answer one by one, whatever the frame, the sender and its NAME.
func TestSetAnswersAsItsPicks(t *testing.T) {
	picks, b := wanted(t)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 2))
	set := signals.NewSet(picks)
	quick, slow := signals.NewDecoder(), signals.NewDecoder()
	slow.Use(b)
	var hits []signals.Hit
	found := 0
	for range 30_000 {
		f := anyFrame(r, picks)
		var want []signals.Hit
		var si []float64
		slow.Frame(f, func(m *signals.Message) {
			for i := range picks {
				if v, st, ok := picks[i].From(m); ok {
					want, si = append(want, signals.Hit{Pick: int32(i), Status: st}), append(si, v)
				}
			}
		})
		hits = quick.Read(&f, set, hits[:0])
		slices.SortFunc(hits, func(x, y signals.Hit) int { return int(x.Pick - y.Pick) })
		if len(hits) != len(want) {
			t.Fatalf("seed %d: Read(%s) found %d signals; want %d", seed, f.String(), len(hits), len(want))
		}
		for i, h := range hits {
			got := 0.0
			if h.Status == signals.OK {
				got = set.SI(h)
			}
			if h.Pick != want[i].Pick || h.Status != want[i].Status || got != si[i] {
				t.Fatalf("seed %d: Read(%s): %s = %v %s; want %v %s", seed, f.String(), set.Pick(h), got, h.Status, si[i], want[i].Status)
			}
		}
		found += len(hits)
	}
	if found < 30_000 {
		t.Errorf("only %d signals were found", found)
	}
}

func TestSetJoinsMessages(t *testing.T) {
	p, err := signals.Compile("gnss.altitude")
	if err != nil {
		t.Fatal(err)
	}
	set, d := signals.NewSet([]signals.Pick{p}), signals.NewDecoder()
	var hits []signals.Hit
	for _, text := range published()[15].frames { // row 16, canboat analyzer/tests/recombine-frames
		f := frameOf(t, text)
		hits = d.Read(&f, set, hits)
	}
	if len(hits) != 1 || hits[0].Status != signals.OK || math.Abs(set.SI(hits[0])-90.984603) > 1e-9 {
		t.Errorf("Read = %+v; want one altitude of 90.984603 m", hits)
	}
}

func frameOf(tb testing.TB, text string) bus.Frame {
	tb.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		tb.Fatal(err)
	}
	return bus.Frame{Frame: f}
}

func TestSetAllocatesNothing(t *testing.T) {
	picks, _ := wanted(t)
	set, d := signals.NewSet(picks), signals.NewDecoder()
	r := rand.New(rand.NewPCG(1, 1))
	frames := make([]bus.Frame, 500)
	for i := range frames {
		frames[i] = anyFrame(r, picks)
	}
	hits := make([]signals.Hit, 0, 4096)
	round := func() {
		for i := range frames {
			hits = d.Read(&frames[i], set, hits[:0])
		}
	}
	round()
	if got := testing.AllocsPerRun(100, round); got != 0 {
		t.Errorf("%v allocations a round of %d frames; want 0", got, len(frames))
	}
}

// A device that moves keeps its signals; whoever takes its old address does not get them (J1939-81).
func TestSignalsFollowANAME(t *testing.T) {
	engine, err := signals.Compile("engine.speed")
	if err != nil {
		t.Fatal(err)
	}
	const name = 0xA00A000102030405
	claim := func(source, last string) string { return "18EEFF" + source + "#" + last + "04030201000AA0" }
	p := engine.WithNAME(name)
	set := signals.NewSet([]signals.Pick{p})
	mine, other := "05", "06"
	for what, c := range map[string]struct {
		before []string
		assume bool
		source string
		heard  bool
	}{
		"before any claim":                       {source: "00"},
		"remembered from an earlier day":         {assume: true, source: "00", heard: true},
		"remembered, but claimed by another now": {assume: true, before: []string{claim("00", other)}, source: "00"},
		"claimed":                                {before: []string{claim("00", mine)}, source: "00", heard: true},
		"moved":                                  {before: []string{claim("00", mine), claim("81", mine)}, source: "81", heard: true},
		"moved, old address":                     {before: []string{claim("00", mine), claim("81", mine)}, source: "00"},
		"moved, another took its place":          {before: []string{claim("00", mine), claim("81", mine), claim("00", other)}, source: "00"},
		"contended and won":                      {before: []string{claim("00", mine), claim("00", other), claim("00", mine)}, source: "00", heard: true},
		"has no address any more":                {before: []string{claim("00", mine), claim("FE", mine)}, source: "00"},
	} {
		d := signals.NewDecoder()
		if c.assume {
			d.Assume(j1939.Address{NAME: name, Address: 0})
		}
		for _, text := range c.before {
			d.Frame(frameOf(t, text), func(*signals.Message) {})
		}
		f := frameOf(t, "0CF004"+c.source+"#FFFFFF8A03FFFFFF")
		heard := false
		d.Frame(f, func(m *signals.Message) { _, _, heard = p.From(m) })
		if hits := d.Read(&f, set, nil); heard != c.heard || (len(hits) == 1) != c.heard {
			t.Errorf("%s: From %v, Read %v; want %v", what, heard, hits, c.heard)
		}
	}
}

func BenchmarkSetRead(b *testing.B) {
	list, err := signals.ParseDBC("b.dbc", []byte(benchDBC))
	if err != nil {
		b.Fatal(err)
	}
	set, d := signals.NewSet(list.All()), signals.NewDecoder()
	frames := make([]bus.Frame, 4096)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range frames {
		frames[i] = frameOf(b, "18FF1021#10002000300040FF")
		for k := range 7 {
			frames[i].Data[k] = byte(r.IntN(200))
		}
	}
	hits := make([]signals.Hit, 0, 64)
	sum := 0.0
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		hits = d.Read(&frames[i&4095], set, hits[:0])
		for k := range hits {
			sum += hits[k].Written
		}
		i++
	}
}

const benchDBC = `BO_ 2566852862 Frame: 8 Box
 SG_ Pressure : 0|16@1+ (0.1,0) [0|0] "kPa" Vector__XXX
 SG_ Speed : 16|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
 SG_ Flow : 32|8@1+ (0.5,-10) [0|0] "L/min" Vector__XXX
 SG_ Temperature : 40|8@1+ (1,-40) [-40|210] "degC" Vector__XXX
 SG_ Lid : 48|2@1+ (1,0) [0|3] "" Vector__XXX
 SG_ Lean : 56|8@1- (0.5,0) [0|0] "deg" Vector__XXX
`
