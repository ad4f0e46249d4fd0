// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"airhold/tools/systemtest/results"
)

// recordUntilCut records until the power is cut. withoutSync is this program's own word for starting airhold so that its
// syncs do nothing: what a power cut then costs shows what they are worth.
const (
	recordUntilCut = "record-until-cut"
	withoutSync    = "without-sync"
)

// Frames of one start of the box carry its number in front of their own.
const (
	cycleShift = 40
	cutRate    = 1000.0 // frames a second
	cutBatch   = 50     // frames a mark
	cutFolder  = "/data/log"
)

// untilCut starts airhold on the disk, tells the host what is there of the recording before, and records numbered frames until the
// power goes; the last box ends in peace and has the journal verified.
func untilCut(ctx context.Context, s *stand) (string, error) {
	if err := setLink("vcan0", link{kind: "vcan", up: true}); err != nil {
		return "", err
	}
	b, err := start(ctx, cutFolder, "vcan0: {kind: vcan}", nil, s.plan.NoSync)
	if err != nil {
		return "", err
	}
	if s.plan.Cycle > 0 {
		if err := found(s, s.plan.Cycle-1); err != nil {
			return "", errors.Join(err, b.stop())
		}
	}
	if s.plan.Last {
		if err := b.stop(); err != nil {
			return "", err
		}
		said, err := airhold(ctx, "journal", "verify", "--data", cutFolder)
		return strings.TrimSpace(said), err
	}
	if err := b.until(ctx, 10*time.Second, "link is up"); err != nil {
		return "", errors.Join(err, b.stop())
	}
	far, err := openSender("vcan0")
	if err != nil {
		return "", errors.Join(err, b.stop())
	}
	defer far.close()
	for n := uint64(0); ; n += cutBatch {
		if _, err := far.full(ctx, s.plan.Cycle<<cycleShift+n, cutBatch, cutRate); err != nil {
			return "", errors.Join(err, b.stop())
		}
		at, err := monotonic()
		if err != nil {
			return "", errors.Join(err, b.stop())
		}
		s.say(results.Message{Kind: results.Mark, Count: n + cutBatch, At: at})
		if len(b.ended) > 0 {
			return "", fmt.Errorf("airhold ended by itself: %s", b.out)
		}
	}
}

// found tells the host how many frames of an earlier start of the box are recorded.
func found(s *stand, cycle uint64) error {
	r, err := readSome(cutFolder, func(n uint64) bool { return n>>cycleShift == cycle })
	if err != nil {
		return err
	}
	if r.frames > 0 { // a missing start counts as well
		r.missing += r.first - cycle<<cycleShift
	}
	m := results.Message{Kind: results.Found, Count: r.frames}
	if r.missing+r.disorder > 0 || r.bad > 0 || r.torn > 0 {
		m.Text = fmt.Sprintf("missing in the midst %d, out of order %d, damaged places %d, torn files %d", r.missing, r.disorder, r.bad, r.torn)
	}
	s.say(m)
	return nil
}

// execWithoutSync becomes the named program, for which the kernel takes each wish to sync a file as done.
func execWithoutSync(program []string) error {
	if len(program) == 0 {
		return errors.New("which program?")
	}
	runtime.LockOSThread() // the filter is the thread's, and exec keeps the calling thread's
	const (
		load  = unix.BPF_LD | unix.BPF_W | unix.BPF_ABS
		equal = unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K
		end   = unix.BPF_RET | unix.BPF_K

		retAllow = 0x7fff0000 // SECCOMP_RET_ALLOW
		retErrno = 0x00050000 // SECCOMP_RET_ERRNO with error 0: done
	)
	filter := []unix.SockFilter{
		{Code: load}, // the number of the call
		{Code: equal, K: unix.SYS_FSYNC, Jt: 4},
		{Code: equal, K: unix.SYS_FDATASYNC, Jt: 3},
		{Code: equal, K: unix.SYS_SYNC_FILE_RANGE, Jt: 2},
		{Code: equal, K: unix.SYS_SYNCFS, Jt: 1},
		{Code: end, K: retAllow},
		{Code: end, K: retErrno},
	}
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("take the syncs away: %w", err)
	}
	list := unix.SockFprog{Len: uint16(len(filter)), Filter: &filter[0]}                                   //nolint:gosec // seven
	err := unix.Prctl(unix.PR_SET_SECCOMP, unix.SECCOMP_MODE_FILTER, uintptr(unsafe.Pointer(&list)), 0, 0) //nolint:gosec // the call wants an address
	runtime.KeepAlive(filter)
	if err != nil {
		return fmt.Errorf("take the syncs away: %w", err)
	}
	return fmt.Errorf("start %s: %w", program[0], syscall.Exec(program[0], program, syscall.Environ())) //nolint:gosec // the program under test
}
