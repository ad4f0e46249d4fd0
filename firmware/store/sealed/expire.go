// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airhold/firmware/clock"
)

// Expire deletes sealed boots that ended more than keep ago, with their raw frames, the oldest first, and returns their ids.
// It deletes nothing while the present time is not good (a battery clock may be years off), nor a boot of which no time is known, nor anything behind it; a keep
// of 0 keeps all.
func Expire(ctx context.Context, dir string, keep time.Duration, now clock.Sample, log *slog.Logger) (gone []string) {
	if keep <= 0 || now.Quality != clock.Good {
		return nil
	}
	boots, err := List(dir) //nolint:contextcheck // reading a boot's number is one short query
	if err != nil {
		log.ErrorContext(ctx, "old recordings cannot be deleted", slog.Any("error", err))
		return nil
	}
	for i := range boots {
		b := &boots[i]
		if ctx.Err() != nil || !b.Sealed() {
			return gone
		}
		end, known := ended(b.Path)
		if !known || now.UTC.Sub(end) <= keep {
			return gone
		}
		if err := remove(b); err != nil {
			log.ErrorContext(ctx, "an old recording cannot be deleted", slog.String("boot", b.ID), slog.Any("error", err))
			return gone
		}
		log.InfoContext(ctx, "old recording deleted", slog.String("boot", b.ID), slog.Time("ended", end))
		gone = append(gone, b.ID)
	}
	return gone
}

// ended is the last time that a sealed boot knew.
func ended(path string) (time.Time, bool) {
	b, err := OpenBoot(path)
	if err != nil {
		return time.Time{}, false
	}
	defer b.Close() //nolint:errcheck // it was only read
	samples := b.About().Samples
	for i := range slices.Backward(samples) {
		if samples[i].Quality != clock.Unset {
			return samples[i].UTC, true
		}
	}
	return time.Time{}, false
}

// Size is how many bytes all files of a boot take, raw frames included.
func (f *Found) Size() (sum int64, err error) {
	frames, err := f.frames()
	if err != nil {
		return 0, err
	}
	base := stem(f.Path)
	for _, path := range append(frames, base+".db", base+".db-wal", base+endEvents, base+endReadings) {
		st, err := os.Stat(path)
		if err == nil {
			sum += st.Size()
		} else if !errors.Is(err, fs.ErrNotExist) {
			return 0, err
		}
	}
	return sum, nil
}

// remove deletes all files of a boot, the readings last: a boot that is half gone is found again.
func remove(b *Found) error {
	all, err := b.frames()
	if err != nil {
		return err
	}
	base := stem(b.Path)
	var problems []error
	for _, path := range append(all, base+endEvents, base+endReadings) {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			problems = append(problems, err)
		}
	}
	return errors.Join(problems...)
}

// frames lists a boot's files of raw frames.
func (f *Found) frames() ([]string, error) {
	dir, name := filepath.Split(stem(f.Path))
	entries, err := os.ReadDir(filepath.Clean(dir))
	if err != nil {
		return nil, err //nolint:wrapcheck // it names the folder
	}
	var all []string
	for _, e := range entries { // boot-<id>-0001.pcapng, .pcapng.zst, .idx: digits alone, else it is another boot's
		rest, ours := strings.CutPrefix(e.Name(), name+"-")
		digits, end, _ := strings.Cut(rest, ".")
		if ours && digits != "" && strings.Trim(digits, "0123456789") == "" && (end == "pcapng" || end == "pcapng.zst" || end == "idx") {
			all = append(all, filepath.Join(dir, e.Name()))
		}
	}
	return all, nil
}
