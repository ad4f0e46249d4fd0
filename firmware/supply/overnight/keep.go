// SPDX-License-Identifier: Apache-2.0

package overnight

import (
	"bytes"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// left is one place as it was left in the evening.
type left struct {
	has, here        bool          // here: of this boot, at is of its clock
	at               time.Duration // boot clock
	utc              time.Time
	trusted          bool
	pressure         float64
	wall, air, glass float64 // K, K, Pa; 0: not measured
	excess, doubt    float64 // K
	cooled           bool    // these two are worked out
	rested           time.Duration
	sensor           string
	ran              bool // the machine ran since, in a boot that read nothing still
	busy             bool // something worked on the place when this was kept
}

// Evening is how a machine was left: what Seed makes Saved bytes of, for a simulated night.
type Evening struct {
	At        time.Time
	Wall      float64 // K; 0: not measured
	Ambient   float64 // K; 0: not measured
	Barometer float64 // Pa absolute; 0: not measured
	Left      []Left
}

// Left is one place in the evening.
type Left struct {
	Where    string
	Pressure float64       // as its channel reads, Pa
	Excess   float64       // K by which its air was warmer than the wall, or than the air around bags
	Doubt    float64       // K, standard uncertainty of Excess
	Rested   time.Duration // since the last run or fill
}

// Seed returns what Save would have kept of an evening.
func Seed(e Evening) []byte {
	out := make([]savedLeft, 0, len(e.Left))
	for _, l := range e.Left {
		out = append(out, savedLeft{
			Where: l.Where, UTC: e.At.UTC().Truncate(time.Millisecond), Trusted: true, Pressure: l.Pressure, Wall: e.Wall, Air: e.Ambient,
			Glass: e.Barometer, Excess: l.Excess, Doubt: l.Doubt, Rested: l.Rested.Seconds(),
		})
	}
	return seal(saved{Left: out})
}

// saved is what is kept, in SI.
type saved struct {
	Version int         `json:"v"`
	Left    []savedLeft `json:"left,omitempty"`
	Held    []savedHold `json:"held,omitempty"`
}

type savedLeft struct {
	Where    string    `json:"where"`
	UTC      time.Time `json:"utc,omitzero"`
	Trusted  bool      `json:"trusted,omitempty"`
	Pressure float64   `json:"p"`
	Wall     float64   `json:"wall,omitempty"`
	Air      float64   `json:"air,omitempty"`
	Glass    float64   `json:"glass,omitempty"`
	Excess   float64   `json:"excess,omitempty"`
	Doubt    float64   `json:"doubt,omitempty"`
	Rested   float64   `json:"rested,omitempty"`
	Sensor   string    `json:"sensor,omitempty"`
	Ran      bool      `json:"ran,omitempty"`
	Busy     bool      `json:"busy,omitempty"`
}

type savedHold struct {
	Where    string           `json:"where"`
	From     findings.Measure `json:"from"`
	To       findings.Measure `json:"to"`
	Cooling  findings.Measure `json:"cooling"`
	Lost     findings.Measure `json:"lost"`
	Leak     findings.Measure `json:"leak"`
	Hours    float64          `json:"hours"`
	Known    bool             `json:"known,omitempty"`
	Why      string           `json:"why,omitempty"`
	FromAt   time.Time        `json:"from_at,omitzero"`
	ToAt     time.Time        `json:"to_at,omitzero"`
	WarmFrom findings.Measure `json:"warm_from"`
	WarmTo   findings.Measure `json:"warm_to"`
	Warm     string           `json:"warm,omitempty"`
	Rested   time.Duration    `json:"rested,omitempty"`
}

const savedVersion = 1

// seal writes s with a checksum before it.
func seal(s saved) []byte {
	s.Version = savedVersion
	body, err := json.Marshal(s)
	if err != nil {
		return nil // a value that is no number: nothing worth keeping
	}
	return append(fmt.Appendf(nil, "%08x ", crc32.ChecksumIEEE(body)), body...)
}

// unseal reads what seal wrote; false for anything else.
func unseal(data []byte) (saved, bool) {
	const head = 9
	var s saved
	if len(data) < head {
		return s, false
	}
	body := data[head:]
	if !bytes.Equal(data[:head], fmt.Appendf(nil, "%08x ", crc32.ChecksumIEEE(body))) {
		return s, false
	}
	if err := json.Unmarshal(body, &s); err != nil || s.Version != savedVersion {
		return saved{}, false
	}
	for _, l := range s.Left {
		if !l.sound() {
			return saved{}, false
		}
	}
	return s, true
}

// sound holds an evening to what can be.
func (l *savedLeft) sound() bool {
	kelvin := func(k float64) bool { return k == 0 || k > 150 && k < 450 }
	const most = 50e6 // Pa
	return math.Abs(l.Pressure) < most && kelvin(l.Wall) && kelvin(l.Air) && l.Glass >= 0 && l.Glass < most &&
		math.Abs(l.Excess) < 300 && l.Doubt >= 0 && l.Doubt < 300 && l.Rested >= 0 && l.Rested < 1e9
}

func (o *Overnight) load(data []byte) {
	if len(data) == 0 {
		return
	}
	s, ok := unseal(data)
	if !ok {
		o.unread = true
		return
	}
	for _, l := range s.Left {
		for i := range o.places {
			if p := &o.places[i]; p.Where == l.Where {
				p.old = left{
					has: true, utc: l.UTC, trusted: l.Trusted, pressure: l.Pressure, wall: l.Wall, air: l.Air, glass: l.Glass,
					excess: l.Excess, doubt: l.Doubt, rested: time.Duration(l.Rested * float64(time.Second)),
					sensor: l.Sensor, ran: l.Ran, busy: l.Busy,
				}
			}
		}
	}
	for _, h := range s.Held {
		o.last = append(o.last, Hold(h))
	}
}

// Save implements findings.Keeper: the evening as it would be if the power went now, and this morning's answer.
func (o *Overnight) Save() []byte {
	var s saved
	for i := range o.places {
		if l, ok := o.newest(&o.places[i]); ok {
			s.Left = append(s.Left, savedLeft{
				Where: o.places[i].Where, UTC: l.utc.UTC().Truncate(time.Millisecond), Trusted: l.trusted, Pressure: l.pressure,
				Wall: l.wall, Air: l.air, Glass: l.glass, Excess: l.excess, Doubt: l.doubt, Rested: l.rested.Seconds(),
				Sensor: l.sensor, Ran: l.ran, Busy: l.busy,
			})
		}
	}
	if len(o.held) > 0 && o.held[0].Known {
		for _, h := range o.held {
			s.Held = append(s.Held, savedHold(h))
		}
	}
	if s.Left == nil && s.Held == nil {
		return nil
	}
	return seal(s)
}

// newest returns the evening of a place if the power went now.
func (o *Overnight) newest(p *place) (left, bool) {
	var l left
	if p.rest.ripe() {
		l = o.leave(p)
		o.warmUp(p, &l, &p.rest)
	} else {
		o.warmFresh(p)
		l = p.fresh
	}
	if o.early && p.early.has {
		l = p.early
		l.ran = p.stirred
	}
	asBefore := p.old.has && !p.old.here
	switch {
	case asBefore && (!l.has || !p.worked && (p.short || !p.settled || o.waits)):
		// Nothing newer, or only a look at the clock while everything rested on: the longer night tells more.
		l = p.old
		l.ran = l.ran || p.worked
		return l, true
	case !l.has:
		return l, false
	}
	l.busy = p.working
	if o.o.UTC != nil {
		l.utc, l.trusted = o.o.UTC(l.at)
	}
	if !l.trusted {
		l.utc = time.Time{}
	}
	return l, true
}

// Learned implements findings.Keeper.
func (o *Overnight) Learned() []findings.Learned {
	if len(o.places) == 0 {
		return nil
	}
	l, ok := o.newest(&o.places[0])
	if !ok {
		return nil
	}
	text := fmt.Sprintf("%.0f kPa", l.pressure/1e3)
	if l.trusted {
		text += " at " + l.utc.UTC().Format("2006-01-02 15:04 UTC")
	}
	text += fmt.Sprintf(", %.0f min after it last worked", l.rested.Minutes())
	return []findings.Learned{{
		Name: learnedName, Words: "tank pressure kept for the overnight hold",
		Value: findings.Measure{SI: l.pressure, Unit: units.Preferred(units.Pressure), Reference: o.places[0].gauge(0).Reference}, Text: text,
	}}
}

// Forget implements findings.Keeper.
func (o *Overnight) Forget(name string) bool {
	if name != learnedName {
		return false
	}
	had := len(o.held) > 0 || len(o.last) > 0
	for i := range o.places {
		p := &o.places[i]
		had = had || p.old.has || p.fresh.has || p.rest.ripe()
		p.old, p.fresh, p.early = left{}, left{}, left{}
		p.rest.forget()
		p.settled = true
	}
	o.held, o.last, o.words, o.unread, o.waits = []Hold{}, nil, "", false, false
	return had
}
