// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/gpioioctl" // sysfs names it as a driver it needs, and without it nothing is initialised
	"periph.io/x/host/v3/sysfs"
)

// This file alone reaches hardware. Buses go through the kernel's i2c-dev and spidev only: the memory drivers of
// particular boards are not imported, because they are wrong on newer boards and want more rights.

// spiSpeed is safe for the MCP320x at every supply (DS21295, DS21298: 1 to 1.35 MHz at 2.7 V).
const spiSpeed = physic.MegaHertz

// OpenI2C opens a bus by its name in the machine file, "i2c-1" for /dev/i2c-1. The error wraps ErrNoBus.
func OpenI2C(name string) (i2c.BusCloser, error) {
	var number int
	if _, err := fmt.Sscanf(name, "i2c-%d", &number); err != nil || fmt.Sprintf("i2c-%d", number) != name {
		return nil, fmt.Errorf("%w: %q is no I2C bus; names are like i2c-1", ErrNoBus, name)
	}
	if err := usable("/dev/"+name, "I2C", "dtparam=i2c_arm=on", "i2c"); err != nil {
		return nil, err
	}
	bus, err := sysfs.NewI2C(number)
	if err != nil {
		return nil, fmt.Errorf("%w: /dev/%s: %w", ErrNoBus, name, err)
	}
	return bus, nil
}

// OpenSPI opens a chip select by its name in the machine file, "spi0.0" for /dev/spidev0.0. The error wraps ErrNoBus.
func OpenSPI(name string) (SPIConn, error) {
	var number, chip int
	if _, err := fmt.Sscanf(name, "spi%d.%d", &number, &chip); err != nil || fmt.Sprintf("spi%d.%d", number, chip) != name {
		return nil, fmt.Errorf("%w: %q is no SPI port; names are like spi0.0", ErrNoBus, name)
	}
	file := fmt.Sprintf("/dev/spidev%d.%d", number, chip)
	if err := usable(file, "SPI", "dtparam=spi=on", "spi"); err != nil {
		return nil, err
	}
	if _, err := driverreg.Init(); err != nil { // reads the kernel's buffer size
		return nil, fmt.Errorf("%w: %w", ErrNoBus, err)
	}
	port, err := sysfs.NewSPI(number, chip)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrNoBus, file, err)
	}
	c, err := port.Connect(spiSpeed, spi.Mode0, 8)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrNoBus, file, errors.Join(err, port.Close()))
	}
	return spiPort{Conn: c, port: port}, nil
}

// OpenPin opens an output pin for the sounder by its name in the machine file: "GPIO17" as the kernel names the line, or
// "gpiochip0/17" by chip and number. The pin stays as it is until it is told something. The error wraps ErrNoPin.
func OpenPin(name string) (Pin, error) {
	if len(gpioioctl.Chips) == 0 {
		if files, err := filepath.Glob("/dev/gpiochip*"); err == nil && len(files) > 0 {
			if err := readable(files[0]); err != nil {
				return nil, err
			}
		}
	}
	if _, err := driverreg.Init(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoPin, err)
	}
	chip, number, byNumber := strings.Cut(name, "/")
	for _, c := range gpioioctl.Chips {
		if !byNumber {
			if l := c.ByName(name); l != nil {
				return pinLine{l}, nil
			}
			continue
		}
		n, err := strconv.Atoi(number)
		if err == nil && c.Name() == chip && n >= 0 && n < c.LineCount() {
			if l := c.ByNumber(n); l != nil {
				return pinLine{l}, nil
			}
		}
	}
	return nil, fmt.Errorf("%w: there is no pin %s on this box; airhold may use those that gpioinfo lists", ErrNoPin, name)
}

// readable says what the service lacks: it has no right to pins until somebody gives it.
func readable(file string) error {
	f, err := os.OpenFile(file, os.O_RDWR, 0) //nolint:gosec // a file that was found by its pattern
	if err == nil {
		return f.Close()
	}
	return fmt.Errorf("%w: %s may not be opened; give the service the right: systemctl edit airhold, then [Service], DeviceAllow=char-gpiochip rw"+
		" and SupplementaryGroups=gpio: %w", ErrNoPin, file, err)
}

type pinLine struct{ *gpioioctl.GPIOLine }

// Close gives the line back to the kernel.
func (p pinLine) Close() error {
	p.GPIOLine.Close()
	return nil
}

type spiPort struct {
	spi.Conn

	port spi.PortCloser
}

func (s spiPort) Close() error { return s.port.Close() }

// usable says in the installer's words why a device file cannot be opened. It opens and closes it once, because the
// library's own error loses its cause.
func usable(file, what, setting, group string) error {
	f, err := os.OpenFile(file, os.O_RDWR, 0) //nolint:gosec // the name was checked against its pattern
	switch {
	case err == nil:
		return f.Close()
	case errors.Is(err, fs.ErrNotExist):
		return &noBusError{fmt.Sprintf("there is no %s; enable %s (%s in the boot configuration) and start the box anew, or mend the name in the machine file", file, what, setting), err}
	case errors.Is(err, fs.ErrPermission):
		return &noBusError{fmt.Sprintf("%s may not be opened; put the user airhold runs as into the group %s", file, group), err}
	default:
		return fmt.Errorf("%w: %w", ErrNoBus, err)
	}
}
