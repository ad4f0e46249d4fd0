// SPDX-License-Identifier: Apache-2.0

package notify_test

import (
	"net"
	"path/filepath"
	"testing"

	"airhold/systemd/notify"
)

func env(kv ...string) func(string) string {
	return func(k string) string {
		for i := 0; i+1 < len(kv); i += 2 {
			if kv[i] == k {
				return kv[i+1]
			}
		}
		return ""
	}
}

// The messages are those of sd_notify(3).
func TestManagerHearsWhatTheServiceSays(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c, err := notify.Open(env("NOTIFY_SOCKET", path))
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 64)
	for _, s := range []struct {
		say  func() error
		want string
	}{{c.Ready, "READY=1"}, {c.Watchdog, "WATCHDOG=1"}, {c.Stopping, "STOPPING=1"}} {
		if err := s.say(); err != nil {
			t.Fatal(err)
		}
		n, err := l.Read(buf)
		if err != nil || string(buf[:n]) != s.want {
			t.Errorf("heard %q, %v; want %q", buf[:n], err, s.want)
		}
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

func TestWithoutAManagerNothingIsSaid(t *testing.T) {
	c, err := notify.Open(env())
	if c != nil || err != nil {
		t.Fatalf("Open = %v, %v; want nil, nil", c, err)
	}
	for _, say := range []func() error{c.Ready, c.Watchdog, c.Stopping, c.Close} {
		if err := say(); err != nil {
			t.Errorf("a silent Conn returned %v", err)
		}
	}
	if _, err := notify.Open(env("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "gone"))); err == nil {
		t.Error("Open of a socket that is not there = nil error; want one")
	}
}
