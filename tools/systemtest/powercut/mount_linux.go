// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// Mount mounts the ext4 file system in a file on a folder, as the box mounts its data. The loop device between them goes
// when it is unmounted.
func Mount(file, folder string) error {
	back, err := os.OpenFile(file, os.O_RDWR, 0) //nolint:gosec // the test's own file
	if err != nil {
		return err
	}
	defer back.Close() //nolint:errcheck // the kernel holds it
	loop, err := loopOver(back)
	if err != nil {
		return err
	}
	defer loop.Close() //nolint:errcheck // the mount holds it
	if err := unix.Mount(loop.Name(), folder, "ext4", unix.MS_NOATIME, ""); err != nil {
		return fmt.Errorf("mount %s: %w", file, err)
	}
	return nil
}

// loopOver returns a loop device over a file. Another process may be quicker at the free one that the kernel names.
func loopOver(back *os.File) (*os.File, error) {
	control, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	defer control.Close() //nolint:errcheck // nothing was written
	for range 50 {
		number, err := unix.IoctlRetInt(int(control.Fd()), unix.LOOP_CTL_GET_FREE)
		if err != nil {
			return nil, fmt.Errorf("free loop device: %w", err)
		}
		loop, err := os.OpenFile(fmt.Sprintf("/dev/loop%d", number), os.O_RDWR, 0)
		if err != nil {
			return nil, err
		}
		config := unix.LoopConfig{Fd: uint32(back.Fd()), Info: unix.LoopInfo64{Flags: unix.LO_FLAGS_AUTOCLEAR}} //nolint:gosec // a file descriptor
		err = unix.IoctlLoopConfigure(int(loop.Fd()), &config)
		if err == nil {
			return loop, nil
		}
		if err := errors.Join(err, loop.Close()); !errors.Is(err, unix.EBUSY) {
			return nil, fmt.Errorf("loop device %d: %w", number, err)
		}
	}
	return nil, errors.New("no loop device is free")
}

// Unmount takes a folder's file system off, and waits while somebody still looks at it.
func Unmount(folder string) error {
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		err := unix.Unmount(folder, 0)
		if err == nil || !errors.Is(err, unix.EBUSY) || time.Now().After(end) {
			return err
		}
	}
}
