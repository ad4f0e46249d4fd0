// SPDX-License-Identifier: Apache-2.0

//go:build unix

package store

import (
	"errors"
	"testing"

	"golang.org/x/sys/unix"
)

// A closed folder is free at once, also while a child that is being started still holds a copy of the lock's file; an open
// one is not.
func TestClosedFolderIsFree(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	held, err := unix.Dup(int(s.lock.Fd())) // as fork leaves it in a child
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(held)
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrInUse) {
		t.Errorf("a second one opens: %v; want %v", err, ErrInUse)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := Open(dir, Options{})
	if err != nil {
		t.Fatalf("after it was closed: %v", err)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
}
