// SPDX-License-Identifier: Apache-2.0

package traffic_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	diff "github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/bus/j1939"
	"airhold/bus/signals"
	"airhold/bus/traffic"
)

// recorded opens a log of the folder of real measurements, or skips saying what is missing; with CI set it fails instead.
func recorded(t *testing.T, name, origin string) *capture.Reader {
	t.Helper()
	dir := os.Getenv("AIRHOLD_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	r, err := capture.Open(filepath.Join(dir, "can", name))
	if errors.Is(err, os.ErrNotExist) && os.Getenv("CI") == "" {
		t.Skipf("%s is missing (set AIRHOLD_DATA); its original is %s", name, origin)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	return r
}

// follow runs a whole recording through one tracker and hands every frame to look as well.
func follow(t *testing.T, r *capture.Reader, o traffic.Options, look func(f *bus.Frame, m *signals.Message)) traffic.Picture {
	t.Helper()
	tr, dec := traffic.New(o), signals.NewDecoder()
	var f bus.Frame
	emit := func(m *signals.Message) {
		tr.Message(m)
		look(nil, m)
	}
	for {
		err := r.Next(&f)
		if errors.Is(err, io.EOF) {
			return tr.Picture()
		}
		if err != nil {
			t.Fatal(err)
		}
		if !tr.Keep(&f) {
			t.Fatalf("frame %v was thinned", f.Frame)
		}
		look(&f, nil)
		dec.Frame(f, emit)
	}
}

// seen is a slow count beside the tracker: every time of every group.
type seen struct {
	times map[[2]uint32][]time.Duration
	all   int
	bits  float64
	span  time.Duration
	last  time.Duration
}

func (s *seen) look(f *bus.Frame, m *signals.Message) {
	if f != nil {
		if gap := f.Boot - s.last; s.all > 0 && gap > 0 && gap < 10*time.Second {
			s.span += gap
		}
		s.last = f.Boot
		s.all++
		s.bits += 67 + 8*float64(f.Length) // without stuff bits
		return
	}
	if s.times == nil {
		s.times = make(map[[2]uint32][]time.Duration)
	}
	k := [2]uint32{m.PGN, uint32(m.Source)}
	s.times[k] = append(s.times[k], m.At)
}

// median of the newest 64 gaps, seconds.
func (s *seen) median(pgn, source uint32) float64 {
	at := s.times[[2]uint32{pgn, source}]
	at = at[max(0, len(at)-65):]
	var gaps []float64
	for i := 1; i < len(at); i++ {
		gaps = append(gaps, (at[i] - at[i-1]).Seconds())
	}
	slices.Sort(gaps)
	n := len(gaps)
	return (gaps[(n-1)/2] + gaps[n/2]) / 2
}

func (s *seen) check(t *testing.T, p *traffic.Picture) {
	t.Helper()
	total := 0
	for i := range p.Groups {
		g := &p.Groups[i]
		k := [2]uint32{g.PGN, uint32(g.Source)}
		if int(g.Count) != len(s.times[k]) {
			t.Errorf("PGN %d of %d: %d messages; counted one by one %d", g.PGN, g.Source, g.Count, len(s.times[k]))
		}
		total += len(s.times[k])
		if at := s.times[k]; g.Count > 0 && slices.IsSorted(at) && p.Until.At >= at[len(at)-1] {
			var want []time.Duration
			for i := len(at) - 1; i >= 0 && p.Until.At-at[i] <= time.Second && len(want) < 65; i-- {
				want = append(want, (p.Until.At - at[i]).Truncate(time.Microsecond))
			}
			if len(g.Recent) != len(want) || len(want) > 0 && math.Abs(float64(g.Recent[len(want)-1]-want[len(want)-1])) > 100e3 {
				t.Errorf("PGN %d of %d: the last second has %v; counted one by one %v", g.PGN, g.Source, g.Recent, want)
			}
		}
		if g.Count > 1 && slices.IsSorted(s.times[k]) {
			if want := s.median(g.PGN, uint32(g.Source)); math.Abs(g.Period.Value-want) > 2e-6 {
				t.Errorf("PGN %d of %d: period %v; by sorting all gaps %v", g.PGN, g.Source, g.Period.Value, want)
			}
		}
	}
	want := 0
	for _, at := range s.times {
		want += len(at)
	}
	if total != want || int(p.Frames) != s.all {
		t.Errorf("%d messages and %d frames; counted one by one %d and %d", total, p.Frames, want, s.all)
	}
	// Stuff bits come on top of the plain bits: at most a fifth of what is stuffed.
	plain := s.bits / s.span.Seconds() / p.Bitrate.Value * 100
	if p.Load.Value < plain || p.Load.Value > plain*1.2 {
		t.Errorf("load %v %%; without stuff bits %.2f %%", p.Load.Value, plain)
	}
}

func find(t *testing.T, p *traffic.Picture, pgn uint32, source uint8) traffic.Group {
	t.Helper()
	for _, g := range p.Groups {
		if g.PGN == pgn && g.Source == source && g.ID == "" {
			return g
		}
	}
	t.Fatalf("PGN %d of %d is not in the picture", pgn, source)
	return traffic.Group{}
}

// rate is a period that a standard gives: J1939-71 for the truck, the NMEA 2000 database for the boat.
type rate struct {
	pgn    uint32
	source uint8
	want   float64 // s
}

func checkRates(t *testing.T, p *traffic.Picture, rates []rate) {
	t.Helper()
	for _, r := range rates {
		if g := find(t, p, r.pgn, r.source); g.Period == nil || !g.Even || math.Abs(g.Period.Value-r.want) > 0.03*r.want {
			t.Errorf("PGN %d of %d: every %+v, even %v; the standard's rate is %v s", r.pgn, r.source, g.Period, g.Even, r.want)
		}
	}
}

// A truck with its key on and its engine off (MIT, Heavy-Vehicle-Networking-At-U-Tulsa/NMFTA-CAN-Logger 0cffaf71). The
// counts are those of the description that comes with the data: 145,278 frames in 316 s, 61444 31,105 times, DM1 with
// SPN 102 FMI 3.
func TestTruck(t *testing.T) {
	var s seen
	p := follow(t, recorded(t, "truck-keyon-engine-off.candump.log.gz", "Heavy-Vehicle-Networking-At-U-Tulsa/NMFTA-CAN-Logger"), traffic.Options{}, s.look)
	s.check(t, &p)
	if p.Frames != 145278 || math.Abs(p.Until.UTC.Sub(p.From.UTC).Seconds()-316) > 0.5 {
		t.Errorf("%d frames in %v; want 145278 in 316 s", p.Frames, p.Until.UTC.Sub(p.From.UTC))
	}
	if n := find(t, &p, 61444, 0).Count; n != 31105 {
		t.Errorf("61444 came %d times; want 31105", n)
	}
	checkRates(t, &p, []rate{{61444, 0, 0.010}, {65265, 0, 0.1}, {61443, 0, 0.05}, {65266, 0, 0.1}, {65269, 0, 1}, {65226, 0, 1}, {65279, 0, 10}})
	if p.Slowest == nil || math.Abs(p.Slowest.Period.Value-1) > 0.01 {
		t.Errorf("slowest of the known groups: %+v; want one of those that J1939-71 sends each second", p.Slowest)
	}
	if !p.Reckoned || p.Bitrate.Value != 250_000 {
		t.Errorf("bitrate %+v, reckoned %v; want 250 kbit/s, reckoned", p.Bitrate, p.Reckoned)
	}
	found := false
	for _, f := range p.Faults {
		found = found || f.Source == 0 && f.SPN == 102 && f.FMI == 3 && strings.Contains(f.Words, "voltage too high")
	}
	if !found {
		t.Errorf("faults %+v; want SPN 102 FMI 3 of address 0 among them", p.Faults)
	}
	talkers := make(map[uint8]traffic.Talker)
	for _, k := range p.Talkers {
		talkers[k.Address] = k
	}
	// J1939 table B2: 0 engine, 11 brakes, 23 instrument cluster, 33 body controller.
	for address, word := range map[uint8]string{0: "engine", 11: "brakes", 23: "instrument cluster", 33: "body", 254: "without an address"} {
		if !strings.Contains(talkers[address].Words, word) {
			t.Errorf("address %d is %q; want %q in it", address, talkers[address].Words, word)
		}
	}
	if d := talkers[0].Device; d == nil || talkers[0].Frames != 112146 {
		t.Errorf("address 0: %+v; want its NAME and 112146 frames", talkers[0])
	}
	if len(p.Remarks) != 0 {
		t.Errorf("remarks of a sound bus: %q", p.Remarks)
	}
}

// A boat at rest (Apache-2.0, canboat/canboat 01d0dc3d): 44,005 frames, several satellite receivers at once.
func TestBoat(t *testing.T) {
	var s seen
	p := follow(t, recorded(t, "boat-gnss-subset-180s.candump.log.gz", "canboat/canboat"), traffic.Options{}, s.look)
	s.check(t, &p)
	if p.Frames != 44005 {
		t.Errorf("%d frames; want 44005", p.Frames)
	}
	checkRates(t, &p, []rate{
		{129025, 127, 0.1}, {129026, 28, 1}, {129029, 28, 1}, {129029, 127, 1}, {126992, 127, 1}, {130312, 15, 2}, {130316, 37, 2}, {130311, 36, 0.5},
	})
	if p.Slowest == nil || math.Abs(p.Slowest.Period.Value-2) > 0.01 || p.Slowest.PGN != 130312 && p.Slowest.PGN != 130316 {
		t.Errorf("slowest of the known groups: %+v; want 130312 or 130316, each 2 s", p.Slowest)
	}
	for _, k := range p.Talkers {
		if want := "satellite position (GNSS)"; (k.Address == 20 || k.Address == 127) && (!strings.Contains(k.Words, want) || k.Device.DeviceClass != 60 || k.Device.IndustryGroup != 4) {
			t.Errorf("address %d is %q (%+v); want a marine navigation device, %s", k.Address, k.Words, k.Device, want)
		}
	}
}

// message sends a frame through a decoder into the tracker.
func message(t *testing.T, tr *traffic.Tracker, d *signals.Decoder, text string, at time.Duration) {
	t.Helper()
	f := frame(t, text, at)
	tr.Keep(&f)
	d.Frame(f, tr.Message)
}

// claim is an address claim of a NAME: PGN 60928 to everybody, the NAME lowest byte first (J1939-81).
func claim(source uint8, name uint64) string {
	var b [8]byte
	for i := range b {
		b[i] = byte(name >> (8 * i))
	}
	return fmt.Sprintf("18EEFF%02X#%X", source, b)
}

func TestAddressesChange(t *testing.T) {
	// Industry group 2, class 4 (planter), function 129 (section control), maker 1256; and a tractor's function 134.
	planter := uint64(2)<<60 | uint64(4)<<49 | uint64(129)<<40 | 1256<<21 | 7 | 1<<63
	tractor := uint64(2)<<60 | uint64(134)<<40 | 99<<21 | 8 | 1<<63
	tr, d := traffic.New(traffic.Options{}), signals.NewDecoder()
	for i, text := range []string{
		claim(0x80, planter), claim(0xF0, tractor), claim(0x80, planter), // first claims, and one repeated: no change
		claim(0x80, tractor),  // takes the planter's
		claim(0x81, planter),  // which moves
		claim(0xFE, planter),  // and later finds none
		claim(0xFE, planter),  // says so again
		claim(0x82, planter),  // and gets one
		"18EEFF80#0102030405", // no NAME
	} {
		message(t, tr, d, text, time.Duration(i)*time.Second)
	}
	p := tr.Picture()
	var got []string
	address := func(a *uint8) string {
		if a == nil {
			return "none"
		}
		return strconv.Itoa(int(*a))
	}
	for _, c := range p.Changes {
		got = append(got, fmt.Sprintf("%v %s>%s %v", c.At.At, address(c.From), address(c.To), c.Took != ""))
	}
	want := []string{"3s 240>128 true", "4s 128>129 false", "5s 129>none false", "7s none>130 false"}
	if d := diff.Diff(want, got); d != "" || p.Moves != int64(len(want)) {
		t.Errorf("changes, %d in all (-want +got):\n%s", p.Moves, d)
	}
	if w := p.Talkers[0].Words; w != "agriculture, tractor ECU; maker 99" {
		t.Errorf("address %d: %q", p.Talkers[0].Address, w)
	}
	if w := traffic.NAMEWords(j1939.NAME(planter)); w != "planter or seeder, section control; maker 1256" {
		t.Errorf("NAMEWords of the planter: %q", w)
	}
}

// J1939-73: lamps; SPN 102 FMI 3 count 1, then SPN 190 FMI 2, then none.
func TestFaultsComeAndGo(t *testing.T) {
	tr, d := traffic.New(traffic.Options{}), signals.NewDecoder()
	for i, text := range []string{"18FECA00#04FF66000301FFFF", "18FECA00#44FFBE00027FFFFF", "18FECA03#00FF00000000FFFF"} {
		message(t, tr, d, text, time.Duration(i+1)*time.Second)
	}
	p := tr.Picture()
	one := uint8(1)
	want := []traffic.Trouble{
		{Source: 0, SPN: 190, FMI: 2, Words: "erratic or incorrect", Active: true, Since: traffic.Moment{At: 2 * time.Second}, Last: traffic.Moment{At: 2 * time.Second}},
		{Source: 0, SPN: 102, FMI: 3, Words: "voltage too high, or shorted to supply", Count: &one, Since: traffic.Moment{At: time.Second}, Last: traffic.Moment{At: time.Second}},
	}
	if d := diff.Diff(want, p.Faults); d != "" {
		t.Errorf("faults (-want +got):\n%s", d)
	}
	if l := p.Talkers[0].Lamps; l == nil || *l != (traffic.Lights{Malfunction: "on", Red: "off", Amber: "on", Protect: "off"}) {
		t.Errorf("lamps of address 0: %+v; want malfunction and amber on", l)
	}
}

func TestBusOfOneDeviceIsSaid(t *testing.T) {
	tr, d := traffic.New(traffic.Options{Link: "can0", Bitrate: 500_000}), signals.NewDecoder()
	f := frame(t, benchFrame, 0)
	kept := 0
	for i := range 15720 {
		f.Boot = time.Duration(i) * benchPeriod
		if tr.Keep(&f) {
			kept++
			d.Frame(f, tr.Message)
		}
	}
	p := tr.Picture()
	if p.Alone == nil || len(p.Remarks) != 1 || !strings.Contains(p.Remarks[0], "nobody acknowledges") || p.Frames != 15720 {
		t.Errorf("picture %+v; want the lone talker said, and every frame counted", p)
	}
	// The frame, then an error flag, is never finished: the bus is full of it, 118+14+13 of 159 bits.
	if p.Load.Value < 85 || p.Load.Value > 100 {
		t.Errorf("load %v %%; want a full bus", p.Load.Value)
	}
	tr.Tick(f.Boot + 15*time.Second)
	if p := tr.Picture(); p.Alone != nil || len(p.Remarks) != 2 || !strings.Contains(p.Remarks[1], strconv.Itoa(15720-kept)) {
		t.Errorf("afterwards: alone %v, remarks %q; want the count of what was not kept", p.Alone, p.Remarks)
	}
}

func TestOnlyErrorsAreSaid(t *testing.T) {
	for name, c := range map[string]struct {
		frames []bus.Frame
		want   string
	}{
		"wrong bitrate": {one(report(0x204, 0, 0x04, 0, 0, 0, 0, 0, 96), report(0x204, 0, 0x10, 0, 0, 0, 0, 0, 135)), "bitrate is probably wrong"},
		"bus off":       {one(heard(), report(0x40)), "has left the bus"},
		"noise":         {one(heard(), report(0x204, 0, 0x10, 0, 0, 0, 0, 0, 135)), "terminators"},
		"overrun":       {one(heard(), report(0x004, 0, 0x01)), "ran over 1 times"},
		"nothing":       {nil, "Nothing is heard"},
		"sound":         {one(heard()), ""},
		"one report":    {one(heard(), report(0x204, 0, 0x40, 0, 0, 0, 0, 0, 10)), ""},
	} {
		tr := traffic.New(traffic.Options{})
		for i, f := range c.frames {
			f.Boot = time.Duration(i) * time.Second
			tr.Keep(&f)
		}
		got := strings.Join(tr.Remarks(), " ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q; want %q", name, got, c.want)
		}
	}
	tr := traffic.New(traffic.Options{Limited: true})
	f := heard()
	tr.Keep(&f)
	tr.Tick(time.Second)
	if got := strings.Join(tr.Remarks(), " "); !strings.HasPrefix(got, "Only some groups") {
		t.Errorf("remarks %q; want that only some groups are heard", got)
	}
	tr.Tick(41 * time.Second)
	if got := strings.Join(tr.Remarks(), " "); !strings.Contains(got, "for 41 s") {
		t.Errorf("remarks %q; want how long it has been silent", got)
	}
	f.Boot = 42 * time.Second
	tr.Keep(&f)
	if got := strings.Join(tr.Remarks(), " "); strings.Contains(got, "been heard for") {
		t.Errorf("remarks %q of a bus that talks again", got)
	}
	tr.Lost(7, 2)
	if got := strings.Join(tr.Remarks(), " "); !strings.Contains(got, "7 frames were lost") || !strings.Contains(got, "2 things") {
		t.Errorf("remarks %q; want what was lost and what was no frame", got)
	}
}

// A flood of made-up identifiers and faults: memory stays, the machine's own groups stay, and everything is counted.
func TestAnyTrafficIsBounded(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	tr, d := traffic.New(traffic.Options{}), signals.NewDecoder()
	at := time.Duration(0)
	flood := func(n int) {
		for i := range n {
			at += 300 * time.Microsecond
			f := bus.Frame{Frame: can.Frame{ID: r.Uint32() & 0x1FFFFFFF, IsExtended: true, Length: 8}, Boot: at}
			if i%7 == 0 {
				f.ID, f.IsExtended = f.ID&0x7FF, false
			}
			if i%11 == 0 {
				f.ID = f.ID&0xFF | 0x18EEFF00 // claims of made-up NAMEs
				f.IsExtended = true
			}
			for j := range f.Data {
				f.Data[j] = byte(r.Uint32())
			}
			tr.Keep(&f)
			d.Frame(f, tr.Message)
			if i%300 == 0 {
				message(t, tr, d, "0CF00400#F39191AA1800F3FF", at)
				message(t, tr, d, fmt.Sprintf("18FECA%02X#04FF%02X%02X0301FFFF", i%256, i>>8&255, i&255), at)
			}
		}
	}
	flood(20_000)
	p := tr.Picture()
	if n := len(p.Groups); n != 1024 || p.Passed.Messages == 0 || len(p.Talkers) > 256 || len(p.Faults) > 256 || len(p.Changes) > 32 {
		t.Errorf("%d groups, %d passed, %d talkers, %d faults, %d changes; want bounds kept", n, p.Passed.Messages, len(p.Talkers), len(p.Faults), len(p.Changes))
	}
	if g := find(t, &p, 61444, 0); g.Count != 67 {
		t.Errorf("the engine's group came %d times; want all 67 in the flood", g.Count)
	}
	if allocs := testing.AllocsPerRun(1, func() { flood(5000) }); allocs > 5000*12 {
		t.Errorf("%v allocations in a flood of 5000; the tracker's own are to be none", allocs)
	}
}

// Who gives way when there is no more room: what came once, the oldest first; then only what has been silent for minutes.
func TestWhatGivesWay(t *testing.T) {
	tr, d := traffic.New(traffic.Options{}), signals.NewDecoder()
	id := func(n int) string { return fmt.Sprintf("18FF%02X%02X#00", n>>8, n&0xFF) } // 256 groups of 256 senders
	has := func(n int) bool {
		p := tr.Picture()
		return slices.ContainsFunc(p.Groups, func(g traffic.Group) bool { return g.PGN == uint32(0xFF00+n>>8) && int(g.Source) == n&0xFF })
	}
	at := func(s int) time.Duration { return time.Duration(s) * time.Second }
	for n := range 1024 {
		message(t, tr, d, id(n), at(n))
		if n%2 == 0 {
			message(t, tr, d, id(n), at(n)+time.Millisecond)
		}
	}
	message(t, tr, d, id(2000), at(1024))
	message(t, tr, d, id(2001), at(1025))
	if has(1) || has(3) || !has(5) || !has(0) || !has(2000) || !has(2001) {
		t.Errorf("after two more: 1 %v, 3 %v, 5 %v, 0 %v; want the two oldest that came once gone", has(1), has(3), has(5), has(0))
	}
	for n := range 1024 {
		message(t, tr, d, id(n), at(1100)) // those that gave way come back in the places of others
		message(t, tr, d, id(n), at(1101))
	}
	message(t, tr, d, id(3000), at(1102))
	if has(3000) {
		t.Error("a new group took the place of one that came twice and lately")
	}
	message(t, tr, d, id(3000), at(1102+121))
	if !has(3000) {
		t.Error("a new group found no room although all others are silent for two minutes")
	}
}

// Whatever is fed, in whatever order groups first came, the lists have one order; and what goes to a script comes back.
func TestOrderAndJSON(t *testing.T) {
	texts := []string{"18FEF121#00FF509FFFFF1FFF", "0CF00400#F39191AA1800F3FF", "123#01", "18FEF111#00FF509FFFFF1FFF", "005#"}
	var first []byte
	for seed := range uint64(10) {
		tr, d := traffic.New(traffic.Options{Link: "can1"}), signals.NewDecoder()
		order := rand.New(rand.NewPCG(seed, 0)).Perm(len(texts))
		for _, i := range order {
			message(t, tr, d, texts[i], time.Second)
		}
		p := tr.Picture()
		text, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = text
		}
		if string(text) != string(first) {
			t.Fatalf("order %v:\n%s\nwant\n%s", order, text, first)
		}
		var back traffic.Picture
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		again, err := json.Marshal(back)
		if err != nil || string(again) != string(text) {
			t.Errorf("there and back: %v\n%s\n%s", err, text, again)
		}
	}
	for _, text := range []string{`"2026-01-02T03:04:05.000006Z"`, `12.5`} {
		var m traffic.Moment
		if err := json.Unmarshal([]byte(text), &m); err != nil {
			t.Fatal(err)
		}
		if back, err := json.Marshal(m); err != nil || string(back) != text {
			t.Errorf("%s became %s (%v)", text, back, err)
		}
	}
	var m traffic.Moment
	if json.Unmarshal([]byte(`"nonsense"`), &m) == nil || json.Unmarshal([]byte(`{}`), &m) == nil {
		t.Error("nonsense was taken for a time")
	}
}

// Words are of the published lists: AgIsoStack++'s can_NAME.hpp (ISO 11783-1) and canboat's device functions.
func TestNAMEWords(t *testing.T) {
	for name, want := range map[uint64]string{
		uint64(2)<<60 | 0<<49 | 130<<40:          "agriculture, task controller; maker 0",
		uint64(2)<<60 | 4<<49 | 137<<40 | 5<<21:  "planter or seeder, down pressure; maker 5",
		uint64(2)<<60 | 1<<49 | 130<<40:          "tractor, rear hitch; maker 0",
		uint64(0) | 29<<40:                       "virtual terminal; maker 0",
		uint64(4)<<60 | 60<<49 | 145<<40 | 3<<35: "navigation, satellite position (GNSS) (instance 3); maker 0",
		uint64(7)<<60 | 99<<49 | 250<<40:         "group 7 class 99, function 250; maker 0",
		uint64(2)<<60 | 99<<49 | 250<<40:         "agriculture class 99, function 250; maker 0",
		uint64(2)<<60 | 1<<49 | 255<<40:          "tractor, function not told; maker 0",
		uint64(1)<<60 | 5<<40:                    "road vehicle, shift control; maker 0",
	} {
		if got := traffic.NAMEWords(j1939.NAME(name)); got != want {
			t.Errorf("NAMEWords(%016X) = %q; want %q", name, got, want)
		}
	}
}

func TestTrackerAllocatesNothing(t *testing.T) {
	tr, d := traffic.New(traffic.Options{}), signals.NewDecoder()
	texts := []string{"0CF00400#F39191AA1800F3FF", "18FEF121#00FF509FFFFF1FFF", "18FECA00#04FF66000301FFFF"}
	frames := make([]bus.Frame, len(texts))
	for i, text := range texts {
		frames[i] = frame(t, text, 0)
	}
	emit := tr.Message
	run := func() {
		for i := range frames {
			frames[i].Boot += 10 * time.Millisecond
			tr.Keep(&frames[i])
			d.Frame(frames[i], emit)
		}
	}
	run()
	if n := testing.AllocsPerRun(500, run); n != 0 {
		t.Errorf("three frames allocate %v times; want 0", n)
	}
}

func BenchmarkTracker(b *testing.B) {
	tr, d := traffic.New(traffic.Options{}), signals.NewDecoder()
	f := frame(b, "0CF00400#F39191AA1800F3FF", 0)
	emit := tr.Message
	b.ReportAllocs()
	for b.Loop() {
		f.Boot += 10 * time.Millisecond
		tr.Keep(&f)
		d.Frame(f, emit)
	}
}
