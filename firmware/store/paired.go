// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// PairedTablet is a tablet that the box knows by the SHA-256 of its cookie's token.
type PairedTablet struct {
	Name   string
	Hash   []byte
	Role   string
	Paired time.Time // zero: not known
	Seen   time.Time // zero: not known
}

// Paired keeps which tablets are paired, in a file of its own that only the box's user may read, tablets.db. What a method
// has written is on the disk when it returns. Its methods may be called from many goroutines.
type Paired struct {
	mu   sync.Mutex // guards file
	file *file
}

const (
	pairedMark = 0x41495274 // "AIRt"
	pairedSQL  = `CREATE TABLE tablets (name TEXT PRIMARY KEY, sha256 BLOB NOT NULL UNIQUE, role TEXT NOT NULL, paired TEXT NOT NULL, seen TEXT NOT NULL) WITHOUT ROWID;`
)

// Paired opens the store's list of paired tablets. A damaged file is moved aside and an empty one begun: the tablets have to
// be paired again, and moved says where the old one is.
func (s *Store) Paired() (p *Paired, moved string, err error) {
	ctx := context.Background()
	path := filepath.Join(s.dir, "tablets.db")
	own, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600) //nolint:gosec // below the folder the machine file names; made here so that others cannot read it
	if err != nil {
		return nil, "", explain(path, err)
	}
	if err := own.Close(); err != nil {
		return nil, "", explain(path, err)
	}
	kind := kindOf{pairedMark, 1, pairedSQL, "list of paired tablets"}
	f, err := openSound(ctx, path, kind)
	if errors.Is(err, ErrCorrupt) {
		var merr error
		if moved, merr = aside(path); merr != nil {
			return nil, "", errors.Join(err, merr)
		}
		f, err = openSound(ctx, path, kind)
	}
	if err != nil {
		return nil, "", err
	}
	return &Paired{file: f}, moved, nil
}

// Close closes the file.
func (p *Paired) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.file.close()
}

// All returns the tablets by name.
func (p *Paired) All(ctx context.Context) (out []PairedTablet, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	rows, err := p.file.conn.QueryContext(ctx, "SELECT name, sha256, role, paired, seen FROM tablets ORDER BY name")
	if err != nil {
		return nil, explain(p.file.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	for rows.Next() {
		var t PairedTablet
		var paired, seen string
		if err := rows.Scan(&t.Name, &t.Hash, &t.Role, &paired, &seen); err != nil {
			return nil, explain(p.file.path, err)
		}
		t.Paired, t.Seen = parseStamp(paired), parseStamp(seen)
		out = append(out, t)
	}
	if err := rows.Err(); err != nil {
		return nil, explain(p.file.path, err)
	}
	return out, nil
}

// Keep adds a tablet or replaces the one of its name.
func (p *Paired) Keep(ctx context.Context, t PairedTablet) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	err := p.file.exec(ctx, "INSERT INTO tablets VALUES (?, ?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET sha256 = excluded.sha256, role = excluded.role, paired = excluded.paired, seen = excluded.seen",
		t.Name, t.Hash, t.Role, stamp(t.Paired), stamp(t.Seen))
	if err != nil {
		return fmt.Errorf("keep tablet %s: %w", t.Name, err)
	}
	return nil
}

// Drop forgets a tablet.
func (p *Paired) Drop(ctx context.Context, name string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.file.exec(ctx, "DELETE FROM tablets WHERE name = ?", name); err != nil {
		return fmt.Errorf("forget tablet %s: %w", name, err)
	}
	return nil
}
