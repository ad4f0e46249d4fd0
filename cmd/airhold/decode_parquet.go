// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/snappy"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/bus/signals"
)

// decodeRow is one signal of one message in the Parquet file.
type decodeRow struct {
	Time      int64    `parquet:"time,delta,uncompressed,timestamp(nanosecond)"` // UTC; without a clock, from the first frame on
	Interface int32    `parquet:"interface,dict,uncompressed"`                   // place in the file's list "interfaces"
	Source    int32    `parquet:"source,dict,uncompressed"`                      // address of the sender
	Signal    string   `parquet:"signal,dict,uncompressed"`                      // message.signal; unit and more in the file's "signals"
	Value     *float64 `parquet:"value,optional,split"`                          // null unless the status is ok
	Status    string   `parquet:"status,optional,dict,uncompressed"`             // null is ok, which nearly all are
}

// aboutSignal describes a signal in the file's metadata.
type aboutSignal struct {
	Unit      string `json:"unit,omitempty"`
	Reference string `json:"reference,omitempty"`
	Kind      string `json:"kind"`
	SPN       uint32 `json:"spn,omitempty"`
}

const (
	decodeBatch = 1024      // rows handed over at once
	decodePage  = 256 << 10 // bytes of a column, unpacked, that are packed together
	decodeSort  = 16 << 10  // rows that are ordered together: they stay in a processor's cache
	decodeGroup = 512 << 10 // rows of a row group
)

// found is a row on its way, kept small.
type found struct {
	at     int64
	value  float64
	pick   int32
	link   uint16
	source uint8
	status signals.Status
}

// decodeTable writes signals as rows, each some thousand of them ordered by signal, then by time: neighbours are alike then,
// which packs well, and a reader of one signal finds it in long pieces. One goroutine owns it.
type decodeTable struct {
	columns *parquet.GenericWriter[decodeRow]
	set     *signals.Set
	picks   []signals.Pick
	names   []string
	counts  []int32 // rows of each pick in the group
	used    []bool
	group   []found
	order   []int32
	rows    [decodeBatch]decodeRow
	values  [decodeBatch]float64
	written int64
}

func newDecodeTable(w io.Writer, picks []signals.Pick, input string) *decodeTable {
	t := &decodeTable{
		columns: parquet.NewGenericWriter[decodeRow](w,
			// Only the values gain from packing: the other columns are small by their encoding.
			parquet.Compression(&snappy.Codec{}), parquet.PageBufferSize(decodePage), parquet.WriteBufferSize(decodePage),
			// Words and numbers that are names have no use for their least and greatest.
			parquet.SkipPageBounds("signal"), parquet.SkipPageStatistics("signal"),
			parquet.SkipPageBounds("status"), parquet.SkipPageStatistics("status"),
			parquet.SkipPageBounds("interface"), parquet.SkipPageStatistics("interface"),
			parquet.SkipPageBounds("source"), parquet.SkipPageStatistics("source"),
			parquet.CreatedBy("airhold", "", ""),
			parquet.KeyValueMetadata("airhold", version()), parquet.KeyValueMetadata("input", input),
			parquet.KeyValueMetadata("form", "airhold decoded bus 1"),
			parquet.KeyValueMetadata("order", fmt.Sprintf("by signal, then by time, within each %d rows", decodeSort)),
			parquet.KeyValueMetadata("status", "null is ok; else not_available, error, reserved or absent, and then there is no value"),
		),
		set: signals.NewSet(picks), picks: picks, names: make([]string, len(picks)), used: make([]bool, len(picks)),
		counts: make([]int32, len(picks)), group: make([]found, 0, decodeSort), order: make([]int32, decodeSort),
	}
	for i := range picks {
		t.names[i] = picks[i].String()
	}
	return t
}

func (t *decodeTable) add(f *bus.Frame, hits []signals.Hit) error {
	at := int64(f.Boot)
	if !f.UTC.IsZero() {
		at = f.UTC.UnixNano()
	}
	source := uint8(0)
	if f.IsExtended {
		source = uint8(f.ID & 0xFF)
	}
	for i := range hits {
		h := &hits[i]
		t.group = append(t.group, found{at, h.Written, h.Pick, f.Link, source, h.Status})
		t.counts[h.Pick]++
		if len(t.group) == decodeSort {
			if err := t.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

// flush writes the group. It is a counting sort: by pick, and in one pick as they came.
func (t *decodeTable) flush() error {
	next := int32(0)
	for i, n := range t.counts {
		t.used[i] = t.used[i] || n > 0
		t.counts[i] = next
		next += n
	}
	for i := range t.group {
		p := t.group[i].pick
		t.order[t.counts[p]] = int32(i)
		t.counts[p]++
	}
	clear(t.counts)
	for at := 0; at < len(t.group); at += decodeBatch {
		rows := t.rows[:min(decodeBatch, len(t.group)-at)]
		for i := range rows {
			g := &t.group[t.order[at+i]]
			rows[i] = decodeRow{Time: g.at, Interface: int32(g.link), Source: int32(g.source), Signal: t.names[g.pick]}
			if g.status == signals.OK {
				t.values[i] = g.value
				rows[i].Value = &t.values[i]
			} else {
				rows[i].Status = g.status.String()
			}
		}
		n, err := t.columns.Write(rows)
		t.written += int64(n)
		if err != nil {
			return err
		}
	}
	t.group = t.group[:0]
	if t.written%decodeGroup == 0 {
		return t.columns.Flush()
	}
	return nil
}

// close writes what is left, and about which interfaces and signals it is.
func (t *decodeTable) close(links []string) error {
	if err := t.flush(); err != nil {
		return err
	}
	about := make(map[string]aboutSignal)
	for i, used := range t.used {
		if !used {
			continue
		}
		p := &t.picks[i]
		about[t.names[i]] = aboutSignal{p.Unit().Code, string(p.Reference()), p.Kind().String(), p.SPN()}
	}
	for key, v := range map[string]any{"signals": about, "interfaces": links} {
		text, err := json.Marshal(v)
		if err != nil {
			return err
		}
		t.columns.SetKeyValueMetadata(key, string(text))
	}
	return t.columns.Close()
}

type parquetJob struct {
	name, path string // input and output
	reader     *capture.Reader
	decoder    *signals.Decoder
	picks      []signals.Pick
	asJSON     bool
	stdout     io.Writer
}

// decodeParquet writes every signal of the capture to path. The file takes its name when it is whole.
func decodeParquet(ctx context.Context, j parquetJob, stderr io.Writer) int {
	fail := func(err error) int {
		fmt.Fprintf(stderr, "airhold decode: %s was not written: %s\n", j.path, fileWords(err))
		return exitFailed
	}
	if _, err := os.Lstat(j.path); err == nil {
		fmt.Fprintf(stderr, "airhold decode: %s is there already and is left as it is; name another file\n", j.path)
		return exitRefused
	}
	part, err := os.CreateTemp(filepath.Dir(j.path), ".decode-*.part")
	if err != nil {
		return fail(err)
	}
	defer os.Remove(part.Name()) //nolint:errcheck // it is gone once it has its name
	sum, readErr, err := j.write(ctx, part)
	err = errors.Join(err, part.Chmod(0o644), part.Sync(), part.Close())
	if err != nil {
		return fail(err)
	}
	if sum.Frames > 0 {
		if err := os.Rename(part.Name(), j.path); err != nil {
			return fail(err)
		}
	}
	for _, b := range j.reader.BadLines() {
		fmt.Fprintf(stderr, "%s: %s\n", j.name, b)
	}
	if why, torn := j.reader.Torn(); torn {
		fmt.Fprintf(stderr, "%s: the end of the recording is lost: %s\n", j.name, why)
	}
	if err := sum.print(j.stdout, j.asJSON, j.path); err != nil {
		fmt.Fprintf(stderr, "airhold decode: the output cannot be written: %v\n", err)
		return exitFailed
	}
	switch {
	case !errors.Is(readErr, io.EOF):
		fmt.Fprintf(stderr, "airhold decode: %s broke off after %d frames: %v\n", j.name, sum.Frames, readErr)
		return exitFailed
	case sum.Frames == 0:
		fmt.Fprintf(stderr, "airhold decode: there is no frame in %s; it should be candump text (candump -L) or pcapng\n", j.name)
		return exitRefused
	}
	return exitOK
}

// parquetSummary is what decodeParquet did.
type parquetSummary struct {
	Event     string `json:"event"`
	File      string `json:"file"`
	Frames    int64  `json:"frames"`
	Rows      int64  `json:"rows"`
	Signals   int    `json:"signals"`
	Joined    int64  `json:"sessions_joined"`
	Broken    int64  `json:"sessions_broken"`
	Skipped   int64  `json:"sessions_skipped"`
	NotFrames int64  `json:"not_frames"`
	Torn      string `json:"torn,omitempty"`
}

func (j *parquetJob) write(ctx context.Context, out io.Writer) (sum parquetSummary, readErr, err error) {
	var (
		f    bus.Frame
		hits []signals.Hit
		t    = newDecodeTable(out, j.picks, j.name)
	)
	for {
		if readErr = j.reader.Next(&f); readErr != nil {
			break
		}
		if sum.Frames++; sum.Frames%4096 == 0 && ctx.Err() != nil {
			readErr = ctx.Err()
			break
		}
		hits = j.decoder.Read(&f, t.set, hits[:0])
		if err = t.add(&f, hits); err != nil {
			return sum, nil, err
		}
	}
	j.decoder.Finish()
	s := j.decoder.Stats()
	sum.Joined, sum.Broken, sum.Skipped = s.Joined, s.Broken, s.Skipped
	sum.NotFrames = j.reader.NotFrames() + j.reader.BadCount()
	sum.Torn, _ = j.reader.Torn()
	err = t.close(j.reader.Links())
	sum.Rows = t.written
	for _, used := range t.used {
		if used {
			sum.Signals++
		}
	}
	return sum, readErr, err
}

func (s *parquetSummary) print(w io.Writer, asJSON bool, path string) error {
	if !asJSON {
		_, err := fmt.Fprintf(w, "%s: %d rows of %d signals out of %d frames; messages of several frames: %d joined, %d broken, %d too long to join\n",
			path, s.Rows, s.Signals, s.Frames, s.Joined, s.Broken, s.Skipped)
		return err
	}
	s.Event, s.File = "summary", path
	return json.NewEncoder(w).Encode(s)
}
