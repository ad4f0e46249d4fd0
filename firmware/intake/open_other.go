// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package intake

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"
)

// OpenI2C fails: only a Linux box has converters. Replay and demo need none.
func OpenI2C(name string) (i2c.BusCloser, error) {
	return nil, fmt.Errorf("%w: %s: converters are read on Linux only", ErrNoBus, name)
}

// OpenPin fails like OpenI2C.
func OpenPin(name string) (Pin, error) {
	return nil, fmt.Errorf("%w: %s: pins are driven on Linux only", ErrNoPin, name)
}

// OpenSPI fails like OpenI2C.
func OpenSPI(name string) (SPIConn, error) {
	return nil, fmt.Errorf("%w: %s: converters are read on Linux only", ErrNoBus, name)
}
