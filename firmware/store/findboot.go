// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"os"
)

// BootNumber reads the number that the box gave a recorded boot; 0 where it cannot be read.
func BootNumber(path string) int64 {
	ctx := context.Background()
	how := "&mode=ro"
	if _, err := os.Stat(path + "-wal"); err != nil {
		how = "&immutable=1" // nobody writes to it, and nothing is to be left beside it
	}
	f, err := connect(ctx, path, how)
	if err != nil {
		return 0
	}
	var n int64
	if err := f.conn.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'number'").Scan(&n); err != nil {
		n = 0
	}
	if err := f.close(); err != nil {
		return 0
	}
	return n
}

// Aside renames a damaged recording, with the files SQLite keeps beside it, and returns its new name.
func Aside(path string) (string, error) { return aside(path) }
