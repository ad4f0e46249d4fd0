// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"fmt"
	"math/rand/v2"
)

// Fate says what a power cut does to what the disk was told since its last flush.
type Fate uint8

// The fates.
const (
	Kept     Fate = iota // everything reached the medium
	Lost                 // nothing did
	Jumbled              // some of it did, in any order; sectors of one write may differ
	fateWays             // how many there are
)

// String returns the word used in reports.
func (f Fate) String() string {
	switch f {
	case Kept:
		return "kept"
	case Lost:
		return "lost"
	default:
		return "jumbled"
	}
}

// Fates lists them all.
func Fates() []Fate { return []Fate{Kept, Lost, Jumbled} }

const (
	// sectorBytes is what a disk writes in one piece.
	sectorBytes = 512
	// headBytes is the block with ext4's superblock, whose checksum spans two sectors: the file system trusts the disk to
	// write it in one piece, and where that fails no recorder can help.
	headBytes = 4096
)

// Disk makes the states that a disk can be in after a cut. It goes forward through a log: cuts come in rising order.
type Disk struct {
	durable []byte // what is on the medium for certain after the first flushed writes
	writes  []Write
	flushed int
}

// NewDisk returns a disk that held image before the writes. The image is taken over.
func NewDisk(image []byte, writes []Write) (*Disk, error) {
	for i, w := range writes {
		if w.Offset < 0 || w.Size < 0 || w.Offset+w.Size > int64(len(image)) {
			return nil, fmt.Errorf("write %d goes to %d bytes at %d of a disk of %d bytes: %w", i, w.Size, w.Offset, len(image), ErrWriteLog)
		}
	}
	return &Disk{durable: image, writes: writes}, nil
}

// Cut fills state, which is as long as the disk, with what the disk holds when power goes after its first n writes.
// seed decides what a jumble keeps. n must not be less than in the call before.
func (d *Disk) Cut(state []byte, n int, fate Fate, seed uint64) error {
	if n < d.flushed || n > len(d.writes) || len(state) != len(d.durable) {
		return fmt.Errorf("cut after %d of %d writes, at %d already, into %d of %d bytes", n, len(d.writes), d.flushed, len(state), len(d.durable))
	}
	last := d.flushed
	for i := d.flushed; i < n; i++ {
		if d.writes[i].Flush {
			last = i + 1
		}
	}
	for ; d.flushed < last; d.flushed++ {
		d.writes[d.flushed].on(d.durable, nil)
	}
	copy(state, d.durable)
	dice := rand.New(rand.NewPCG(seed, uint64(n))) //nolint:gosec // repeatable dice, and n is not negative
	for _, w := range d.writes[last:n] {
		switch {
		case w.Lasts || fate == Kept:
			w.on(state, nil)
		case fate == Jumbled:
			jumble(&w, state, dice)
		}
	}
	return nil
}

// jumble lets a write happen, not happen, or happen in part.
func jumble(w *Write, state []byte, dice *rand.Rand) {
	switch way := dice.IntN(4); {
	case way == 0:
	case way == 1 && w.Offset >= headBytes:
		w.on(state, dice)
	default:
		w.on(state, nil)
	}
}

// on puts a write on a medium; with dice only some of its sectors.
func (w *Write) on(medium []byte, dice *rand.Rand) {
	for at := int64(0); at < w.Size; at += sectorBytes {
		if dice != nil && dice.IntN(2) == 0 {
			continue
		}
		to := medium[w.Offset+at:][:min(sectorBytes, w.Size-at)]
		if w.Drop {
			clear(to)
		} else {
			copy(to, w.Data[at:])
		}
	}
}
