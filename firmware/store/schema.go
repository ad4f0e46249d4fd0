// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// What can go wrong with a file, for errors.Is. The text of the error says what, where and what to do.
var (
	// ErrDiskFull means that there was no room; what waits is kept in memory and tried again.
	ErrDiskFull = errors.New("disk full")
	// ErrReadOnly means that the folder or the file may not be written.
	ErrReadOnly = errors.New("read-only")
	// ErrNotOurs means that the file is a database of another program.
	ErrNotOurs = errors.New("not a file of airhold")
	// ErrNewer means that a later version wrote the file.
	ErrNewer = errors.New("written by a newer version")
	// ErrCorrupt means that the file is damaged.
	ErrCorrupt = errors.New("damaged")
	// ErrInUse means that another airhold writes to the folder.
	ErrInUse = errors.New("in use")
)

// Marks of our files: PRAGMA application_id is "AIRb" for the box and "AIRl" for a boot's log.
const (
	boxMark  = 0x41495262
	bootMark = 0x4149526c

	boxSchema  = 1
	bootSchema = 1
)

const boxSQL = `
CREATE TABLE meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
CREATE TABLE journal (
	seq INTEGER PRIMARY KEY, prev_sha256 TEXT NOT NULL, sha256 TEXT NOT NULL,
	utc TEXT NOT NULL, clk TEXT NOT NULL, boot_id TEXT NOT NULL, mono_ms INTEGER NOT NULL,
	kind TEXT NOT NULL, actor TEXT NOT NULL, role TEXT NOT NULL, via TEXT NOT NULL,
	alarm TEXT NOT NULL, place TEXT NOT NULL, "from" TEXT NOT NULL, "to" TEXT NOT NULL,
	value TEXT NOT NULL, "limit" TEXT NOT NULL, reason TEXT NOT NULL, cfg_sha TEXT NOT NULL
);
CREATE TABLE saved (name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE learned (name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE machine (id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, accepted TEXT NOT NULL, text BLOB NOT NULL);
`

// Columns value and volts carry no type, so that a float keeps its very bits: with the type REAL, minus zero would
// come back as zero.
const bootSQL = `
CREATE TABLE meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
CREATE TABLE snapshot (name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE channels (
	channel INTEGER PRIMARY KEY, id TEXT NOT NULL, quantity TEXT NOT NULL, reference TEXT NOT NULL,
	unit TEXT NOT NULL, dim INTEGER NOT NULL, factor, "offset", low, high,
	source TEXT NOT NULL, plug TEXT NOT NULL, wired INTEGER NOT NULL
);
CREATE TABLE calibration (
	id INTEGER PRIMARY KEY, channel INTEGER, coefficients TEXT, who TEXT, at TEXT, instrument TEXT, uncertainty, valid_from TEXT
);
CREATE TABLE readings (
	seq INTEGER PRIMARY KEY, at INTEGER NOT NULL, channel INTEGER NOT NULL, quality INTEGER NOT NULL,
	value, volts, raw INTEGER NOT NULL, calibration_id INTEGER
);
CREATE TABLE ticks (seq INTEGER PRIMARY KEY, at INTEGER NOT NULL);
CREATE TABLE commands (seq INTEGER PRIMARY KEY, at INTEGER NOT NULL, command TEXT NOT NULL);
CREATE TABLE clock (
	seq INTEGER PRIMARY KEY, at INTEGER NOT NULL, boot INTEGER NOT NULL, utc_s INTEGER, utc_ns INTEGER, quality INTEGER NOT NULL
);
CREATE TABLE faults (
	seq INTEGER PRIMARY KEY, at INTEGER NOT NULL, heard INTEGER NOT NULL, source INTEGER NOT NULL, spn INTEGER NOT NULL,
	fmi INTEGER NOT NULL, count INTEGER NOT NULL, gone INTEGER NOT NULL
);
CREATE TABLE gaps (seq INTEGER PRIMARY KEY, lost INTEGER NOT NULL, since INTEGER NOT NULL);
`

// file is one SQLite file with its only connection.
type file struct {
	path string
	db   *sql.DB
	conn *sql.Conn
}

// kindOf says what a file has to be.
type kindOf struct {
	mark   int64
	schema int64
	sql    string
	words  string
}

func boxKind() kindOf  { return kindOf{boxMark, boxSchema, boxSQL, "box file"} }
func bootKind() kindOf { return kindOf{bootMark, bootSchema, bootSQL, "boot log"} }

// dsn returns the driver's name of a file.
func dsn(path, more string) string {
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath() + "?_busy_timeout=5000" + more
}

// connect opens a file without looking into it.
func connect(ctx context.Context, path, more string) (*file, error) {
	db, err := sql.Open("sqlite", dsn(path, more))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, errors.Join(explain(path, err), db.Close())
	}
	return &file{path, db, conn}, nil
}

// openFile opens or makes a file for writing, full-sync write-ahead mode. A file that has to stay as it is comes back
// as an error wrapping ErrNotOurs, ErrNewer, ErrReadOnly, ErrDiskFull or ErrCorrupt.
func openFile(ctx context.Context, path string, k kindOf) (*file, error) {
	f, err := connect(ctx, path, "&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		return nil, err
	}
	if err := f.prepare(ctx, k); err != nil {
		return nil, errors.Join(err, f.close())
	}
	return f, nil
}

// prepare checks the marks of a file, and makes the tables of one that is empty.
func (f *file) prepare(ctx context.Context, k kindOf) error {
	empty, err := f.check(ctx, k)
	if err != nil || !empty {
		return err
	}
	return f.transact(ctx, func() error {
		for _, q := range []string{
			k.sql, "PRAGMA application_id = " + strconv.FormatInt(k.mark, 10), "PRAGMA user_version = " + strconv.FormatInt(k.schema, 10),
		} {
			if err := f.exec(ctx, q); err != nil {
				return err
			}
		}
		return nil
	})
}

// check compares marks; empty means that the file has no table yet.
func (f *file) check(ctx context.Context, k kindOf) (empty bool, err error) {
	var mark, schema, tables int64
	for _, q := range []struct {
		sql  string
		into *int64
	}{{"PRAGMA application_id", &mark}, {"PRAGMA user_version", &schema}, {"SELECT count(*) FROM sqlite_schema", &tables}} {
		if err := f.conn.QueryRowContext(ctx, q.sql).Scan(q.into); err != nil {
			return false, explain(f.path, err)
		}
	}
	switch {
	case mark == 0 && tables == 0:
		return true, nil
	case mark != k.mark:
		return false, fmt.Errorf("%s is a database of another program, not a %s: name another folder or move the file away (%w)", f.path, k.words, ErrNotOurs)
	case schema > k.schema:
		return false, fmt.Errorf("%s was written by a newer airhold (form %d; this one knows %d): install that version again, or name another folder (%w)", f.path, schema, k.schema, ErrNewer)
	}
	return false, nil
}

// sound asks SQLite whether the file is whole.
func (f *file) sound(ctx context.Context) error {
	var word string
	if err := f.conn.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&word); err != nil {
		return explain(f.path, err)
	}
	if word != "ok" {
		return fmt.Errorf("%s is %w: %s", f.path, ErrCorrupt, word)
	}
	return nil
}

func (f *file) exec(ctx context.Context, q string, args ...any) error {
	if _, err := f.conn.ExecContext(ctx, q, args...); err != nil {
		return explain(f.path, err)
	}
	return nil
}

// transact runs do in one transaction and takes it back if do or the commit has an error.
func (f *file) transact(ctx context.Context, do func() error) error {
	if err := f.exec(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := do()
	if err == nil {
		err = f.exec(ctx, "COMMIT")
	}
	if err != nil {
		// SQLite has taken it back by itself after some errors, so an error of ROLLBACK says nothing new.
		_, _ = f.conn.ExecContext(ctx, "ROLLBACK")
	}
	return err
}

// errEnough ends each without an error.
var errEnough = errors.New("enough rows")

// each runs take for every row, until it returns an error; errEnough is none.
func each(ctx context.Context, f *file, q string, take func(r *sql.Rows) error) error {
	rows, err := f.conn.QueryContext(ctx, q)
	if err != nil {
		return explain(f.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	for rows.Next() {
		if err := take(rows); errors.Is(err, errEnough) {
			return nil
		} else if err != nil {
			return fmt.Errorf("%s: %w", f.path, err)
		}
	}
	if err := rows.Err(); err != nil {
		return explain(f.path, err)
	}
	return nil
}

func (f *file) close() error { return errors.Join(f.conn.Close(), f.db.Close()) }

// explain turns an SQLite error into words for a person, and into one of the sentinels where it is one.
func explain(path string, err error) error {
	var se *sqlite.Error
	if !errors.As(err, &se) {
		return fmt.Errorf("%s: %w", path, err)
	}
	dir := filepath.Dir(path)
	switch se.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("%s: no room left on its disk; free some space, nothing written so far is lost (%w: %w)", path, ErrDiskFull, err)
	case sqlite3.SQLITE_READONLY:
		return fmt.Errorf("%s may not be written: check the rights of %s and whether its disk is mounted read-only (%w: %w)", path, dir, ErrReadOnly, err)
	case sqlite3.SQLITE_CANTOPEN:
		if _, serr := os.Stat(path); errors.Is(serr, os.ErrNotExist) {
			return fmt.Errorf("%s cannot be made: check the rights of %s and whether its disk is mounted read-only (%w: %w)", path, dir, ErrReadOnly, err)
		}
		return fmt.Errorf("%s cannot be opened: check its rights, and those of %s (%w: %w)", path, dir, ErrReadOnly, err)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%s is %w: %w", path, ErrCorrupt, err)
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return fmt.Errorf("%s is held by another program; close that one (%w: %w)", path, ErrInUse, err)
	default:
		return fmt.Errorf("%s: %w", path, err)
	}
}

// aside renames a damaged file, with the files SQLite keeps beside it, and returns the new name. Nothing is deleted.
func aside(path string) (string, error) {
	for n := 1; ; n++ {
		to := path + ".damaged-" + strconv.Itoa(n)
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		if err := os.Rename(path, to); err != nil {
			return "", fmt.Errorf("move the damaged %s aside: %w", path, err)
		}
		for _, more := range []string{"-wal", "-shm"} {
			if err := os.Rename(path+more, to+more); err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", fmt.Errorf("move the damaged %s aside: %w", path+more, err)
			}
		}
		return to, nil
	}
}
