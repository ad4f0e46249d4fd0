// SPDX-License-Identifier: Apache-2.0

package traffic_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/traffic"
)

func frame(tb testing.TB, text string, at time.Duration) bus.Frame {
	tb.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		tb.Fatal(err)
	}
	return bus.Frame{Frame: f, Boot: at}
}

// bench is what a public bench note shows of one device alone at 500 kbit/s, heard by a listener that does not
// acknowledge: this frame, 15,720 times in 5 s.
const (
	benchFrame  = "18FEAE30#FFFFFEFEFFFFFFFF"
	benchPeriod = 5 * time.Second / 15720
)

// repeat feeds n repeats and returns how many were kept, and the time after the last.
func repeat(t *testing.T, l *traffic.Lone, text string, from, period time.Duration, n int) (kept int, at time.Duration) {
	t.Helper()
	f := frame(t, text, 0)
	for i := range n {
		f.Boot = from + time.Duration(i)*period
		if l.Keep(&f) {
			kept++
		}
	}
	return kept, from + time.Duration(n)*period
}

func TestALoneTalkerIsRecognised(t *testing.T) {
	for name, rate := range map[string]int64{"bitrate known": 500_000, "bitrate not known": 0} {
		l := traffic.NewLone(traffic.NewMeter(), rate)
		kept, at := repeat(t, l, benchFrame, time.Hour, benchPeriod, 15720)
		r, alone := l.Now()
		if !alone || r.Bitrate != 500_000 || r.Frame != benchFrame || r.Since != time.Hour || r.Repeats != 15720 || math.Abs(r.Rate-3144) > 1 {
			t.Errorf("%s: %+v, alone %v; want the bench's frame at 3144/s and 500 kbit/s", name, r, alone)
		}
		// Until it is believed (200), and then one each second of the 4.94 s that are left.
		if kept != 204 || r.Thinned != int64(15720-kept) {
			t.Errorf("%s: kept %d, thinned %d; want 204 kept and the others counted", name, kept, r.Thinned)
		}
		if words := l.Words(); !strings.Contains(words, benchFrame) || !strings.Contains(words, "3144 times a second") {
			t.Errorf("%s: words %q", name, words)
		}
		// Another device appears: both frames go through, and so does everything after.
		kept, _ = repeat(t, l, "0CF00400#F39191AA1800F3FF", at, 10*time.Millisecond, 1)
		two, _ := repeat(t, l, benchFrame, at+time.Millisecond, 10*time.Millisecond, 1)
		three, _ := repeat(t, l, "0CF00400#F39191AA1800F3FF", at+2*time.Millisecond, 10*time.Millisecond, 50)
		if _, alone := l.Now(); alone || kept+two+three != 52 || l.Words() != "" {
			t.Errorf("%s: with a second device: alone %v, kept %d; want false, 52", name, alone, kept+two+three)
		}
	}
}

func TestWhatIsNoLoneTalker(t *testing.T) {
	for name, c := range map[string]struct {
		rate   int64
		period time.Duration
	}{
		"a calm sender":                              {250_000, 10 * time.Millisecond},
		"a fast sender":                              {250_000, time.Millisecond},
		"a fast sender, bitrate not known":           {0, 2 * time.Millisecond},
		"faster than the bus":                        {250_000, 300 * time.Microsecond},
		"a log without times":                        {0, 0},
		"the bench's rate, on a bus of another rate": {250_000, benchPeriod},
	} {
		l := traffic.NewLone(traffic.NewMeter(), c.rate)
		const n = 2000
		if kept, _ := repeat(t, l, benchFrame, 0, c.period, n); kept != n {
			t.Errorf("%s: kept %d of %d; want all", name, kept, n)
		}
		if r, alone := l.Now(); alone {
			t.Errorf("%s: taken for a lone talker: %+v", name, r)
		}
	}
	// Two frames that take turns fill the bus as well, and somebody acknowledges them.
	l := traffic.NewLone(traffic.NewMeter(), 500_000)
	for i := range 2000 {
		f := frame(t, benchFrame, time.Duration(i)*benchPeriod)
		f.Data[0] = byte(i)
		if !l.Keep(&f) {
			t.Fatalf("frame %d of a counter was thinned", i)
		}
	}
	if _, alone := l.Now(); alone {
		t.Error("a counting sender was taken for a lone talker")
	}
}

// The device has a more urgent frame: still alone, and both frames are in the record.
func TestALoneTalkerMayChangeItsFrame(t *testing.T) {
	l := traffic.NewLone(traffic.NewMeter(), 500_000)
	_, at := repeat(t, l, benchFrame, 0, benchPeriod, 3000)
	kept, at := repeat(t, l, "0CF00400#FFFFFF8A03FFFFFF", at, benchPeriod, 1000)
	r, alone := l.Now()
	if !alone || r.Frame != "0CF00400#FFFFFF8A03FFFFFF" {
		t.Errorf("after a change: %+v, alone %v; want the new frame, alone", r, alone)
	}
	if kept < 33 || kept > 40 {
		t.Errorf("kept %d of the new frame; want the first 33 and few more", kept)
	}
	l.Tick(at + 2*time.Second)
	if _, alone := l.Now(); alone {
		t.Error("alone after two seconds of silence")
	}
	// It is switched on again later: recognised again, from the start.
	repeat(t, l, benchFrame, at+time.Minute, benchPeriod, 250)
	if r, alone := l.Now(); !alone || r.Since != at+time.Minute {
		t.Errorf("switched on again: %+v, %v; want alone since then", r, alone)
	}
}

// While it lasts, the controller reports an error with each repeat; those are thinned too, except a new kind.
func TestErrorReportsOfALoneTalkerAreThinned(t *testing.T) {
	l := traffic.NewLone(traffic.NewMeter(), 500_000)
	f := frame(t, benchFrame, 0)
	var kept, errors int
	for i := range 12000 {
		f.Boot = time.Duration(i) * benchPeriod
		if l.Keep(&f) {
			kept++
		}
		e := report(0x288, 0, 0, 0x02, 0x1B, 0, 0, 0, byte(i))
		e.Boot = f.Boot
		if l.Keep(&e) {
			errors++
		}
	}
	if _, alone := l.Now(); !alone || kept > 205 || errors > 205 {
		t.Errorf("alone %v, kept %d frames and %d reports; want true and about 200 each", alone, kept, errors)
	}
	off := report(0x40)
	off.Boot = f.Boot
	if !l.Keep(&off) {
		t.Error("a bus off was thinned")
	}
}

// A wrong bitrate can bring thousands of error reports a second. They are counted, few are kept, and none that tells of
// another state is lost.
func TestAFloodOfErrorReportsIsThinned(t *testing.T) {
	const perSecond, seconds = 5000, 4
	tr := traffic.New(traffic.Options{})
	kept, states := 0, 0
	for i := range perSecond * seconds {
		f := report(0x088, 0, 0, 0x04, byte(i)) // linux/can/error.h: stuff error, somewhere
		state := i%perSecond == perSecond/2
		if state {
			f = report(0x204, 0, []byte{0x04, 0x10}[i/perSecond%2], 0, 0, 0, 0, 0, 135) // warning and passive by turns
		}
		f.Boot = time.Duration(i) * time.Second / perSecond
		if tr.Keep(&f) {
			kept++
			if state {
				states++
			}
		}
	}
	p := tr.Picture()
	if kept > 110*seconds || kept < 100*seconds || states != seconds {
		t.Errorf("kept %d, %d of them states; want about 100 a second and all %d states", kept, states, seconds)
	}
	if p.Controller.Counts.Reports != perSecond*seconds || p.Unkept != int64(perSecond*seconds-kept) {
		t.Errorf("counted %d, not kept %d; want all counted", p.Controller.Counts.Reports, p.Unkept)
	}
	if words := strings.Join(p.Remarks, " "); !strings.Contains(words, "bitrate is probably wrong") || !strings.Contains(words, "not kept one by one") {
		t.Errorf("said %q; want the bitrate and what was not kept", words)
	}
	// A calm bus keeps every report.
	tr = traffic.New(traffic.Options{})
	for i := range 500 {
		f := report(0x088, 0, 0, 0x04)
		f.Boot = time.Duration(i) * 20 * time.Millisecond
		if !tr.Keep(&f) {
			t.Fatalf("report %d of 50 a second was not kept", i)
		}
	}
}

func TestTimeMayRunBackwards(t *testing.T) {
	l := traffic.NewLone(traffic.NewMeter(), 0)
	repeat(t, l, benchFrame, time.Hour, benchPeriod, 1000)
	if kept, _ := repeat(t, l, benchFrame, 0, benchPeriod, 150); kept != 150 {
		t.Errorf("kept %d of 150 after time ran back; want all", kept)
	}
}

func TestKeepAllocatesNothing(t *testing.T) {
	l := traffic.NewLone(traffic.NewMeter(), 0)
	f := frame(t, benchFrame, 0)
	if n := testing.AllocsPerRun(1000, func() { f.Boot += benchPeriod; l.Keep(&f) }); n != 0 {
		t.Errorf("Keep allocates %v times", n)
	}
}
