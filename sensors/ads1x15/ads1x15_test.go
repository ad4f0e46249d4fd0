// SPDX-License-Identifier: Apache-2.0

package ads1x15_test

import (
	"context"
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"airhold/sensors/ads1x15"
	"airhold/sensors/units"
)

// Config words of the tests, put together by hand from SBAS444 "Config Register" for +-6.144 V and 860 a second:
// OS | MUX 100+input | PGA 000 | MODE 1 | DR 111 | COMP_QUE 11.
const (
	start0, busy0, ready0 = 0xC1, 0x41, 0xC1 // high bytes, input 0
	start2, busy2, ready2 = 0xE1, 0x61, 0xE1 // input 2
	low                   = 0xE3
)

func at(w, r []byte) i2ctest.IO { return i2ctest.IO{Addr: ads1x15.Address, W: w, R: r} }

// The bus traffic of this table was written by hand from the datasheet, not recorded from a chip.
func TestReadFollowsTheRegisters(t *testing.T) {
	tests := []struct {
		name  string
		input int
		ops   []i2ctest.IO
		code  int16
		volts units.Volts
		err   error
	}{
		{
			name: "good", input: 0,
			ops: []i2ctest.IO{
				at([]byte{1, start0, low}, nil), at([]byte{1}, []byte{ready0, low}), at([]byte{0}, []byte{0x34, 0x12}),
			},
			code: 13330, volts: 2.499375,
		},
		{
			name: "good, ready at the third look", input: 2,
			ops: []i2ctest.IO{
				at([]byte{1, start2, low}, nil),
				at([]byte{1}, []byte{busy2, low}), at([]byte{1}, []byte{busy2, low}), at([]byte{1}, []byte{ready2, low}),
				at([]byte{0}, []byte{0xFF, 0xFE}),
			},
			code: -2, volts: -0.000375,
		},
		{name: "not acknowledged", input: 0, ops: nil, err: ads1x15.ErrNotPresent},
		{
			name: "not acknowledged at the poll", input: 0,
			ops: []i2ctest.IO{at([]byte{1, start0, low}, nil)},
			err: ads1x15.ErrNotPresent,
		},
		{
			name: "short read", input: 0,
			ops: []i2ctest.IO{at([]byte{1, start0, low}, nil), at([]byte{1}, []byte{ready0})},
			err: ads1x15.ErrNotPresent,
		},
		{
			name: "saturated high", input: 0,
			ops: []i2ctest.IO{
				at([]byte{1, start0, low}, nil), at([]byte{1}, []byte{ready0, low}), at([]byte{0}, []byte{0x7F, 0xFF}),
			},
			code: math.MaxInt16, volts: 6.1438125, err: ads1x15.ErrOverrange,
		},
		{
			name: "saturated low", input: 0,
			ops: []i2ctest.IO{
				at([]byte{1, start0, low}, nil), at([]byte{1}, []byte{ready0, low}), at([]byte{0}, []byte{0x80, 0x00}),
			},
			code: math.MinInt16, volts: -6.144, err: ads1x15.ErrOverrange,
		},
		{
			name: "garbage: all ones", input: 0,
			ops: []i2ctest.IO{at([]byte{1, start0, low}, nil), at([]byte{1}, []byte{0xFF, 0xFF})},
			err: ads1x15.ErrNotPresent,
		},
		{
			// After a reset the chip says ready with its reset value 8583h ("Config Register", reset column).
			name: "reset in the middle", input: 0,
			ops: []i2ctest.IO{at([]byte{1, start0, low}, nil), at([]byte{1}, []byte{0x85, 0x83})},
			err: ads1x15.ErrNotPresent,
		},
		{
			name: "another input", input: 2,
			ops: []i2ctest.IO{at([]byte{1, start2, low}, nil), at([]byte{1}, []byte{ready0, low})},
			err: ads1x15.ErrNotPresent,
		},
		{name: "input the chip has not", input: 4, err: ads1x15.ErrInput},
		{name: "negative input", input: -1, err: ads1x15.ErrInput},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bus := &i2ctest.Playback{Ops: tt.ops, DontPanic: true}
			dev := device(t, bus, ads1x15.Options{Wait: noWait})
			code, volts, err := dev.Read(t.Context(), tt.input)
			if !errors.Is(err, tt.err) {
				t.Fatalf("Read(%d) error = %v; want %v", tt.input, err, tt.err)
			}
			if code != tt.code || math.Abs(float64(volts-tt.volts)) > 1e-12 {
				t.Errorf("Read(%d) = %d, %v V; want %d, %v V", tt.input, code, volts, tt.code, tt.volts)
			}
			if bus.Count != len(tt.ops) && tt.name != "short read" {
				t.Errorf("Read(%d) used %d transactions; want %d", tt.input, bus.Count, len(tt.ops))
			}
		})
	}
}

// A chip that never gets ready must not answer with what the result register holds: that is the input before.
func TestLateConversionIsNoValue(t *testing.T) {
	for rate, nominal := range map[ads1x15.Rate]time.Duration{ads1x15.Rate860: time.Second / 860, ads1x15.Rate8: time.Second / 8} {
		chip := &fakeChip{result: 0x1234, conversion: math.MaxInt64}
		dev := device(t, chip, ads1x15.Options{Rate: rate, Wait: chip.wait})
		code, volts, err := dev.Read(t.Context(), 1)
		if !errors.Is(err, ads1x15.ErrNotReady) || code != 0 || volts != 0 {
			t.Errorf("Read(1) at %v = %d, %v, %v; want 0, 0, %v", nominal, code, volts, err, ads1x15.ErrNotReady)
		}
		if chip.resultReads != 0 {
			t.Errorf("the result register was read %d times; want 0", chip.resultReads)
		}
		if least := nominal * 11 / 10; chip.now < least || chip.now > nominal*13/10+2*time.Millisecond {
			t.Errorf("gave up after %v; want at least %v and not much more", chip.now, least)
		}
	}
}

// SBAS444 "Electrical Characteristics" allows the data rate to be off by 10 %: both ends must be read.
func TestSlowAndFastChipsAreRead(t *testing.T) {
	for _, percent := range []int64{90, 100, 110} {
		nominal := time.Second / 860
		chip := &fakeChip{result: 100, conversion: time.Duration(int64(nominal) * percent / 100)}
		dev := device(t, chip, ads1x15.Options{Wait: chip.wait})
		if code, _, err := dev.Read(t.Context(), 1); code != 100 || err != nil {
			t.Errorf("Read(1) of a chip at %d %% = %d, %v; want 100, nil", percent, code, err)
		}
	}
}

func TestReadWaitsByItsOwnTimerAndEndsWithContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := &fakeChip{result: 7}
		dev := device(t, chip, ads1x15.Options{Rate: ads1x15.Rate8})
		for range 2 {
			if code, _, err := dev.Read(t.Context(), 0); code != 7 || err != nil {
				t.Fatalf("Read(0) = %d, %v; want 7, nil", code, err)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		defer cancel()
		if _, _, err := dev.Read(ctx, 0); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Read with 10 ms left = %v; want %v", err, context.DeadlineExceeded)
		}
	})
}

func TestIdentify(t *testing.T) {
	good := []i2ctest.IO{
		at([]byte{1, 0x71, low}, nil), at([]byte{1}, []byte{0xF1, low}),
		at([]byte{1, 0x41, low}, nil), at([]byte{1}, []byte{0xC1, low}),
	}
	tests := []struct {
		name string
		ops  []i2ctest.IO
		err  error
	}{
		{"the chip", good, nil},
		{"nothing there", nil, ads1x15.ErrNotPresent},
		{"answers a write only", good[:1], ads1x15.ErrNotPresent},
		{"holds the first setting for ever", []i2ctest.IO{good[0], good[1], good[2], at([]byte{1}, []byte{0xF1, low})}, ads1x15.ErrNotPresent},
		{"another chip", []i2ctest.IO{good[0], at([]byte{1}, []byte{0x4B, 0x00})}, ads1x15.ErrNotPresent},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bus := &i2ctest.Playback{Ops: tt.ops, DontPanic: true}
			if err := device(t, bus, ads1x15.Options{}).Identify(t.Context()); !errors.Is(err, tt.err) {
				t.Errorf("Identify() = %v; want %v", err, tt.err)
			}
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := device(t, &i2ctest.Playback{DontPanic: true}, ads1x15.Options{}).Identify(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Identify(ended context) = %v; want %v", err, context.Canceled)
	}
}

func TestNewRefusesWhatTheChipHasNot(t *testing.T) {
	for name, o := range map[string]ads1x15.Options{"range": {Range: 6}, "rate": {Rate: 8}} {
		if _, err := ads1x15.New(nil, o); err == nil {
			t.Errorf("New with a wrong %s = nil; want an error", name)
		}
	}
}

// SBAS444 "Full-Scale Range (FSR) and LSB Size".
func TestRangesHaveTheDatasheetsStep(t *testing.T) {
	steps := []units.Volts{187.5e-6, 125e-6, 62.5e-6, 31.25e-6, 15.625e-6, 7.8125e-6}
	for i, step := range steps {
		r := ads1x15.Range(i)
		if got := r.Full() / (1 << 15); math.Abs(float64(got-step)) > 1e-15 {
			t.Errorf("Range(%d).Full()/2^15 = %v; want %v", i, got, step)
		}
		if back, ok := ads1x15.RangeOf(step * (1 << 15)); !ok || back != r {
			t.Errorf("RangeOf(%v) = %v, %v; want %v, true", step*(1<<15), back, ok, r)
		}
	}
	if _, ok := ads1x15.RangeOf(5); ok {
		t.Error("RangeOf(5 V) = true; want false")
	}
}

func TestReadAllocatesNothing(t *testing.T) {
	chip := &fakeChip{result: 7}
	dev := device(t, chip, ads1x15.Options{Wait: noWait})
	ctx := t.Context()
	got := testing.AllocsPerRun(200, func() {
		if _, _, err := dev.Read(ctx, 3); err != nil {
			t.Fatal(err)
		}
	})
	if got != 0 {
		t.Errorf("Read allocates %v times; want 0", got)
	}
}

func BenchmarkRead(b *testing.B) {
	chip := &fakeChip{result: 7}
	dev, err := ads1x15.New(&i2c.Dev{Bus: chip, Addr: ads1x15.Address}, ads1x15.Options{Wait: noWait})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := dev.Read(b.Context(), 0); err != nil {
			b.Fatal(err)
		}
	}
}

func device(t *testing.T, bus i2c.Bus, o ads1x15.Options) *ads1x15.Dev {
	t.Helper()
	dev, err := ads1x15.New(&i2c.Dev{Bus: bus, Addr: ads1x15.Address}, o)
	if err != nil {
		t.Fatal(err)
	}
	return dev
}

func noWait(ctx context.Context, _ time.Duration) error { return ctx.Err() }
