// SPDX-License-Identifier: Apache-2.0

package board

import "golang.org/x/sys/unix"

// diskUsage asks statfs(2). Free is what is left to an ordinary user.
func diskUsage(dir string) (free, total uint64, err error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, 0, err
	}
	size := uint64(st.Bsize) //nolint:gosec // a block size is positive; its type differs between boards
	return st.Bavail * size, st.Blocks * size, nil
}
