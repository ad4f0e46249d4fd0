// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"airhold/firmware/store"
)

// Rows is a recorded boot on its way out, entry by entry.
type Rows interface {
	// NextRow gives the next entry and its place; io.EOF at the end.
	NextRow(r *store.Row) error
	// SkipTo goes on with the entry of that number.
	SkipTo(seq int64) error
	// Lost says what is missing; complete once NextRow has returned io.EOF.
	Lost() []string
	// Close ends reading.
	Close() error
}

// Recording is a recorded boot that is open for reading, plain or sealed.
type Recording struct {
	Rows

	Path  string
	about *About
}

// Open opens a recorded boot: a boot-<id>.db, or either file of a sealed one.
func Open(path string) (*Recording, error) {
	if isSealed(path) {
		b, err := OpenBoot(path)
		if err != nil {
			return nil, err
		}
		return &Recording{b, path, b.about}, nil
	}
	b, err := store.OpenBoot(path)
	if err != nil {
		return nil, err
	}
	return &Recording{b, path, aboutPlain(b)}, nil
}

func isSealed(path string) bool { return strings.HasSuffix(path, ".parquet") }

func aboutPlain(b *store.Boot) *About {
	samples := b.Clock()
	return &About{
		Facts: b.Facts(), Snapshot: b.Snapshot(), Table: b.Table(), Calibrations: b.Calibrations(), Samples: samples, Offsets: NewOffsets(samples),
	}
}

// About returns what the recording says of the boot.
func (r *Recording) About() *About { return r.about }

// Next gives the next entry; io.EOF at the end.
func (r *Recording) Next(e *store.Entry) error {
	var row store.Row
	err := r.NextRow(&row)
	if err == nil {
		*e = row.Entry
	}
	return err
}

// Found is a recorded boot in a folder.
type Found struct {
	ID     string
	Number int64 // by the box, so that boots have an order without a clock; 0 where it cannot be read
	Path   string
}

// Sealed reports whether the boot is sealed.
func (f *Found) Sealed() bool { return isSealed(f.Path) }

// List returns the recorded boots of a folder, the oldest first. A boot that is there in both forms, because its sealing
// was interrupted, is listed as it was recorded.
func List(dir string) ([]Found, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("look for recorded boots: %w", err)
	}
	var out []Found
	plain := map[string]bool{}
	for _, end := range []string{".db", endEvents} {
		for _, e := range entries {
			id, ok := bootID(e.Name(), end)
			if !ok || plain[id] {
				continue
			}
			path := filepath.Join(dir, e.Name())
			plain[id] = end == ".db"
			out = append(out, Found{id, number(path), path})
		}
	}
	slices.SortStableFunc(out, func(a, b Found) int { return cmp.Or(cmp.Compare(a.Number, b.Number), cmp.Compare(a.ID, b.ID)) })
	return out, nil
}

// bootID returns the id in a file's name.
func bootID(name, end string) (string, bool) {
	id, ok1 := strings.CutPrefix(name, "boot-")
	id, ok2 := strings.CutSuffix(id, end)
	return id, ok1 && ok2 && id != ""
}

// number reads the number of a boot; 0 where it cannot be read, which makes it the oldest.
func number(path string) int64 {
	if !isSealed(path) {
		return store.BootNumber(path)
	}
	t, err := openTable(path)
	if err != nil {
		return 0
	}
	text, _ := t.pq.Lookup(keyNumber)
	n, err := strconv.ParseInt(text, 10, 64)
	if errors.Join(err, t.close()) != nil {
		return 0
	}
	return n
}

// Find returns the path of a recorded boot, plain or sealed: path itself if it is a file, the newest boot if it is a
// folder, or the boot named by the last part of path in the folder before it. The error lists what is there.
func Find(path string) (string, error) {
	st, err := os.Stat(path)
	if err == nil && !st.IsDir() {
		return path, nil
	}
	dir, want := path, ""
	if err != nil {
		dir, want = filepath.Split(path)
		dir = cmp.Or(dir, ".")
	}
	boots, err := List(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("there is no folder %s; name the box's data folder", dir)
	case err != nil:
		return "", err
	case len(boots) == 0 && want != "":
		return "", fmt.Errorf("there is no folder %s, and no recorded boot of that name; name the box's data folder", path)
	case len(boots) == 0:
		return "", fmt.Errorf("no recorded boot in %s: its files are named boot-ID.db, or boot-ID%s once it is sealed; name the box's data folder", dir, endEvents)
	case want == "":
		return boots[len(boots)-1].Path, nil
	}
	id := strings.TrimPrefix(filepath.Base(stem(want)), "boot-")
	ids := make([]string, 0, len(boots))
	for _, b := range slices.Backward(boots) {
		if b.ID == id {
			return b.Path, nil
		}
		ids = append(ids, b.ID)
	}
	return "", fmt.Errorf("no recorded boot %q in %s; there are, newest first: %s", want, dir, strings.Join(ids, ", "))
}
