// SPDX-License-Identifier: Apache-2.0

//go:build !unix

package store

import (
	"fmt"
	"os"
	"path/filepath"
)

// lock opens the lock file; systems without flock keep no second process out.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written: check its rights (%w: %w)", dir, ErrReadOnly, err)
	}
	return f, nil
}

// unlock closes the lock file.
func unlock(f *os.File) error { return f.Close() }
