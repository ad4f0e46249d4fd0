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
	"time"

	"go.einride.tech/can/pkg/candevice"
	"golang.org/x/sys/unix"

	"airhold/bus/socketcan"
	"airhold/bus/traffic"
)

// This file is the only place of airhold that changes a CAN link, and all it can do is silence one. It runs as root, by hand
// or in the unit airhold-can@.service; the service that records has no right to. tools/importcheck keeps it alone.

const linkUsage = `usage: airhold link NAME --bitrate N [--json]
       airhold link NAME --find [--seconds N] [--json]

Sets a CAN interface down, gives it the machine's bitrate and listen-only mode, and sets it up. Needs root.
In listen-only mode the controller neither sends nor acknowledges. The bitrate must be the machine's own:
most tractors and implements use 250000, some 500000. With a wrong one the link hears only errors.
A link that has left the bus (bus off) is started anew.

  --find       tries 250000 and 500000, listening only, and keeps the one at which it hears frames; key on
  --seconds N  how long to listen at each (default 3)
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
	Tried      []tried   `json:"tried,omitempty"` // by --find, in order
	Error      string    `json:"error,omitempty"`
}

// tried is what was heard at one bitrate.
type tried struct {
	Bitrate linkRate `json:"bitrate"`
	Frames  int64    `json:"frames"`
	Errors  int64    `json:"errors"` // reports of the controller
	Talkers int      `json:"talkers"`
}

type linkRate struct {
	Value uint32 `json:"value"`
	Unit  string `json:"unit"`
}

func runLink(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("link", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	rate := flags.Uint("bitrate", 0, "")
	find := flags.Bool("find", false, "")
	seconds := flags.Float64("seconds", 3, "")
	asJSON := flags.Bool("json", false, "")
	name, err := oneName(flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(stdout, linkUsage)
		return exitOK
	case err != nil:
	case *find && *rate != 0:
		err = errors.New("--find looks for the bitrate; leave --bitrate out, or --find")
	case *find && (*seconds < 0.1 || *seconds > 60):
		err = fmt.Errorf("--seconds %g: listen for 0.1 to 60 seconds", *seconds)
	case !*find && (*rate < minBitrate || *rate > maxBitrate):
		err = fmt.Errorf("--bitrate %d: a CAN bus runs at %d to %d bit/s; most machines at 250000, and --find tries", *rate, minBitrate, maxBitrate)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold link: %v\n\n%s", err, linkUsage)
		return exitUsage
	}
	result := linkResult{Event: "summary", Link: name}
	var code int
	if *find {
		code, err = findBitrate(ctx, name, time.Duration(*seconds*float64(time.Second)), &result)
	} else {
		code, err = bringUpSilent(name, uint32(*rate), &result) //nolint:gosec // at most maxBitrate
	}
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
	for _, t := range result.Tried {
		fmt.Fprintf(stdout, "At %d bit/s: %s from %s, %s.\n", t.Bitrate.Value, countOf(t.Frames, "frame", "frames"),
			countOf(int64(t.Talkers), "device", "devices"), countOf(t.Errors, "error report", "error reports"))
	}
	if code == exitOK {
		done := "Set down, given listen-only mode and its bitrate, and set up"
		if !result.Changed {
			done = "It was already so; nothing was changed"
		}
		fmt.Fprintf(stdout, "%s is up at %d bit/s in listen-only mode. %s.\n"+
			"Read back from the kernel: listen-only is set. This controller neither sends nor acknowledges.\n"+
			"It stays so until the box restarts; to have it at every start: sudo systemctl enable airhold-can@%s\n"+
			"Another bitrate than 250000 goes into /etc/airhold/can-%s.env as BITRATE=%d\n",
			name, result.Bitrate.Value, done, name, name, result.Bitrate.Value)
	}
	return code
}

// findBitrate brings a link up at one usual bitrate after the other, listening only, until it hears frames.
func findBitrate(ctx context.Context, name string, span time.Duration, result *linkResult) (int, error) {
	device, code, err := controller(name)
	if err != nil {
		return code, err
	}
	return tryBitrates(ctx, name, device, busCommand{open: openBusLink}, span, result)
}

// usualBitrates are those of J1939, ISO 11783 and NMEA 2000 (250 kbit/s), and of newer J1939 (J1939-14, 500 kbit/s).
func usualBitrates() []uint32 { return []uint32{250_000, 500_000} }

func tryBitrates(ctx context.Context, name string, device linkDevice, listener busCommand, span time.Duration, result *linkResult) (int, error) {
	for _, rate := range usualBitrates() {
		if err := listenOnly(device, rate, result); err != nil {
			return exitFailed, refused(name, rate, err)
		}
		heard, err := func() (traffic.Picture, error) {
			ctx, cancel := context.WithTimeout(ctx, span)
			defer cancel()
			return listener.hear(ctx, name, traffic.NewMeter())
		}()
		if err != nil {
			return exitFailed, fmt.Errorf("listen at %d bit/s: %w", rate, err)
		}
		t := tried{
			Bitrate: linkRate{Value: rate, Unit: "bit/s"}, Frames: heard.Frames, Errors: heard.Controller.Counts.Reports, Talkers: len(heard.Talkers),
		}
		result.Tried = append(result.Tried, t)
		if t.Frames > t.Errors {
			return exitOK, nil
		}
		if err := ctx.Err(); err != nil {
			return exitFailed, fmt.Errorf("broken off: %w", err)
		}
	}
	words := "nothing was heard; is the machine's key on, and the plug in?"
	for _, t := range result.Tried {
		if t.Errors > 0 {
			words = "only errors were heard; the two wires may be swapped, or one is off, or the machine uses yet another bitrate"
		}
	}
	return exitFailed, fmt.Errorf("%s: no usual bitrate fits: %s (it was left at %d bit/s, listening only)", name, words, result.Bitrate.Value)
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
	device, code, err := controller(name)
	if err != nil {
		return code, err
	}
	if err := listenOnly(device, rate, result); err != nil {
		return exitFailed, refused(name, rate, err)
	}
	return exitOK, nil
}

// controller finds a link that can be silenced.
func controller(name string) (linkDevice, int, error) {
	links, err := socketcan.List()
	if err != nil {
		return nil, exitFailed, fmt.Errorf("look for %s: %w", name, err)
	}
	link, err := socketcan.Find(links, name)
	if err != nil {
		return nil, exitRefused, fmt.Errorf("look for it: %w", err)
	}
	if err := settable(link); err != nil {
		return nil, exitRefused, err
	}
	device, err := candevice.New(name)
	if err != nil {
		return nil, exitFailed, fmt.Errorf("%s: read its settings: %w", name, err)
	}
	return device, exitOK, nil
}

// refused says why a link could not be set.
func refused(name string, rate uint32, err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%s: changing a link needs root: sudo airhold link %s --bitrate %d (%w)", name, name, rate, err)
	}
	return fmt.Errorf("%s: %w", name, err)
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
	if up && readBack(device, rate, result) == nil && takesPart(device) {
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

// takesPart reports whether the controller is on the bus: one that has left it (bus off) or was stopped hears nothing until it
// is set down and up again.
func takesPart(device linkDevice) bool {
	info, err := device.Info()
	return err == nil && info.State < candevice.StateBusOff
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
