// SPDX-License-Identifier: Apache-2.0

// Package cpio writes the archive that a Linux kernel unpacks as its first root file system.
//
// Words: an entry is one folder or file. Entries belong to root and carry no time, so the same input gives the same
// bytes. The kernel reads several archives one behind the other, each closed by its own trailer.
//
// Source: Documentation/driver-api/early-userspace/buffer-format.rst of the kernel, form "newc".
package cpio

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path"
	"strings"
)

// Writer writes one archive. Close writes its trailer and leaves the underlying writer open.
type Writer struct {
	w       io.Writer
	offset  int64
	number  uint32
	folders map[string]bool
}

// File types of the mode field, and the name that ends an archive.
const (
	modeDevice = 0o020000
	modeFolder = 0o040000
	modeFile   = 0o100000
	trailer    = "TRAILER!!!"
	align      = 4
)

// New starts an archive.
func New(w io.Writer) *Writer { return &Writer{w: w, folders: map[string]bool{}} }

// Folder adds a folder and those above it, each once. Names are absolute or relative to the root.
func (a *Writer) Folder(name string) error {
	name, err := clean(name)
	if err != nil || name == "" || a.folders[name] {
		return err
	}
	if err := a.Folder(path.Dir("/" + name)); err != nil {
		return err
	}
	a.folders[name] = true
	return a.entry(name, entry{mode: modeFolder | 0o755})
}

// File adds a file with what it holds; permissions are 0o755 for programs and 0o644 for the rest.
func (a *Writer) File(name string, data []byte, permissions uint32) error {
	name, err := clean(name)
	switch {
	case err != nil:
		return err
	case name == "":
		return errors.New("an archive's file needs a name")
	case int64(len(data)) > math.MaxUint32:
		return fmt.Errorf("%s: %d bytes are more than the form can hold", name, len(data))
	}
	if err := a.Folder(path.Dir("/" + name)); err != nil {
		return err
	}
	return a.entry(name, entry{mode: modeFile | permissions&0o777, data: data})
}

// Device adds a character device.
func (a *Writer) Device(name string, major, minor uint32) error {
	name, err := clean(name)
	if err != nil {
		return err
	}
	if err := a.Folder(path.Dir("/" + name)); err != nil {
		return err
	}
	return a.entry(name, entry{mode: modeDevice | 0o600, major: major, minor: minor})
}

// Close ends the archive.
func (a *Writer) Close() error { return a.entry(trailer, entry{}) }

type entry struct {
	mode         uint32
	major, minor uint32
	data         []byte
}

func clean(name string) (string, error) {
	if strings.ContainsRune(name, 0) {
		return "", fmt.Errorf("%q cannot be the name of a file", name)
	}
	return strings.TrimPrefix(path.Clean("/"+name), "/"), nil
}

func (a *Writer) entry(name string, e entry) error {
	a.number++
	links := 1
	if e.mode&modeFolder != 0 {
		links = 2
	}
	// Magic, inode, mode, user, group, links, time, size, four device numbers, length of the name with its zero, checksum.
	head := fmt.Sprintf("070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%s\x00",
		a.number, e.mode, 0, 0, links, 0, len(e.data), 0, 0, e.major, e.minor, len(name)+1, 0, name)
	for _, part := range [][]byte{[]byte(head), e.data} {
		n, err := a.w.Write(part)
		a.offset += int64(n)
		if err != nil {
			return fmt.Errorf("write the archive: %w", err)
		}
		fill := make([]byte, (align-a.offset%align)%align)
		n, err = a.w.Write(fill)
		a.offset += int64(n)
		if err != nil {
			return fmt.Errorf("write the archive: %w", err)
		}
	}
	return nil
}
