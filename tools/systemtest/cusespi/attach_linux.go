// SPDX-License-Identifier: Apache-2.0

package cusespi

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// settle is how long a new device may take to appear.
const settle = 5 * time.Second

// Node is a device in /dev.
type Node struct {
	path string
	stop context.CancelFunc
	done chan struct{}
	err  error // of Serve; read after done
}

// Attach makes /dev/spidev<bus>.<cs> with p behind it, as root and with the module cuse loaded, and serves it until
// Remove is called, ctx ends or the kernel lets go of it. It returns when the device is there.
func Attach(ctx context.Context, bus, cs int, p *Port) (*Node, error) {
	name := fmt.Sprintf("spidev%d.%d", bus, cs)
	n := &Node{path: "/dev/" + name, done: make(chan struct{})}
	if _, err := os.Stat(n.path); err == nil {
		return nil, fmt.Errorf("%s is there already", n.path)
	}
	channel, err := os.OpenFile("/dev/cuse", os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("the kernel's module cuse: %w", err)
	}
	ctx, n.stop = context.WithCancel(ctx)
	go func() {
		defer close(n.done)
		defer n.stop()
		n.err = Serve(ctx, channel, name, p)
	}()
	for end := time.Now().Add(settle); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(n.path); err == nil {
			return n, nil
		}
		select {
		case <-n.done:
			return nil, errors.Join(fmt.Errorf("%s did not come to be", n.path), n.err)
		default:
		}
		if time.Now().After(end) {
			n.stop()
			<-n.done
			return nil, errors.Join(fmt.Errorf("%s did not appear in %v", n.path, settle), n.err)
		}
	}
}

// Path returns the device's path.
func (n *Node) Path() string { return n.path }

// Done is closed when the device is no longer served.
func (n *Node) Done() <-chan struct{} { return n.done }

// Err returns why the device is no longer served: nil after Remove, when ctx ended or when the kernel let go of it. Call
// it after Done.
func (n *Node) Err() error { return n.err }

// Remove takes the device away, also from a program that has it open, and returns what went wrong while it was served.
func (n *Node) Remove() error {
	n.stop()
	<-n.done
	return n.err
}
