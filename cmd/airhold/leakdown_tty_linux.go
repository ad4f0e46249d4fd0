// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// columns is the width of a terminal; false where f is none, 0 where it does not say.
func columns(f *os.File) (int, bool) {
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil {
		return 0, false
	}
	return int(size.Col), true
}
