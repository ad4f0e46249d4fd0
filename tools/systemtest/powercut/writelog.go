// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

// Flags of an entry.
const (
	flagFlush   = 1
	flagFUA     = 2
	flagDiscard = 4
	flagMark    = 8
	flagsKnown  = flagFlush | flagFUA | flagDiscard | flagMark | 16 // 16: metadata, no matter here
)

const (
	logMagic   = 0x6a736677736872
	logVersion = 1
	superSize  = 28
	entrySize  = 32
)

// ErrWriteLog says that a file is not a log of block writes.
var ErrWriteLog = errors.New("not a log of block writes")

// Write is one thing the disk was told, in order.
type Write struct {
	Offset int64  // bytes from the disk's start
	Data   []byte // nil when nothing is written
	Size   int64  // bytes that are written or discarded
	Flush  bool   // everything before it is on the medium
	Lasts  bool   // it is itself on the medium at once
	Drop   bool   // the content is given up; it reads zero here
}

// ReadWriteLog reads a log as QEMU's blklogwrites and the kernel's dm-log-writes make it: a sector with magic number,
// version, count and sector size, then for each entry a sector with place, length and flags, and the data.
//
// Source: the structures in drivers/md/dm-log-writes.c, which block/blklogwrites.c of QEMU shares; the count is as of
// the last flush there, so entries behind it are read too, as long as they are whole.
func ReadWriteLog(path string) ([]Write, error) {
	f, err := os.Open(path) //nolint:gosec // the test's own file
	if err != nil {
		return nil, fmt.Errorf("log of block writes: %w", err)
	}
	defer f.Close() //nolint:errcheck // read only
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("log of block writes: %w", err)
	}
	writes, err := parseWriteLog(f, info.Size())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return writes, nil
}

func parseWriteLog(f io.ReaderAt, size int64) ([]Write, error) {
	le := binary.LittleEndian
	var super [superSize]byte
	if _, err := f.ReadAt(super[:], 0); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrWriteLog, err)
	}
	if le.Uint64(super[:]) != logMagic || le.Uint64(super[8:]) != logVersion {
		return nil, fmt.Errorf("magic %#x, version %d: %w", le.Uint64(super[:]), le.Uint64(super[8:]), ErrWriteLog)
	}
	count, sector := le.Uint64(super[16:]), int64(le.Uint32(super[24:]))
	if sector < 512 || sector > 1<<16 || sector&(sector-1) != 0 {
		return nil, fmt.Errorf("sectors of %d bytes: %w", sector, ErrWriteLog)
	}
	var writes []Write
	for at := sector; at+sector <= size; {
		var e [entrySize]byte
		if _, err := f.ReadAt(e[:], at); err != nil {
			return nil, fmt.Errorf("entry %d: %w", len(writes), err)
		}
		place, n, flags := le.Uint64(e[:]), le.Uint64(e[8:]), le.Uint64(e[16:])
		if n == 0 && flags == 0 { // nothing there yet
			break
		}
		if flags&^flagsKnown != 0 || n > 1<<32 || place > 1<<40 {
			return nil, fmt.Errorf("entry %d: place %d, %d sectors, flags %#x: %w", len(writes), place, n, flags, ErrWriteLog)
		}
		w := Write{
			Offset: int64(place) * sector, Size: int64(n) * sector,
			Flush: flags&flagFlush != 0, Lasts: flags&flagFUA != 0, Drop: flags&flagDiscard != 0,
		}
		at += sector
		if flags&flagMark != 0 {
			at += int64(le.Uint64(e[24:])+uint64(sector)-1) / sector * sector //nolint:gosec // a mark is a few words
			continue
		}
		if w.Size > 0 && !w.Drop {
			if at+w.Size > size {
				break // half of an entry, at the end
			}
			w.Data = make([]byte, w.Size)
			if _, err := f.ReadAt(w.Data, at); err != nil {
				return nil, fmt.Errorf("data of entry %d: %w", len(writes), err)
			}
			at += w.Size
		}
		writes = append(writes, w)
	}
	if uint64(len(writes)) < count {
		return nil, fmt.Errorf("%d entries of %d are there: %w", len(writes), count, ErrWriteLog)
	}
	return writes, nil
}
