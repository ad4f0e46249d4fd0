// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// disk is what the writer needs of a folder. The crash tests put a disk in its place that forgets.
type disk interface {
	// create makes a file that must not exist.
	create(name string) (file, error)
	// settle makes the disk keep which files there are.
	settle() error
	remove(name string) error
	// room says how many bytes are free for us, and how many there are.
	room() (free, total int64, err error)
}

// file is what the writer needs of a file.
type file interface {
	WriteAt(p []byte, off int64) (int, error)
	Truncate(size int64) error
	// Sync makes the disk keep what was written.
	Sync() error
	Close() error
}

type folder string

// plainFile syncs data and length, and leaves out the rest of what the system notes of a file.
type plainFile struct{ *os.File }

func (f plainFile) Sync() error { return syncData(f.File) }

func (d folder) create(name string) (file, error) {
	f, err := os.OpenFile(filepath.Join(string(d), name), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640) //nolint:gosec // the folder is the user's choice
	if err != nil {
		return nil, fmt.Errorf("begin a file of frames: %w", err)
	}
	return plainFile{f}, nil
}

func (d folder) settle() error {
	f, err := os.Open(string(d))
	if err != nil {
		return fmt.Errorf("sync the folder: %w", err)
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("sync the folder %s: %w", string(d), err)
	}
	return nil
}

func (d folder) remove(name string) error {
	if err := os.Remove(filepath.Join(string(d), name)); err != nil {
		return fmt.Errorf("delete a file of frames: %w", err)
	}
	return nil
}

func (d folder) room() (free, total int64, err error) { return diskRoom(string(d)) }
