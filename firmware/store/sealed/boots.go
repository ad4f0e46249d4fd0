// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
)

// Folder seals every boot of a folder but the present one, the oldest first, until ctx ends. It returns the ids of those
// that are sealed now. What cannot be sealed stays as it is and is logged; the next start tries again. A box calls it
// beside its work, once, after its own boot's log was begun; it needs one core for some seconds an hour of recording.
func Folder(ctx context.Context, dir, present string, log *slog.Logger) []string {
	boots, err := List(dir) //nolint:contextcheck // reading a boot's number is one short query
	if err != nil {
		log.ErrorContext(ctx, "recorded boots cannot be sealed", slog.Any("error", err))
		return nil
	}
	var done []string
	for i := range boots {
		b := &boots[i]
		if b.ID == present || ctx.Err() != nil {
			continue
		}
		if b.Sealed() {
			tidy(b)
			continue
		}
		err := Seal(ctx, b.Path)
		switch {
		case err == nil:
			log.InfoContext(ctx, "boot sealed", slog.String("boot", b.ID))
			done = append(done, b.ID)
		case errors.Is(err, ErrTorn):
			log.WarnContext(ctx, "damaged boot sealed as far as it is whole", slog.String("boot", b.ID), slog.Any("error", err))
			done = append(done, b.ID)
		case ctx.Err() == nil:
			log.ErrorContext(ctx, "boot not sealed", slog.String("boot", b.ID), slog.Any("error", err))
		}
	}
	return done
}

// tidy removes what SQLite left beside a recording that is gone, and what an interrupted sealing left behind.
func tidy(b *Found) {
	base := stem(b.Path)
	for _, name := range []string{base + ".db-wal", base + ".db-shm", base + endReadings + tempEnd, base + endEvents + tempEnd} {
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			continue // another day
		}
	}
}
