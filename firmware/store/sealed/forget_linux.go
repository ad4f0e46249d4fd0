// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"os"

	"golang.org/x/sys/unix"
)

// forget asks the kernel to drop what it keeps of a file in memory. It may decline.
func forget(f *os.File) {
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
}
