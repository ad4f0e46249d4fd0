// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"testing"
	"time"

	"airhold/bus"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
)

// manual is a clock that only its sleepers move.
type manual struct{ now time.Duration }

func (m *manual) Boot() time.Duration  { return m.now }
func (m *manual) Sample() clock.Sample { return clock.Sample{Boot: m.now} }
func (m *manual) Join() func()         { return func() {} }
func (m *manual) Sleep(ctx context.Context, d time.Duration) error {
	m.now += d
	return ctx.Err()
}

// last keeps only the newest reading.
type last struct{ r readings.Reading }

func (l *last) Reading(r readings.Reading)  { l.r = r }
func (l *last) Fault(readings.MachineFault) {}

func TestSteadySampleAllocatesNothing(t *testing.T) {
	a, out := steady(t), &last{}
	step := a(out)
	for range 50 {
		step()
	}
	if got := testing.AllocsPerRun(1000, step); got != 0 {
		t.Errorf("a steady sample allocates %v times; want 0", got)
	}
	if out.r.Quality != readings.Good {
		t.Errorf("the sample is %v; want good", out.r.Quality)
	}
}

func BenchmarkSample(b *testing.B) {
	step := steady(b)(&last{})
	b.ReportAllocs()
	for b.Loop() {
		step()
	}
}

func steady(tb testing.TB) func(out intake.Out) func() {
	tb.Helper()
	return func(out intake.Out) func() {
		c := &manual{}
		board, err := intake.NewI2CBoard(intake.I2CBoard{Name: "main"}, healthy(), c)
		if err != nil {
			tb.Fatal(err)
		}
		all := inputs()
		a, err := intake.NewAnalogBus(intake.AnalogOptions{
			Bus: "i2c-1", Clock: c, Table: table(), Out: out, Boards: []intake.Board{board},
			Inputs: []intake.AnalogInput{all[0], all[1], all[4]},
		})
		if err != nil {
			tb.Fatal(err)
		}
		ctx := tb.Context()
		return func() {
			if err := a.Step(ctx); err != nil {
				tb.Fatal(err)
			}
		}
	}
}

// endless brings one recorded second again and again, each time a second later.
type endless struct {
	frames []bus.Frame
	at     int
	left   int
	done   context.CancelFunc
}

func (e *endless) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	if e.left <= 0 {
		e.done()
		return 0, ctx.Err()
	}
	n := min(len(buf), e.left)
	for i := range n {
		buf[i] = e.frames[e.at]
		e.frames[e.at].Boot += time.Second
		if e.at++; e.at == len(e.frames) {
			e.at = 0
		}
	}
	e.left -= n
	return n, nil
}

// discard is a recorder that keeps nothing.
type discard struct{ n int }

func (d *discard) Frame(bus.Frame) { d.n++ }

// BenchmarkListener is all that is done with a frame between the socket and the recorder: the tracker of the traffic, the
// decoder and the signals of the machine.
func BenchmarkListener(b *testing.B) {
	second := make([]bus.Frame, 0, 1000)
	for i := range cap(second) {
		f := bus.Frame{Boot: time.Duration(i) * time.Second / 1000}
		f.ID, f.IsExtended, f.Length = 0x0CF00400|uint32(i%7)<<8|uint32(i%5), true, 8
		f.Data = [8]byte{0xF3, 0x91, 0x91, byte(i), 0x18, 0, 0xF3, 0xFF}
		second = append(second, f)
	}
	ctx, cancel := context.WithCancel(b.Context())
	record := &discard{}
	l, err := intake.NewListener(intake.ListenerOptions{
		Name: "can0", Clock: newClock(), Table: canTable(), Out: &last{}, Tap: record,
		Signals: []intake.Signal{{Channel: "speed", Signal: "wheel_speed.speed", Address: -1}},
		Open: func(context.Context) (intake.FrameSource, error) {
			return &endless{frames: second, left: b.N, done: cancel}, nil
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.ResetTimer()
	if err := l.Run(ctx); err != nil {
		b.Fatal(err)
	}
	if record.n != b.N {
		b.Fatalf("%d frames recorded of %d", record.n, b.N)
	}
}
