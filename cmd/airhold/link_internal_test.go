// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"airhold/bus"
	"airhold/bus/socketcan"
)

// fakeDevice is a controller with the kernel's rules: settings change only while it is down. What it does wrong is in deaf.
type fakeDevice struct {
	up     bool
	rate   uint32
	flags  uint32
	state  uint32 // enum can_state: 0 active, 3 bus off, 4 stopped
	deaf   string // a step that has no effect, or fails where it names "error ..."
	log    []string
	spoken bool // it was up without listen-only mode
}

func (d *fakeDevice) step(name string) error {
	d.log = append(d.log, name)
	if d.deaf == "error "+name {
		return syscall.EPERM
	}
	return nil
}

func (d *fakeDevice) Bitrate() (uint32, error) { return d.rate, nil }
func (d *fakeDevice) IsUp() (bool, error)      { return d.up, nil }

func (d *fakeDevice) Info() (linkInfo, error) {
	var i linkInfo
	i.BitTiming.Bitrate = d.rate
	i.CtrlMode.Flags = d.flags
	i.State = d.state
	return i, nil
}

func (d *fakeDevice) SetBitrate(rate uint32) error {
	if d.up {
		return syscall.EBUSY
	}
	if d.deaf != "bitrate" {
		d.rate = rate
	}
	return d.step("bitrate")
}

func (d *fakeDevice) SetListenOnlyMode(on bool) error {
	if d.up {
		return syscall.EBUSY
	}
	if d.deaf != "mode" && on {
		d.flags |= unix.CAN_CTRLMODE_LISTENONLY
	}
	return d.step("mode")
}

func (d *fakeDevice) SetDown() error {
	if err := d.step("down"); err != nil {
		return err
	}
	d.up = false
	return nil
}

func (d *fakeDevice) SetUp() error {
	if err := d.step("up"); err != nil {
		return err
	}
	if d.deaf == "forgets" {
		d.flags = 0
	}
	d.up, d.state = d.deaf != "up", 0
	d.spoken = d.spoken || d.up && d.flags&unix.CAN_CTRLMODE_LISTENONLY == 0
	return nil
}

func TestListenOnly(t *testing.T) {
	const silent = unix.CAN_CTRLMODE_LISTENONLY
	tests := []struct {
		name   string
		device fakeDevice
		err    error
		steps  string
	}{
		{"fresh", fakeDevice{}, nil, "down bitrate mode up"},
		{"up and talking", fakeDevice{up: true, rate: 250_000}, nil, "down bitrate mode up"},
		{"already silent", fakeDevice{up: true, rate: 250_000, flags: silent}, nil, ""},
		{"already silent, error passive", fakeDevice{up: true, rate: 250_000, flags: silent, state: 2}, nil, ""},
		{"silent, and left the bus", fakeDevice{up: true, rate: 250_000, flags: silent, state: 3}, nil, "down bitrate mode up"},
		{"silent, and stopped", fakeDevice{up: true, rate: 250_000, flags: silent, state: 4}, nil, "down bitrate mode up"},
		{"silent at another rate", fakeDevice{up: true, rate: 500_000, flags: silent}, nil, "down bitrate mode up"},
		{"does not take the mode", fakeDevice{deaf: "mode"}, errNotSilent, "down bitrate mode down"},
		{"does not take the rate", fakeDevice{deaf: "bitrate"}, errRate, "down bitrate mode down"},
		{"loses the mode going up", fakeDevice{deaf: "forgets"}, errNotSilent, "down bitrate mode up down"},
		{"not root", fakeDevice{up: true, deaf: "error down"}, fs.ErrPermission, "down"},
		{"mode refused", fakeDevice{deaf: "error mode"}, fs.ErrPermission, "down bitrate mode down"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var result linkResult
			d := tt.device
			err := listenOnly(&d, 250_000, &result)
			if !errors.Is(err, tt.err) || (err != nil) != (tt.err != nil) {
				t.Errorf("listenOnly = %v; want %v", err, tt.err)
			}
			if got := strings.Join(d.log, " "); got != tt.steps {
				t.Errorf("steps %q; want %q", got, tt.steps)
			}
			if err == nil && (!d.up || d.flags&silent == 0 || d.rate != 250_000 || !result.ListenOnly || result.Bitrate.Value != 250_000) {
				t.Errorf("device %+v, result %+v; want up, silent, 250000", d, result)
			}
			if err != nil && !slices.Contains([]string{"not root"}, tt.name) && d.up {
				t.Error("the link was left up after an error")
			}
			if d.spoken && tt.device.deaf != "forgets" {
				t.Error("the link was up without listen-only mode")
			}
		})
	}
	t.Run("did not come up", func(t *testing.T) {
		d := fakeDevice{deaf: "up"}
		if err := listenOnly(&d, 250_000, &linkResult{}); err == nil {
			t.Error("listenOnly = nil; want an error")
		}
	})
}

// The bitrate is found by listening, never by sending: frames at the right one, at a wrong one nothing but reports.
func TestFindBitrate(t *testing.T) {
	const silent = unix.CAN_CTRLMODE_LISTENONLY
	passive := reported(0x204, 0, 0x10, 0, 0, 0, 0, 0, 128)
	for name, c := range map[string]struct {
		right uint32 // 0: nothing is on the wire
		noise bool   // errors at every rate
		deaf  string
		code  int
		rate  uint32
		words string
	}{
		"250":           {right: 250_000, code: exitOK, rate: 250_000},
		"500":           {right: 500_000, code: exitOK, rate: 500_000},
		"key off":       {code: exitFailed, rate: 500_000, words: "nothing was heard; is the machine's key on"},
		"wires swapped": {noise: true, code: exitFailed, rate: 500_000, words: "only errors were heard"},
		"not silent":    {right: 250_000, deaf: "mode", code: exitFailed, words: "did not take listen-only mode"},
	} {
		d := &fakeDevice{deaf: c.deaf}
		opened := 0
		listener := busCommand{open: func(context.Context, string) (busSource, error) {
			opened++
			if !d.up || d.flags&silent == 0 {
				t.Errorf("%s: listened to a link that is not silent", name)
			}
			b := &fakeBus{}
			switch {
			case d.rate == c.right:
				b.frames = []bus.Frame{sent(t, 0, "0CF00400#F39191AA1800F3FF"), sent(t, 10, "18FEF121#00FF509FFFFF1FFF")}
			case c.right != 0 || c.noise:
				b.frames = []bus.Frame{passive}
			}
			return b, nil
		}}
		var result linkResult
		code, err := tryBitrates(t.Context(), "can0", d, listener, 20*time.Millisecond, &result)
		if code != c.code || (err != nil) != (c.words != "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %d, %v; want %d, %q", name, code, err, c.code, c.words)
		}
		if c.deaf == "" && (!d.up || d.rate != c.rate || d.flags&silent == 0 || len(result.Tried) != opened) {
			t.Errorf("%s: device %+v, tried %+v; want up, silent, at %d", name, d, result.Tried, c.rate)
		}
		if c.deaf != "" && (opened != 0 || d.up) {
			t.Errorf("%s: listened %d times, up %v; want neither", name, opened, d.up)
		}
		if code == exitOK {
			last := result.Tried[len(result.Tried)-1]
			if last.Frames != 2 || last.Talkers != 2 || last.Bitrate.Value != c.right {
				t.Errorf("%s: tried %+v; want two frames of two devices at last", name, result.Tried)
			}
		}
		if d.spoken {
			t.Errorf("%s: the link was up without listen-only mode", name)
		}
	}
}

func TestSettable(t *testing.T) {
	tests := map[string]struct {
		link socketcan.Link
		want string // "" may be set
	}{
		"controller":  {socketcan.Link{Name: "can0", Kind: "can", CAN: true}, ""},
		"silent one":  {socketcan.Link{Name: "can0", Kind: "can", CAN: true, ModeKnown: true, ListenOnly: true}, ""},
		"virtual":     {socketcan.Link{Name: "vcan0", Kind: "vcan", CAN: true, Up: true}, "no wire"},
		"serial line": {socketcan.Link{Name: "slcan0", CAN: true, Up: true}, "slcan"},
		"Ethernet":    {socketcan.Link{Name: "eth0", Up: true}, "another kind"},
	}
	for name, tt := range tests {
		err := settable(tt.link)
		if (err == nil) != (tt.want == "") || err != nil && !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: settable = %v; want %q", name, err, tt.want)
		}
	}
}

func TestRunLink(t *testing.T) {
	tests := []struct {
		args           []string
		code           int
		stdout, stderr string
	}{
		{[]string{"--help"}, exitOK, "usage: airhold link", ""},
		{nil, exitUsage, "", "the name of one interface"},
		{[]string{"can0"}, exitUsage, "", "--bitrate 0"},
		{[]string{"can0", "--find", "--bitrate", "250000"}, exitUsage, "", "--find looks for the bitrate"},
		{[]string{"can0", "--find", "--seconds", "100"}, exitUsage, "", "0.1 to 60 seconds"},
		{[]string{"can99", "--find"}, exitRefused, "", "can99: no such interface"},
		{[]string{"can0", "--bitrate", "2000000"}, exitUsage, "", "1000000"},
		{[]string{"can0", "can1", "--bitrate", "250000"}, exitUsage, "", "got 2"},
		{[]string{"--bitrate", "250000", "can99"}, exitRefused, "", "can99: no such interface"},
		{[]string{"lo", "--bitrate", "250000"}, exitRefused, "", "another kind"},
	}
	for _, tt := range tests {
		var stdout, stderr bytes.Buffer
		code := runLink(t.Context(), tt.args, &stdout, &stderr)
		if code != tt.code || !strings.Contains(stdout.String(), tt.stdout) || !strings.Contains(stderr.String(), tt.stderr) {
			t.Errorf("link %q = %d, %q, %q; want %d, %q, %q", tt.args, code, stdout.String(), stderr.String(), tt.code, tt.stdout, tt.stderr)
		}
	}
	var stdout, stderr bytes.Buffer
	runLink(t.Context(), []string{"can99", "--json", "--bitrate", "250000"}, &stdout, &stderr)
	var got linkResult
	if err := json.Unmarshal(stdout.Bytes(), &got); err != nil || got.Event != "summary" || got.Link != "can99" || got.Error == "" {
		t.Errorf("--json printed %q (%v); want a summary with the error", stdout.String(), err)
	}
}
