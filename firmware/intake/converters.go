// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"airhold/firmware/clock"
	"airhold/sensors/ads1x15"
	"airhold/sensors/mcp320x"
	"airhold/sensors/units"
)

// I2CBoard is an ADS1115 on an I2C bus.
type I2CBoard struct {
	Name    string
	Address uint16       // default 0x48
	Range   units.Volts  // default 6.144 V
	Rate    ads1x15.Rate // default 860 a second
}

// NewI2CBoard returns the board behind bus. It does no I/O. On a simulated clock the driver waits by it.
func NewI2CBoard(o I2CBoard, bus i2c.Bus, c clock.Clock) (Board, error) {
	if o.Address == 0 {
		o.Address = ads1x15.Address
	}
	if o.Range == 0 {
		o.Range = ads1x15.Range6144mV.Full()
	}
	r, ok := ads1x15.RangeOf(o.Range)
	if !ok {
		return Board{}, fmt.Errorf("board %q: the ADS1115 has no range of %v V; it has 6.144, 4.096, 2.048, 1.024, 0.512 and 0.256 V", o.Name, o.Range)
	}
	options := ads1x15.Options{Range: r, Rate: o.Rate}
	if _, simulated := c.(interface{ Join() func() }); simulated {
		options.Wait = c.Sleep // else the driver's own timer, which it keeps, so a read allocates nothing
	}
	dev, err := ads1x15.New(&i2c.Dev{Bus: bus, Addr: o.Address}, options)
	if err != nil {
		return Board{}, fmt.Errorf("board %q: %w", o.Name, err)
	}
	return Board{Name: o.Name, Inputs: 4, Converter: dev}, nil
}

// SPIBoard is an MCP3008 or MCP3208 on an SPI port.
type SPIBoard struct {
	Name string
	Chip string      // "mcp3008" or "mcp3208"
	VRef units.Volts // default 5 V
}

// NewSPIBoard returns the board behind c. It does no I/O.
func NewSPIBoard(o SPIBoard, c mcp320x.Conn) (Board, error) {
	options := mcp320x.Options{VRef: o.VRef}
	switch o.Chip {
	case "mcp3008":
		options.Chip = mcp320x.MCP3008
	case "mcp3208":
		options.Chip = mcp320x.MCP3208
	default:
		return Board{}, fmt.Errorf("board %q: chip %q is not known; known on SPI: mcp3008, mcp3208", o.Name, o.Chip)
	}
	dev, err := mcp320x.New(c, options)
	if err != nil {
		return Board{}, fmt.Errorf("board %q: %w", o.Name, err)
	}
	return Board{Name: o.Name, Inputs: 8, Converter: dev}, nil
}
