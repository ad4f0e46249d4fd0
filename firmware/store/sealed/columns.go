// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"fmt"
	"io"
	"maps"
	"slices"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// groupRows is how many rows a row group has at most: a reader holds one group's index, and a writer one group's pages.
const groupRows = 500_000

// Columns writes rows as Parquet: Zstandard, row groups of at most 500,000 rows. T is a struct whose fields carry
// parquet tags. One goroutine owns it. Without Close the file cannot be read by anyone.
type Columns[T any] struct {
	w      *parquet.GenericWriter[T]
	noted  map[string]string
	rows   int64
	inside int64 // rows of the open row group
}

// NewColumns begins a file on w; notes become its key/value metadata. What is only known at the end, Note adds.
func NewColumns[T any](w io.Writer, notes map[string]string) *Columns[T] {
	return &Columns[T]{
		w: parquet.NewGenericWriter[T](w,
			parquet.Compression(&zstd.Codec{Level: zstd.SpeedFastest, Concurrency: 1}),
			parquet.CreatedBy("airhold", "", ""),
		),
		noted: maps.Clone(notes),
	}
}

// Note sets one key of the file's metadata.
func (c *Columns[T]) Note(key, value string) {
	if c.noted == nil {
		c.noted = map[string]string{}
	}
	c.noted[key] = value
}

// Write appends rows. It keeps nothing of them.
func (c *Columns[T]) Write(rows []T) error {
	for len(rows) > 0 {
		n := min(int64(len(rows)), groupRows-c.inside)
		if _, err := c.w.Write(rows[:n]); err != nil {
			return fmt.Errorf("write Parquet: %w", err)
		}
		rows = rows[n:]
		c.rows += n
		if c.inside += n; c.inside == groupRows {
			c.inside = 0
			if err := c.w.Flush(); err != nil {
				return fmt.Errorf("write Parquet: %w", err)
			}
		}
	}
	return nil
}

// Rows returns how many rows were written.
func (c *Columns[T]) Rows() int64 { return c.rows }

// Close writes the metadata and the file's index. It does not close what it writes to.
func (c *Columns[T]) Close() error {
	for _, key := range slices.Sorted(maps.Keys(c.noted)) {
		c.w.SetKeyValueMetadata(key, c.noted[key])
	}
	if err := c.w.Close(); err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	return nil
}
