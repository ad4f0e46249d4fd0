// SPDX-License-Identifier: Apache-2.0

package j1939_test

import (
	"bytes"
	"encoding/hex"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
)

// frame reads "18FECAAA#0102" at a time in milliseconds.
func frame(tb testing.TB, text string, ms int) bus.Frame {
	tb.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		tb.Fatal(err)
	}
	return bus.Frame{Frame: f, Boot: time.Duration(ms) * time.Millisecond}
}

type heard struct {
	data string
	pgn  uint32
}

// feed runs frames 10 ms apart, or at the times given, and returns the joined messages.
func feed(t *testing.T, a *j1939.Assembler, texts []string, times ...int) []heard {
	t.Helper()
	var out []heard
	for i, text := range texts {
		at := 10 * i
		if len(times) > 0 {
			at = times[i]
		}
		f := frame(t, text, at)
		var m j1939.Message
		if a.Frame(&f, &m) && m.Frames > 1 {
			out = append(out, heard{hex.EncodeToString(m.Data), m.PGN})
		}
	}
	return out
}

// Published sessions: two of AgIsoStack++ and J1939-Framework, one of canboat.
func diagnostics() []string { // AgIsoStack++ test/diagnostic_protocol_tests.cpp
	return []string{"1CECFFAA#200E0002FFCAFE00", "1CEBFFAA#01FFFFD2041F0137", "1CEBFFAA#02020201CE220C01"}
}

func torque() []string { // J1939-Framework Tests/BAM_test.cpp
	return []string{
		"00ECFF50#20140003FF05F000", "00EBFF50#01ABCDEF01234567", "00EBFF50#0289ABCDEFABCDEF", "00EBFF50#03ABCDEFABCDEFFF",
	}
}

func position() []string { // canboat analyzer/tests/recombine-frames
	return []string{
		"0DF80500#002FE7953D0073D6", "0DF80500#012900DA0473DBC9", "0DF80500#02E505807D02285F", "0DF80500#03D610F69B506C05",
		"0DF80500#040000000013FC08", "0DF80500#056F00BE00DDF2FF", "0DF80500#06FF00FFFFFFFFFF",
	}
}

func connection() []string { // made after J1939-21: RTS, CTS, DT, EOMA
	return []string{
		"1CEC2010#100A000202DAFE00", "1CEC1020#110201FFFFDAFE00", "1CEB2010#0101020304050607", "1CEB2010#0208090AFFFFFFFF",
		"1CEC1020#130A0002FFDAFE00",
	}
}

const (
	diagnosticsHex = "ffffd2041f0137020201ce220c01"
	torqueHex      = "abcdef0123456789abcdefabcdefabcdefabcdef"
	positionHex    = "e7953d0073d62900da0473dbc9e505807d02285fd610f69b506c050000000013fc086f00be00ddf2ffff00ffffffffffff"
	connectionHex  = "0102030405060708090a"
)

func TestSessionsAreJoined(t *testing.T) {
	for name, c := range map[string]struct {
		frames []string
		want   heard
	}{
		"broadcast of two packets":   {diagnostics(), heard{diagnosticsHex, 65226}},
		"broadcast of three packets": {torque(), heard{torqueHex, 61445}},
		"fast packet":                {position(), heard{positionHex[:2*47], 129029}},
		"connection overheard":       {connection(), heard{connectionHex, 65242}},
	} {
		a := j1939.NewAssembler(j1939.Options{})
		got := feed(t, a, c.frames)
		a.Finish()
		if len(got) != 1 || got[0] != c.want {
			t.Errorf("%s: joined %v; want %v", name, got, c.want)
		}
		if s := a.Stats(); s != (j1939.Stats{Joined: 1}) {
			t.Errorf("%s: Stats() = %+v; want one joined and none broken", name, s)
		}
	}
}

func TestDamagedSessionsAreCountedOnce(t *testing.T) {
	d, c, p := diagnostics(), connection(), position()
	long := []int{0, 10, 900}
	for name, tc := range map[string]struct {
		frames []string
		times  []int
		want   j1939.Stats
	}{
		"every frame twice": {frames: twice(d), want: j1939.Stats{Joined: 1}},
		"fast twice":        {frames: twice(p), want: j1939.Stats{Joined: 1}},
		"connection twice":  {frames: twice(c), want: j1939.Stats{Joined: 1}},
		"packets asked for again": {
			frames: []string{c[0], c[1], c[3], "1CEC1020#110101FFFFDAFE00", c[2], c[4]}, want: j1939.Stats{Joined: 1},
		},
		"packet missing at the acknowledgement": {frames: []string{c[0], c[1], c[2], c[4]}, want: j1939.Stats{Broken: 1}},
		"T1 ran out":                            {frames: d, times: long, want: j1939.Stats{Broken: 1}},
		"T1 ran out long ago":                   {frames: d, times: []int{0, 10, 2500}, want: j1939.Stats{Broken: 1}},
		"abort":                                 {frames: []string{c[0], "1CEC2010#FF03FFFFFFDAFE00"}, want: j1939.Stats{Broken: 1, Aborted: 1}},
		"abort by the receiver": {
			frames: []string{c[0], "1CEC1020#FF03FFFFFFDAFE00"}, want: j1939.Stats{Broken: 1, Aborted: 1},
		},
		"abort of another group": {
			frames: []string{c[0], "1CEC2010#FF03FFFFFFEBFE00", c[2], c[3]}, want: j1939.Stats{Joined: 1},
		},
		"announced anew in the middle": {
			frames: []string{d[0], d[1], d[0], d[1], d[2]}, want: j1939.Stats{Joined: 1, Broken: 1},
		},
		"two fast packets interleaved by counter": {
			frames: []string{p[0], other(p[0]), p[1], other(p[1]), p[2], p[3], other(p[2]), other(p[3]), p[4], p[5], p[6], other(p[4]), other(p[5]), other(p[6])},
			want:   j1939.Stats{Joined: 2},
		},
		"size and packets disagree": {frames: []string{"1CECFFAA#200E0003FFCAFE00"}, want: j1939.Stats{Broken: 1}},
		"size zero":                 {frames: []string{"1CECFFAA#20000000FFCAFE00"}, want: j1939.Stats{Broken: 1}},
		"size beyond 1785":          {frames: []string{"1CECFFAA#20FA06FFFFCAFE00"}, want: j1939.Stats{Broken: 1}},
		"fast length beyond 223":    {frames: []string{"0DF80500#00FF010203040506", p[1]}, want: j1939.Stats{Broken: 1}},
		"packet short of bytes":     {frames: []string{d[0], "1CEBFFAA#01FF", d[2]}, want: j1939.Stats{Broken: 1}},
		"extended transfer":         {frames: []string{"1CC82010#1400000100DAFE00", "1CC72010#0101020304050607"}, want: j1939.Stats{Skipped: 1}},
		"extended transfer asked for three times": {
			frames: []string{"1CC82010#1400000100DAFE00", "1CC82010#1400000100DAFE00", "1CC81020#1510010000DAFE00", "1CC82010#1400000100DAFE00"},
			want:   j1939.Stats{Skipped: 1},
		},
		"two extended transfers": { // request, offset, data, end; request
			frames: []string{"1CC82010#1400000100DAFE00", "1CC82010#1610000000DAFE00", "1CC72010#0101020304050607", "1CC81020#1700000100DAFE00", "1CC82010#1400000100DAFE00"},
			want:   j1939.Stats{Skipped: 2},
		},
		"an extended transfer beside a transport session": {
			frames: []string{c[0], "1CC82010#1400000100DBFE00", c[1], "1CC72010#0101020304050607", c[2], c[3], c[4]},
			want:   j1939.Stats{Joined: 1, Skipped: 1},
		},
		"control frame too short": {frames: []string{"1CECFFAA#200E"}},
		"session left open":       {frames: d[:2], want: j1939.Stats{Broken: 1}},
	} {
		a := j1939.NewAssembler(j1939.Options{})
		feed(t, a, tc.frames, tc.times...)
		a.Finish()
		if got := a.Stats(); got != tc.want {
			t.Errorf("%s: Stats() = %+v; want %+v", name, got, tc.want)
		}
	}
}

// other gives a fast frame another sequence counter.
func other(text string) string {
	b := []byte(text)
	b[9] = "2345"[b[9]-'0'] // the upper digit: sequence 0 becomes 1
	return string(b)
}

func twice(frames []string) []string {
	var out []string
	for _, f := range frames {
		out = append(out, f, f)
	}
	return out
}

func TestFramesThatAreNoMessages(t *testing.T) {
	a := j1939.NewAssembler(j1939.Options{})
	for name, f := range map[string]bus.Frame{
		"remote request": {Frame: can.Frame{ID: 0x18FECAAA, IsExtended: true, IsRemote: true}},
		"error report":   {Frame: can.Frame{ID: 4, IsExtended: true, Length: 8}, Class: bus.Error},
		"11-bit":         {Frame: can.Frame{ID: 0x123, Length: 8}},
	} {
		var m j1939.Message
		if a.Frame(&f, &m) {
			t.Errorf("%s became message %+v", name, m)
		}
	}
}

func TestSilenceEndsASessionByFrameTime(t *testing.T) {
	a := j1939.NewAssembler(j1939.Options{})
	feed(t, a, []string{torque()[0], "18FEF120#FF00509FFFFF1FFF"}, 0, 2000)
	if got := a.Stats().Broken; got != 1 {
		t.Errorf("Broken = %d two seconds after an announcement; want 1", got)
	}
	// Time that runs backwards ends nothing.
	b := j1939.NewAssembler(j1939.Options{})
	if got := feed(t, b, diagnostics(), 5000, 10, 20); len(got) != 1 {
		t.Errorf("with time running backwards joined %v; want the one message", got)
	}
}

func TestMemoryStaysBounded(t *testing.T) {
	a := j1939.NewAssembler(j1939.Options{MaxSessions: 8})
	var m j1939.Message
	for i := range 50_000 { // announcements from every sender to every receiver, none ever continued
		id := j1939.ID{PGN: 0xEC00, Priority: 7, Source: uint8(i), Destination: uint8(i >> 8 & 0x7F)}
		f := bus.Frame{Frame: can.Frame{ID: id.CAN(), IsExtended: true, Length: 8, Data: can.Data{0x10, 0xF9, 6, 255, 255, 0xCA, 0xFE}}}
		a.Frame(&f, &m)
	}
	a.Finish()
	if got := a.Stats().Broken; got != 50_000 {
		t.Errorf("Broken = %d; want each of 50000 once", got)
	}
	if got := testing.AllocsPerRun(100, func() {
		for _, text := range [...]uint8{1, 2, 3, 4, 5, 6, 7, 8, 9, 10} {
			id := j1939.ID{PGN: 0xEC00, Priority: 7, Source: text, Destination: 3}
			f := bus.Frame{Frame: can.Frame{ID: id.CAN(), IsExtended: true, Length: 8, Data: can.Data{0x10, 0xF9, 6, 255, 255, 0xCA, 0xFE}}}
			a.Frame(&f, &m)
		}
	}); got != 0 {
		t.Errorf("a flood of sessions allocates %v times a round; want 0", got)
	}
}

func TestNoAllocationInSteadyState(t *testing.T) {
	var frames []bus.Frame
	for _, text := range append(append(append(diagnostics(), torque()...), position()...), append(connection(), "18FEF120#FF00509FFFFF1FFF")...) {
		frames = append(frames, frame(t, text, 0))
	}
	a := j1939.NewAssembler(j1939.Options{})
	var m j1939.Message
	joined := 0
	round := func() {
		for i := range frames {
			frames[i].Boot += 2 * time.Second
			if a.Frame(&frames[i], &m) {
				joined += len(m.Data)
			}
		}
	}
	round()
	if got := testing.AllocsPerRun(100, round); got != 0 {
		t.Errorf("%v allocations a round of %d frames; want 0", got, len(frames))
	}
	if joined == 0 {
		t.Error("nothing was joined")
	}
}

func TestDataIsTheSendersBytes(t *testing.T) {
	a := j1939.NewAssembler(j1939.Options{})
	f := frame(t, "18FEF120#FF0050", 0)
	var m j1939.Message
	if !a.Frame(&f, &m) || !bytes.Equal(m.Data, []byte{0xFF, 0, 0x50}) || m.Frames != 1 {
		t.Errorf("message = %+v; want its three bytes", m)
	}
}

func BenchmarkFrame(b *testing.B) {
	var frames []bus.Frame
	for _, text := range append(append(diagnostics(), position()...), "18FEF120#FF00509FFFFF1FFF", "0CF00400#F39191AA1800F3FF") {
		frames = append(frames, frame(b, text, 0))
	}
	a := j1939.NewAssembler(j1939.Options{})
	var m j1939.Message
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		a.Frame(&frames[i], &m)
		if i++; i == len(frames) {
			i = 0
		}
	}
}
