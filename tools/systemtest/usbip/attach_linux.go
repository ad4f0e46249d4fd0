// SPDX-License-Identifier: Apache-2.0

package usbip

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// controller is the first virtual host controller in sysfs (module vhci-hcd).
const controller = "/sys/devices/platform/vhci_hcd.0"

// ErrNoPort says that every port of the virtual hub is taken.
var ErrNoPort = errors.New("no free port of the virtual USB controller")

// settle is how long the kernel may take to notice that a device is gone.
const settle = 5 * time.Second

// Port is a place of the virtual hub with a device in it.
type Port struct {
	number int
	folder string
	stop   context.CancelFunc
	done   chan struct{}
	err    error // of Serve; read after done
}

// Attach plugs dev into a free port of the virtual host controller of this machine, as root, and serves it until Unplug
// is called, ctx ends or the kernel lets go of it. It returns when the kernel has taken the device; its drivers find it
// a little later.
func Attach(ctx context.Context, dev Device) (*Port, error) { return attach(ctx, dev, controller) }

func attach(ctx context.Context, dev Device, folder string) (*Port, error) {
	what := dev.Descriptors().withDefaults()
	if err := what.check(); err != nil {
		return nil, err
	}
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("socket pair for a usb device: %w", err)
	}
	theirs := os.NewFile(uintptr(pair[1]), "usb host")
	defer theirs.Close() //nolint:errcheck // the kernel holds its own reference
	ours := socket{File: os.NewFile(uintptr(pair[0]), "usb device"), fd: pair[0]}

	number, err := handOver(folder, pair[1], what.Speed)
	if err != nil {
		return nil, errors.Join(err, ours.Close())
	}
	ctx, stop := context.WithCancel(ctx)
	p := &Port{number: number, folder: folder, stop: stop, done: make(chan struct{})}
	go func() {
		defer close(p.done)
		defer stop()
		p.err = Serve(ctx, ours, dev)
	}()
	return p, nil
}

// socket is a blocking socket: in an emulated machine its answers go nearly twice as fast as through Go's poller.
type socket struct {
	*os.File

	fd int
}

// Close ends reads that wait, which closing alone would not.
func (s socket) Close() error {
	return errors.Join(unix.Shutdown(s.fd, unix.SHUT_RDWR), s.File.Close())
}

// handOver gives a socket to the first port that takes it. Another process may be quicker at one, which is then busy.
func handOver(folder string, fd int, speed Speed) (int, error) {
	free, err := freePorts(folder)
	if err != nil {
		return 0, err
	}
	for _, number := range free {
		line := fmt.Sprintf("%d %d %d %d", number, fd, 1<<16|(number+1), speed)
		err := os.WriteFile(filepath.Join(folder, "attach"), []byte(line), 0o200)
		switch {
		case err == nil:
			return number, nil
		case !errors.Is(err, unix.EBUSY):
			return 0, fmt.Errorf("give a usb device to the kernel (port, socket, device, speed: %s): %w", line, err)
		}
	}
	return 0, ErrNoPort
}

// portFree is the state of an empty port (VDEV_ST_NULL in drivers/usb/usbip/usbip_common.h).
const portFree = 4

// freePorts reads the controller's table: one line a port with hub (hs for up to high speed), port, state, speed,
// device, socket and bus id (vhci_sysfs.c, port_show_vhci).
func freePorts(folder string) ([]int, error) {
	text, err := os.ReadFile(filepath.Join(folder, "status")) //nolint:gosec // the controller's own file
	if err != nil {
		return nil, fmt.Errorf("the virtual usb controller (module vhci-hcd): %w", err)
	}
	var free []int
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) < 3 || f[0] != "hs" {
			continue
		}
		number, err1 := strconv.Atoi(f[1])
		state, err2 := strconv.Atoi(f[2])
		if err1 != nil || err2 != nil {
			return nil, fmt.Errorf("the virtual usb controller's table has the line %q", strings.TrimSpace(line))
		}
		if state == portFree {
			free = append(free, number)
		}
	}
	return free, nil
}

// Number returns the port's number at the virtual hub.
func (p *Port) Number() int { return p.number }

// Done is closed when the device is no longer served.
func (p *Port) Done() <-chan struct{} { return p.done }

// Err returns why the device is no longer served: nil after Unplug, when ctx ended or when the kernel let go of it. Call
// it after Done.
func (p *Port) Err() error { return p.err }

// Unplug pulls the device out, waits until its calls have ended and the kernel has freed the port, and returns what went
// wrong while it was served.
func (p *Port) Unplug() error {
	p.stop()
	<-p.done
	for end := time.Now().Add(settle); ; time.Sleep(10 * time.Millisecond) {
		free, err := freePorts(p.folder)
		if err != nil {
			return errors.Join(p.err, err)
		}
		if slices.Contains(free, p.number) {
			return p.err
		}
		if time.Now().After(end) {
			return errors.Join(p.err, fmt.Errorf("port %d of the virtual usb controller is still taken after %v", p.number, settle))
		}
	}
}
