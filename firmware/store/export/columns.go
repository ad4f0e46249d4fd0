// SPDX-License-Identifier: Apache-2.0

package export

import (
	"context"
	"errors"
	"io"

	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

const chunk = 4096

// parquet writes readings as a sealed boot has them, with the same metadata. The form cannot be gone on with in the
// middle of a file: a boot that was stopped begins anew.
func (j *job) parquet(ctx context.Context, out *output) error {
	w := sealed.NewColumns[sealed.Reading](out, nil)
	m := sealed.NewMaker(j.about.Table, j.about.Offsets)
	rows, values := make([]sealed.Reading, 0, chunk), make([]float64, chunk)
	var r store.Row
	for n := 0; ; n++ {
		if n%beat == 0 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			j.tell(r.Seq, j.entries)
		}
		err := j.next(&r)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if r.Entry.Kind != store.IsReading || !j.wanted(r.Entry.Reading.Channel) {
			continue
		}
		ns, q, ok := j.take(r.Entry.At)
		if !ok {
			continue
		}
		if len(rows) == cap(rows) {
			if err := w.Write(rows); err != nil {
				return err
			}
			rows = rows[:0]
		}
		rows = rows[:len(rows)+1]
		m.Reading(&rows[len(rows)-1], &values[len(rows)-1], &r)
		j.seen(ns, q)
		j.file.Readings++
		j.file.Rows++
		if rows[len(rows)-1].Value == nil {
			j.file.Unusable++
		}
	}
	if err := w.Write(rows); err != nil {
		return err
	}
	j.about.Lost = j.rec.Lost()
	notes, err := j.about.Notes()
	if err != nil {
		return err
	}
	for key, value := range notes {
		w.Note(key, value)
	}
	return w.Close()
}
