// SPDX-License-Identifier: Apache-2.0

package traffic

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// Quantity is a number with its UCUM unit, as every JSON line has it.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Moment is a time on both clocks. In JSON it is RFC 3339, or seconds where there is no wall time.
type Moment struct {
	At  time.Duration
	UTC time.Time
}

// MarshalJSON writes it.
func (m Moment) MarshalJSON() ([]byte, error) {
	if m.UTC.IsZero() {
		return strconv.AppendFloat(nil, math.Round(m.At.Seconds()*1e6)/1e6, 'f', -1, 64), nil
	}
	return m.UTC.UTC().AppendFormat([]byte{'"'}, `2006-01-02T15:04:05.000000Z"`), nil
}

// UnmarshalJSON reads it; of a moment with a wall time that is all it gets.
func (m *Moment) UnmarshalJSON(b []byte) error {
	*m = Moment{}
	text, quoted := strings.CutPrefix(string(b), `"`)
	var err error
	if quoted {
		m.UTC, err = time.Parse(time.RFC3339Nano, strings.TrimSuffix(text, `"`))
	} else {
		var s float64
		s, err = strconv.ParseFloat(text, 64)
		m.At = time.Duration(math.Round(s * float64(time.Second)))
	}
	if err != nil {
		return fmt.Errorf("time of a bus message: %w", err)
	}
	return nil
}

// Picture is everything known of one link.
type Picture struct {
	Link       string    `json:"link"`
	From       Moment    `json:"from"`
	Until      Moment    `json:"until"`
	Frames     int64     `json:"frames"`
	Remote     int64     `json:"remote"`
	Dropped    uint64    `json:"dropped"`   // by the kernel, because nobody read them in time
	Malformed  uint64    `json:"malformed"` // received, and no classic CAN frame
	Silent     *Quantity `json:"silent"`    // since the last frame or report, where that is long ago; nil: it talks
	Bitrate    Quantity  `json:"bitrate"`   // what Load is a share of
	Reckoned   bool      `json:"reckoned"`  // Bitrate is not known but the slowest usual one that fits
	Load       *Quantity `json:"load"`      // mean share of the time the bus was alive; nil without times
	Busiest    *Quantity `json:"busiest"`   // in the busiest second
	Second     *Quantity `json:"second"`    // in the last whole second
	Controller Health    `json:"controller"`
	OnlyErrors bool      `json:"only_errors"`
	Alone      *Alone    `json:"alone"`          // nil: there is no lone talker now
	Thinned    int64     `json:"thinned"`        // repeats of a lone talker that were counted and not kept
	Unkept     int64     `json:"unkept_reports"` // error reports likewise, in a flood of them
	Remarks    []string  `json:"remarks"`        // what a person should know first, in words
	Talkers    []Talker  `json:"talkers"`        // in order of address
	Changes    []Move    `json:"changes"`        // oldest first, the newest 32
	Moves      int64     `json:"moves"`          // changes in all
	Groups     []Group   `json:"groups"`         // in order of PGN and source, then 11-bit identifiers
	Passed     Passed    `json:"passed"`         // messages of groups that found no room
	Slowest    *Group    `json:"slowest"`        // of the known groups that come evenly, the one with the longest period
	Faults     []Trouble `json:"faults"`         // active ones first, then in order of source, SPN and FMI
	Unlisted   int64     `json:"unlisted_faults"`
}

// Health is how the controller is.
type Health struct {
	State   State  `json:"state"`
	Since   Moment `json:"since"`
	Words   string `json:"words"`
	Sending *uint8 `json:"transmit_errors"` // nil: never told
	Hearing *uint8 `json:"receive_errors"`
	Counts  Counts `json:"counts"`
}

// Alone is a lone talker.
type Alone struct {
	Frame   string   `json:"frame"`
	Since   Moment   `json:"since"`
	Rate    Quantity `json:"rate"`
	Bitrate Quantity `json:"bitrate"`
	Repeats int64    `json:"repeats"`
	Words   string   `json:"words"`
}

// Device is a NAME taken apart.
type Device struct {
	Manufacturer     uint16 `json:"manufacturer"`
	Identity         uint32 `json:"identity"`
	ECUInstance      uint8  `json:"ecu_instance"`
	FunctionInstance uint8  `json:"function_instance"`
	Function         uint8  `json:"function"`
	DeviceClass      uint8  `json:"device_class"`
	ClassInstance    uint8  `json:"class_instance"`
	IndustryGroup    uint8  `json:"industry_group"`
	ArbitraryAddress uint8  `json:"arbitrary_address"`
}

func deviceOf(n j1939.NAME) Device {
	return Device{
		Identity: n.Identity(), Manufacturer: n.Manufacturer(), ECUInstance: n.ECUInstance(),
		FunctionInstance: n.FunctionInstance(), Function: n.Function(), DeviceClass: n.DeviceClass(),
		ClassInstance: n.ClassInstance(), IndustryGroup: n.IndustryGroup(), ArbitraryAddress: n.ArbitraryAddress(),
	}
}

// Lights are the warning lamps a device asks for.
type Lights struct {
	Malfunction string `json:"malfunction"`
	Red         string `json:"red_stop"`
	Amber       string `json:"amber_warning"`
	Protect     string `json:"protect"`
}

// Talker is a sender.
type Talker struct {
	Address uint8   `json:"address"`
	Words   string  `json:"words"` // who it is, by its NAME; or what usually has this address
	NAME    string  `json:"name_hex,omitempty"`
	Device  *Device `json:"name"` // nil: it claimed no address while it was heard
	Frames  int64   `json:"frames"`
	Last    Moment  `json:"last"`
	Lamps   *Lights `json:"lamps"`
}

// Move is a device that changed its address.
type Move struct {
	At    Moment `json:"at"`
	NAME  string `json:"name_hex"`
	Words string `json:"words"`
	From  *uint8 `json:"from"` // nil: it had none that was heard
	To    *uint8 `json:"to"`   // nil: it found none
	Took  string `json:"took_from,omitempty"`
}

// Group is one parameter group of one sender, or one 11-bit identifier.
type Group struct {
	PGN    uint32    `json:"pgn"`
	Source uint8     `json:"source"`
	ID     string    `json:"id,omitempty"` // of an 11-bit identifier, hexadecimal; PGN and Source are 0 then
	Key    string    `json:"key"`
	Count  int64     `json:"count"`
	Frames int64     `json:"frames"`
	Period *Quantity `json:"period"` // median of the newest gaps; nil below two messages
	Even   bool      `json:"even"`   // it comes evenly
	Last   Moment    `json:"last"`

	// Recent is how long before Until each of its newest messages came, within a second, newest first; at most 65.
	Recent []time.Duration `json:"-"`
}

// Trouble is one fault that a device reports.
type Trouble struct {
	Source     uint8  `json:"source"`
	SPN        uint32 `json:"spn"`
	FMI        uint8  `json:"fmi"`
	Words      string `json:"words"` // of the failure mode
	Count      *uint8 `json:"count"` // nil: not known
	Conversion uint8  `json:"conversion"`
	Active     bool   `json:"active"`
	Since      Moment `json:"since"`
	Last       Moment `json:"last"`
}

func (s stamp) moment() Moment { return Moment{s.at, s.utc} }

// moment dates a time of the frames' clock by the newest frame.
func (t *Tracker) moment(at time.Duration) Moment {
	m := Moment{At: at}
	if !t.last.utc.IsZero() {
		m.UTC = t.last.utc.Add(at - t.last.at)
	}
	return m
}

// Picture returns everything known now, in one order whatever came.
func (t *Tracker) Picture() Picture {
	p := Picture{
		Link: t.o.Link, From: t.first.moment(), Until: t.last.moment(), Frames: t.frames, Remote: t.remote,
		Dropped: t.dropped, Malformed: t.malformed, Controller: t.health(), OnlyErrors: t.controller.OnlyErrors(),
		Passed: t.passed, Unlisted: t.faulted, Moves: t.changed, Talkers: t.heardTalkers(), Changes: t.moves(),
		Groups: t.listGroups(), Faults: t.troubles(),
	}
	if d := t.now - t.last.at; t.heard && d >= silence {
		p.Silent = &Quantity{rounded(d.Seconds(), 10), "s"}
	}
	t.fill(&p)
	r, alone := t.lone.Now()
	p.Thinned, p.Unkept = r.Thinned, r.Passed
	if alone {
		p.Alone = &Alone{
			Frame: r.Frame, Since: t.moment(r.Since), Repeats: r.Repeats, Words: t.lone.Words(),
			Rate: Quantity{rounded(r.Rate, 10), "/s"}, Bitrate: Quantity{float64(r.Bitrate), "bit/s"},
		}
	}
	const few = 3 // messages that tell no rate yet
	for i := range p.Groups {
		g := &p.Groups[i]
		if g.Even && g.Count > few && g.Key != signals.Unknown && !onEvent(g.PGN) && (p.Slowest == nil || g.Period.Value > p.Slowest.Period.Value) {
			p.Slowest = g
		}
	}
	p.Remarks = t.remarks(&p)
	return p
}

// rounded keeps so many parts of a whole.
func rounded(v, parts float64) float64 { return math.Round(v*parts) / parts }

// onEvent reports whether a group of the network itself comes when something happens and not by the clock.
func onEvent(pgn uint32) bool {
	return pgn == j1939.PGNAddressClaim || pgn == j1939.PGNRequest || pgn == j1939.PGNAcknowledge
}

func percent(share float64) *Quantity {
	return &Quantity{math.Round(share*1e4) / 1e2, "%"}
}

// fill reckons the load against the bitrate, or the slowest usual one that could have carried the traffic: J1939,
// ISO 11783 and NMEA 2000 run at 250 kbit/s, newer J1939 at 500.
func (t *Tracker) fill(p *Picture) {
	rate := t.o.Bitrate
	span := t.covered.Seconds()
	if rate <= 0 {
		p.Reckoned = true
		mean := 0.0
		if span > 0 {
			mean = float64(t.bits) / span
		}
		const most = 1_000_000
		for rate = 250_000; rate < most && max(mean, float64(t.busier)) > float64(rate); {
			rate *= 2
		}
	}
	p.Bitrate = Quantity{float64(rate), "bit/s"}
	if span <= 0 {
		return
	}
	p.Load = percent(float64(t.bits) / span / float64(rate))
	const short = 2 // seconds, of which none may have been whole
	if span < short {
		return
	}
	p.Busiest = percent(float64(t.busier) / float64(rate))
	p.Second = percent(float64(t.full) / float64(rate))
}

func (t *Tracker) health() Health {
	state, since := t.controller.State()
	h := Health{State: state, Since: t.moment(since), Words: t.controller.Words(), Counts: t.controller.Counts()}
	if tx, rx, ok := t.controller.Errors(); ok {
		h.Sending, h.Hearing = &tx, &rx
	}
	return h
}

func (t *Tracker) heardTalkers() []Talker {
	out := []Talker{}
	for i := range t.talkers {
		s := &t.talkers[i]
		if s.frames == 0 && !s.claimed {
			continue
		}
		k := Talker{Address: uint8(i), Frames: s.frames, Last: s.last.moment()}
		switch usual := addressWords(k.Address); {
		case s.claimed:
			d := deviceOf(s.name)
			k.Device, k.NAME, k.Words = &d, nameText(s.name), NAMEWords(s.name)
		case k.Address == j1939.Null:
			k.Words = usual
		case usual != "":
			k.Words = "no NAME heard; this address is usually: " + usual
		default:
			k.Words = "no NAME heard"
		}
		if s.lit {
			k.Lamps = &Lights{
				Malfunction: s.lamps.Malfunction.String(), Red: s.lamps.RedStop.String(),
				Amber: s.lamps.AmberWarning.String(), Protect: s.lamps.Protect.String(),
			}
		}
		out = append(out, k)
	}
	return out
}

func nameText(n j1939.NAME) string { return fmt.Sprintf("%016X", uint64(n)) }

func (t *Tracker) moves() []Move {
	out := make([]Move, 0, len(t.changes))
	for _, c := range t.changes {
		m := Move{At: c.at.moment(), NAME: nameText(c.NAME), Words: NAMEWords(c.NAME)}
		if c.From != j1939.Null {
			m.From = &c.From
		}
		if c.To < j1939.Null {
			m.To = &c.To
		}
		if c.Took {
			m.Took = nameText(c.Before)
		}
		out = append(out, m)
	}
	return out
}

func (t *Tracker) listGroups() []Group {
	order := make([]*group, len(t.groups))
	for i := range t.groups {
		order[i] = &t.groups[i]
	}
	slices.SortFunc(order, compareGroups)
	out := make([]Group, 0, len(order))
	for _, g := range order {
		k := Group{Key: g.name, Count: g.count, Frames: g.frames, Last: g.last.moment()}
		if g.key.extended {
			k.PGN, k.Source = g.key.id>>8, uint8(g.key.id&0xFF)
		} else {
			k.ID = fmt.Sprintf("%03X", g.key.id)
		}
		if period, even, ok := g.period(); ok {
			k.Period, k.Even = &Quantity{rounded(period.Seconds(), 1e6), "s"}, even
		}
		k.Recent = g.recent(max(t.now, t.last.at))
		out = append(out, k)
	}
	return out
}

func (t *Tracker) troubles() []Trouble {
	out := make([]Trouble, 0, len(t.faults))
	for _, f := range t.faults {
		k := Trouble{
			Source: f.source, SPN: f.dtc.SPN, FMI: f.dtc.FMI, Words: failureWords(f.dtc.FMI), Conversion: f.dtc.Conversion,
			Active: f.active, Since: f.since.moment(), Last: f.last.moment(),
		}
		if f.dtc.CountKnown() {
			n := f.dtc.Count
			k.Count = &n
		}
		out = append(out, k)
	}
	slices.SortFunc(out, compareTroubles)
	return out
}

func compareTroubles(a, b Trouble) int {
	switch {
	case a.Active != b.Active && a.Active:
		return -1
	case a.Active != b.Active:
		return 1
	case a.Source != b.Source:
		return int(a.Source) - int(b.Source)
	case a.SPN != b.SPN:
		return int(a.SPN) - int(b.SPN)
	}
	return int(a.FMI) - int(b.FMI)
}

// Remarks are what a person should know first of the link as it is now; empty where all is well.
func (t *Tracker) Remarks() []string { p := t.Picture(); return p.Remarks }

func (t *Tracker) remarks(p *Picture) []string {
	out := []string{}
	say := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	reports := p.Controller.Counts.Reports
	switch {
	case p.Alone != nil:
		out = append(out, p.Alone.Words)
	case p.Controller.State == Off:
		how := "set the link up again: sudo airhold link"
		if t.o.Link != "" {
			how = "sudo systemctl restart airhold-can@" + t.o.Link + ", or sudo airhold link " + t.o.Link
		}
		say("The controller has left the bus (bus off) and hears nothing until it is started anew: "+
			"check the wires and the bitrate, then %s.", how)
	case p.OnlyErrors:
		say("Only errors are heard, and not one frame. The bitrate is probably wrong (most machines use 250 or 500 kbit/s); " +
			"else the two wires are swapped, or one is off.")
	case p.Frames == 0:
		say("Nothing is heard. Is the machine's key on, and the plug in?")
	case p.Controller.State == Passive, p.Controller.State == Warning:
		say("The controller meets many errors: check the bus's two terminators, the plugs and the pair for chafing.")
	}
	if p.Silent != nil && p.Controller.State != Off {
		say("Nothing has been heard for %.0f s: the key is off, or the plug is out.", p.Silent.Value)
	}
	if t.o.Limited {
		say("Only some groups are heard here (hear, in the machine file): the load and the lists are of those alone.")
	}
	if n := p.Controller.Counts.Overflows; n > 0 {
		say("The controller itself ran over %d times: frames were lost before the box had them.", n)
	}
	if p.Dropped > 0 {
		say("%d frames were lost because the box did not take them in time.", p.Dropped)
	}
	if p.Malformed > 0 {
		say("%d things that are no classic CAN frames were passed over.", p.Malformed)
	}
	if p.Alone == nil && p.Thinned > 0 {
		say("For a time one device talked alone: %d repeats of one frame were counted and not kept one by one.", p.Thinned)
	}
	if p.Unkept > 0 {
		say("%d error reports that told nothing new were counted and not kept one by one.", p.Unkept)
	}
	const few, mean = 20, 10 // so many error reports, and so many a minute, are worth a word
	if m := t.covered.Minutes(); len(out) == 0 && reports > few && float64(reports) > mean*m {
		say("The controller reported %d errors in %.0f min.", reports, math.Ceil(m))
	}
	return out
}
