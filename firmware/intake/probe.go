// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"context"
	"errors"
	"fmt"

	"airhold/firmware/readings"
	"airhold/sensors/transducer"
)

// Probed is what one look at one input found, for the person who installs it.
type Probed struct {
	ID       string // channel
	Board    string
	Plug     string
	Input    int
	Reading  readings.Reading
	Sentence string // what it reads or what is wrong, where, and what to do
}

// Probe reads each input once, in the order of the options. It must not run together with Run. Where the bus hangs,
// it ends with ctx and says so for every input that is left; the transaction that hangs is left behind.
func (b *AnalogBus) Probe(ctx context.Context) []Probed {
	found := make(chan Probed, len(b.inputs)) // one slot an input, so the prober ends even when nobody waits any more
	go func() {
		defer join(b.clock)()
		defer close(found)
		b.started = b.clock.Boot() - supplyGrace // nothing more will come: a supply not seen by now is missing
		missing := make(map[*chip]error)
		for _, bd := range b.boards {
			missing[bd] = bd.converter.Identify(ctx)
		}
		for _, in := range b.inputs {
			found <- b.probe(ctx, in, missing[in.board])
		}
	}()
	results := make([]Probed, len(b.inputs))
	for _, in := range b.inputs {
		results[in.order] = b.probed(in, readings.Reading{Channel: in.channel, Quality: readings.NoAnswer},
			"bus "+b.bus+" hangs in a transaction: switch the box off and on; if it stays, unplug the boards one by one to find the one that holds the bus")
	}
	for i := 0; ; i++ {
		select {
		case p, more := <-found:
			if !more {
				return results
			}
			results[b.inputs[i].order] = p
		case <-ctx.Done():
			return results
		}
	}
}

func (b *AnalogBus) probe(ctx context.Context, in *input, missing error) Probed {
	if missing != nil {
		r := readings.Reading{At: b.clock.Boot(), Channel: in.channel, Quality: readings.NoAnswer}
		return b.probed(in, r, b.silence(in, missing, "; check its plug, its power and its address"))
	}
	code, volts, err := in.board.converter.Read(ctx, in.input)
	r, _ := b.reading(in, code, volts, err, b.clock.Boot())
	return b.probed(in, r, b.sentence(in, r, err))
}

func (b *AnalogBus) probed(in *input, r readings.Reading, what string) Probed {
	return Probed{ID: in.info.ID, Board: in.board.name, Plug: in.info.Plug, Input: in.input, Reading: r, Sentence: in.info.ID + ": " + what}
}

// sentence says in the installer's words what a reading means and what to do.
func (b *AnalogBus) sentence(in *input, r readings.Reading, err error) string {
	check := ". Engine off and key out, then check plug " + in.info.Plug
	if in.info.Plug == "" {
		check = fmt.Sprintf(". Engine off and key out, then check the plug at board %s, input %d", in.board.name, in.input)
	}
	reads := b.reads(in, r)
	switch r.Quality {
	case readings.Good:
		return fmt.Sprintf("%.4g %s, %s", in.info.Unit.From(r.Value), in.info.Unit.Code, signalText(in, r.Volts))
	case readings.NotAvailable:
		return "has no value yet"
	case readings.Open:
		return "line open, or shorted to ground: " + reads + check
	case readings.ShortGround:
		return "line shorted to ground: " + reads + check
	case readings.ShortSupply:
		return "line shorted to supply: " + reads + check
	case readings.OutOfBand:
		return "outside what this sensor can say: " + reads + check + " and the sensor type in the machine file"
	case readings.Saturated:
		return "sensor at the end of its range: " + reads + "; check that its range in the machine file is the one printed on it"
	case readings.BadSupply:
		return b.badSupply(in, r)
	case readings.Implausible:
		return fmt.Sprintf("%s, which is outside the plausible range %.5g to %.5g %s of the machine file", reads,
			in.info.Unit.From(in.info.Low), in.info.Unit.From(in.info.High), in.info.Unit.Code)
	case readings.Late:
		return fmt.Sprintf("board %s was not ready in time (%v); if it stays, change the board", in.board.name, err)
	default:
		return b.silence(in, err, "; check its plug and its power")
	}
}

// silence says why a board cannot be heard: its bus is not there, or it does not answer on it.
func (b *AnalogBus) silence(in *input, err error, check string) string {
	if bus := (*noBusError)(nil); errors.As(err, &bus) {
		return "cannot be read: " + bus.words
	}
	return fmt.Sprintf("board %s on %s does not answer%s", in.board.name, b.bus, check)
}

func (b *AnalogBus) badSupply(in *input, r readings.Reading) string {
	if in.supply == readings.NoChannel {
		return "sensor supply missing; check it at the plug"
	}
	v, seen := b.supplies.get(in.supply, r.At)
	id := b.table.Info(in.supply).ID
	if !seen || v == 0 {
		return fmt.Sprintf("its supply %s was not measured, so its signal of %s means nothing; first mend %s", id, signalText(in, r.Volts), id)
	}
	return fmt.Sprintf("sensor supply %s is %.3g V, allowed are %.3g to %.3g V; check its fuse and wiring first", id, v, transducer.SupplyLow, transducer.SupplyHigh)
}

// reads says what the converter saw and what a healthy sensor would show.
func (b *AnalogBus) reads(in *input, r readings.Reading) string {
	supply := transducer.AssumedSupply
	if in.supply != readings.NoChannel {
		if v, _ := b.supplies.get(in.supply, r.At); v > 0 {
			supply = v
		}
	}
	low, high, _, ok := in.converted.Healthy(supply)
	if !ok {
		return "reads " + signalText(in, r.Volts)
	}
	return fmt.Sprintf("reads %s, a healthy one %s to %s", signalText(in, r.Volts), signalText(in, low), signalText(in, high))
}

// signalText writes a voltage, or for a loop a current.
func signalText(in *input, signal float64) string {
	if _, _, loop, _ := in.converted.Healthy(transducer.AssumedSupply); loop {
		return fmt.Sprintf("%.2f mA", signal*1000)
	}
	return fmt.Sprintf("%.2f V", signal)
}
