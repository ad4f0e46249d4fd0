// SPDX-License-Identifier: Apache-2.0

// Package powercut tries what a power cut leaves of the box's recordings, at any moment and without a board: the recorder
// of frames, the boot's log and what the box has learned are kept on a real ext4 file system whose disk logs every write.
// Each prefix of that log, with the fate of what came after the last flush chosen anew, is a state that the disk may be in
// when power goes. Each state is mounted, what is there is compared with what was recorded, and the box boots on it once
// more.
//
// Words: a write is one thing the disk was told; a flush is the order to have everything before it on the medium; a cut
// is a place in the log; a fate is what becomes of what was not flushed; a beat is what the recorder said of its work at
// one moment; a record is safe when the recorder said it is on the medium; it is due when it is older than one interval.
//
// What it does not cover: a medium that lies about a flush, or that loses what it was not writing. A jumble keeps or
// loses whole writes and sectors of 512 bytes, but never garbles one; the block of ext4's superblock is kept or lost whole.
//
// The parts that need Linux need root, loop devices, and the programs qemu-storage-daemon and mkfs.ext4.
//
// Sources: the kernel's Documentation/admin-guide/device-mapper/log-writes.rst (the form of the log and what it is for);
// QEMU's manual, block driver blklogwrites.
package powercut
