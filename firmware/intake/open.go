// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"errors"
	"io"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"airhold/sensors/mcp320x"
	"airhold/sensors/sounder"
)

// ErrNoBus says that the box has no such I2C or SPI bus, or that it may not be used. The text says what to do.
var ErrNoBus = errors.New("bus cannot be opened")

// ErrNoPin says that the box has no such pin for its sounder, or that it may not be used. The text says what to do.
var ErrNoPin = errors.New("the pin cannot be opened")

// Pin is the sounder's pin, open.
type Pin interface {
	sounder.Pin
	io.Closer
}

// noBusError is ErrNoBus with the sentence that a person is told; the cause goes to the log.
type noBusError struct {
	words string
	cause error
}

// Error gives the whole chain.
func (e *noBusError) Error() string {
	return ErrNoBus.Error() + ": " + e.words + ": " + e.cause.Error()
}

// Unwrap gives both.
func (e *noBusError) Unwrap() []error { return []error{ErrNoBus, e.cause} }

// LazyI2C is an I2C bus that is opened by its first transaction, and tried again by the next one where that fails: a
// box whose bus is missing at start still runs, and the dead board's retries find the bus when it comes. One
// goroutine owns it.
type LazyI2C struct {
	Name string
	Open func(name string) (i2c.BusCloser, error) // such as OpenI2C

	bus i2c.BusCloser
}

// Tx implements i2c.Bus.
func (l *LazyI2C) Tx(addr uint16, w, r []byte) error {
	if l.bus == nil {
		bus, err := l.Open(l.Name)
		if err != nil {
			return err
		}
		l.bus = bus
	}
	return l.bus.Tx(addr, w, r)
}

// SetSpeed implements i2c.Bus; the speed is the kernel's business.
func (l *LazyI2C) SetSpeed(physic.Frequency) error {
	return errors.New("the speed of an I2C bus is set in the boot configuration")
}

// String implements i2c.Bus.
func (l *LazyI2C) String() string { return l.Name }

// Close closes the bus if it was opened.
func (l *LazyI2C) Close() error {
	if l.bus == nil {
		return nil
	}
	err := l.bus.Close()
	l.bus = nil
	return err
}

// SPIConn is an open connection to one chip on SPI.
type SPIConn interface {
	mcp320x.Conn
	io.Closer
}

// LazySPI is LazyI2C for a chip on SPI.
type LazySPI struct {
	Name string
	Open func(name string) (SPIConn, error) // such as OpenSPI

	conn SPIConn
}

// Tx implements mcp320x.Conn.
func (l *LazySPI) Tx(w, r []byte) error {
	if l.conn == nil {
		c, err := l.Open(l.Name)
		if err != nil {
			return err
		}
		l.conn = c
	}
	return l.conn.Tx(w, r)
}

// Close closes the connection if it was opened.
func (l *LazySPI) Close() error {
	if l.conn == nil {
		return nil
	}
	err := l.conn.Close()
	l.conn = nil
	return err
}
