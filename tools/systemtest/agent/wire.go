// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strconv"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// native is the byte order of the kernel's structures.
var native = binary.NativeEndian //nolint:gochecknoglobals // an order, not a state

func tests() []test {
	return []test{
		{"link-listens-only", linkListensOnly},
		{"refuses-talker", refusesTalker},
		{"bus-full-250", func(ctx context.Context, s *stand) (string, error) { return busFull(ctx, s, 250_000, 1900) }},
		{"bus-full-500", func(ctx context.Context, s *stand) (string, error) { return busFull(ctx, s, 500_000, 3800) }},
		{"small-buffer", smallBuffer},
		{"far-end-hears", farEndHears},
		{"adapter-sees-silence", adapterSeesSilence},
		{"adapter-talks", adapterTalks},
		{"adapter-states", adapterStates},
		{"link-loss", linkLoss},
		{"lone-talker", loneTalker},
		{"chips", chipsAnswer},
		{recordUntilCut, untilCut},
	}
}

// The two controllers of the emulated bus: airhold's and the far end.
const (
	ours   = "can0"
	theirs = "can1"
)

// linkUp sets our link up with the shipped command, and the far end as a controller that may send.
func linkUp(ctx context.Context, bitrate uint32) error {
	if err := setLink(theirs, link{kind: "can", bitrate: bitrate, up: true}); err != nil {
		return err
	}
	_, err := airhold(ctx, "link", ours, "--bitrate", strconv.FormatUint(uint64(bitrate), 10))
	return err
}

func linkListensOnly(ctx context.Context, _ *stand) (string, error) {
	stdout, err := airhold(ctx, "link", ours, "--bitrate", "250000", "--json")
	if err != nil {
		return "", err
	}
	var said struct {
		ListenOnly bool `json:"listen_only"`
		Bitrate    struct {
			Value uint32 `json:"value"`
		} `json:"bitrate"`
	}
	if err := json.Unmarshal([]byte(stdout), &said); err != nil {
		return "", fmt.Errorf("airhold link --json said %q: %w", stdout, err)
	}
	got, err := readLink(ours)
	if err != nil {
		return "", err
	}
	want := link{kind: "can", bitrate: 250_000, listenOnly: true, up: true}
	if got != want || !said.ListenOnly || said.Bitrate.Value != want.bitrate {
		return "", fmt.Errorf("the kernel has %+v, airhold said %s; want %+v", got, stdout, want)
	}
	return "kernel reads back 250000 bit/s, listen-only, up", nil
}

// busFull has the far end fill the bus, and wants every frame in the recording.
func busFull(ctx context.Context, s *stand, bitrate uint32, rate float64) (string, error) {
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	if err := linkUp(ctx, bitrate); err != nil {
		return "", err
	}
	before, err := received(ours)
	if err != nil {
		return "", err
	}
	b, err := startAirhold(ctx, dir, fmt.Sprintf("can0: {bitrate: %d kbit/s}", bitrate/1000))
	if err != nil {
		return "", err
	}
	count := uint64(rate * s.plan.Load.Seconds())
	took, err := fill(ctx, b, count, rate)
	if err := errors.Join(err, b.stop()); err != nil {
		return "", err
	}
	s.note("airhold said:\n%s", b.out)
	got, err := readRecordings(dir)
	if err != nil {
		return "", err
	}
	after, err := received(ours)
	if err != nil {
		return "", err
	}
	came := after - before
	reached := float64(count) / took.Seconds()
	heard, err := received(theirs)
	if err != nil {
		return "", err
	}
	used := b.cmd.ProcessState.UserTime() + b.cmd.ProcessState.SystemTime()
	counted := fmt.Sprintf("sent %d at %.0f/s, controller took %d, recorded %d in order, dropped %d; far end heard %d; airhold used %.2f s of processor",
		count, reached, came, got.frames, got.dropped, heard, used.Seconds())
	switch {
	case got.frames != count || got.first != 0 || got.missing+got.disorder+got.other+got.dropped != 0 || got.torn > 0 || got.bad > 0:
		return counted, fmt.Errorf("want all of them in order; the recording: %+v", got)
	case heard != 0:
		return counted, errors.New("want the far end to hear nothing")
	case reached < 0.98*rate:
		return counted, fmt.Errorf("the far end did not fill the bus: want %.0f frames a second", rate)
	}
	for _, f := range got.files {
		if err := s.sendFile(f); err != nil {
			return counted, err
		}
	}
	return counted, nil
}

// fill waits until airhold listens, has the far end send, and gives airhold the time to write that down.
func fill(ctx context.Context, b *box, count uint64, rate float64) (time.Duration, error) {
	if err := b.until(ctx, 10*time.Second, "link is up"); err != nil {
		return 0, err
	}
	far, err := openSender(theirs)
	if err != nil {
		return 0, err
	}
	defer far.close()
	var took time.Duration
	var sending sync.WaitGroup
	sending.Go(func() { took, err = far.full(ctx, 0, count, rate) })
	sending.Wait()
	time.Sleep(time.Second) // what is on its way through the queues of the kernel
	return took, err
}

// smallBuffer lets airhold wait with a small receive buffer while the bus is full, and wants every frame either
// recorded or in the count of dropped ones.
func smallBuffer(ctx context.Context, s *stand) (string, error) {
	const limit = "/proc/sys/net/core/rmem_max"
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	if err := linkUp(ctx, 250_000); err != nil {
		return "", err
	}
	// Without the right to go beyond the limit, as the box's own service: 32 KiB hold some forty frames.
	kept, err := os.ReadFile(limit)
	if err != nil {
		return "", fmt.Errorf("limit of the receive buffer: %w", err)
	}
	if err := os.WriteFile(limit, []byte("32768"), 0o644); err != nil { //nolint:gosec // a setting of the kernel
		return "", fmt.Errorf("limit of the receive buffer: %w", err)
	}
	defer os.WriteFile(limit, kept, 0o644) //nolint:errcheck,gosec // the next test notices
	before, err := received(ours)
	if err != nil {
		return "", err
	}
	b, err := startUnprivileged(ctx, dir, "can0: {bitrate: 250 kbit/s}")
	if err != nil {
		return "", err
	}
	err = b.until(ctx, 10*time.Second, "link is up")
	var took time.Duration
	const count, rate = 8000, 1900.0
	if err == nil {
		var pausing sync.WaitGroup
		pausing.Go(func() {
			for range 3 { // twice in the midst of the traffic, and never at its end: the count comes with the next frame
				time.Sleep(700 * time.Millisecond)
				_ = b.cmd.Process.Signal(unix.SIGSTOP)
				time.Sleep(300 * time.Millisecond)
				_ = b.cmd.Process.Signal(unix.SIGCONT)
			}
		})
		took, err = fill(ctx, b, count, rate)
		pausing.Wait()
	}
	if err := errors.Join(err, b.stop()); err != nil {
		return "", err
	}
	s.note("airhold said:\n%s", b.out)
	got, err := readRecordings(dir)
	if err != nil {
		return "", err
	}
	after, err := received(ours)
	if err != nil {
		return "", err
	}
	came := after - before
	counted := fmt.Sprintf("sent %d (%.0f/s), controller took %d = recorded %d + dropped by the kernel %d",
		count, count/took.Seconds(), came, got.frames, got.dropped)
	if got.dropped == 0 || got.frames+got.dropped != came || got.disorder+got.other > 0 || got.torn > 0 || got.bad > 0 {
		return counted, fmt.Errorf("want some dropped and all accounted for; the recording: %+v", got)
	}
	return counted, nil
}

// farEndHears asks the far end what it heard of us since the box began: nothing, if we are silent. Then it lets a program write to
// our link, which the kernel accepts and drops; and then, so that the silence means something, it takes listen-only away
// from the link and sees that a frame does arrive.
func farEndHears(ctx context.Context, _ *stand) (string, error) {
	if err := linkUp(ctx, 250_000); err != nil {
		return "", err
	}
	defer setLink(ours, link{}) //nolint:errcheck // the next test sets it up anew
	try, err := openSender(ours)
	if err != nil {
		return "", err
	}
	defer try.close()
	heard := func() (uint64, error) {
		time.Sleep(200 * time.Millisecond)
		return received(theirs)
	}
	quiet, err := heard()
	if err != nil {
		return "", err
	}
	if err := try.send(ctx, numbered(0)); err != nil {
		return "", fmt.Errorf("in listen-only mode the kernel takes a frame and drops it; here it did not take it: %w", err)
	}
	listening, err := heard()
	if err != nil {
		return "", err
	}
	if err := setLink(ours, link{kind: "can", bitrate: 250_000, up: true}); err != nil {
		return "", err
	}
	again, err := openSender(ours) // the first one was told that the network went down
	if err != nil {
		return "", err
	}
	defer again.close()
	if err := again.send(ctx, numbered(0)); err != nil {
		return "", err
	}
	talking, err := heard()
	if err != nil {
		return "", err
	}
	counted := fmt.Sprintf("the far end heard %d frames of the box in all tests before, %d written in listen-only mode, %d of 1 without it",
		quiet, listening-quiet, talking-listening)
	if quiet != 0 || listening != 0 || talking != 1 {
		return counted, errors.New("want 0, 0 and 1")
	}
	return counted, nil
}

// refusesTalker gives airhold a link that could acknowledge: it must not record, and say why.
func refusesTalker(ctx context.Context, s *stand) (string, error) {
	for _, name := range []string{ours, theirs} {
		if err := setLink(name, link{kind: "can", bitrate: 250_000, up: true}); err != nil {
			return "", err
		}
	}
	defer setLink(ours, link{}) //nolint:errcheck // the next test sets it up anew
	dir := "/var/" + s.test
	defer os.RemoveAll(dir) //nolint:errcheck // in memory
	b, err := startAirhold(ctx, dir, "can0: {bitrate: 250 kbit/s}")
	if err != nil {
		return "", err
	}
	err = b.until(ctx, 10*time.Second, "not in listen-only mode")
	if err == nil {
		far, openErr := openSender(theirs)
		if err = openErr; err == nil {
			for n := range uint64(100) {
				err = errors.Join(err, far.send(ctx, numbered(n)))
				time.Sleep(time.Millisecond)
			}
			far.close()
		}
	}
	time.Sleep(time.Second)
	if err := errors.Join(err, b.stop()); err != nil {
		return "", err
	}
	got, err := readRecordings(dir)
	if err != nil {
		return "", err
	}
	counted := fmt.Sprintf("said: not in listen-only mode; 100 frames went by, %d recorded", got.frames)
	if got.frames+got.other > 0 {
		return counted, errors.New("want none")
	}
	return counted, nil
}
