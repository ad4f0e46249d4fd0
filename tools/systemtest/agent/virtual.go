// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// virtual links carry what is put on them, error reports as well.
var virtual = [2]string{"vcan0", "vcan1"} //nolint:gochecknoglobals // two names

// errorReport is an error frame as a driver makes it (linux/can/error.h): class bits, state in byte 1, receive counter in 7.
func errorReport(class uint32, state, rx byte) []byte {
	return rawFrame(unix.CAN_ERR_FLAG|class, 0, state, 0, 0, 0, 0, 0, rx)
}

// linkLoss puts two virtual links under airhold, gives each frames, gives one error reports, and takes it down and up.
func linkLoss(ctx context.Context, s *stand) (string, error) {
	for _, name := range virtual {
		if err := setLink(name, link{kind: "vcan", up: true}); err != nil {
			return "", err
		}
	}
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	b, err := startAirhold(ctx, dir, "vcan0: {kind: vcan}, vcan1: {kind: vcan}")
	if err != nil {
		return "", err
	}
	sent, errs, err := downAndUp(ctx, b)
	err = errors.Join(err, b.stop())
	s.note("airhold said:\n%s", b.out)
	if err != nil {
		return "", err
	}
	var frames uint64
	for at := range virtual {
		got, err := readSome(dir, func(n uint64) bool { return n>>linkShift == uint64(at) }) //nolint:gosec // 0 or 1
		if err != nil {
			return "", err
		}
		frames += got.frames
		if got.missing+got.disorder+got.other > 0 || got.frames == 0 || got.first != uint64(at)<<linkShift || len(got.errors) != errs || got.torn > 0 || got.bad > 0 {
			return "", fmt.Errorf("%s: want every frame in order, and %d error reports: %+v", virtual[at], errs, got)
		}
	}
	counted := fmt.Sprintf("%d links; sent %d frames and %d error reports, recorded %d and %d; said down and up again",
		len(virtual), sent, errs, frames, errs)
	if frames != sent {
		return counted, errors.New("want every frame")
	}
	return counted, nil
}

// linkShift is where the number of a link stands in a frame's number.
const linkShift = 32

// downAndUp is what happens on the links; it returns how many frames and error reports were sent.
func downAndUp(ctx context.Context, b *box) (sent uint64, reports int, err error) {
	err = wait(ctx, 10*time.Second, "both links to be up", func() bool { return strings.Count(b.out.String(), "link is up") >= len(virtual) })
	if err != nil {
		return 0, 0, err
	}
	give := func(name string, frames ...[]byte) error {
		far, err := openSender(name)
		if err != nil {
			return err
		}
		defer far.close()
		for _, f := range frames {
			if err := far.send(ctx, f); err != nil {
				return err
			}
			time.Sleep(2 * time.Millisecond)
		}
		return nil
	}
	// Each link has numbers of its own; only there the recording keeps their order.
	var next [len(virtual)]uint64
	some := func(at int) error {
		frames := make([][]byte, 100)
		for i := range frames {
			frames[i] = numbered(uint64(at)<<linkShift + next[at]) //nolint:gosec // 0 or 1
			next[at]++
		}
		sent += uint64(len(frames))
		return give(virtual[at], frames...)
	}
	errorFrames := [][]byte{
		errorReport(0x204, 0x04, 96),  // controller: receive warning
		errorReport(0x204, 0x10, 128), // receive passive
		errorReport(0x008, 0, 0),      // protocol violation
		errorReport(0x040, 0, 0),      // bus off
		errorReport(0x100, 0, 0),      // restarted
	}
	down := func() error {
		if err := setLink(virtual[0], link{}); err != nil {
			return err
		}
		if err := b.until(ctx, 10*time.Second, "link is down"); err != nil {
			return err
		}
		time.Sleep(3 * time.Second)
		return nil
	}
	up := func() error {
		before := strings.Count(b.out.String(), "link is up")
		if err := setLink(virtual[0], link{kind: "vcan", up: true}); err != nil {
			return err
		}
		return wait(ctx, 15*time.Second, "airhold to find the link again", func() bool { return strings.Count(b.out.String(), "link is up") > before })
	}
	for _, step := range []func() error{
		func() error { return some(0) },
		func() error { return some(1) },
		func() error { return give(virtual[0], errorFrames...) },
		down,
		func() error { return some(1) }, // the other link goes on meanwhile
		up,
		func() error { return some(0) },
	} {
		if err := step(); err != nil {
			return 0, 0, err
		}
	}
	time.Sleep(time.Second)
	return sent, len(errorFrames), nil
}

// loneTalker repeats one frame as fast as a bus lets a device that nobody acknowledges; airhold must say so and not fill
// its disk.
func loneTalker(ctx context.Context, s *stand) (string, error) {
	if err := setLink(virtual[0], link{kind: "vcan", up: true}); err != nil {
		return "", err
	}
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	b, err := startAirhold(ctx, dir, "vcan0: {kind: vcan}")
	if err != nil {
		return "", err
	}
	const count = 6000
	err = b.until(ctx, 10*time.Second, "link is up")
	if err == nil {
		err = repeat(ctx, count)
	}
	if err == nil {
		err = b.until(ctx, 10*time.Second, "one device talks alone")
	}
	if err := errors.Join(err, b.stop()); err != nil {
		return "", err
	}
	got, err := readRecordings(dir)
	if err != nil {
		return "", err
	}
	counted := fmt.Sprintf("sent %d times, recorded %d; airhold said that one device talks alone", count, got.other)
	if got.other == 0 || got.other > count/10 || got.frames > 0 {
		return counted, errors.New("want some of them, and at most a tenth")
	}
	return counted, nil
}

// repeat sends one frame count times, 3,144 times a second: seen on a public bench with one device on a 500 kbit/s bus.
func repeat(ctx context.Context, count int) error {
	far, err := openSender(virtual[0])
	if err != nil {
		return err
	}
	defer far.close()
	frame := rawFrame(0x18feae30|unix.CAN_EFF_FLAG, 0xff, 0xff, 0xfe, 0xfe, 0xff, 0xff, 0xff, 0xff)
	pace := time.NewTicker(time.Second / 3144)
	defer pace.Stop()
	for range count {
		<-pace.C
		if err := far.send(ctx, frame); err != nil {
			return err
		}
	}
	return nil
}
