// SPDX-License-Identifier: Apache-2.0

// Package notify tells systemd what a service is doing: ready, stopping, still alive (sd_notify(3)).
//
// It speaks the datagram protocol of NOTIFY_SOCKET by itself, a line a message, and does nothing where there is no
// such socket. A message is one datagram, so any goroutine may say one.
package notify

import (
	"errors"
	"fmt"
	"net"
)

// Conn is the line to the service manager. A nil Conn is silent.
type Conn struct{ c net.Conn }

// Open connects to the socket that the environment names; nil, nil where it names none.
func Open(getenv func(string) string) (*Conn, error) {
	name := getenv("NOTIFY_SOCKET")
	if name == "" {
		return nil, nil //nolint:nilnil // no manager is no error, and a nil Conn is silent
	}
	if name[0] == '@' {
		name = "\x00" + name[1:]
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return nil, fmt.Errorf("reach the service manager: %w", err)
	}
	return &Conn{c: c}, nil
}

// Ready says that the service has started.
func (c *Conn) Ready() error { return c.say("READY=1") }

// Stopping says that the service is stopping in order.
func (c *Conn) Stopping() error { return c.say("STOPPING=1") }

// Watchdog says that the service is alive.
func (c *Conn) Watchdog() error { return c.say("WATCHDOG=1") }

func (c *Conn) say(line string) error {
	if c == nil {
		return nil
	}
	_, err := c.c.Write([]byte(line))
	if err != nil {
		return fmt.Errorf("tell the service manager %s: %w", line, err)
	}
	return nil
}

// Close hangs up.
func (c *Conn) Close() error {
	if c == nil {
		return nil
	}
	if err := c.c.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}
