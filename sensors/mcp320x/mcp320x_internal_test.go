// SPDX-License-Identifier: Apache-2.0

package mcp320x

import (
	"errors"
	"os"
	"testing"
)

// FuzzDecode compares decode with a slow reading of the clock-by-clock figure: null bit, result, result backwards,
// zeros.
func FuzzDecode(f *testing.F) {
	f.Fuzz(func(t *testing.T, b1, b2, b3, b4 byte, twelve bool) {
		c := MCP3008
		if twelve {
			c = MCP3208
		}
		n := int(c.bits())
		var clocks []byte
		for _, b := range []byte{b1, b2, b3, b4} {
			for i := 7; i >= 0; i-- {
				clocks = append(clocks, b>>i&1)
			}
		}
		null := 16 - n - 1
		ok, want := clocks[null] == 0, 0
		for i := range n {
			want = want*2 + int(clocks[null+1+i])
		}
		for i := range 16 {
			expect := byte(0)
			if i < n-1 {
				expect = clocks[null+n-1-i]
			}
			ok = ok && clocks[16+i] == expect
		}
		code, volts, err := decode([length]byte{0, b1, b2, b3, b4}, c, 5)
		switch {
		case !ok && !errors.Is(err, ErrNotPresent):
			t.Errorf("decode = %d, %v; want %v", code, err, ErrNotPresent)
		case ok && (int(code) != want || volts < 0 || volts >= 5 || errors.Is(err, ErrNotPresent)):
			t.Errorf("decode = %d, %v V, %v; want code %d", code, volts, err, want)
		}
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	seeds, err := os.ReadDir("testdata/fuzz/FuzzDecode")
	if err != nil || len(seeds) == 0 {
		t.Fatalf("testdata/fuzz/FuzzDecode has %d seeds (%v); want some", len(seeds), err)
	}
}
