// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"sync"

	"periph.io/x/conn/v3/i2c"

	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/readings"
)

// Wires opens what a machine file names. The box's own and the simulated machine's differ only here.
type Wires struct {
	I2C  func(name string) (i2c.BusCloser, error)
	SPI  func(name string) (intake.SPIConn, error)
	Link func(ctx context.Context, index int, l config.Link) (intake.FrameSource, error)
	Pin  func(name string) (intake.Pin, error) // of the sounder; nil: a simulated box has none

	Hands Hands // of a simulated machine, nil at a real one: there a person does what a step asks
}

// Hands do at a simulated machine what a leak-down test asks of a person. Help is told each step, on the spine's
// goroutine, and answers with a sentence about what it did; empty: nothing.
type Hands interface {
	Help(step session.Step, phase int) string
}

// RealWires are the box's own buses.
func RealWires() Wires {
	return Wires{
		I2C: intake.OpenI2C,
		SPI: intake.OpenSPI,
		Pin: intake.OpenPin,
		Link: func(ctx context.Context, index int, l config.Link) (intake.FrameSource, error) {
			return intake.OpenLink(intake.LinkOptions{Name: l.Name, Index: uint16(index), Hear: l.Hear})(ctx) //nolint:gosec // a box has a handful of links
		},
	}
}

// runner is one goroutine of intake.
type runner interface {
	Run(ctx context.Context) error
}

type inputs struct {
	runners  []runner
	time     *intake.BusTime // what devices on the bus say of the time
	analog   []*intake.AnalogBus
	links    []*intake.Listener
	starting sync.WaitGroup // runners that do not take part in simulated time yet
}

// starter is a clock that tells when its runner takes part in simulated time.
type starter struct {
	clock.Clock

	join    func() func()
	started func()
}

// Join makes the calling goroutine a participant.
func (s *starter) Join() (leave func()) {
	leave = s.join()
	s.started()
	return leave
}

// starts gives one runner its clock and counts it as starting until it joins simulated time.
func (in *inputs) starts(c clock.Clock) clock.Clock {
	simulated, ok := c.(interface{ Join() func() })
	if !ok {
		return c
	}
	in.starting.Add(1)
	return &starter{Clock: c, join: simulated.Join, started: sync.OnceFunc(in.starting.Done)}
}

// inputOptions is what all of intake shares.
type inputOptions struct {
	machine *config.Machine
	table   *readings.Table
	clock   clock.Clock
	out     intake.Out
	tap     intake.Tap
	wires   Wires
	log     *slog.Logger
	logDir  string // whose disk may fill
	sysfs   string
}

// newInputs builds intake for a machine file: one analog bus for each I2C or SPI bus, one listener for each link, and
// the box itself. It opens nothing: a bus that is missing at start is tried again.
func newInputs(o inputOptions) (*inputs, error) {
	in := &inputs{time: &intake.BusTime{}}
	supplies := intake.NewSupplies()
	for _, name := range busNames(o.machine) {
		ao := intake.AnalogOptions{Bus: name, Table: o.table, Out: o.out, Supplies: supplies, Log: o.log}
		lazy := &intake.LazyI2C{Name: name, Open: o.wires.I2C}
		boards := map[string]bool{}
		for _, b := range o.machine.Boards {
			if b.Bus != name {
				continue
			}
			made, err := newBoard(b, lazy, o)
			if err != nil {
				return nil, err
			}
			ao.Boards = append(ao.Boards, made)
			boards[b.Name] = true
		}
		for _, c := range o.machine.Channels {
			if c.Kind == config.FromADC && boards[c.ADC.Board] {
				ao.Inputs = append(ao.Inputs, intake.AnalogInput{
					Channel: c.ID, Board: c.ADC.Board, Input: c.ADC.Input,
					Rate: c.ADC.Rate, Transducer: transducerOptions(c.ADC.Transducer), Supply: c.ADC.Transducer.Supply,
				})
			}
		}
		if len(ao.Inputs) == 0 {
			continue
		}
		ao.Clock = in.starts(o.clock)
		a, err := intake.NewAnalogBus(ao)
		if err != nil {
			return nil, err
		}
		in.analog = append(in.analog, a)
		in.runners = append(in.runners, a)
	}
	wanted, err := Signals(o.machine)
	if err != nil {
		return nil, err
	}
	for i, l := range o.machine.Links {
		l.Hear = intake.Hearing(l.Hear, wanted[l.Name])
		made, err := intake.NewListener(intake.ListenerOptions{
			Name: l.Name, Index: uint16(i), Bitrate: bitrate(l), Limited: len(l.Hear) > 0, Clock: in.starts(o.clock), Table: o.table, Out: o.out, Tap: o.tap, Time: in.time, Signals: wanted[l.Name], Log: o.log,
			Open: func(ctx context.Context) (intake.FrameSource, error) { return o.wires.Link(ctx, i, l) },
		})
		if err != nil {
			return nil, err
		}
		in.runners = append(in.runners, made)
		in.links = append(in.links, made)
	}
	in.runners = append(in.runners, intake.NewBoardPoller(intake.BoardOptions{
		Root: os.DirFS(o.sysfs), Clock: in.starts(o.clock), Table: o.table, Out: o.out, Dir: o.logDir, Log: o.log,
	}))
	return in, nil
}

// bitrate is a link's, in bit/s; a link without a wire has none.
func bitrate(l config.Link) int64 {
	if l.Kind == "vcan" {
		return 0
	}
	return int64(l.Bitrate)
}

// Dropped tells the recorder how many frames of a link the kernel has lost.
func (f frames) Dropped(link uint16, total uint64) { f.to.Dropped(link, total) }

// busNames lists the buses of the boards, each once, in the order of the file.
func busNames(m *config.Machine) []string {
	var names []string
	seen := map[string]bool{}
	for _, b := range m.Boards {
		if !seen[b.Bus] {
			seen[b.Bus] = true
			names = append(names, b.Bus)
		}
	}
	return names
}

func newBoard(b config.Board, bus i2c.Bus, o inputOptions) (intake.Board, error) {
	if b.Chip == "ads1115" {
		return intake.NewI2CBoard(intake.I2CBoard{Name: b.Name, Address: uint16(b.Address), Range: b.Range}, bus, o.clock) //nolint:gosec // checked by config: 0x48 to 0x4b
	}
	return intake.NewSPIBoard(intake.SPIBoard{Name: b.Name, Chip: b.Chip, VRef: b.VRef},
		&intake.LazySPI{Name: b.Bus, Open: o.wires.SPI})
}

func transducerOptions(t config.Transducer) intake.Transducer {
	o := intake.Transducer{
		Kind: intake.TransducerKind(t.Kind), Low: t.Low, High: t.High, Shunt: t.Shunt, DividerRatio: t.DividerRatio,
		Pull: t.Pull, Gain: t.Gain, Offset: t.Offset,
	}
	for _, p := range t.Table {
		o.Table = append(o.Table, intake.TransducerPoint{Resistance: p.Resistance, Value: p.Value})
	}
	return o
}

// Signals lists, for each link, the bus signals that the machine file maps to channels, with its message descriptions
// read.
func Signals(m *config.Machine) (map[string][]intake.Signal, error) {
	described := map[string]*intake.DBC{}
	for _, d := range m.DBCs {
		parsed, err := intake.ParseDBC(d.File, d.Data)
		if err != nil {
			return nil, fmt.Errorf("message description %q: %w", d.Name, err)
		}
		described[d.Name] = parsed
	}
	out := map[string][]intake.Signal{}
	for _, c := range m.Channels {
		if c.Kind != config.FromCAN {
			continue
		}
		s := intake.Signal{Channel: c.ID, Signal: c.CAN.Signal, Address: c.CAN.Address, NAME: c.CAN.NAME}
		if c.CAN.DBC != "" {
			if s.DBC = described[c.CAN.DBC]; s.DBC == nil {
				return nil, fmt.Errorf("channel %q: there is no message description %q", c.ID, c.CAN.DBC)
			}
			s.Message = c.CAN.Message
		}
		link := c.CAN.Link
		if link == "" && len(m.Links) > 0 {
			link = m.Links[0].Name
		}
		out[link] = append(out[link], s)
	}
	return out, nil
}
