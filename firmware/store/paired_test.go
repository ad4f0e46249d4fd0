// SPDX-License-Identifier: Apache-2.0

package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/firmware/clock"
	"airhold/firmware/store"
)

func pairedIn(t *testing.T, dir string, damaged bool) (list *store.Paired, closeAll func()) {
	t.Helper()
	s, err := store.Open(dir, store.Options{Clock: clock.Live{}})
	if err != nil {
		t.Fatal(err)
	}
	list, moved, err := s.Paired()
	if err != nil {
		t.Fatal(err)
	}
	if (moved != "") != damaged {
		t.Errorf("the list was moved to %q; damaged: %v", moved, damaged)
	}
	return list, func() {
		if err := errors.Join(list.Close(), s.Close()); err != nil {
			t.Error(err)
		}
	}
}

func TestPairedTabletsAreKept(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 4, 28, 12, 0, 0, 5, time.UTC)
	cab := store.PairedTablet{Name: "cab", Hash: bytes.Repeat([]byte{7}, 32), Role: "operate", Paired: at, Seen: at}
	yard := store.PairedTablet{Name: "yard 2", Hash: bytes.Repeat([]byte{8}, 32), Role: "operate"} // the clock was not set
	p, closeAll := pairedIn(t, dir, false)
	for _, k := range []store.PairedTablet{cab, yard} {
		if err := p.Keep(t.Context(), k); err != nil {
			t.Fatal(err)
		}
	}
	cab.Seen = at.Add(time.Hour)
	if err := p.Keep(t.Context(), cab); err != nil {
		t.Fatal(err)
	}
	if err := p.Keep(t.Context(), store.PairedTablet{Name: "thief", Hash: cab.Hash, Role: "operate"}); err == nil {
		t.Error("two tablets with one token")
	}
	closeAll()
	if info, err := os.Stat(filepath.Join(dir, "tablets.db")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("tablets.db is %v, %v; want readable for the box's user alone", info.Mode(), err)
	}
	p, closeAll = pairedIn(t, dir, false)
	got, err := p.All(t.Context())
	if diff := cmp.Diff([]store.PairedTablet{cab, yard}, got); diff != "" || err != nil {
		t.Errorf("after a restart (-want +got), %v:\n%s", err, diff)
	}
	if err := errors.Join(p.Drop(t.Context(), "cab"), p.Drop(t.Context(), "nobody")); err != nil {
		t.Error(err)
	}
	if got, err := p.All(t.Context()); err != nil || len(got) != 1 || got[0].Name != "yard 2" {
		t.Errorf("after one was dropped: %v, %v", got, err)
	}
	closeAll()
	if err := os.WriteFile(filepath.Join(dir, "tablets.db"), bytes.Repeat([]byte("damaged "), 1024), 0o600); err != nil {
		t.Fatal(err)
	}
	p, closeAll = pairedIn(t, dir, true)
	if got, err := p.All(t.Context()); err != nil || len(got) != 0 {
		t.Errorf("a damaged list gives %v, %v; want none", got, err)
	}
	closeAll()
}
