// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"airhold/bus"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
)

// FrameSource is an open link. Next blocks until it has at least one frame, the link fails or ctx ends, and returns
// how many frames it put into buf; frames that came before an error are counted beside it. One goroutine calls it.
// A source may also have Close() error, called once after an error, and Drops() uint64, the frames that were lost
// since it was opened.
type FrameSource interface {
	Next(ctx context.Context, buf []bus.Frame) (int, error)
}

// ListenerOptions describe one link.
type ListenerOptions struct {
	Name    string // "can0": the link's channels are named after it
	Clock   clock.Clock
	Table   *readings.Table
	Out     Out
	Tap     Tap // nil: nobody records
	Signals []Signal
	Open    func(ctx context.Context) (FrameSource, error)
	Log     *slog.Logger // nil: silent
}

const (
	batch       = 64 // frames a call of Next
	errorWindow = 60 // seconds over which error frames are counted
)

// Listener hears one link.
//
// Goroutines: the reader owns the source and the translator; the teller sends the link's own channels once a second,
// also while the link is silent, and reads only the counters.
type Listener struct {
	o          ListenerOptions
	log        *slog.Logger
	translator *Translator
	frames     atomic.Int64  // since start
	errors     atomic.Int64  // error frames since start
	drops      atomic.Uint64 // since start, over all openings
	up         atomic.Bool
}

// NewListener looks up the signals and does no I/O. The error wraps ErrSignal.
func NewListener(o ListenerOptions) (*Listener, error) {
	t, err := NewTranslator(TranslatorOptions{Table: o.Table, Out: o.Out, Signals: o.Signals})
	if err != nil {
		return nil, err
	}
	l := &Listener{o: o, log: o.Log, translator: t}
	if l.log == nil {
		l.log = slog.New(slog.DiscardHandler)
	}
	return l, nil
}

// Run listens until ctx ends and then returns nil. A link that is missing or fails is opened again at growing
// intervals of at most 5 s.
func (l *Listener) Run(ctx context.Context) error {
	var teller sync.WaitGroup
	opened := join(l.o.Clock) // no frame is missed because simulated time ran off before the link was open
	leave := join(l.o.Clock)
	teller.Go(func() {
		defer leave()
		l.tell(ctx)
	})
	l.listen(ctx, opened)
	teller.Wait()
	return nil
}

// listen opens the link again and again, and calls opened after the first attempt.
func (l *Listener) listen(ctx context.Context, opened func()) {
	opened = sync.OnceFunc(opened)
	defer opened()
	pause := firstRetry
	told := false
	for ctx.Err() == nil {
		source, err := l.o.Open(ctx)
		opened()
		if err == nil {
			l.up.Store(true)
			l.log.InfoContext(ctx, "link is up", "link", l.o.Name)
			told = false
			var heard bool
			heard, err = l.read(ctx, source)
			l.up.Store(false)
			if heard {
				pause = firstRetry
			}
		}
		if ctx.Err() != nil {
			return
		}
		if !told {
			l.log.WarnContext(ctx, "link is down", "link", l.o.Name, "error", err)
			told = true
		}
		l.rest(ctx, pause)
		pause = min(2*pause, lastRetry)
	}
}

// rest sleeps by the clock. The reader takes part in a simulated clock only here: while it waits for frames, time
// must go on.
func (l *Listener) rest(ctx context.Context, d time.Duration) {
	defer join(l.o.Clock)()
	_ = l.o.Clock.Sleep(ctx, d) // the caller looks at ctx
}

// read hands on frames until the source fails, and closes it. It reports whether there was any frame.
func (l *Listener) read(ctx context.Context, source FrameSource) (heard bool, err error) {
	counter, _ := source.(interface{ Drops() uint64 })
	before := l.drops.Load()
	buf := make([]bus.Frame, batch)
	for err == nil {
		var n int
		n, err = source.Next(ctx, buf)
		for i := range buf[:n] {
			l.frame(&buf[i])
		}
		heard = heard || n > 0
		if counter != nil {
			l.drops.Store(before + counter.Drops())
		}
	}
	if c, ok := source.(io.Closer); ok {
		err = errors.Join(err, c.Close())
	}
	return heard, err
}

func (l *Listener) frame(f *bus.Frame) {
	if l.o.Tap != nil {
		l.o.Tap.Frame(*f)
	}
	if f.Class == bus.Error {
		l.errors.Add(1)
		return
	}
	l.frames.Add(1)
	l.translator.Frame(*f)
}

// tell sends the link's own channels once a second.
func (l *Listener) tell(ctx context.Context) {
	var (
		frames   = l.o.Table.Find(l.o.Name + readings.LinkFrames)
		errs     = l.o.Table.Find(l.o.Name + readings.LinkErrors)
		drops    = l.o.Table.Find(l.o.Name + readings.LinkDrops)
		up       = l.o.Table.Find(l.o.Name + readings.LinkUp)
		seen     int64
		recorded [errorWindow]int64 // error frames a second, a ring
		last     int64
		at       int
		then     = l.o.Clock.Boot()
	)
	for l.o.Clock.Sleep(ctx, time.Second) == nil {
		now := l.o.Clock.Boot()
		count, failed := l.frames.Load(), l.errors.Load()
		recorded[at%errorWindow] = failed - last
		at++
		var sum int64
		for _, n := range recorded {
			sum += n
		}
		isUp := 0.0
		if l.up.Load() {
			isUp = 1
		}
		span := max(now-then, time.Millisecond).Seconds()
		l.send(now, frames, float64(count-seen)/span)
		l.send(now, errs, float64(sum)/errorWindow)
		l.send(now, drops, float64(l.drops.Load()))
		l.send(now, up, isUp)
		seen, last, then = count, failed, now
	}
}

func (l *Listener) send(at time.Duration, c readings.Channel, v float64) {
	if c != readings.NoChannel {
		l.o.Out.Reading(readings.Reading{At: at, Channel: c, Value: v})
	}
}
