// SPDX-License-Identifier: Apache-2.0

package main

import (
	"io"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/memory"
	"github.com/apache/arrow-go/v18/parquet"
	"github.com/apache/arrow-go/v18/parquet/compress"
	"github.com/apache/arrow-go/v18/parquet/pqarrow"
)

const (
	batchRows = 64 << 10
	groupRows = 500_000
)

// arrowParquet writes the rows with Zstandard at its fastest level and delta-encoded times, in row groups of the same
// size as airhold's. It gets its input as columns, which is what it likes best.
func arrowParquet(path string) (work, error) {
	c, err := readRows(path)
	if err != nil {
		return nil, err
	}
	schema := arrow.NewSchema([]arrow.Field{
		{Name: "time", Type: arrow.PrimitiveTypes.Int64}, {Name: "channel", Type: arrow.PrimitiveTypes.Int32},
		{Name: "raw", Type: arrow.PrimitiveTypes.Int32}, {Name: "value", Type: arrow.PrimitiveTypes.Float64},
		{Name: "quality", Type: arrow.PrimitiveTypes.Int32},
	}, nil)
	return func() (int64, float64, error) {
		w, err := pqarrow.NewFileWriter(schema, io.Discard, parquet.NewWriterProperties(
			parquet.WithCompression(compress.Codecs.Zstd), parquet.WithCompressionLevel(1),
			parquet.WithDictionaryDefault(false), parquet.WithEncodingFor("time", parquet.Encodings.DeltaBinaryPacked),
			parquet.WithMaxRowGroupLength(groupRows),
		), pqarrow.DefaultWriterProps())
		if err != nil {
			return 0, 0, err
		}
		b := array.NewRecordBuilder(memory.DefaultAllocator, schema)
		defer b.Release()
		n := len(c.time)
		for at := 0; at < n; at += batchRows {
			to := min(at+batchRows, n)
			b.Field(0).(*array.Int64Builder).AppendValues(c.time[at:to], nil)
			b.Field(1).(*array.Int32Builder).AppendValues(c.channel[at:to], nil)
			b.Field(2).(*array.Int32Builder).AppendValues(c.raw[at:to], nil)
			b.Field(3).(*array.Float64Builder).AppendValues(c.value[at:to], nil)
			b.Field(4).(*array.Int32Builder).AppendValues(c.quality[at:to], nil)
			batch := b.NewRecordBatch()
			err := w.WriteBuffered(batch)
			batch.Release()
			if err != nil {
				return 0, 0, err
			}
		}
		return int64(n), 0, w.Close()
	}, nil
}
