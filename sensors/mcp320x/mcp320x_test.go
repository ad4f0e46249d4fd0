// SPDX-License-Identifier: Apache-2.0

package mcp320x_test

import (
	"context"
	"errors"
	"math"
	"testing"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spitest"

	"airhold/sensors/mcp320x"
	"airhold/sensors/units"
)

// The bytes of this table were put together by hand from figures 5-2 and 6-1 of DS21295D and DS21298E, not recorded
// from a chip. Bits nobody drives are written as ones in some rows and zeros in others.
func TestReadFollowsTheFigures(t *testing.T) {
	tests := []struct {
		name  string
		chip  mcp320x.Chip
		input int
		w, r  []byte
		code  int16
		volts units.Volts
		err   error
	}{
		{"3208 middle", mcp320x.MCP3208, 0, []byte{0x06, 0x00, 0, 0, 0}, []byte{0x00, 0x08, 0x00, 0x00, 0x20}, 2048, 2.5, nil},
		{"3208 input 5", mcp320x.MCP3208, 5, []byte{0x07, 0x40, 0, 0, 0}, []byte{0xFF, 0xE1, 0x01, 0x01, 0x00}, 257, 5 * 257.0 / 4096, nil},
		{"3008 middle", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0xFF, 0xFA, 0x00, 0x00, 0x80}, 512, 2.5, nil},
		{"3008 input 7 lowest step", mcp320x.MCP3008, 7, []byte{0x01, 0xF0, 0, 0, 0}, []byte{0x00, 0x00, 0x01, 0x00, 0x00}, 1, 5.0 / 1024, nil},
		{"3008 zero", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0, 0, 0, 0, 0}, 0, 0, nil},
		{"3008 saturated", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0, 0x03, 0xFF, 0xFF, 0x80}, 1023, 5 * 1023.0 / 1024, mcp320x.ErrOverrange},
		{"3208 saturated", mcp320x.MCP3208, 0, []byte{0x06, 0x00, 0, 0, 0}, []byte{0, 0x0F, 0xFF, 0xFF, 0xE0}, 4095, 5 * 4095.0 / 4096, mcp320x.ErrOverrange},
		{"missing: all ones", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, 0, 0, mcp320x.ErrNotPresent},
		{"garbage: copies differ", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0, 0x02, 0x00, 0x00, 0x00}, 0, 0, mcp320x.ErrNotPresent},
		{"garbage: goes on after the copy", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0, 0x02, 0x00, 0x00, 0x81}, 0, 0, mcp320x.ErrNotPresent},
		{"echo of the request", mcp320x.MCP3008, 1, []byte{0x01, 0x90, 0, 0, 0}, []byte{0x01, 0x97, 0, 0, 0}, 0, 0, mcp320x.ErrNotPresent},
		{"short read", mcp320x.MCP3008, 0, []byte{0x01, 0x80, 0, 0, 0}, []byte{0, 0x02}, 0, 0, mcp320x.ErrNotPresent},
		{"input the chip has not", mcp320x.MCP3008, 8, nil, nil, 0, 0, mcp320x.ErrInput},
		{"negative input", mcp320x.MCP3008, -1, nil, nil, 0, 0, mcp320x.ErrInput},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var ops []conntest.IO
			if tt.w != nil {
				ops = append(ops, conntest.IO{W: tt.w, R: tt.r})
			}
			dev := device(t, playback(t, ops), mcp320x.Options{Chip: tt.chip})
			code, volts, err := dev.Read(t.Context(), tt.input)
			if !errors.Is(err, tt.err) {
				t.Fatalf("Read(%d) error = %v; want %v", tt.input, err, tt.err)
			}
			if code != tt.code || math.Abs(float64(volts-tt.volts)) > 1e-12 {
				t.Errorf("Read(%d) = %d, %v V; want %d, %v V", tt.input, code, volts, tt.code, tt.volts)
			}
		})
	}
}

func TestReferenceScales(t *testing.T) {
	dev := device(t, constant{0, 0x02, 0x00, 0x00, 0x80}, mcp320x.Options{VRef: 3.3})
	if _, volts, err := dev.Read(t.Context(), 0); err != nil || math.Abs(float64(volts)-1.65) > 1e-12 {
		t.Errorf("Read(0) at a reference of 3.3 V = %v V, %v; want 1.65 V", volts, err)
	}
}

func TestIdentify(t *testing.T) {
	tests := []struct {
		name string
		conn constant
		err  error
	}{
		{"the chip", constant{0, 0x02, 0x00, 0x00, 0x80}, nil},
		{"all inputs at the reference", constant{0, 0x03, 0xFF, 0xFF, 0x80}, nil},
		{"line at ground", constant{}, mcp320x.ErrNotPresent},
		{"line at supply", constant{0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, mcp320x.ErrNotPresent},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if err := device(t, tt.conn, mcp320x.Options{}).Identify(t.Context()); !errors.Is(err, tt.err) {
				t.Errorf("Identify() = %v; want %v", err, tt.err)
			}
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := device(t, constant{}, mcp320x.Options{}).Identify(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Identify(ended context) = %v; want %v", err, context.Canceled)
	}
}

func TestNewRefusesWhatTheChipHasNot(t *testing.T) {
	for name, o := range map[string]mcp320x.Options{
		"chip": {Chip: 2}, "reference too low": {VRef: 0.1}, "reference too high": {VRef: 12}, "no number": {VRef: units.Volts(math.NaN())},
	} {
		if _, err := mcp320x.New(nil, o); err == nil {
			t.Errorf("New with %s = nil; want an error", name)
		}
	}
}

func TestReadAllocatesNothing(t *testing.T) {
	dev := device(t, constant{0, 0x02, 0x00, 0x00, 0x80}, mcp320x.Options{})
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

// constant answers every transaction with the same bytes.
type constant [5]byte

func (c constant) Tx(_, r []byte) error { copy(r, c[:]); return nil }

func device(t *testing.T, c mcp320x.Conn, o mcp320x.Options) *mcp320x.Dev {
	t.Helper()
	dev, err := mcp320x.New(c, o)
	if err != nil {
		t.Fatal(err)
	}
	return dev
}

func playback(t *testing.T, ops []conntest.IO) spi.Conn {
	t.Helper()
	port := &spitest.Playback{Playback: conntest.Playback{Ops: ops, D: conn.Full, DontPanic: true}}
	c, err := port.Connect(physic.MegaHertz, spi.Mode0, 8)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
