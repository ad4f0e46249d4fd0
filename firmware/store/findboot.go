// SPDX-License-Identifier: Apache-2.0

package store

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// FindBoot returns the path of a recorded boot: path itself if it is a file, the newest boot if it is a folder, or the
// boot named by the last part of path in the folder before it. The error lists what is there.
func FindBoot(path string) (string, error) {
	st, err := os.Stat(path)
	if err == nil && !st.IsDir() {
		return path, nil
	}
	dir, want := path, ""
	if err != nil {
		dir, want = filepath.Split(path)
		if dir == "" {
			dir = "."
		}
	}
	names, err := filepath.Glob(filepath.Join(glob(dir), "boot-*.db"))
	if err != nil {
		return "", fmt.Errorf("look for recorded boots in %s: %w", dir, err)
	}
	type found struct {
		id, path string
		number   int64
	}
	var boots []found
	for _, p := range names {
		id, ok := bootName(p)
		if !ok {
			continue
		}
		if want != "" && (want == id || want == "boot-"+id) {
			return p, nil
		}
		boots = append(boots, found{id, p, bootNumber(p)})
	}
	if len(boots) == 0 && want != "" {
		return "", fmt.Errorf("there is no folder %s, and no recorded boot of that name; name the box's data folder", path)
	}
	if len(boots) == 0 {
		return "", fmt.Errorf("no recorded boot in %s: its files are named boot-ID.db; name the box's data folder", dir)
	}
	slices.SortFunc(boots, func(a, b found) int { return cmp.Or(cmp.Compare(b.number, a.number), cmp.Compare(b.id, a.id)) })
	if want == "" {
		return boots[0].path, nil
	}
	var ids []string
	for _, b := range boots {
		ids = append(ids, b.id)
	}
	return "", fmt.Errorf("no recorded boot %q in %s; there are, newest first: %s", want, dir, strings.Join(ids, ", "))
}

// glob takes the meaning from the signs that a pattern gives one.
func glob(s string) string {
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(s)
}

// bootNumber reads the number of a boot; 0 where it cannot be read, which sorts it last.
func bootNumber(path string) int64 {
	ctx := context.Background()
	f, err := connect(ctx, path, "&mode=ro")
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

// bootName returns the id in a boot log's file name.
func bootName(path string) (string, bool) {
	name, ok := strings.CutPrefix(filepath.Base(path), "boot-")
	if !ok {
		return "", false
	}
	return strings.CutSuffix(name, ".db")
}
