// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"errors"
	"log/slog"
	"syscall"
	"testing"

	"airhold/tools/golden"
)

// The state stands on every screen while frames are not recorded: the page's languages are held against this list.
func TestEverySentenceOfTheRecordingIsListed(t *testing.T) {
	t.Parallel()
	var all []string
	for _, c := range []struct {
		paused bool
		err    error
	}{{false, nil}, {true, nil}, {false, syscall.ENOSPC}, {false, errors.New("no disk")}} {
		w := &writer{paused: c.paused, reserve: 64 << 20, o: &Options{Log: slog.New(slog.DiscardHandler)}}
		w.report(c.err)
		all = append(all, w.s.State)
		if c.paused || c.err != nil {
			all = append(all, "The log is "+w.s.State)
		}
	}
	golden.Sentences(t, all)
}
