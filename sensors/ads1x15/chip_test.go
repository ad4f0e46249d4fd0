// SPDX-License-Identifier: Apache-2.0

package ads1x15_test

import (
	"context"
	"errors"
	"time"

	"periph.io/x/conn/v3/physic"
)

// fakeChip is an i2c.Bus with the chip's two registers and a conversion that takes time. The time is what wait was
// asked for; a conversion of zero is over at once.
type fakeChip struct {
	result      uint16
	conversion  time.Duration
	now, done   time.Duration
	config      uint16
	resultReads int
}

func (f *fakeChip) wait(ctx context.Context, d time.Duration) error {
	f.now += d
	return ctx.Err()
}

func (f *fakeChip) Tx(_ uint16, w, r []byte) error {
	switch {
	case len(w) == 3 && w[0] == 1:
		f.config = uint16(w[1])<<8 | uint16(w[2])
		if f.config&0x8000 != 0 {
			f.done = f.now + f.conversion
			if f.done < f.now {
				f.done = f.conversion
			}
		}
		return nil
	case len(w) == 1 && w[0] == 1 && len(r) == 2:
		c := f.config &^ 0x8000
		if f.now >= f.done {
			c |= 0x8000
		}
		r[0], r[1] = byte(c>>8), byte(c)
		return nil
	case len(w) == 1 && w[0] == 0 && len(r) == 2:
		f.resultReads++
		r[0], r[1] = byte(f.result>>8), byte(f.result)
		return nil
	}
	return errors.New("unexpected transaction")
}

func (f *fakeChip) SetSpeed(physic.Frequency) error { return nil }
func (f *fakeChip) String() string                  { return "fake" }
