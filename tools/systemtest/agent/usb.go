// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"airhold/tools/systemtest/gsusb"
	"airhold/tools/systemtest/usbip"
)

// adapterRate is what the modelled adapter passes on with ease, in frames a second.
const adapterRate = 500

// plugIn plugs an adapter in and waits until the kernel has made our link of it.
func plugIn(ctx context.Context, o gsusb.Options) (*gsusb.Adapter, *usbip.Port, error) {
	a := gsusb.New(o)
	port, err := usbip.Attach(ctx, a)
	if err != nil {
		return nil, nil, fmt.Errorf("plug the adapter in: %w", err)
	}
	err = wait(ctx, 10*time.Second, "the driver to find the adapter", func() bool {
		_, err := net.InterfaceByName(ours)
		return err == nil
	})
	if err != nil {
		return nil, nil, errors.Join(err, port.Unplug())
	}
	return a, port, nil
}

// speak has numbered frames arrive at the adapter.
func speak(a *gsusb.Adapter, first, count uint64) (heard uint64) {
	pace := time.NewTicker(time.Second / adapterRate)
	defer pace.Stop()
	for i := range count {
		<-pace.C
		f := gsusb.Frame{ID: numberedID | unix.CAN_EFF_FLAG, Length: 8}
		binary.BigEndian.PutUint64(f.Data[:], first+i)
		if a.Hear(f) {
			heard++
		}
	}
	return heard
}

// adapterSeesSilence runs airhold on the modelled adapter, lets a second program try to send meanwhile, and asks the
// adapter what it was told and given.
func adapterSeesSilence(ctx context.Context, s *stand) (_ string, err error) {
	a, port, err := plugIn(ctx, gsusb.Options{})
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, port.Unplug()) }()
	if _, err := airhold(ctx, "link", ours, "--bitrate", "250000"); err != nil {
		return "", err
	}
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	b, err := startAirhold(ctx, dir, "can0: {bitrate: 250 kbit/s}")
	if err != nil {
		return "", err
	}
	const count = 1000
	var heard uint64
	err = b.until(ctx, 10*time.Second, "link is up")
	if err == nil {
		var try *sender
		if try, err = openSender(ours); err == nil {
			for n := range uint64(5) { // a mistaken program; the kernel drops what it writes
				_, _ = unix.Write(try.fd, numbered(n))
			}
			try.close()
		}
		heard = speak(a, 0, count)
		time.Sleep(time.Second)
	}
	if err := errors.Join(err, b.stop()); err != nil {
		return "", err
	}
	saw := a.Status()
	got, err := readRecordings(dir)
	if err != nil {
		return "", err
	}
	counted := fmt.Sprintf("adapter was set to %d bit/s, listen-only %v; passed on %d frames, recorded %d; sent by the host: %d",
		saw.Bitrate, saw.ListenOnly, heard, got.frames, saw.Sent)
	if saw.Bitrate != 250_000 || !saw.ListenOnly || saw.Sent != 0 || saw.Lost != 0 || heard != count || got.frames != count || got.missing+got.disorder != 0 {
		return counted, fmt.Errorf("the adapter: %+v; the recording: %+v", saw, got)
	}
	// So that the nought means something: without listen-only the same model counts.
	if err := setLink(ours, link{kind: "can", bitrate: 250_000, up: true}); err != nil {
		return counted, err
	}
	try, err := openSender(ours)
	if err != nil {
		return counted, err
	}
	defer try.close()
	if err := try.send(ctx, numbered(0)); err != nil {
		return counted, err
	}
	time.Sleep(200 * time.Millisecond)
	if saw := a.Status(); saw.Sent != 1 || saw.ListenOnly {
		return counted, fmt.Errorf("without listen-only, a frame sent was not seen by the adapter: %+v", saw)
	}
	return counted + "; 1 of 1 without listen-only", nil
}

// adapterTalks gives airhold an adapter that has no listen-only mode: it must never be started.
func adapterTalks(ctx context.Context, _ *stand) (_ string, err error) {
	a, port, err := plugIn(ctx, gsusb.Options{Talker: true})
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, port.Unplug()) }()
	_, refusal := airhold(ctx, "link", ours, "--bitrate", "250000")
	at, err := readLink(ours)
	if err != nil {
		return "", err
	}
	saw := a.Status()
	if refusal == nil || at.up || saw.Starts != 0 || saw.Sent != 0 {
		return "", fmt.Errorf("an adapter that cannot listen only: airhold link said %w; the link is %+v, the adapter saw %+v", refusal, at, saw)
	}
	if !strings.Contains(refusal.Error(), "listen-only") {
		return "", fmt.Errorf("the refusal does not say why: %w", refusal)
	}
	return "refused, the link left down, the adapter never started", nil
}

// asked is what a running airhold tells of a link.
type asked struct {
	Event      string `json:"event"`
	Link       string `json:"link"`
	Frames     int64  `json:"frames"`
	Dropped    uint64 `json:"dropped"`
	Controller struct {
		State string `json:"state"`
		Words string `json:"words"`
	} `json:"controller"`
}

// askBus asks a running airhold about our link.
func askBus(ctx context.Context) (asked, error) {
	text, err := airhold(ctx, "bus", "--json")
	if err != nil {
		return asked{}, err
	}
	for line := range strings.Lines(text) {
		var a asked
		if json.Unmarshal([]byte(line), &a) == nil && a.Event == "link" && a.Link == ours {
			return a, nil
		}
	}
	return asked{}, fmt.Errorf("airhold bus --json does not tell of %s: %s", ours, text)
}

// adapterStates has the adapter report each state of its controller and pulls it out; airhold must say each, in its log, in
// airhold bus and in the journal, and go on by itself when the adapter is back.
func adapterStates(ctx context.Context, s *stand) (string, error) {
	a, port, err := plugIn(ctx, gsusb.Options{})
	if err != nil {
		return "", err
	}
	if _, err := airhold(ctx, "link", ours, "--bitrate", "250000"); err != nil {
		return "", errors.Join(err, port.Unplug())
	}
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	b, err := startAirhold(ctx, dir, "can0: {bitrate: 250 kbit/s}")
	if err != nil {
		return "", errors.Join(err, port.Unplug())
	}
	said, err := throughStates(ctx, b, a)
	err = errors.Join(err, port.Unplug())
	var frames uint64
	if err == nil {
		frames, err = backAgain(ctx, b)
	}
	err = errors.Join(err, b.stop())
	s.note("airhold said:\n%s", b.out)
	if err != nil {
		return "", err
	}
	got, err := readRecordings(dir)
	if err != nil {
		return "", err
	}
	journal, err := airhold(ctx, "journal", "--all", "--data", dir)
	if err != nil {
		return "", err
	}
	s.note("journal:\n%s", journal)
	counted := fmt.Sprintf("airhold bus said %s; %d error frames recorded; unplugged, plugged in: %d frames recorded; in the journal: CAN errors, CAN silent",
		said, len(got.errors), got.frames)
	// Two states on the way up, off, the restart, and once the way back through each.
	if len(got.errors) < 4 || got.frames != frames {
		return counted, fmt.Errorf("want at least 4 error frames and %d frames: %+v", frames, got)
	}
	for _, key := range []string{"CAN errors", "CAN silent"} {
		if !strings.Contains(strings.ToLower(journal), strings.ToLower(key)) {
			return counted, fmt.Errorf("the journal does not tell of %q:\n%s", key, journal)
		}
	}
	return counted, nil
}

// stateFrames is how many frames pass in each state in which frames can pass.
const stateFrames = 100

func throughStates(ctx context.Context, b *box, a *gsusb.Adapter) (string, error) {
	if err := b.until(ctx, 10*time.Second, "link is up"); err != nil {
		return "", err
	}
	var said []string
	next := uint64(0)
	for _, step := range []struct {
		state  gsusb.State
		rx     byte
		stay   time.Duration
		frames uint64
		want   string
	}{
		{gsusb.Active, 0, 0, stateFrames, "active"},
		{gsusb.Warning, 96, 0, stateFrames, "warning"},
		{gsusb.Passive, 128, 0, stateFrames, "passive"},
		{gsusb.BusOff, 0, 70 * time.Second, 0, "off"}, // longer than the delay of the note on CAN errors
		{gsusb.Active, 0, 0, stateFrames, "active"},
	} {
		// The driver starts active; what does not change is not reported.
		if len(said) > 0 && !a.Report(step.state, 0, step.rx) {
			return "", errors.New("the adapter could not report")
		}
		if heard := speak(a, next, step.frames); heard != step.frames {
			return "", fmt.Errorf("the adapter passed on %d of %d frames", heard, step.frames)
		}
		next += step.frames
		time.Sleep(2*time.Second + step.stay)
		got, err := askBus(ctx)
		if err != nil {
			return "", err
		}
		said = append(said, got.Controller.State)
		if got.Controller.State != step.want {
			return "", fmt.Errorf("in state %q airhold bus says %+v; so far: %v", step.want, got, said)
		}
	}
	return strings.Join(said, ", "), nil
}

// backAgain plugs a new adapter in after one was pulled out, silences it as the unit for new adapters does, and wants
// airhold to go on with it by itself. It returns how many frames the adapters passed on.
func backAgain(ctx context.Context, b *box) (uint64, error) {
	if err := b.until(ctx, 10*time.Second, "link is down"); err != nil {
		return 0, err
	}
	time.Sleep(10 * time.Second) // so that silence is an alarm
	before := strings.Count(b.out.String(), "link is up")
	a, port, err := plugIn(ctx, gsusb.Options{})
	if err != nil {
		return 0, err
	}
	const first, count = 4 * stateFrames, 300
	_, err = airhold(ctx, "link", ours, "--bitrate", "250000")
	if err == nil {
		err = wait(ctx, 15*time.Second, "airhold to find the link again", func() bool {
			return strings.Count(b.out.String(), "link is up") > before
		})
	}
	if err == nil {
		if heard := speak(a, first, count); heard != count {
			err = fmt.Errorf("the adapter passed on %d of %d frames", heard, count)
		}
		time.Sleep(2 * time.Second)
	}
	if err == nil {
		var got asked
		if got, err = askBus(ctx); err == nil && got.Controller.State != "active" {
			err = fmt.Errorf("plugged in again, airhold bus says %+v", got)
		}
	}
	if saw := a.Status(); saw.Sent != 0 {
		err = errors.Join(err, fmt.Errorf("the host sent %d frames", saw.Sent))
	}
	return first + count, errors.Join(err, port.Unplug())
}
