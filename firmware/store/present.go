// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"database/sql"
	"math"
	"path/filepath"
	"strings"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
)

// Present reads from the log of the boot that is being recorded, by a connection of its own and in short reads, so that
// the recorder's file never has to keep old pages for a slow reader. One goroutine owns it.
type Present struct{ f *file }

// OpenPresent opens the log of a boot that is being recorded.
func OpenPresent(ctx context.Context, dir, boot string) (*Present, error) {
	f, err := connect(ctx, filepath.Join(dir, "boot-"+boot+".db"), "&mode=ro")
	if err != nil {
		return nil, err
	}
	return &Present{f}, nil
}

// Close closes the connection.
func (p *Present) Close() error { return p.f.close() }

// presentRows is how many entries one read spans.
const presentRows = 1 << 15

// Readings gives readings of some channels from an entry on, up to the newest one that is committed, until take returns
// false. Values that are no number come as not available.
func (p *Present) Readings(ctx context.Context, from int64, channels []readings.Channel, take func(r *readings.Reading) bool) error {
	if len(channels) == 0 {
		return nil
	}
	var last sql.NullInt64
	if _, err := one(ctx, p.f, []any{&last}, "SELECT max(seq) FROM readings"); err != nil {
		return err
	}
	q := "SELECT at, channel, quality, value FROM readings WHERE seq >= ? AND seq < ? AND channel IN (?" + strings.Repeat(",?", len(channels)-1) + ") ORDER BY seq"
	args := make([]any, 2, 2+len(channels))
	for _, c := range channels {
		args = append(args, int64(c))
	}
	for ; from <= last.Int64; from += presentRows {
		args[0], args[1] = from, min(from+presentRows, last.Int64+1)
		if more, err := p.part(ctx, q, args, take); err != nil || !more {
			return err
		}
	}
	return nil
}

func (p *Present) part(ctx context.Context, q string, args []any, take func(r *readings.Reading) bool) (more bool, err error) {
	rows, err := p.f.conn.QueryContext(ctx, q, args...)
	if err != nil {
		return false, explain(p.f.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	var r readings.Reading
	var value any
	for rows.Next() {
		if err := rows.Scan(&r.At, &r.Channel, &r.Quality, &value); err != nil {
			return false, explain(p.f.path, err)
		}
		v, ok := value.(float64)
		if !ok || math.IsNaN(v) {
			r.Quality = readings.NotAvailable
		}
		r.Value = v
		if !take(&r) {
			return false, nil
		}
	}
	if err := rows.Err(); err != nil {
		return false, explain(p.f.path, err)
	}
	return true, nil
}

// Clock returns the samples of the wall clock from an entry on.
func (p *Present) Clock(ctx context.Context, from int64) ([]clock.Sample, error) {
	rows, err := p.f.conn.QueryContext(ctx, "SELECT boot, utc_s, utc_ns, quality FROM clock WHERE seq >= ? ORDER BY seq", from)
	if err != nil {
		return nil, explain(p.f.path, err)
	}
	defer func() { _ = rows.Close() }() // Err has the reading's error; closing adds none
	var out []clock.Sample
	for rows.Next() {
		c, err := scanClock(rows)
		if err != nil {
			return nil, explain(p.f.path, err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, explain(p.f.path, err)
	}
	return out, nil
}
