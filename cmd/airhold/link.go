// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"

	"go.einride.tech/can/pkg/candevice"
	"golang.org/x/sys/unix"

	"airhold/bus/socketcan"
)

// This file is the only place of airhold that changes a CAN link, and all it can do is silence one. It runs as root, by hand
// or in the unit airhold-can@.service; the service that records has no right to. tools/importcheck keeps it alone.

const linkUsage = `usage: airhold link NAME --bitrate N [--json]

Sets a CAN interface down, gives it the machine's bitrate and listen-only mode, and sets it up. Needs root.
In listen-only mode the controller neither sends nor acknowledges. The bitrate must be the machine's own:
most tractors and implements use 250000, some 500000. With a wrong one the link hears only errors.
`

// Bitrates outside these do not exist in classic CAN (ISO 11898-2 ends at 1 Mbit/s).
const (
	minBitrate = 10_000
	maxBitrate = 1_000_000
)

var (
	errNotSilent = errors.New("the controller did not take listen-only mode")
	errRate      = errors.New("the controller did not take the bitrate")
)

// A controller as einride's candevice shows it. The names are here so that no other file, tests included, imports it.
type (
	linkDevice = candevice.CanDevice
	linkInfo   = candevice.Info
)

// linkResult is what was done and read back.
type linkResult struct {
	Event      string    `json:"event"`
	Link       string    `json:"link"`
	ListenOnly bool      `json:"listen_only"`
	Bitrate    *linkRate `json:"bitrate,omitempty"`
	Changed    bool      `json:"changed"`
	Error      string    `json:"error,omitempty"`
}

type linkRate struct {
	Value uint32 `json:"value"`
	Unit  string `json:"unit"`
}

func runLink(_ context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("link", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	rate := flags.Uint("bitrate", 0, "")
	asJSON := flags.Bool("json", false, "")
	name, err := oneName(flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(stdout, linkUsage)
		return exitOK
	case err == nil && (*rate < minBitrate || *rate > maxBitrate):
		err = fmt.Errorf("--bitrate %d: a CAN bus runs at %d to %d bit/s; most machines at 250000", *rate, minBitrate, maxBitrate)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold link: %v\n\n%s", err, linkUsage)
		return exitUsage
	}
	result := linkResult{Event: "summary", Link: name}
	code, err := bringUpSilent(name, uint32(*rate), &result) //nolint:gosec // at most maxBitrate
	if err != nil {
		fmt.Fprintf(stderr, "airhold link: %v\n", err)
		result.Error = err.Error()
	}
	if *asJSON {
		if err := json.NewEncoder(stdout).Encode(result); err != nil {
			fmt.Fprintf(stderr, "airhold link: print the result: %v\n", err)
			return exitFailed
		}
		return code
	}
	if code == exitOK {
		done := "Set down, given listen-only mode and its bitrate, and set up"
		if !result.Changed {
			done = "It was already so; nothing was changed"
		}
		fmt.Fprintf(stdout, "%s is up at %d bit/s in listen-only mode. %s.\n"+
			"Read back from the kernel: listen-only is set. This controller neither sends nor acknowledges.\n"+
			"It stays so until the box restarts; to have it at every start: sudo systemctl enable airhold-can@%s\n",
			name, result.Bitrate.Value, done, name)
	}
	return code
}

// oneName parses flags that may stand before or after the one argument.
func oneName(flags *flag.FlagSet, args []string) (string, error) {
	var names []string
	for {
		if err := flags.Parse(args); err != nil {
			return "", err //nolint:wrapcheck // the flag package's words are for people
		}
		if flags.NArg() == 0 {
			break
		}
		names = append(names, flags.Arg(0))
		args = flags.Args()[1:]
	}
	if len(names) != 1 {
		return "", fmt.Errorf("want the name of one interface, got %d", len(names))
	}
	return names[0], nil
}

// bringUpSilent finds the link and, when it is a controller, brings it up listening only.
func bringUpSilent(name string, rate uint32, result *linkResult) (int, error) {
	links, err := socketcan.List()
	if err != nil {
		return exitFailed, fmt.Errorf("look for %s: %w", name, err)
	}
	link, err := socketcan.Find(links, name)
	if err != nil {
		return exitRefused, fmt.Errorf("look for it: %w", err)
	}
	if err := settable(link); err != nil {
		return exitRefused, err
	}
	device, err := candevice.New(name)
	if err != nil {
		return exitFailed, fmt.Errorf("%s: read its settings: %w", name, err)
	}
	err = listenOnly(device, rate, result)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return exitFailed, fmt.Errorf("%s: changing a link needs root: sudo airhold link %s --bitrate %d (%w)", name, name, rate, err)
	case err != nil:
		return exitFailed, fmt.Errorf("%s: %w", name, err)
	}
	return exitOK, nil
}

// settable refuses what has no bitrate or no listen-only mode to set.
func settable(link socketcan.Link) error {
	if link.Kind == "vcan" {
		return fmt.Errorf("%s is virtual: it has no wire, so no bitrate and nothing to silence; airhold uses it as it is "+
			"(bring it up with: sudo ip link set %s up)", link.Name, link.Name)
	}
	if err := link.Refusal(); errors.Is(err, socketcan.ErrNotCAN) {
		return fmt.Errorf("nothing was changed: %w", err)
	}
	return nil
}

// listenOnly sets a controller to listen-only mode at rate, reads both back before it goes up and after, and takes it down
// again when either was not taken: a link that is up and not silent would acknowledge on the machine's bus.
func listenOnly(device linkDevice, rate uint32, result *linkResult) error {
	up, err := device.IsUp()
	if err != nil {
		return fmt.Errorf("read its state: %w", err)
	}
	if up && readBack(device, rate, result) == nil {
		return nil
	}
	result.Changed = true
	steps := []struct {
		name string
		do   func() error
	}{
		{"set it down", device.SetDown},
		{"set the bitrate", func() error { return device.SetBitrate(rate) }},
		{"set listen-only mode", func() error { return device.SetListenOnlyMode(true) }},
		{"read the mode back before it goes up", func() error { return readBack(device, rate, result) }},
		{"set it up", device.SetUp},
		{"read the mode back", func() error { return readBack(device, rate, result) }},
		{"see it up", func() error {
			if up, err := device.IsUp(); err != nil || !up {
				return errors.Join(errors.New("the link did not come up"), err)
			}
			return nil
		}},
	}
	for _, step := range steps {
		if err := step.do(); err != nil {
			err = fmt.Errorf("%s: %w", step.name, err)
			if step.name == "set it down" {
				return err // nothing was changed yet
			}
			if down := device.SetDown(); down != nil {
				return errors.Join(err, fmt.Errorf("and it could not be set down again, UNPLUG IT FROM THE MACHINE: %w", down))
			}
			return fmt.Errorf("%w; the link was left down", err)
		}
	}
	return nil
}

// readBack asks the kernel what the controller really has.
func readBack(device linkDevice, rate uint32, result *linkResult) error {
	info, err := device.Info()
	if err != nil {
		return fmt.Errorf("ask the kernel: %w", err)
	}
	result.ListenOnly = info.CtrlMode.Flags&unix.CAN_CTRLMODE_LISTENONLY != 0
	result.Bitrate = &linkRate{Value: info.BitTiming.Bitrate, Unit: "bit/s"}
	if !result.ListenOnly {
		return errNotSilent
	}
	if info.BitTiming.Bitrate != rate {
		return fmt.Errorf("%w: %d bit/s asked, %d read back", errRate, rate, info.BitTiming.Bitrate)
	}
	return nil
}
