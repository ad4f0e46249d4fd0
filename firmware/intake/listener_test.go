// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/signals"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
	"airhold/sensors/board"
	"airhold/sensors/units"
)

func canTable() *readings.Table {
	speed := units.Unit{Code: "m/s", Dim: units.Speed, Factor: 1}
	return readings.NewTable([]readings.Info{
		{ID: "speed", Unit: speed, High: 20},
		{ID: "speed_of_47", Unit: speed},
		{ID: "own", Unit: kPa()},
		{ID: "can0" + readings.LinkFrames},
		{ID: "can0" + readings.LinkErrors},
		{ID: "can0" + readings.LinkDrops},
		{ID: "can0" + readings.LinkUp},
		{ID: "can0" + readings.LinkState},
		{ID: "can0" + readings.LinkAlone},
		{ID: readings.BoxTemperature},
		{ID: readings.BoxUndervoltage},
		{ID: readings.BoxDiskLeft},
	})
}

const ownDBC = `VERSION ""
BS_:
BU_: Box
BO_ 291 AIR: 8 Box
 SG_ Tank : 0|16@1+ (100,0) [0|1000000] "Pa" Box
`

// wanted are the mappings of the tests. 47h claims the NAME A00084000DE00001h.
func wantedSignals(t *testing.T) []intake.Signal {
	t.Helper()
	own := must[*signals.DBC](t)(signals.ParseDBC("own.dbc", []byte(ownDBC)))
	return []intake.Signal{
		{Channel: "speed", Signal: "wheel_speed.speed", Address: -1},
		{Channel: "speed_of_47", Signal: "wheel_speed.speed", Address: -1, NAME: "A00084000DE00001"},
		{Channel: "own", DBC: own, Message: "AIR", Signal: "Tank", Address: -1},
	}
}

func frame(t *testing.T, at time.Duration, text string) bus.Frame {
	t.Helper()
	var f can.Frame
	if err := f.UnmarshalString(text); err != nil {
		t.Fatal(err)
	}
	return bus.Frame{Frame: f, Boot: at}
}

// Bytes by hand from ISO 11783-7 wheel-based speed and distance, PGN 65096 (FE48h): bytes 1-2 speed, 0.001 m/s a bit,
// FE00h to FEFFh error, FF00h to FFFFh not available (J1939-71).
func TestTranslatorGivesReadingsWithTheirDoubt(t *testing.T) {
	tests := []struct {
		name, frame string
		want        []readings.Reading
	}{
		{"4 m/s", "0CFE4846#A00FFFFFFFFFFFFF", []readings.Reading{{Channel: 0, Value: 4}}},
		{"not available", "0CFE4846#FFFFFFFFFFFFFFFF", []readings.Reading{{Channel: 0, Quality: readings.NotAvailable}}},
		{"sender's error", "0CFE4846#00FEFFFFFFFFFFFF", []readings.Reading{{Channel: 0, Quality: readings.SourceError}}},
		{"reserved code", "0CFE4846#00FBFFFFFFFFFFFF", []readings.Reading{{Channel: 0, Quality: readings.Implausible}}},
		{"faster than the file allows", "0CFE4846#4075FFFFFFFFFFFF", []readings.Reading{{Channel: 0, Quality: readings.Implausible}}},
		{"too short", "0CFE4846#A0", []readings.Reading{{Channel: 0, Quality: readings.NotAvailable}}},
		{"another message", "0CFE4946#A00FFFFFFFFFFFFF", nil},
		{"the sender with the NAME", "0CFE4847#A00FFFFFFFFFFFFF", []readings.Reading{{Channel: 0, Value: 4}, {Channel: 1, Value: 4}}},
		{"the user's DBC", "123#8813000000000000", []readings.Reading{{Channel: 2, Value: 500e3}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out := &sink{}
			tr := must[*intake.Translator](t)(intake.NewTranslator(intake.TranslatorOptions{Table: canTable(), Out: out, Signals: wantedSignals(t)}))
			// The address claim, PGN 60928: the NAME's eight bytes, lowest first.
			tr.Frame(frame(t, 0, "18EEFF47#0100E00D008400A0"))
			tr.Frame(frame(t, 5*time.Second, tt.frame))
			for i := range tt.want {
				tt.want[i].At = 5 * time.Second
			}
			near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Abs(a) })
			if diff := cmp.Diff(tt.want, out.take(), near); diff != "" {
				t.Errorf("readings of %s (-want +got):\n%s", tt.frame, diff)
			}
		})
	}
}

// DM1, PGN 65226 (FECAh), J1939-73: lamps, then SPN 102 = 66h 00h, FMI 3, count 1; then SPN 190 FMI 2 in its place,
// then both gone (all zeros).
func TestTroubleCodesAppearAndGo(t *testing.T) {
	out := &sink{}
	tr := must[*intake.Translator](t)(intake.NewTranslator(intake.TranslatorOptions{Table: canTable(), Out: out}))
	for i, text := range []string{
		"18FECA00#04FF66000301FFFF", "18FECA00#04FF66000302FFFF", "18FECA03#04FF66000301FFFF",
		"18FECA00#04FFBE000201FFFF", "18FECA00#00FF00000000FFFF", "18FECA00#00FF00000000FFFF",
	} {
		tr.Frame(frame(t, time.Duration(i)*time.Second, text))
	}
	want := []readings.MachineFault{
		{At: 0, SPN: 102, FMI: 3, Count: 1},
		{At: 2 * time.Second, Source: 3, SPN: 102, FMI: 3, Count: 1},
		{At: 3 * time.Second, SPN: 102, FMI: 3, Count: 2, Gone: true},
		{At: 3 * time.Second, SPN: 190, FMI: 2, Count: 1},
		{At: 4 * time.Second, SPN: 190, FMI: 2, Count: 1, Gone: true},
	}
	if diff := cmp.Diff(want, out.faults); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func TestNewTranslatorReportsEveryProblem(t *testing.T) {
	_, err := intake.NewTranslator(intake.TranslatorOptions{Table: canTable(), Signals: []intake.Signal{
		{Channel: "nobody", Signal: "wheel_speed.speed"},
		{Channel: "speed", Signal: "wheel_sped.speed"},
		{Channel: "own", Signal: "wheel_speed.speed", NAME: "no hex"},
	}})
	if !errors.Is(err, intake.ErrSignal) || !errors.Is(err, signals.ErrUnknown) {
		t.Fatalf("NewTranslator = %v; want %v and %v", err, intake.ErrSignal, signals.ErrUnknown)
	}
	for _, part := range []string{`"nobody"`, "wheel_speed.speed", "no hex"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("NewTranslator = %v; want %q in it", err, part)
		}
	}
}

// fakeLink is a FrameSource fed by a test.
type fakeLink struct {
	frames chan bus.Frame
	fail   chan error
	drops  atomic.Uint64
	closed atomic.Bool
}

func newLink() *fakeLink { return &fakeLink{frames: make(chan bus.Frame), fail: make(chan error)} }

func (l *fakeLink) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	select {
	case buf[0] = <-l.frames:
		return 1, nil
	case err := <-l.fail:
		return 0, err
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

func (l *fakeLink) Drops() uint64 { return l.drops.Load() }
func (l *fakeLink) Close() error  { l.closed.Store(true); return nil }

type tap struct {
	frames  []bus.Frame
	dropped map[uint16]uint64
}

func (t *tap) Frame(f bus.Frame) { t.frames = append(t.frames, f) }

func (t *tap) Dropped(link uint16, total uint64) {
	if t.dropped == nil {
		t.dropped = make(map[uint16]uint64)
	}
	t.dropped[link] = total
}

func TestListenerTellsTheLinksHealth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, out, record, tab := newClock(), &sink{}, &tap{}, canTable()
		links, opened := []*fakeLink{newLink(), newLink()}, 0
		failures := 0
		l := must[*intake.Listener](t)(intake.NewListener(intake.ListenerOptions{
			Name: "can0", Index: 2, Clock: c, Table: tab, Out: out, Tap: record, Signals: wantedSignals(t),
			Open: func(context.Context) (intake.FrameSource, error) {
				// Absent for the first four attempts, and for four after the first loss.
				if failures++; failures%5 != 0 {
					return nil, errors.New("no such interface")
				}
				opened++
				return links[opened-1], nil
			},
		}))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- l.Run(ctx) }()

		newest := func(suffix string) readings.Reading {
			t.Helper()
			got := of(out.take(), tab.Find("can0"+suffix))
			if len(got) == 0 {
				t.Fatalf("no reading of can0%s", suffix)
			}
			return got[len(got)-1]
		}
		wait(2500 * time.Millisecond) // attempts at 0, 0.25, 0.75, 1.75, 3.75 s
		if r := newest(readings.LinkUp); r.Value != 0 || r.Quality != readings.Good {
			t.Errorf("up of an absent link = %+v; want 0", r)
		}
		wait(3600 * time.Millisecond)
		if r := newest(readings.LinkUp); r.Value != 1 {
			t.Errorf("up = %v; want 1", r.Value)
		}
		for range 20 {
			links[0].frames <- frame(t, c.Boot(), "0CFE4846#A00FFFFFFFFFFFFF")
		}
		links[0].drops.Store(7)
		for range 6 {
			links[0].frames <- bus.Frame{Class: bus.Error, Boot: c.Boot()}
		}
		wait(1100 * time.Millisecond)
		all := out.take()
		if n := len(of(all, tab.Find("speed"))); n != 20 {
			t.Errorf("%d speeds; want 20", n)
		}
		for suffix, want := range map[string]float64{readings.LinkFrames: 20, readings.LinkErrors: 0.1, readings.LinkDrops: 7} {
			if got := of(all, tab.Find("can0"+suffix)); len(got) == 0 || math.Abs(got[0].Value-want) > 1e-9 {
				t.Errorf("can0%s = %+v; want %v", suffix, got, want)
			}
		}
		if len(record.frames) != 26 {
			t.Errorf("the recorder got %d frames; want all 26, errors too", len(record.frames))
		}
		wait(61 * time.Second)
		if got := newest(readings.LinkErrors); got.Value != 0 {
			t.Errorf("errors a minute later = %v; want 0", got.Value)
		}

		links[0].fail <- errors.New("network is down")
		wait(1500 * time.Millisecond)
		if r := newest(readings.LinkUp); r.Value != 0 || !links[0].closed.Load() {
			t.Errorf("up after a loss = %v, closed %v; want 0, true", r.Value, links[0].closed.Load())
		}
		wait(10 * time.Second)
		links[1].drops.Store(1)
		links[1].frames <- frame(t, c.Boot(), "0CFE4846#A00FFFFFFFFFFFFF")
		links[1].frames <- frame(t, c.Boot(), "0CFE4846#A00FFFFFFFFFFFFF")
		wait(1100 * time.Millisecond)
		if got := newest(readings.LinkDrops); got.Value != 8 || record.dropped[2] != 8 {
			t.Errorf("drops over both openings = %v, told to the recorder %v; want 8 of link 2", got.Value, record.dropped)
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v; want nil", err)
		}
	})
}

// While the reader waits for frames, a simulated clock must go on.
func TestListenerDoesNotHoldASimulatedClock(t *testing.T) {
	c := joins{clock.NewVirtual(time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC), 0), make(chan struct{}, 10)}
	out, tab, link := &sink{}, canTable(), newLink()
	l := must[*intake.Listener](t)(intake.NewListener(intake.ListenerOptions{
		Name: "can0", Clock: c, Table: tab, Out: out,
		Open: func(context.Context) (intake.FrameSource, error) { return link, nil },
	}))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	leave := c.Virtual.Join()
	go func() { done <- l.Run(ctx) }()
	<-c.joined // the teller
	if err := c.Sleep(ctx, time.Minute); err != nil {
		t.Fatal(err)
	}
	cancel()
	leave()
	<-done
	if n := len(of(out.take(), tab.Find("can0"+readings.LinkFrames))); n < 58 || n > 60 {
		t.Errorf("%d readings of a silent link in a simulated minute; want one a second", n)
	}
}

func TestFrameAllocatesNothing(t *testing.T) {
	tr := must[*intake.Translator](t)(intake.NewTranslator(intake.TranslatorOptions{Table: canTable(), Out: &last{}, Signals: wantedSignals(t)}))
	f := frame(t, 0, "0CFE4846#A00FFFFFFFFFFFFF")
	tr.Frame(f)
	if got := testing.AllocsPerRun(500, func() { tr.Frame(f) }); got != 0 {
		t.Errorf("a frame allocates %v times; want 0", got)
	}
}

func TestBoardPollerTellsAbsentFromBroken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tab, out := canTable(), &sink{}
		p := intake.NewBoardPoller(intake.BoardOptions{
			Board: board.New(board.Options{
				Root: fstest.MapFS{
					"sys/class/thermal/thermal_zone0/type": {Data: []byte("cpu-thermal\n")},
					"sys/class/thermal/thermal_zone0/temp": {Data: []byte("51850\n")},
				},
				Usage: func(string) (free, total uint64, err error) { return 0, 0, errors.New("input/output error") },
			}),
			Clock: newClock(), Table: tab, Out: out, Dir: "/log",
		})
		ctx, cancel := context.WithTimeout(t.Context(), 9500*time.Millisecond)
		defer cancel()
		if err := p.Run(ctx); err != nil {
			t.Fatal(err)
		}
		all := out.take()
		for id, want := range map[string]readings.Reading{
			readings.BoxTemperature:  {Value: 325},
			readings.BoxUndervoltage: {Quality: readings.NotAvailable},
			readings.BoxDiskLeft:     {Quality: readings.NoAnswer},
		} {
			got := of(all, tab.Find(id))
			if len(got) != 10 {
				t.Errorf("%s: %d readings in 9.5 s; want 10", id, len(got))
			}
			for _, r := range got {
				if r.Quality != want.Quality || math.Abs(r.Value-want.Value) > 1e-9 {
					t.Fatalf("%s = %+v; want %v, %v", id, r, want.Value, want.Quality)
				}
			}
		}
	})
}
