// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/sensors/board"
)

// BoardOptions describe the box itself.
type BoardOptions struct {
	Root  fs.FS        // holds sys/; nil: the box it runs on
	Board *board.Board // nil: made of Root
	Clock clock.Clock
	Table *readings.Table
	Out   Out
	Dir   string       // folder of the log, whose disk may fill
	Least float64      // bytes a second the log grows at least; default that of board.Filling
	Log   *slog.Logger // nil: silent
}

// BoardPoller sends the box's own channels once a second: those that the table has. What this board cannot measure is
// not available; what it can but does not, did not answer. Its one goroutine owns everything.
type BoardPoller struct {
	o       BoardOptions
	log     *slog.Logger
	filling board.Filling
	broken  map[readings.Channel]bool
}

// NewBoardPoller does no I/O.
func NewBoardPoller(o BoardOptions) *BoardPoller {
	p := &BoardPoller{o: o, log: o.Log, filling: board.Filling{Least: o.Least}, broken: make(map[readings.Channel]bool)}
	if p.o.Board == nil {
		p.o.Board = board.New(board.Options{Root: o.Root})
	}
	if p.log == nil {
		p.log = slog.New(slog.DiscardHandler)
	}
	return p
}

// Run measures until ctx ends and then returns nil.
func (p *BoardPoller) Run(ctx context.Context) error {
	defer join(p.o.Clock)()
	for {
		p.measure()
		if p.o.Clock.Sleep(ctx, time.Second) != nil {
			return nil
		}
	}
}

func (p *BoardPoller) measure() {
	p.send(readings.BoxTemperature, func(time.Duration) (float64, error) {
		k, err := p.o.Board.Temperature()
		return float64(k), err
	})
	p.send(readings.BoxUndervoltage, func(time.Duration) (float64, error) {
		low, err := p.o.Board.Undervoltage()
		if low {
			return 1, err
		}
		return 0, err
	})
	p.send(readings.BoxDiskLeft, func(now time.Duration) (float64, error) {
		free, _, err := p.o.Board.Disk(p.o.Dir)
		if err != nil {
			return 0, err
		}
		return p.filling.Left(now, free).Seconds(), nil
	})
}

// send measures one channel. A change between working and broken is logged once.
func (p *BoardPoller) send(id string, measure func(now time.Duration) (float64, error)) {
	c := p.o.Table.Find(id)
	if c == readings.NoChannel {
		return
	}
	r := readings.Reading{At: p.o.Clock.Boot(), Channel: c}
	v, err := measure(r.At)
	switch {
	case err == nil:
		r.Value = v
	case errors.Is(err, board.ErrNoData):
		r.Quality = readings.NotAvailable
	default:
		r.Quality = readings.NoAnswer
	}
	if bad := r.Quality == readings.NoAnswer; bad != p.broken[c] {
		p.broken[c] = bad
		if bad {
			p.log.Warn("the box cannot measure itself", "channel", id, "error", err)
		} else {
			p.log.Info("the box measures itself again", "channel", id)
		}
	}
	p.o.Out.Reading(r)
}
