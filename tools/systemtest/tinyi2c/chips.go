// SPDX-License-Identifier: Apache-2.0

package tinyi2c

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"airhold/firmware/rig"
)

// Chip is a chip model: bytes written to it, or bytes read from it. An error is a missing acknowledge.
type Chip interface {
	Tx(w, r []byte) error
}

// Chips is a Bus onto which chips are plugged one by one, and off again while it runs. The zero value is an empty bus.
// Its methods may be called from any goroutine.
type Chips struct {
	mu sync.Mutex
	at map[uint16]Chip
}

// Plug puts a chip at an address, in place of one that is there.
func (c *Chips) Plug(addr uint16, chip Chip) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.at == nil {
		c.at = map[uint16]Chip{}
	}
	c.at[addr] = chip
}

// Pull takes the chip at an address off the bus.
func (c *Chips) Pull(addr uint16) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.at, addr)
}

// Tx is part of Bus.
func (c *Chips) Tx(addr uint16, w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	chip, ok := c.at[addr]
	if !ok {
		return fmt.Errorf("address %#02x: %w", addr, ErrNoAck)
	}
	return chip.Tx(w, r)
}

// Machine returns the bus of a simulated machine with its four ADS1115 at 0x48 to 0x4b, so that the rig's faults are felt
// through the kernel. The rig must have been made with StallTimesOut, or a stalled bus would stop the adapter instead
// of its clock line. now is the rig time.
func Machine(r *rig.Rig, now func() time.Duration) Bus { return machine{r.I2C(now)} }

type machine struct{ bus i2c.Bus }

// Tx is part of Bus.
func (m machine) Tx(addr uint16, w, r []byte) error {
	err := m.bus.Tx(addr, w, r)
	if errors.Is(err, rig.ErrTimeout) {
		return fmt.Errorf("%w: %w", err, ErrHeld)
	}
	return err
}
