// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/sensors/units"
)

// Action is what an Event does to the machine.
type Action string

// The actions. Amount is on (not zero) or off where nothing else is said.
const (
	Leak    Action = "leak"     // Where a place, Amount m3/s ANR at the place's usual pressures; Over: grown to it, each minute by the same factor
	Mend    Action = "mend"     // Where a place: no leak at all
	Unplug  Action = "unplug"   // Where a channel
	Short   Action = "short"    // Where a channel: to the supply; the NTC to ground
	Stick   Action = "stick"    // Where a channel: keeps the voltage it has
	Drift   Action = "drift"    // Where a channel, Amount in the channel's SI unit; Over: straight from nothing to it
	Plug    Action = "plug"     // Where a channel: undoes all of the above
	ChipOff Action = "chip-off" // Where an address such as 0x49: nobody acknowledges
	ChipOn  Action = "chip-on"  // Where an address; powers up afresh, at full speed
	Slow    Action = "slow"     // Where an address: conversions take Amount times as long
	Stall   Action = "stall"    // the I2C bus hangs
	Silence Action = "silence"  // no frame on the CAN bus
	Supply  Action = "supply"   // the sensors' 5 V
	Codes   Action = "codes"    // the rank control reports two active faults (DM1 over BAM)

	Key        Action = "key"
	Engine     Action = "engine"
	Hydraulics Action = "hydraulics" // lets the compressor's motor turn when the pressure switch asks
	Control    Action = "control"    // the machine's pressure control: follows targets, bleeds the known drain
	Plant      Action = "plant"      // drive passes with headland turns and stops; off parks, raised
	StickOn    Action = "stick-on"   // the pressure switch never lets the compressor rest; the relief valve holds
	Charge     Action = "charge"     // the pressure switch asks for a run now, up to cut-out
	Rank       Action = "rank"       // Where front or rear, Amount Pa gauge: fills or vents once to it, then shuts
	Drain      Action = "drain"      // lets the water out of the tank
	Halt       Action = "halt"       // the story's further events do not happen: somebody else is at the machine now
)

// Event is one thing that happens to the simulated machine. Stories are lists of events, Options.Faults adds some, Do
// makes one happen at once.
type Event struct {
	At     time.Duration // since the story's start; unused by Do
	What   Action
	Where  string        // a place (Places), a channel (Channels) or a chip's address
	Amount float64       // SI; what it means stands with the Action
	Over   time.Duration // how long a leak or drift takes to get there; zero is at once
}

// Places lists where the machine can leak.
func Places() []string {
	return []string{"tank side", "front rank", "rear rank", "front fill valve", "rear fill valve"}
}

// place indexes Places.
type place uint8

const (
	atTank place = iota
	atFront
	atRear
	atFrontFill
	atRearFill
	placeCount
)

func placeNamed(name string) (place, bool) {
	for i, n := range Places() {
		if n == name {
			return place(i), true
		}
	}
	return 0, false
}

// usual returns the absolute pressures on both sides of a place at work, for which a leak's size is stated.
func (p place) usual() (up, down float64) {
	const sea = 100e3
	switch p {
	case atFront:
		return sea + frontWork, sea
	case atRear:
		return sea + rearWork, sea
	case atFrontFill:
		return sea + 700e3, sea + frontWork
	case atRearFill:
		return sea + 700e3, sea + rearWork
	default:
		return sea + 700e3, sea
	}
}

// fullSI is what a share of 1 of a channel's scale is in SI.
func (c channel) fullSI() float64 {
	switch c {
	case chTank, chFront, chRear:
		return pressureFS
	case chLoad1, chLoad2, chLoad3, chLoad4, chLoad5:
		return loadFS
	case chAmbient:
		return 100 // K
	default:
		return 1
	}
}

// check says what is wrong with e before it is let near the machine.
func (e Event) check() error {
	switch e.What {
	case Leak, Mend:
		if _, ok := placeNamed(e.Where); !ok {
			return fmt.Errorf("%s: no place %q; places: %s", e.What, e.Where, strings.Join(Places(), ", "))
		}
	case Unplug, Short, Stick, Drift, Plug:
		if _, ok := channelNamed(e.Where); !ok {
			return fmt.Errorf("%s: no channel %q; channels: %s", e.What, e.Where, strings.Join(Channels(), ", "))
		}
	case ChipOff, ChipOn, Slow:
		if _, ok := chipNamed(e.Where); !ok {
			return fmt.Errorf("%s: no converter %q; converters: 0x48 to 0x4b", e.What, e.Where)
		}
	case Rank:
		if e.Where != "front" && e.Where != "rear" {
			return fmt.Errorf("%s: no rank %q; ranks: front, rear", e.What, e.Where)
		}
	case Stall, Silence, Supply, Codes, Key, Engine, Hydraulics, Control, Plant, StickOn, Charge, Drain, Halt:
	default:
		return fmt.Errorf("unknown action %q", e.What)
	}
	if math.IsNaN(e.Amount) || math.IsInf(e.Amount, 0) || (e.Amount < 0 && e.What != Drift) {
		return fmt.Errorf("%s %s: amount %g is out of range", e.What, e.Where, e.Amount)
	}
	if e.What == Slow && e.Amount == 0 {
		return fmt.Errorf("%s %s: a conversion cannot take no time", e.What, e.Where)
	}
	return nil
}

func chipNamed(name string) (int, bool) {
	n, err := strconv.ParseUint(name, 0, 16)
	if err != nil || n < firstChip || n >= firstChip+chipCount {
		return 0, false
	}
	return int(n) - firstChip, true
}

// byTime sorts events, those of one moment in the order given.
func byTime(events []Event) {
	slices.SortStableFunc(events, func(a, b Event) int { return cmp.Compare(a.At, b.At) })
}

// Do makes e happen now, that is at the last time the rig was advanced to.
func (r *Rig) Do(e Event) error {
	if err := e.check(); err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.apply(e)
	return nil
}

// SetLeak makes place leak flow (ANR, at the place's usual pressures) from now on.
func (r *Rig) SetLeak(where string, flow units.Flow) error {
	return r.Do(Event{What: Leak, Where: where, Amount: float64(flow)})
}

// Mend closes the leak at a place.
func (r *Rig) Mend(where string) error { return r.Do(Event{What: Mend, Where: where}) }

// Unplug pulls the plug of an analog channel.
func (r *Rig) Unplug(name string) error { return r.Do(Event{What: Unplug, Where: name}) }

// Short joins the signal wire of a channel to its supply, that of the NTC to ground.
func (r *Rig) Short(name string) error { return r.Do(Event{What: Short, Where: name}) }

// Plug repairs everything that was done to a channel.
func (r *Rig) Plug(name string) error { return r.Do(Event{What: Plug, Where: name}) }

// StallBus hangs the I2C bus or frees it.
func (r *Rig) StallBus(on bool) { r.mustDo(Stall, on) }

// SilenceBus stops all frames on the CAN bus or lets them come again.
func (r *Rig) SilenceBus(on bool) { r.mustDo(Silence, on) }

// SupplyOff takes the sensors' 5 V away or gives it back.
func (r *Rig) SupplyOff(on bool) { r.mustDo(Supply, !on) }

// mustDo does what needs no place and so cannot be refused.
func (r *Rig) mustDo(what Action, on bool) {
	e := Event{What: what}
	if on {
		e.Amount = 1
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.apply(e)
}

// apply changes the machine; the caller holds the lock and has checked e.
func (r *Rig) apply(e Event) {
	switch e.What {
	case ChipOff, ChipOn, Slow:
		i, _ := chipNamed(e.Where)
		c := r.chips[i]
		switch e.What {
		case ChipOff:
			c.gone = true
		case Slow:
			c.slow = e.Amount
		default:
			c.gone, c.slow = false, 1
			c.reset()
		}
		r.m.noteFault(e.Where+" does not answer", c.gone)
		r.m.noteFault(e.Where+" converts late", c.slow > 1)
	case Unplug, Short, Stick, Drift, Plug:
		c, _ := channelNamed(e.Where)
		r.wiring(c, e)
	case Halt:
		r.events = nil
	case Stall:
		r.m.apply(e)
		r.released.Broadcast()
	default:
		r.m.apply(e)
	}
}

func (r *Rig) wiring(c channel, e Event) {
	w := &r.m.wires[c]
	switch e.What {
	case Unplug:
		w.state = wireOpen
	case Short:
		w.state = wireShort
	case Stick:
		w.stuck = w.volts(c, r.m.share(c), r.m.supply(), r.adcDice)
		w.state = wireStuck
	case Drift:
		r.m.drifts[c] = ramp{from: w.drift, to: e.Amount / c.fullSI(), begun: r.m.seconds(), over: e.Over.Seconds()}
	default:
		w.state, w.drift, r.m.drifts[c] = wireGood, 0, ramp{}
	}
	r.m.noteFault(e.Where+" unplugged", w.state == wireOpen)
	r.m.noteFault(e.Where+" shorted", w.state == wireShort)
	r.m.noteFault(e.Where+" stuck", w.state == wireStuck)
	r.m.noteFault(e.Where+" drifting", r.m.drifts[c].to != 0)
}

// ramp is a number on its way from one value to another.
type ramp struct {
	from, to    float64
	begun, over float64 // s
}

// straight returns the value at second t, going up evenly.
func (p ramp) straight(t float64) float64 {
	if p.over <= 0 || t >= p.begun+p.over {
		return p.to
	}
	return p.from + (p.to-p.from)*(t-p.begun)/p.over
}

// growing returns the value at second t, each second by the same factor, as a fitting that works loose does.
func (p ramp) growing(t float64) float64 {
	if p.from <= 0 || p.to <= 0 || t >= p.begun+p.over {
		return p.straight(t)
	}
	lift := ramp{from: math.Log(p.from), to: math.Log(p.to), begun: p.begun, over: p.over}
	return math.Exp(lift.straight(t))
}
