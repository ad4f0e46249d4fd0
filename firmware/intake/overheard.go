// SPDX-License-Identifier: Apache-2.0

package intake

import (
	"errors"
	"slices"
	"strings"
	"time"

	"airhold/bus/signals"
	"airhold/bus/socketcan"
	"airhold/firmware/readings"
	"airhold/sensors/transducer"
)

// Overheard is one link as a person who sets the box up wants to know it: who talks, and what the box understands of it.
type Overheard struct {
	Link     string
	Bitrate  float64  // bit/s
	Reckoned bool     // Bitrate is not known but the slowest usual one that fits
	Busy     *float64 // share of the last whole second, %; nil: not known yet
	Open     bool     // frames of it are taken
	Silent   bool     // it hears no wire: a simulated machine, or a link within this computer
	Checked  bool     // the kernel said, when the link was opened, that its controller only listens
	Refused  string   // why it is not open, in words
	Remarks  []string // what a person should know first
	Talkers  []Speaker
}

// Speaker is a device that talks on a link.
type Speaker struct {
	Address  uint8
	Words    string // who it is, by its NAME
	Named    bool   // it claimed its address
	Messages []Spoken
	Unknown  int             // messages of it that the catalogue does not know
	Strip    []time.Duration // when those came, as Spoken.Strip
}

// Spoken is one message of a device.
type Spoken struct {
	PGN   uint32
	Key   string // of the catalogue: "wheel_speed"
	Strip []time.Duration
}

// Overheard tells what is heard on the link now. Strips hold how long ago each message of the last second came.
func (l *Listener) Overheard() Overheard {
	l.mu.Lock()
	p, kernel, asked, refused := l.traffic.Picture(), l.kernel, l.asked, l.refused
	l.mu.Unlock()
	o := Overheard{
		Link: l.o.Name, Bitrate: p.Bitrate.Value, Reckoned: p.Reckoned, Open: l.up.Load(), Refused: refused, Remarks: p.Remarks,
		Silent: l.up.Load() && (!asked || kernel.Kind == "vcan"), Checked: asked && kernel.ModeKnown && kernel.ListenOnly, Talkers: []Speaker{},
	}
	if p.Second != nil {
		o.Busy = &p.Second.Value
	}
	for _, t := range p.Talkers {
		o.Talkers = append(o.Talkers, Speaker{Address: t.Address, Words: t.Words, Named: t.Device != nil, Messages: []Spoken{}})
	}
	for i := range p.Groups {
		g := &p.Groups[i]
		at := slices.IndexFunc(o.Talkers, func(s Speaker) bool { return g.ID == "" && s.Address == g.Source })
		if at < 0 {
			continue
		}
		s := &o.Talkers[at]
		if g.Key == signals.Unknown {
			s.Unknown++
			s.Strip = append(s.Strip, g.Recent...)
			continue
		}
		s.Messages = append(s.Messages, Spoken{PGN: g.PGN, Key: g.Key, Strip: g.Recent})
	}
	return o
}

// noted keeps what the kernel said of a link that was opened, for whoever asks.
func (l *Listener) noted(source FrameSource) (k socketcan.Link, asked bool) {
	if s, ok := source.(interface{ Link() socketcan.Link }); ok {
		k, asked = s.Link(), true
	}
	l.mu.Lock()
	l.kernel, l.asked, l.refused = k, asked, ""
	l.mu.Unlock()
	return k, asked
}

// failed keeps why a link is not open.
func (l *Listener) failed(err error) {
	words := "it could not be opened"
	if err != nil {
		words = strings.TrimSpace(err.Error())
	}
	l.mu.Lock()
	l.refused = words
	l.mu.Unlock()
}

// Inputs tells of readings of this bus's own inputs what Probe would: plug, and a sentence in the installer's words. It
// asks no converter, and may be called while the bus runs. Readings of other channels are passed over.
func (b *AnalogBus) Inputs(newest []readings.Reading) []Probed {
	var out []Probed
	for _, in := range b.inputs {
		i := slices.IndexFunc(newest, func(r readings.Reading) bool { return r.Channel == in.channel })
		if i < 0 {
			continue
		}
		out = append(out, b.probed(in, newest[i], b.sentence(in, newest[i], errors.New("the ready bit did not come"))))
	}
	return out
}

// Healthy returns the least and the greatest signal of a good sensor on a channel of this bus, V, or A where it is a current
// loop, at the supply that is measured now; false where the channel is not of this bus or any signal is a good one.
func (b *AnalogBus) Healthy(c readings.Channel, at time.Duration) (low, high float64, loop, ok bool) {
	for _, in := range b.inputs {
		if in.channel != c {
			continue
		}
		supply := transducer.AssumedSupply
		if in.supply != readings.NoChannel {
			if v, _ := b.supplies.get(in.supply, at); v > 0 {
				supply = v
			}
		}
		return in.converted.Healthy(supply)
	}
	return 0, 0, false, false
}

// SupplyRange is what the 5 V supply of sensors may be, V.
func SupplyRange() (low, high float64) {
	return float64(transducer.SupplyLow), float64(transducer.SupplyHigh)
}
