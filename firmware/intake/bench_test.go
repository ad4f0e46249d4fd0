// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"context"
	"testing"
	"time"

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
