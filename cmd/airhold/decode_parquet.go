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

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/bus/signals"
	"airhold/firmware/store/sealed"
)

// decodeRow is one signal of one message in the Parquet file.
type decodeRow struct {
	Time      int64    `parquet:"time,delta,timestamp(nanosecond)"` // UTC; without a clock, from the first frame on
	Interface int32    `parquet:"interface,dict"`                   // place in the file's list "interfaces"
	Source    int32    `parquet:"source,dict"`                      // address of the sender
	Signal    string   `parquet:"signal,dict"`                      // message.signal; unit and more in the file's "signals"
	Value     *float64 `parquet:"value,optional,split"`             // null unless the status is ok
	Status    string   `parquet:"status,optional,dict"`             // null is ok, which nearly all are
}

// aboutSignal describes a signal in the file's metadata.
type aboutSignal struct {
	Unit      string `json:"unit,omitempty"`
	Reference string `json:"reference,omitempty"`
	Kind      string `json:"kind"`
	SPN       uint32 `json:"spn,omitempty"`
}

const decodeBatch = 4096 // rows handed over at once

// decodeTable writes signals as rows. One goroutine owns it.
type decodeTable struct {
	columns *sealed.Columns[decodeRow]
	set     *signals.Set
	picks   []signals.Pick
	names   []string
	used    []bool
	rows    [decodeBatch]decodeRow
	values  [decodeBatch]float64
	n       int
}

func newDecodeTable(w io.Writer, picks []signals.Pick, input string) *decodeTable {
	t := &decodeTable{
		columns: sealed.NewColumns[decodeRow](w, map[string]string{
			"airhold": version(), "input": input, "form": "airhold decoded bus 1",
			"status": "null is ok; else not_available, error, reserved or absent, and then there is no value",
		}),
		set: signals.NewSet(picks), picks: picks, names: make([]string, len(picks)), used: make([]bool, len(picks)),
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
	source := int32(0)
	if f.IsExtended {
		source = int32(f.ID & 0xFF)
	}
	for i := range hits {
		h := &hits[i]
		r := &t.rows[t.n]
		*r = decodeRow{Time: at, Interface: int32(f.Link), Source: source, Signal: t.names[h.Pick]}
		t.used[h.Pick] = true
		if h.Status == signals.OK {
			t.values[t.n] = h.Written
			r.Value = &t.values[t.n]
		} else {
			r.Status = h.Status.String()
		}
		if t.n++; t.n == decodeBatch {
			if err := t.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *decodeTable) flush() error {
	err := t.columns.Write(t.rows[:t.n])
	t.n = 0
	return err
}

// close writes what is left, and about which interfaces and signals it is.
func (t *decodeTable) close(links []string) error {
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
		t.columns.Note(key, string(text))
	}
	return errors.Join(t.flush(), t.columns.Close())
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
	sum.Rows = t.columns.Rows()
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
