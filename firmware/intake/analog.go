// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/sensors/transducer"
	"airhold/sensors/units"
)

// Converter is one converter chip. Both calls may block for a conversion; only the goroutine of its bus calls them.
type Converter interface {
	Identify(ctx context.Context) error
	Read(ctx context.Context, input int) (code int16, volts units.Volts, err error)
}

// Board is a converter with its name in the machine file.
type Board struct {
	Name      string
	Inputs    int // how many it has; 0: not checked
	Converter Converter
}

// AnalogInput is one channel on a board. Channels are named by their id in the table.
type AnalogInput struct {
	Channel    string
	Board      string
	Input      int
	Rate       float64 // Hz, default 10
	Transducer transducer.Options
	Supply     string // channel of the measured sensor supply; empty: 5 V are assumed
}

// AnalogOptions describe one bus of converters.
type AnalogOptions struct {
	Bus      string // name in messages: "i2c-1"
	Clock    clock.Clock
	Table    *readings.Table
	Out      Out
	Boards   []Board
	Inputs   []AnalogInput
	Supplies *Supplies    // shared by all buses of the box; nil: this bus has its own
	Log      *slog.Logger // nil: silent
}

// Timing of an analog bus. Common practice, no source.
const (
	defaultRate  = 10.0  // Hz
	fastest      = 860.0 // Hz, one input alone on the fastest chip
	failuresDown = 10    // failed reads in a row after which a board counts as dead
	firstRetry   = 250 * time.Millisecond
	lastRetry    = 5 * time.Second // longest time between attempts to revive a dead board
	tellEvery    = time.Second     // how often a dead board's channels say so
	stallAfter   = 2 * time.Second // a transaction that lasts longer hangs
	supplyFor    = 3 * time.Second // a supply voltage is good for this long, or for three of its samples
	supplyGrace  = 2 * time.Second // after start, time for the first supply voltage to arrive
	idle         = time.Duration(-1)
)

// ErrAnalog is wrapped by every error of NewAnalogBus.
var ErrAnalog = errors.New("analog inputs cannot be used")

// AnalogBus polls all inputs of all boards on one bus.
//
// Goroutines: Run's own polls; it alone touches boards and inputs. A watchdog reads only busy and what never changes,
// because a kernel driver may hold a transaction for ever, and then somebody else has to say so.
type AnalogBus struct {
	bus      string
	clock    clock.Clock
	table    *readings.Table
	out      Out
	log      *slog.Logger
	supplies *Supplies
	boards   []*chip
	inputs   []*input
	started  time.Duration
	busy     atomic.Int64 // boot time when the transaction under way began, or idle
}

type chip struct {
	name      string
	converter Converter
	down      bool
	known     bool // it answered, or was reported missing, once
	quality   readings.Quality
	failures  int
	pause     time.Duration
	retryAt   time.Duration
}

type input struct {
	channel   readings.Channel
	supply    readings.Channel
	info      readings.Info
	board     *chip
	input     int
	order     int // place in the options
	period    time.Duration
	due       time.Duration
	converted *transducer.Transducer
	isVoltage bool
}

// NewAnalogBus checks the options, all problems at once, and does no I/O.
func NewAnalogBus(o AnalogOptions) (*AnalogBus, error) {
	b := &AnalogBus{bus: o.Bus, clock: o.Clock, table: o.Table, out: o.Out, log: o.Log, supplies: o.Supplies}
	if b.log == nil {
		b.log = slog.New(slog.DiscardHandler)
	}
	if b.supplies == nil {
		b.supplies = NewSupplies()
	}
	b.busy.Store(int64(idle))
	var problems []error
	sizes := make(map[string]int)
	for _, bd := range o.Boards {
		if _, twice := sizes[bd.Name]; twice {
			problems = append(problems, fmt.Errorf("board %q is declared twice", bd.Name))
		}
		sizes[bd.Name] = bd.Inputs
		b.boards = append(b.boards, &chip{name: bd.Name, converter: bd.Converter, down: true, quality: readings.NoAnswer})
	}
	for i, in := range o.Inputs {
		made, err := b.input(in, sizes)
		if err != nil {
			problems = append(problems, fmt.Errorf("channel %q: %w", in.Channel, err))
			continue
		}
		made.order = i
		b.inputs = append(b.inputs, made)
	}
	if len(problems) > 0 {
		return nil, fmt.Errorf("%s: %w: %w", o.Bus, ErrAnalog, errors.Join(problems...))
	}
	// Voltages first: a supply that was measured in this round serves this round.
	slices.SortStableFunc(b.inputs, func(x, y *input) int {
		switch {
		case x.isVoltage == y.isVoltage:
			return 0
		case x.isVoltage:
			return -1
		default:
			return 1
		}
	})
	return b, nil
}

// input makes one input of its options.
func (b *AnalogBus) input(in AnalogInput, sizes map[string]int) (*input, error) {
	at := slices.IndexFunc(b.boards, func(bd *chip) bool { return bd.name == in.Board })
	if at < 0 {
		return nil, fmt.Errorf("there is no board %q on this bus", in.Board)
	}
	if n := sizes[in.Board]; in.Input < 0 || n > 0 && in.Input >= n {
		return nil, fmt.Errorf("board %q has no input %d", in.Board, in.Input)
	}
	if in.Rate == 0 {
		in.Rate = defaultRate
	}
	if !(in.Rate > 0 && in.Rate <= fastest) {
		return nil, fmt.Errorf("rate %v Hz: more than 0 and at most %v Hz are possible", in.Rate, fastest)
	}
	td, err := transducer.New(in.Transducer)
	if err != nil {
		return nil, err
	}
	made := &input{
		channel: b.table.Find(in.Channel), supply: readings.NoChannel, board: b.boards[at], input: in.Input,
		period: time.Duration(float64(time.Second) / in.Rate), converted: td, isVoltage: in.Transducer.Kind == transducer.Voltage,
	}
	if made.channel == readings.NoChannel {
		return nil, errors.New("is not in the table of channels")
	}
	if in.Supply != "" {
		if made.supply = b.table.Find(in.Supply); made.supply == readings.NoChannel {
			return nil, fmt.Errorf("its supply %q is not in the table of channels", in.Supply)
		}
	}
	made.info = b.table.Info(made.channel)
	return made, nil
}

// Run polls until ctx ends and then returns nil. A transaction that hangs in the kernel also holds up Run: whoever
// stops the box gives it a deadline.
func (b *AnalogBus) Run(ctx context.Context) error {
	defer join(b.clock)()
	var watchdog sync.WaitGroup
	leave := join(b.clock)
	watchdog.Go(func() {
		defer leave()
		b.watch(ctx)
	})
	b.start()
	var ended error
	for ended == nil {
		ended = b.step(ctx)
	}
	watchdog.Wait()
	return nil
}

// start makes every input due.
func (b *AnalogBus) start() {
	b.started = b.clock.Boot()
	for _, in := range b.inputs {
		in.due = b.started
	}
}

// step waits until the next input is due and reads it. It fails only when ctx ends.
func (b *AnalogBus) step(ctx context.Context) error {
	if len(b.inputs) == 0 {
		return b.clock.Sleep(ctx, tellEvery)
	}
	next := b.inputs[0]
	for _, in := range b.inputs[1:] {
		if in.due < next.due {
			next = in
		}
	}
	if wait := next.due - b.clock.Boot(); wait > 0 {
		if err := b.clock.Sleep(ctx, wait); err != nil {
			return err
		}
	}
	pause := next.period
	if next.board.down {
		b.revive(ctx, next.board)
	}
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case next.board.down:
		b.out.Reading(readings.Reading{At: b.clock.Boot(), Channel: next.channel, Quality: next.board.quality})
		pause = tellEvery
	default:
		if err := b.sample(ctx, next); err != nil {
			return err
		}
	}
	// A bus that cannot keep up samples as fast as it can, all inputs alike; it does not make up for lost samples.
	next.due = max(next.due+pause, b.clock.Boot())
	return nil
}

// sample reads one input and sends what it says. It fails only when ctx ends.
func (b *AnalogBus) sample(ctx context.Context, in *input) error {
	b.busy.Store(int64(b.clock.Boot()))
	code, volts, err := in.board.converter.Read(ctx, in.input)
	at := b.clock.Boot()
	b.busy.Store(int64(idle))
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	r, usable := b.reading(in, code, volts, err, at)
	if usable {
		in.board.failures = 0
	} else {
		b.failed(ctx, in.board, r.Quality, err)
	}
	b.out.Reading(r)
	return nil
}

// failed counts a failed read and declares the board dead after a few in a row.
func (b *AnalogBus) failed(ctx context.Context, bd *chip, q readings.Quality, err error) {
	bd.failures++
	if bd.failures < failuresDown {
		return
	}
	bd.down, bd.quality, bd.pause, bd.failures = true, q, firstRetry, 0
	bd.retryAt = b.clock.Boot() + firstRetry
	b.log.WarnContext(ctx, "converter does not answer", "bus", b.bus, "board", bd.name, "error", err)
}

// revive looks whether a dead board is there again, at growing intervals. Its inputs are then all due at once.
func (b *AnalogBus) revive(ctx context.Context, bd *chip) {
	now := b.clock.Boot()
	if now < bd.retryAt {
		return
	}
	b.busy.Store(int64(now))
	err := bd.converter.Identify(ctx)
	now = b.clock.Boot()
	b.busy.Store(int64(idle))
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		if !bd.known {
			b.log.WarnContext(ctx, "converter is missing", "bus", b.bus, "board", bd.name, "error", err)
		}
		bd.known, bd.quality = true, readings.NoAnswer
		bd.pause = min(max(2*bd.pause, firstRetry), lastRetry)
		bd.retryAt = now + bd.pause
		return
	}
	bd.known, bd.down, bd.failures, bd.pause = true, false, 0, 0
	b.log.InfoContext(ctx, "converter answers", "bus", b.bus, "board", bd.name)
	for _, in := range b.inputs {
		if in.board == bd {
			in.due = min(in.due, now)
		}
	}
}

// watch sends NoAnswer for every channel of the bus, once a second, while a transaction hangs.
func (b *AnalogBus) watch(ctx context.Context) {
	stalled := false
	for b.clock.Sleep(ctx, tellEvery) == nil {
		now := b.clock.Boot()
		if !b.hangs(now) {
			if stalled {
				b.log.InfoContext(ctx, "bus moves again", "bus", b.bus)
			}
			stalled = false
			continue
		}
		if !stalled {
			b.log.WarnContext(ctx, "bus hangs in a transaction", "bus", b.bus)
		}
		stalled = true
		for _, in := range b.inputs {
			if !b.hangs(now) {
				break
			}
			b.out.Reading(readings.Reading{At: now, Channel: in.channel, Quality: readings.NoAnswer})
		}
	}
}

func (b *AnalogBus) hangs(now time.Duration) bool {
	since := time.Duration(b.busy.Load())
	return since != idle && now-since >= stallAfter
}
