// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/bus/signals"
	"airhold/firmware/store/sealed"
)

// duels lists what is measured, in the order of the bars.
func (b *busBench) duels() []func() (*duel, error) {
	all := []struct {
		name    string
		prepare func() (*duel, error)
	}{
		{"1 candump", b.candump},
		{"2 DBC", b.dbc},
		{"3 pcapng write", b.pcapngWrite},
		{"3 pcapng read", b.pcapngRead},
		{"4 job log", b.job},
		{"5 Parquet", b.parquet},
	}
	var out []func() (*duel, error)
	for _, d := range all {
		if strings.Contains(d.name, b.options.only) {
			out = append(out, d.prepare)
		}
	}
	return out
}

// same says that both sides read as many items and the same in them.
func same(ours, theirs cost) error {
	if ours.items != theirs.items {
		return fmt.Errorf("%d items against %d", ours.items, theirs.items)
	}
	if diff := math.Abs(ours.sum - theirs.sum); diff > 1e-9*math.Abs(ours.sum) {
		return fmt.Errorf("checksum %v against %v", ours.sum, theirs.sum)
	}
	return nil
}

// read goes through a capture.
func read(r *capture.Reader, err error) (items int64, sum float64, _ error) {
	if err != nil {
		return 0, 0, err
	}
	var buf [128]bus.Frame // they stay in the processor's first cache
	total := uint64(0)
	for {
		n, rerr := r.Batch(buf[:])
		for i := range buf[:n] {
			total += uint64(buf[i].ID) + uint64(buf[i].Data[7])
		}
		items += int64(n)
		if err = rerr; err != nil {
			break
		}
	}
	if !errors.Is(err, io.EOF) {
		return items, 0, errors.Join(err, r.Close())
	}
	if n := r.BadCount(); n > 0 {
		return items, 0, fmt.Errorf("%d damaged places in a whole recording: %s", n, r.BadLines()[0])
	}
	return items, float64(total), r.Close()
}

func (b *busBench) candump() (*duel, error) {
	path, short := b.path("bus.log"), b.path("short.log")
	n, few := b.size.lines, b.size.pythonLines
	err := errors.Join(
		writeFile(path, func(w *bufio.Writer) error { return candumpLines(w, n, b.options.seed) }),
		writeFile(short, func(w *bufio.Writer) error { return candumpLines(w, few, b.options.seed) }),
	)
	ours := side{name: "airhold", run: func(context.Context) (cost, error) {
		f, err := pass(func() (int64, float64, error) { return read(capture.Open(path)) })
		if err == nil && f.items != int64(n) {
			err = fmt.Errorf("%d frames in %d lines", f.items, n)
		}
		return f, err
	}}
	return &duel{
		bar: fmt.Sprintf("1 candump text to frames, %d lines", n), ours: ours, free: true,
		peers: []peer{
			{side: log2long(path, int64(n)), least: 8, aim: 12},
			{side: pythonPeer("python-can", "python3-can", pythonCAN, short), least: 35},
		},
	}, err
}

// airDBC is the user's DBC of this measurement. For airhold its multiplexing is written in the extended way, which the
// peers' parsers refuse.
func airDBC() (text []byte, list *signals.DBC, err error) {
	if text, err = os.ReadFile(filepath.Join("tools", "bench", "peers", "air", "air.dbc")); err != nil {
		return nil, nil, err
	}
	extended := bytes.Clone(text)
	for page, names := range [][]string{{"Hot", "Cold"}, {"Cycle", "Peak", "Low"}, {"Spare"}} {
		for _, name := range names {
			extended = fmt.Appendf(extended, "SG_MUL_VAL_ 2566849534 %s Page %d-%d;\n", name, page, page)
		}
	}
	list, err = signals.ParseDBC("air.dbc", extended)
	return text, list, err
}

func (b *busBench) dbc() (*duel, error) {
	text, list, err := airDBC()
	if err != nil {
		return nil, err
	}
	set := signals.NewSet(list.All())
	hits := make([]signals.Hit, 0, 64)
	decode := func(frames []can.Frame) (cost, error) {
		d := signals.NewDecoder()
		return pass(func() (int64, float64, error) {
			sum := 0.0
			var f bus.Frame // one for all, as a reader of frames has it
			for i := range frames {
				f.Frame = frames[i]
				hits = d.Read(&f, set, hits[:0])
				v := 0.0
				for k := range hits {
					v += hits[k].Written // zero without a value
				}
				sum += v
			}
			return int64(len(frames)), sum, nil
		})
	}
	n := b.size.frames
	plain, err1 := dbcFrames(text, 20_000, 0, b.options.seed)
	frames, err2 := dbcFrames(text, n, .03, b.options.seed)
	plainPath, path, file := b.path("plain.frames"), b.path("dbc.frames"), b.path("air.dbc")
	err = errors.Join(err1, err2, writeFrames(plainPath, plain), writeFrames(path, frames), os.WriteFile(file, text, 0o600))
	if err != nil {
		return nil, err
	}
	// On plain values both sides must agree; on the rest only airhold knows that there is no value.
	agree := func(what string) error {
		ours, err := decode(bare(plain))
		if err != nil {
			return err
		}
		theirs, err := b.goPeer("", what, plainPath).run(context.Background())
		if err != nil {
			return err
		}
		return same(ours, theirs)
	}
	short := bare(frames)
	return &duel{
		bar:  fmt.Sprintf("2 user's DBC to values with status, multiplexed, %d frames", n),
		ours: side{name: "airhold", run: func(context.Context) (cost, error) { return decode(short) }}, free: true,
		peers: []peer{
			{side: b.goPeer("einride generated code", "dbc-generated", path), least: 1.8, aim: 2.5},
			{side: b.goPeer("einride descriptors", "dbc-descriptor", path), least: 1.5},
			{side: pythonPeer("canmatrix", "python3-canmatrix", canMatrix, file, path, strconv.Itoa(b.size.matrixFrames)), least: 150},
		},
	}, errors.Join(agree("dbc-generated"), agree("dbc-descriptor"))
}

// bare takes the frames without what a link adds to them.
func bare(frames []bus.Frame) []can.Frame {
	out := make([]can.Frame, len(frames))
	for i := range frames {
		out[i] = frames[i].Frame
	}
	return out
}

// packets are the frames of the pcapng measurements.
func (b *busBench) packets() ([]bus.Frame, error) {
	text, _, err := airDBC()
	if err != nil {
		return nil, err
	}
	return dbcFrames(text, b.size.packets, .03, b.options.seed)
}

func writeCapture(w io.Writer, frames []bus.Frame) error {
	out, err := capture.NewPcapngWriter(w, []string{"can0", "can1"})
	if err != nil {
		return err
	}
	for i := range frames {
		if err := out.Write(&frames[i]); err != nil {
			return err
		}
	}
	return out.Flush()
}

func (b *busBench) pcapngWrite() (*duel, error) {
	frames, err := b.packets()
	if err != nil {
		return nil, err
	}
	path := b.path("pcapng.frames")
	return &duel{
		bar: fmt.Sprintf("3 frames to pcapng, %d frames", len(frames)), free: true,
		ours: side{name: "airhold", run: func(context.Context) (cost, error) {
			return pass(func() (int64, float64, error) { return int64(len(frames)), 0, writeCapture(io.Discard, frames) })
		}},
		peers: []peer{{side: b.goPeer("gopacket NgWriter", "pcapng-write", path), least: 1.5}},
		check: same,
	}, writeFrames(path, frames)
}

func (b *busBench) pcapngRead() (*duel, error) {
	frames, err := b.packets()
	if err != nil {
		return nil, err
	}
	path, tiny := b.path("read.pcapng"), b.path("tiny.pcapng")
	err = errors.Join(
		writeFile(path, func(w *bufio.Writer) error { return writeCapture(w, frames) }),
		writeFile(tiny, func(w *bufio.Writer) error { return writeCapture(w, frames[:1]) }),
	)
	if err != nil {
		return nil, err
	}
	data, err := os.ReadFile(path) //nolint:gosec // a name made here
	if n, err := capinfos(context.Background(), path); err == nil && n != int64(len(frames)) {
		return nil, fmt.Errorf("tshark's library counts %d packets in %d frames", n, len(frames))
	}
	return &duel{
		bar: fmt.Sprintf("3 pcapng to frames, every block checked, %d frames", len(frames)), free: true,
		ours: side{name: "airhold", run: func(context.Context) (cost, error) {
			return pass(func() (int64, float64, error) { return read(capture.NewReader(bytes.NewReader(data))) })
		}},
		peers: []peer{
			{side: b.goPeer("gopacket NgReader, no copies", "pcapng-read", path), least: 5, aim: 10},
			{side: tshark(path, tiny, int64(len(frames))), least: 100},
		},
		check: func(ours, theirs cost) error {
			if theirs.sum == 0 { // tshark only counts
				theirs.sum = ours.sum
			}
			return same(ours, theirs)
		},
	}, err
}

func (b *busBench) job() (*duel, error) {
	path, out := b.path("job.log"), b.path("job.parquet")
	var lines int64
	err := writeFile(path, func(w *bufio.Writer) (err error) {
		lines, err = jobLog(w, b.size.jobSeconds, b.options.seed)
		return err
	})
	if err != nil {
		return nil, err
	}
	rows := int64(0)
	ours := side{name: "airhold", run: func(ctx context.Context) (cost, error) {
		if err := os.Remove(out); err != nil && !errors.Is(err, os.ErrNotExist) {
			return cost{}, err
		}
		cmd := exec.CommandContext(ctx, b.airhold, "decode", path, "--parquet", out, "--json") //nolint:gosec // built here
		text, err := cmd.Output()
		if err != nil {
			return cost{}, err
		}
		var sum struct {
			Frames int64 `json:"frames"`
			Rows   int64 `json:"rows"`
			Broken int64 `json:"sessions_broken"`
		}
		if err := json.Unmarshal(text, &sum); err != nil {
			return cost{}, err
		}
		if sum.Frames != lines || sum.Rows < lines || sum.Broken > 10 { // the end of the log cuts a few
			return cost{}, fmt.Errorf("%d frames, %d rows, %d broken of %d lines", sum.Frames, sum.Rows, sum.Broken, lines)
		}
		rows = sum.Rows
		return cost{items: lines, took: cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}, nil
	}}
	first, err := ours.run(context.Background())
	if err != nil {
		return nil, err
	}
	return &duel{
		bar: fmt.Sprintf("4 job log (%v, %d frames, %.1f signals each) to Parquet, one process",
			time.Duration(b.size.jobSeconds)*time.Second, lines, float64(rows)/float64(first.items)),
		ours: ours, peers: []peer{{side: log2long(path, lines), least: .8, aim: 1.2}},
	}, nil
}

func (b *busBench) parquet() (*duel, error) {
	rows, path := parquetRows(b.size.rows, b.options.seed), b.path("rows")
	return &duel{
		bar: fmt.Sprintf("5 readings to Parquet, %d rows of 5 columns", len(rows)),
		ours: side{name: "airhold", run: func(context.Context) (cost, error) {
			return pass(func() (int64, float64, error) {
				c := sealed.NewColumns[busRow](io.Discard, nil)
				for at := 0; at < len(rows); at += 1024 {
					if err := c.Write(rows[at:min(at+1024, len(rows))]); err != nil {
						return 0, 0, err
					}
				}
				return c.Rows(), 0, c.Close()
			})
		}},
		peers: []peer{{side: b.goPeer("arrow-go", "parquet", path), least: 1, bytes: .1}},
		check: same,
	}, writeRows(path, rows)
}
