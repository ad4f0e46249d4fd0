// SPDX-License-Identifier: Apache-2.0

package cusespi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"syscall"
)

// Serve answers the kernel on a channel: it makes the device /dev/<name> with p behind it, and serves it until ctx or
// the channel ends; then it closes the channel, which takes the device away. Each Read of the channel must return one
// whole message.
func Serve(ctx context.Context, channel io.ReadWriteCloser, name string, p *Port) error {
	closed := make(chan error, 1)
	stop := context.AfterFunc(ctx, func() { closed <- channel.Close() })
	err := serve(channel, name, p)
	if stop() {
		return errors.Join(err, channel.Close())
	}
	return <-closed // whatever reading says of a channel that is being closed
}

func serve(channel io.ReadWriter, name string, p *Port) error {
	buffer := make([]byte, 2*maxData)
	for {
		n, err := channel.Read(buffer)
		if errors.Is(err, io.EOF) || errors.Is(err, syscall.ENODEV) { // ENODEV: the kernel has let go
			return nil
		}
		if err != nil {
			return fmt.Errorf("cuse channel of %s: %w", name, err)
		}
		answer, err := p.handle(name, buffer[:n])
		if err != nil {
			return fmt.Errorf("cuse channel of %s: %w", name, err)
		}
		if answer == nil {
			continue
		}
		// ENOENT: the caller has not waited (fs/fuse/dev.c, fuse_dev_do_write).
		if _, err := channel.Write(answer); err != nil && !errors.Is(err, syscall.ENOENT) {
			return fmt.Errorf("cuse channel of %s: %w", name, err)
		}
	}
}
