// SPDX-License-Identifier: Apache-2.0

//go:build linux

package usbip

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// table is a status file of the controller as drivers/usb/usbip/vhci_sysfs.c prints it (port_show_vhci): port 0 is in
// use, ports 1 and 8 are empty, the latter for super speed.
const table = `hub port sta spd dev      sockfd local_busid
hs  0000 006 002 00010001 000003 1-1
hs  0001 004 000 00000000 000000 0-0
ss  0008 004 000 00000000 000000 0-0
`

func folder(t *testing.T, status string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"status": status, "attach": ""} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

type mute struct{}

func (mute) Descriptors() Descriptors {
	return Descriptors{Speed: HighSpeed, Interfaces: []Interface{{Class: 0xff}}}
}
func (mute) Control(Setup, []byte) ([]byte, error)           { return nil, ErrStall }
func (mute) In(context.Context, byte, int) ([]byte, error)   { return nil, ErrStall }
func (mute) Out(ctx context.Context, _ byte, _ []byte) error { return ctx.Err() }

// The real controller is in the system test's guest; here a folder stands for it, and nobody holds the socket.
func TestAttachTakesAFreePort(t *testing.T) {
	dir := folder(t, table)
	p, err := attach(t.Context(), mute{}, dir)
	if err != nil {
		t.Fatal(err)
	}
	line, err := os.ReadFile(filepath.Join(dir, "attach"))
	if err != nil {
		t.Fatal(err)
	}
	f := strings.Fields(string(line))
	if len(f) != 4 || f[0] != "1" || f[2] != "65538" || f[3] != "3" || p.Number() != 1 {
		t.Errorf("attach got %q for port %d; want port 1, a socket, device 65538 (bus 1, device 2), speed 3", line, p.Number())
	}
	select {
	case <-p.Done():
	case <-time.After(10 * time.Second):
		t.Fatal("the other end of the socket is closed and the device is still served")
	}
	if err := p.Unplug(); err != nil {
		t.Errorf("Unplug = %v", err)
	}
}

func TestAttachWithoutAPlace(t *testing.T) {
	full := strings.ReplaceAll(table, "0001 004", "0001 005")
	if _, err := attach(t.Context(), mute{}, folder(t, full)); !errors.Is(err, ErrNoPort) {
		t.Errorf("attach = %v, want ErrNoPort", err)
	}
	if _, err := attach(t.Context(), mute{}, t.TempDir()); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "vhci-hcd") {
		t.Errorf("attach without a controller = %v, want the module's name", err)
	}
	if _, err := attach(t.Context(), mute{}, folder(t, "hs  x 004 000 0 0 0-0\n")); err == nil {
		t.Error("a table that cannot be read passes")
	}
}
