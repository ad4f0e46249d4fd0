// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/firmware/rig"
)

// busSpan is how much of the simulated bus is written.
const busSpan = 10 * time.Minute

// busText is the rig's bus as candump text.
func busText() ([]byte, error) {
	r, err := rig.New(rig.Options{Seed: 1, Story: "quiet"})
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	w := capture.NewCandumpWriter(&out, "can0")
	var frames []bus.Frame
	for at := time.Duration(0); at < busSpan; at += time.Second {
		frames = r.Due(at, frames[:0])
		for i := range frames {
			if err := w.Write(&frames[i]); err != nil {
				return nil, err
			}
		}
	}
	if err := errors.Join(w.Flush(), r.Close()); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func benchCandump(ctx context.Context, o options, w io.Writer) error {
	text, what, err := busLog(o.log)
	if err != nil {
		return err
	}
	var ours, peers []time.Duration
	frames := 0
	err = oneCore(func() error {
		for turn := range o.turns + 1 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			cpu := processorTime()
			n, err := readFrames(text)
			if err != nil {
				return err
			}
			took := processorTime() - cpu
			cpu = processorTime()
			m, err := unmarshalFrames(text)
			if err != nil {
				return err
			}
			if n != m {
				return fmt.Errorf("airhold reads %d frames, the peer %d", n, m)
			}
			if frames = n; turn > 0 { // the first turn warms both
				ours, peers = append(ours, took), append(peers, processorTime()-cpu)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	row(w, "input", "%d frames, %.1f MB, %s", frames, float64(len(text))/1e6, what)
	mid, best := median(ours)
	pmid, pbest := median(peers)
	each := func(d time.Duration) string {
		return fmt.Sprintf("%v, %.0f ns a frame, %.1f million frames a second", d.Round(time.Microsecond), float64(d.Nanoseconds())/float64(frames), float64(frames)/d.Seconds()/1e6)
	}
	row(w, "airhold, processor time", "%s (median of %d)", each(mid), o.turns)
	row(w, "peer: einride UnmarshalString", "%s; no times, no links", each(pmid))
	row(w, "peer's time over airhold's", "%.2f by medians, %.2f by fastest", pmid.Seconds()/mid.Seconds(), pbest.Seconds()/best.Seconds())
	return nil
}

func busLog(path string) (text []byte, what string, err error) {
	if path != "" {
		f, err := os.ReadFile(path) //nolint:gosec // the user names the file
		return f, path, err
	}
	text, err = busText()
	return text, "the simulated bus for " + busSpan.String(), err
}

func readFrames(text []byte) (n int, err error) {
	r, err := capture.NewReader(bytes.NewReader(text))
	if err != nil {
		return 0, err
	}
	var f bus.Frame
	for err = r.Next(&f); err == nil; err = r.Next(&f) {
		n++
	}
	if !errors.Is(err, io.EOF) {
		return n, err
	}
	return n, nil
}

// unmarshalFrames is the way that parser is used: lines, the part after the last blank, the frame.
func unmarshalFrames(text []byte) (n int, err error) {
	for line := range strings.Lines(string(text)) {
		var f can.Frame
		line = strings.TrimRight(line, "\r\n")
		if err := f.UnmarshalString(line[strings.LastIndexByte(line, ' ')+1:]); err != nil {
			return n, fmt.Errorf("the peer cannot read %q: %w", line, err)
		}
		n++
	}
	return n, nil
}
