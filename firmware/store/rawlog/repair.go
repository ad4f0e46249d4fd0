// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"airhold/bus"
	"airhold/bus/capture"
)

// Repair cuts a pcapng that a power cut tore back to its last whole block, makes the disk keep that, and returns how many
// bytes went. It never adds a byte. A file that is whole is not touched.
func Repair(path string) (cut int64, err error) {
	st, err := os.Stat(path)
	if err != nil {
		return 0, fmt.Errorf("repair a recording: %w", err)
	}
	whole, err := wholeBytes(path)
	if err != nil {
		return 0, fmt.Errorf("repair %s: %w", path, err)
	}
	if whole >= st.Size() {
		return 0, nil
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0) //nolint:gosec // a file of the data folder
	if err != nil {
		return 0, fmt.Errorf("repair a recording: %w", err)
	}
	if err := errors.Join(f.Truncate(whole), f.Sync(), f.Close()); err != nil {
		return 0, fmt.Errorf("repair %s: %w", path, err)
	}
	return st.Size() - whole, nil
}

// wholeBytes is where the last whole block ends; 0 when not even the first is whole.
func wholeBytes(path string) (int64, error) {
	r, err := capture.Open(path)
	if errors.Is(err, capture.ErrUnsupported) {
		return 0, nil // what the first bytes happen to be; the recorder wrote no other form
	}
	if err != nil {
		return 0, err
	}
	buf := make([]bus.Frame, 256)
	for err == nil {
		_, err = r.Batch(buf)
	}
	if !errors.Is(err, io.EOF) {
		return 0, errors.Join(err, r.Close())
	}
	return max(0, r.Whole()), r.Close()
}

// repairAll repairs what earlier starts left plain and did not end in order, and says so in sentences. Files of which
// nothing is whole are deleted, with their index; what a seal had begun is deleted too, for the plain file is still there.
func repairAll(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("look for recorded frames: %w", err)
	}
	var notes []string
	for _, e := range entries {
		boot, seq, end, ok := splitName(e.Name())
		if !ok {
			continue
		}
		path := filepath.Join(dir, e.Name())
		if strings.HasSuffix(end, workEnd) {
			if err := os.Remove(path); err != nil {
				return nil, fmt.Errorf("delete a seal that was not finished: %w", err)
			}
			continue
		}
		if end != plainEnd {
			continue
		}
		note, err := repairOne(dir, path, boot, seq)
		if err != nil {
			return nil, err
		}
		if note != "" {
			notes = append(notes, note)
		}
	}
	return notes, nil
}

func repairOne(dir, path, boot string, seq int64) (string, error) {
	index := filepath.Join(dir, fileName(boot, seq, indexEnd))
	st, err := os.Stat(path)
	if err != nil {
		return "", fmt.Errorf("repair a recording: %w", err)
	}
	if x, err := ReadIndex(index); err == nil && x.Ended && x.End.Bytes == st.Size() {
		return "", nil
	}
	cut, err := Repair(path)
	if err != nil {
		return "", err
	}
	name := filepath.Base(path)
	if cut == st.Size() {
		err := os.Remove(path)
		if rerr := os.Remove(index); rerr != nil && !errors.Is(rerr, os.ErrNotExist) {
			err = errors.Join(err, rerr)
		}
		if err != nil {
			return "", fmt.Errorf("delete a recording that holds nothing: %w", err)
		}
		return fmt.Sprintf("%s held no frame yet when the power went (%d bytes) and was deleted.", name, cut), nil
	}
	if err := mendIndex(index); err != nil {
		return "", err
	}
	if cut > 0 {
		return fmt.Sprintf("%s was torn when the power went: its last %d bytes were no whole frame and were cut off; all before them is kept.", name, cut), nil
	}
	return "", nil
}

// mendIndex cuts a torn index back to its last whole record. One that cannot be read is left as it is: the frames do not
// need it.
func mendIndex(path string) error {
	x, err := ReadIndex(path)
	if err != nil || x.Torn == 0 {
		return nil //nolint:nilerr // as said above
	}
	if err := os.Truncate(path, x.Whole); err != nil {
		return fmt.Errorf("repair an index: %w", err)
	}
	return nil
}
