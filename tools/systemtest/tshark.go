// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// tsharkReads gives the recordings of a full bus to a reader that is not airhold's, and wants every frame of it: in order of
// number and time, with the name of the link.
func tsharkReads(ctx context.Context, folder string, files map[string][]byte) (string, error) {
	var seen listing
	names := slices.Sorted(maps.Keys(files))
	if len(names) == 0 {
		return "", errors.New("the box gave no recording")
	}
	for _, name := range names {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, files[name], 0o600); err != nil {
			return "", fmt.Errorf("keep the recording: %w", err)
		}
		if rest, ok := strings.CutSuffix(path, ".zst"); ok {
			return "", fmt.Errorf("%s is sealed already; this check reads plain ones", rest)
		}
		text, err := command(ctx, folder, "tshark", "-r", path, "-T", "fields",
			"-e", "frame.interface_name", "-e", "frame.time_epoch", "-e", "can.id", "-e", "data.data")
		if err != nil {
			return "", err
		}
		if err := seen.read(text); err != nil {
			return "", fmt.Errorf("%s: %w", name, err)
		}
	}
	return fmt.Sprintf("tshark counts %d frames in order, of %s, over %.3f s; %d times a step back of less than 0.1 ms",
		seen.frames, seen.link, seen.last-seen.first, seen.back), nil
}

// listing is what tshark printed of numbered frames.
type listing struct {
	frames      uint64
	link        string
	back        int     // times that went back, each by less than slack
	first, last float64 // seconds since 1970
}

// slack is how much earlier than the frame before it a frame may seem, in seconds: its time is the kernel's stamp moved from one
// clock to another, and the two cannot be read at once.
const slack = 100e-6

// read takes lines of link, time, identifier and data, and wants the numbers to go on from those before.
func (l *listing) read(text string) error {
	for line := range strings.Lines(text) {
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(f) != 4 {
			return fmt.Errorf("frame %d: tshark printed %q", l.frames, line)
		}
		at, err1 := strconv.ParseFloat(f[1], 64)
		number, err2 := strconv.ParseUint(f[3], 16, 64)
		switch {
		case err1 != nil || err2 != nil:
			return fmt.Errorf("frame %d: tshark printed %q", l.frames, line)
		case number != l.frames || l.frames > 0 && (f[0] != l.link || at < l.last-slack):
			return fmt.Errorf("frame %d: tshark printed %q after one of %s at %f", l.frames, line, l.link, l.last)
		case l.frames == 0:
			l.link, l.first = f[0], at
		}
		if at < l.last {
			l.back++
		}
		l.last = at
		l.frames++
	}
	return nil
}
