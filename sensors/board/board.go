// SPDX-License-Identifier: Apache-2.0

// Package board measures the box itself: how hot it is, whether its supply sags, how long its disk lasts.
//
// Words: the root is the folder that holds sys (an fs.FS, so a test gives a folder of files); a zone is a thermal zone
// of the kernel; left is the time until the disk is full. Every measurement is one read of files: no subprocess, no
// root rights, nothing kept open. What a board does not have is ErrNoData, which is not a fault; everything else is.
// The package never writes and never asks for the time.
//
// Sources: Linux kernel documentation, "Thermal sysfs driver" (driver-api/thermal/sysfs-api), "Naming and data format
// standards for sysfs files" (hwmon/sysfs-interface) and "Kernel driver raspberrypi-hwmon".
package board

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"strconv"
	"strings"

	"airhold/sensors/units"
)

// ErrNoData says that this board has no such sensor.
var ErrNoData = errors.New("not on this board")

// Options say where to look. The zero value is the box it runs on.
type Options struct {
	// Root holds sys/; nil: the root of the file system.
	Root fs.FS
	// Usage returns free and total bytes of the file system that holds dir, free as an ordinary user may use it;
	// nil: ask the kernel.
	Usage func(dir string) (free, total uint64, err error)
}

// Board reads the box's own sensors. It keeps nothing between calls, so any goroutine may use it.
type Board struct {
	root  fs.FS
	usage func(dir string) (free, total uint64, err error)
}

// New returns a reader. It does no I/O.
func New(o Options) *Board {
	if o.Root == nil {
		o.Root = os.DirFS("/")
	}
	if o.Usage == nil {
		o.Usage = diskUsage
	}
	return &Board{root: o.Root, usage: o.Usage}
}

const (
	thermalDir = "sys/class/thermal"
	hwmonDir   = "sys/class/hwmon"
)

// Limits of a believable board temperature, degC; common practice. A zone outside is broken.
const coldest, hottest = -60, 150

// Temperature returns the temperature of the processor: of the hottest zone whose type names it, else of the hottest
// zone of all. One broken zone does not hide the others. Without any zone the error wraps ErrNoData.
func (b *Board) Temperature() (units.Kelvin, error) {
	zones, err := fs.Glob(b.root, thermalDir+"/thermal_zone*")
	if err != nil || len(zones) == 0 {
		return 0, fmt.Errorf("temperature: no zone in /%s: %w", thermalDir, ErrNoData)
	}
	var problems []error
	best, bestIsCPU := math.Inf(-1), false
	for _, zone := range zones {
		celsius, err := b.zone(zone)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		cpu := b.isProcessor(zone)
		if cpu && !bestIsCPU || cpu == bestIsCPU && celsius > best {
			best, bestIsCPU = celsius, cpu
		}
	}
	if math.IsInf(best, -1) {
		return 0, fmt.Errorf("temperature: %w", errors.Join(problems...))
	}
	return units.Kelvin(best + 273.15), nil
}

// zone reads one zone in degC; the file holds thousandths.
func (b *Board) zone(dir string) (float64, error) {
	name := path.Join(dir, "temp")
	text, err := fs.ReadFile(b.root, name)
	if err != nil {
		return 0, fmt.Errorf("read zone: %w", err)
	}
	milli, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 32)
	if err != nil {
		return 0, fmt.Errorf("/%s: %w", name, err)
	}
	celsius := float64(milli) / 1000
	if celsius < coldest || celsius > hottest {
		return 0, fmt.Errorf("/%s: %g degC cannot be", name, celsius)
	}
	return celsius, nil
}

// isProcessor reports whether the zone's type names the processor: cpu-thermal and soc-thermal on boards with device
// trees, x86_pkg_temp on others.
func (b *Board) isProcessor(dir string) bool {
	kind, err := fs.ReadFile(b.root, path.Join(dir, "type"))
	if err != nil {
		return false
	}
	k := strings.ToLower(string(kind))
	return strings.Contains(k, "cpu") || strings.Contains(k, "soc") || strings.Contains(k, "pkg")
}

// Undervoltage reports whether the board says that its supply is too low: the lower critical alarm of voltage 0 of
// the board's own monitor (rpi_volt). A board without that monitor gives an error that wraps ErrNoData.
func (b *Board) Undervoltage() (bool, error) {
	monitors, err := fs.Glob(b.root, hwmonDir+"/hwmon*")
	if err != nil {
		return false, fmt.Errorf("under-voltage: %w", err)
	}
	for _, dir := range monitors {
		name, err := fs.ReadFile(b.root, path.Join(dir, "name"))
		if err != nil || strings.TrimSpace(string(name)) != "rpi_volt" {
			continue
		}
		file := path.Join(dir, "in0_lcrit_alarm")
		text, err := fs.ReadFile(b.root, file)
		if err != nil {
			return false, fmt.Errorf("under-voltage: %w", err)
		}
		switch strings.TrimSpace(string(text)) {
		case "0":
			return false, nil
		case "1":
			return true, nil
		default:
			return false, fmt.Errorf("under-voltage: /%s holds %.20q, want 0 or 1", file, text)
		}
	}
	return false, fmt.Errorf("under-voltage: no rpi_volt monitor in /%s: %w", hwmonDir, ErrNoData)
}

// Disk returns free and total bytes of the file system that holds dir. A folder that does not exist, and a system
// that cannot be asked, give an error; the second wraps ErrNoData.
func (b *Board) Disk(dir string) (free, total uint64, err error) {
	free, total, err = b.usage(dir)
	if err != nil {
		return 0, 0, fmt.Errorf("disk of %s: %w", dir, err)
	}
	if total == 0 || free > total {
		return 0, 0, fmt.Errorf("disk of %s: %d bytes free of %d cannot be", dir, free, total)
	}
	return free, total, nil
}
