// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"airhold/bus"
	"airhold/bus/signals"
	"airhold/bus/socketcan"
	"airhold/bus/traffic"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
)

// FrameSource is an open link. Next blocks until it has at least one frame, the link fails or ctx ends, and returns
// how many frames it put into buf; frames that came before an error are counted beside it. One goroutine calls it.
// A source may also have Close() error, called once after an error; Drops() uint64 and Malformed() uint64, the frames that
// were lost and what was no frame since it was opened; Link() socketcan.Link, what the kernel said of it then; and
// ReceiveBuffer() int32.
type FrameSource interface {
	Next(ctx context.Context, buf []bus.Frame) (int, error)
}

// ListenerOptions describe one link.
type ListenerOptions struct {
	Name    string // "can0": the link's channels are named after it
	Index   uint16 // of the link, as its frames have it
	Bitrate int64  // bit/s; 0: not known
	Limited bool   // the kernel passes only some parameter groups
	Clock   clock.Clock
	Table   *readings.Table
	Out     Out
	Tap     Tap      // nil: nobody records
	Time    *BusTime // nil: what devices say of the time is not used
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
// also while the link is silent, and reads only the counters. The tracker of the link's traffic is the one thing both use,
// and whoever asks for a Picture: behind a mutex that the reader takes for a batch of frames.
type Listener struct {
	o          ListenerOptions
	log        *slog.Logger
	translator *Translator
	frames     atomic.Int64  // since start
	errors     atomic.Int64  // error frames since start
	drops      atomic.Uint64 // since start, over all openings
	malformed  uint64        // likewise; the reader's
	told       uint64        // drops the tap knows of; the reader's
	up         atomic.Bool

	mu      sync.Mutex
	traffic *traffic.Tracker
	kernel  socketcan.Link // what the kernel said when the link was opened last
	asked   bool           // there was a kernel to ask: a simulated machine has none
	refused string         // why it is not open
}

// NewListener looks up the signals and does no I/O. The error wraps ErrSignal.
func NewListener(o ListenerOptions) (*Listener, error) {
	track := traffic.New(traffic.Options{Link: o.Name, Bitrate: o.Bitrate, Limited: o.Limited})
	heard := track.Message
	if o.Time != nil {
		heard = func(m *signals.Message) {
			track.Message(m)
			o.Time.Hear(m)
		}
	}
	t, err := NewTranslator(TranslatorOptions{Table: o.Table, Out: o.Out, Signals: o.Signals, Heard: heard})
	if err != nil {
		return nil, err
	}
	l := &Listener{o: o, log: o.Log, translator: t, traffic: track}
	if l.log == nil {
		l.log = slog.New(slog.DiscardHandler)
	}
	return l, nil
}

// Picture tells what goes on on the link. Any goroutine may ask.
func (l *Listener) Picture() traffic.Picture {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.traffic.Picture()
}

// Heard is how many frames were heard since the start. Any goroutine may ask.
func (l *Listener) Heard() int64 { return l.frames.Load() }

// PicturesJSON writes the pictures of several links, in their order.
func PicturesJSON(all []*Listener) ([]byte, error) {
	pictures := make([]traffic.Picture, len(all))
	for i, l := range all {
		pictures[i] = l.Picture()
	}
	text, err := json.Marshal(pictures)
	if err != nil {
		return nil, fmt.Errorf("write what goes on on the bus: %w", err)
	}
	return text, nil
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
			l.opened(ctx, source)
			told = false
			var heard bool
			heard, err = l.read(ctx, source)
			l.up.Store(false)
			if heard {
				pause = firstRetry
			}
		}
		l.failed(err)
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

// smallBuffer is the receive buffer, by the kernel's count, below which a full bus can outrun a busy box.
const smallBuffer = 2 << 20

// opened notes what the kernel says of a link that was just opened.
func (l *Listener) opened(ctx context.Context, source FrameSource) {
	args := []any{"link", l.o.Name}
	state := traffic.Unknown
	if k, ok := l.noted(source); ok {
		_ = state.UnmarshalText([]byte(k.State)) // a word it does not know is unknown
		args = append(args, "bitrate", k.Bitrate, "state", k.State)
	}
	l.log.InfoContext(ctx, "link is up", args...)
	if s, ok := source.(interface{ ReceiveBuffer() int32 }); ok && s.ReceiveBuffer() < smallBuffer {
		l.log.WarnContext(ctx, "receive buffer is small: install airhold's sysctl.d file, or frames may be lost while the box is busy",
			"link", l.o.Name, "bytes", s.ReceiveBuffer())
	}
	l.mu.Lock()
	l.traffic.Open(l.o.Clock.Boot(), state)
	l.mu.Unlock()
}

// read hands on frames until the source fails, and closes it. It reports whether there was any frame.
func (l *Listener) read(ctx context.Context, source FrameSource) (heard bool, err error) {
	counter, _ := source.(interface{ Drops() uint64 })
	sorter, _ := source.(interface{ Malformed() uint64 })
	before, odd := l.drops.Load(), l.malformed
	buf := make([]bus.Frame, batch)
	for err == nil {
		var n int
		n, err = source.Next(ctx, buf)
		heard = heard || n > 0
		if counter != nil {
			l.drops.Store(before + counter.Drops())
		}
		if sorter != nil {
			l.malformed = odd + sorter.Malformed()
		}
		l.take(buf[:n])
	}
	if c, ok := source.(io.Closer); ok {
		err = errors.Join(err, c.Close())
	}
	return heard, err
}

// take hands on a batch: everything to the recorder and the translator, except what a lone talker only repeats and what a
// flood of error reports says again, which is counted.
func (l *Listener) take(frames []bus.Frame) {
	l.mu.Lock()
	defer l.mu.Unlock()
	drops := l.drops.Load()
	l.traffic.Lost(drops, l.malformed)
	if drops != l.told {
		l.told = drops
		if t, ok := l.o.Tap.(interface {
			Dropped(link uint16, total uint64)
		}); ok {
			t.Dropped(l.o.Index, drops)
		}
	}
	for i := range frames {
		f := &frames[i]
		keep := l.traffic.Keep(f)
		if f.Class == bus.Error {
			l.errors.Add(1)
		} else {
			l.frames.Add(1)
		}
		if !keep {
			continue
		}
		if l.o.Tap != nil {
			l.o.Tap.Frame(*f)
		}
		if f.Class != bus.Error {
			l.translator.Frame(*f)
		}
	}
}

// tell sends the link's own channels once a second.
func (l *Listener) tell(ctx context.Context) {
	var (
		frames   = l.o.Table.Find(l.o.Name + readings.LinkFrames)
		errs     = l.o.Table.Find(l.o.Name + readings.LinkErrors)
		drops    = l.o.Table.Find(l.o.Name + readings.LinkDrops)
		up       = l.o.Table.Find(l.o.Name + readings.LinkUp)
		state    = l.o.Table.Find(l.o.Name + readings.LinkState)
		alone    = l.o.Table.Find(l.o.Name + readings.LinkAlone)
		was      told
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
		was = l.look(ctx, now, was)
		l.send(now, state, float64(was.state))
		isAlone := 0.0
		if was.alone {
			isAlone = 1
		}
		l.send(now, alone, isAlone)
		seen, last, then = count, failed, now
	}
}

// told is what was last said of a link in the log.
type told struct {
	state traffic.State
	alone bool
}

// look asks the tracker once a second, and writes changes into the log.
func (l *Listener) look(ctx context.Context, now time.Duration, was told) told {
	l.mu.Lock()
	l.traffic.Tick(now)
	report, alone := l.traffic.Lone()
	c := l.traffic.Controller()
	state, _ := c.State()
	words := c.Words()
	l.mu.Unlock()
	if alone != was.alone {
		if alone {
			l.log.WarnContext(ctx, "one device talks alone: nobody acknowledges it", "link", l.o.Name, "frame", report.Frame)
		} else {
			l.log.InfoContext(ctx, "the lone talker is gone", "link", l.o.Name, "frame", report.Frame, "repeats", report.Repeats, "thinned", report.Thinned)
		}
	}
	if state != was.state && (was.state > traffic.Active || state > traffic.Active) {
		l.log.WarnContext(ctx, "the controller changed its state", "link", l.o.Name, "state", state.String(), "words", words)
	}
	return told{state, alone}
}

func (l *Listener) send(at time.Duration, c readings.Channel, v float64) {
	if c != readings.NoChannel {
		l.o.Out.Reading(readings.Reading{At: at, Channel: c, Value: v})
	}
}
