// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"airhold/bus"
	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/rig"
)

// RigWires make the simulated machine stand behind the box's own drivers: its converters behind an I2C bus, its
// frames behind a link. The rig must have been made with StallTimesOut.
func RigWires(r *rig.Rig, c *clock.Virtual) Wires {
	return Wires{
		I2C: func(string) (i2c.BusCloser, error) { return rigBus{r.I2C(c.Boot), c}, nil },
		SPI: func(name string) (intake.SPIConn, error) {
			return nil, fmt.Errorf("the simulated machine has no %s; its converters are on i2c-1", name)
		},
		Link: func(_ context.Context, index int, _ config.Link) (intake.FrameSource, error) {
			return &rigLink{rig: r, clock: c, index: uint16(index), leave: c.Join()}, nil //nolint:gosec // a box has a handful of links
		},
		Hands: rigHands{r},
	}
}

// rigHands start the simulated engine, charge and vent when a leak-down test asks for it: nobody can press the buttons of
// a machine that is not there. They touch only a machine that is parked in the shop, where no story goes on.
type rigHands struct{ rig *rig.Rig }

// Help does what a step asks of a person.
func (h rigHands) Help(step session.Step, phase int) string {
	if h.rig.Story().Name != rig.ShopStory {
		return ""
	}
	var do []rig.Event
	var words string
	switch {
	case step == session.MakeSafe:
		do, words = append(rig.ShutDown(), rig.Event{What: rig.Halt}), "Simulated: nobody else works on this machine now, and its engine is stopped."
	case step == session.Fill:
		do, words = rig.ChargeUp(), "Simulated: the engine is started and charges tank and ranks; that takes a minute or two."
	case step == session.Isolate && phase > 1:
		do, words = rig.VentRanks(), "Simulated: the ranks are being vented."
	case step == session.Isolate:
		do, words = rig.ShutDown(), "Simulated: the engine is stopped."
	case step == session.Done:
		do = rig.ShutDown()
	}
	for _, e := range do {
		if err := h.rig.Do(e); err != nil {
			return "Simulated: " + err.Error()
		}
	}
	return words
}

type rigBus struct {
	i2c.Bus

	clock *clock.Virtual
}

// stallPeriod is how often a transfer looks whether a stalled bus moves again.
const stallPeriod = 10 * time.Millisecond

// Tx transfers. On a stalled bus it hangs as a kernel driver does, but asleep: whoever hangs awake would hold up
// simulated time, and with it the end of the stall.
func (b rigBus) Tx(addr uint16, w, r []byte) error {
	for {
		err := b.Bus.Tx(addr, w, r)
		if !errors.Is(err, rig.ErrTimeout) {
			return err
		}
		if err := b.clock.Sleep(context.Background(), stallPeriod); err != nil {
			return err
		}
	}
}

// Close has nothing to close: the rig outlives its buses.
func (rigBus) Close() error { return nil }

// rigLink is the rig's bus as intake hears it.
type rigLink struct {
	rig   *rig.Rig
	clock *clock.Virtual
	index uint16
	leave func()
	due   []bus.Frame
}

// linkPeriod is how often the simulated link is emptied: frames keep their own times.
const linkPeriod = 10 * time.Millisecond

// Next waits for frames.
func (l *rigLink) Next(ctx context.Context, buf []bus.Frame) (int, error) {
	for len(l.due) == 0 {
		if err := l.clock.Sleep(ctx, linkPeriod); err != nil {
			return 0, err
		}
		l.due = l.rig.Due(l.clock.Boot(), l.due[:0])
	}
	n := copy(buf, l.due)
	for i := range buf[:n] {
		buf[i].Link = l.index
	}
	l.due = l.due[n:]
	return n, nil
}

// Close lets simulated time go on without this link.
func (l *rigLink) Close() error {
	l.leave()
	return nil
}
