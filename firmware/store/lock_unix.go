// SPDX-License-Identifier: Apache-2.0

//go:build unix

package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// lock makes sure that one airhold alone writes to a folder. The kernel takes the lock back when the process ends,
// however it ends.
func lock(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600) //nolint:gosec // the folder is the user's choice
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written: check its rights and whether its disk is mounted read-only (%w: %w)", dir, ErrReadOnly, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		whose := "another process"
		if b, rerr := os.ReadFile(path); rerr == nil && len(b) > 0 { //nolint:gosec // as above
			whose = "process " + strings.TrimSpace(string(b))
		}
		return nil, errors.Join(fmt.Errorf("an airhold writes to %s already (%s): stop it first, or name another folder (%w)", dir, whose, ErrInUse), f.Close())
	}
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0) // only a help for the sentence above
	}
	return f, nil
}

// unlock lets go of the folder. Closing alone would not: a child that is just being started holds a copy of the file
// until it has become another program.
func unlock(f *os.File) error {
	return errors.Join(unix.Flock(int(f.Fd()), unix.LOCK_UN), f.Close())
}
