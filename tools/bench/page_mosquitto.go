// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"time"
)

// mosquitto is the other broker, with a port for programs and one for pages.
type mosquitto struct {
	bin, conf string
	tcp, web  string // host:port
	cmd       *exec.Cmd
}

// newMosquitto starts one with its files in dir.
func newMosquitto(ctx context.Context, dir string) (*mosquitto, error) {
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		bin = "/usr/sbin/mosquitto"
		if _, err := os.Stat(bin); err != nil {
			return nil, fmt.Errorf("mosquitto is missing: install Debian package mosquitto: %w", err)
		}
	}
	m := &mosquitto{bin: bin, conf: filepath.Join(dir, "mosquitto.conf")}
	for _, addr := range []*string{&m.tcp, &m.web} {
		if *addr, err = freeAddress(ctx); err != nil {
			return nil, err
		}
	}
	text := "allow_anonymous true\npersistence false\nset_tcp_nodelay true\nmax_queued_messages 0\n" +
		"listener " + port(m.tcp) + " 127.0.0.1\nlistener " + port(m.web) + " 127.0.0.1\nprotocol websockets\n"
	if err := os.WriteFile(m.conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	return m, m.start(ctx)
}

func (m *mosquitto) start(ctx context.Context) error {
	m.cmd = exec.CommandContext(ctx, m.bin, "-c", m.conf) //nolint:gosec // Debian's own
	if err := m.cmd.Start(); err != nil {
		return err
	}
	d := net.Dialer{Timeout: time.Second}
	for range 100 {
		if c, err := d.DialContext(ctx, "tcp", m.tcp); err == nil {
			return c.Close()
		}
		if err := pause(ctx, 20*time.Millisecond); err != nil {
			return err
		}
	}
	return errors.New("mosquitto does not answer within two seconds")
}

func (m *mosquitto) kill() {
	_ = m.cmd.Process.Kill()
	_ = m.cmd.Wait() // it was killed
}

// freeAddress is one that nobody listens on at the moment.
func freeAddress(ctx context.Context) (string, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

func port(addr string) string {
	_, p, _ := net.SplitHostPort(addr)
	return p
}
