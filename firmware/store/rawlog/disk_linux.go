// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"errors"
	"fmt"
	"math"
	"os"

	"golang.org/x/sys/unix"
)

// syncData is fdatasync(2), again where a signal came in between.
func syncData(f *os.File) error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil {
			return &os.PathError{Op: "fdatasync", Path: f.Name(), Err: err}
		}
		return nil
	}
}

// forget asks the system to read f from the disk the next time, so that comparing looks at the disk and not at memory.
func forget(f *os.File) {
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) // only a wish
}

func diskRoom(dir string) (free, total int64, err error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, 0, fmt.Errorf("how full the disk of %s is: %w", dir, err)
	}
	bytes := func(blocks uint64) int64 { return int64(min(float64(blocks)*float64(st.Bsize), math.MaxInt64/2)) }
	return bytes(st.Bavail), bytes(st.Blocks), nil
}
