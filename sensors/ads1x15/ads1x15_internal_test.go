// SPDX-License-Identifier: Apache-2.0

package ads1x15

import (
	"errors"
	"math"
	"os"
	"testing"
)

// FuzzDecode holds decode to its contract for every pair of bytes and every range.
func FuzzDecode(f *testing.F) {
	f.Fuzz(func(t *testing.T, high, low, r byte) {
		rng := Range(r) % rangeCount
		code, volts, err := decode([2]byte{high, low}, rng)
		if want := int(int8(high))*256 + int(low); int(code) != want {
			t.Errorf("decode(%02x %02x) = %d; want %d", high, low, code, want)
		}
		if math.Abs(float64(volts)) > float64(rng.Full()) {
			t.Errorf("decode(%02x %02x) = %v V; want within %v V", high, low, volts, rng.Full())
		}
		if end := code == math.MaxInt16 || code == math.MinInt16; errors.Is(err, ErrOverrange) != end {
			t.Errorf("decode(%02x %02x) error = %v at code %d", high, low, err, code)
		}
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	seeds, err := os.ReadDir("testdata/fuzz/FuzzDecode")
	if err != nil || len(seeds) == 0 {
		t.Fatalf("testdata/fuzz/FuzzDecode has %d seeds (%v); want some", len(seeds), err)
	}
}
