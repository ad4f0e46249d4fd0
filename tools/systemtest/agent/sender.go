// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"runtime"
	"time"

	"golang.org/x/sys/unix"
)

// What the sender sends: extended frames of a proprietary message (ISO 11783-3: 65280 to 65535 are the maker's own), each
// with its number from 0 in eight bytes, most significant first.
const (
	numberedID = 0x18ff0122
	frameSize  = unix.CAN_MTU
)

// sender is the far end of an emulated bus.
type sender struct {
	fd   int
	name string
}

func openSender(name string) (*sender, error) {
	at, err := net.InterfaceByName(name)
	if err != nil {
		return nil, fmt.Errorf("sender: %w", err)
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return nil, fmt.Errorf("sender on %s: %w", name, err)
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: at.Index}); err != nil {
		return nil, errors.Join(fmt.Errorf("sender on %s: %w", name, err), unix.Close(fd))
	}
	return &sender{fd: fd, name: name}, nil
}

func (s *sender) close() { _ = unix.Close(s.fd) } // nothing can be lost with it

// rawFrame is a struct can_frame; id has its flags.
func rawFrame(id uint32, data ...byte) []byte {
	b := make([]byte, frameSize)
	native.PutUint32(b, id)
	b[4] = byte(len(data)) //nolint:gosec // at most eight
	copy(b[8:], data)
	return b
}

func numbered(n uint64) []byte {
	return rawFrame(numberedID|unix.CAN_EFF_FLAG, binary.BigEndian.AppendUint64(nil, n)...)
}

// send writes one frame, and waits while the interface's queue is full.
func (s *sender) send(ctx context.Context, frame []byte) error {
	for {
		_, err := unix.Write(s.fd, frame)
		switch {
		case err == nil:
			return nil
		case errors.Is(err, unix.ENOBUFS), errors.Is(err, unix.EINTR):
			if err := ctx.Err(); err != nil {
				return fmt.Errorf("sender on %s: %w", s.name, err)
			}
			time.Sleep(200 * time.Microsecond)
		default:
			return fmt.Errorf("sender on %s: %w", s.name, err)
		}
	}
}

// full sends count numbered frames from number first at rate frames a second, and returns how long that took. Frames
// never follow each other much faster than that, which no wire could: lateness is made up for a quarter of a gap at a time.
func (s *sender) full(ctx context.Context, first, count uint64, rate float64) (time.Duration, error) {
	runtime.LockOSThread() // never unlocked: the thread with its timers ends with the goroutine
	if err := unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0); err != nil {
		return 0, fmt.Errorf("ask for timers on time: %w", err)
	}
	gap := int64(float64(time.Second) / rate)
	begun, err := monotonic()
	if err != nil {
		return 0, err
	}
	now, due := begun, begun
	for i := range count {
		for now < due {
			// An interrupted sleep is taken up again by the loop.
			at := unix.NsecToTimespec(due)
			_ = unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &at, nil)
			if now, err = monotonic(); err != nil {
				return 0, err
			}
		}
		due += max(gap, now-due+3*gap/4)
		if err := s.send(ctx, numbered(first+i)); err != nil {
			return 0, err
		}
		if now, err = monotonic(); err != nil {
			return 0, err
		}
	}
	return time.Duration(now - begun), nil
}

// monotonic reads the monotonic clock, in nanoseconds.
func monotonic() (int64, error) {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return 0, fmt.Errorf("read the clock: %w", err)
	}
	return t.Nano(), nil
}
