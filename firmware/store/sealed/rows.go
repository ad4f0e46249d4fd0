// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
)

// Reading is one row of a file of readings.
type Reading struct {
	Seq         int64    `parquet:"seq,delta"`                                // place in the boot's log
	At          int64    `parquet:"boot_time,delta"`                          // ns of the boot clock
	UTC         int64    `parquet:"utc,optional,delta,timestamp(nanosecond)"` // null where the boot never knew the time
	Clock       string   `parquet:"clock,dict"`                               // quality of utc
	Channel     string   `parquet:"channel,dict"`                             // id of the machine file
	Raw         int32    `parquet:"raw,dict"`                                 // the converter's code; 0 where there is none
	Volts       float64  `parquet:"volts,dict"`                               // what the converter saw; 0 where there is none
	Value       *float64 `parquet:"value,optional,dict"`                      // in unit; null unless quality is ok
	Unit        string   `parquet:"unit,dict"`                                // UCUM
	SI          float64  `parquet:"si,dict"`                                  // the same, as the checks had it
	Quality     string   `parquet:"quality,dict"`
	Calibration int64    `parquet:"calibration,optional"` // id in the file's metadata; null where none is known
}

// Event is one row of a file of events: everything that entered the spine and is no reading.
type Event struct {
	Seq   int64  `parquet:"seq,delta"`
	At    int64  `parquet:"boot_time,delta"`
	UTC   int64  `parquet:"utc,optional,delta,timestamp(nanosecond)"`
	Clock string `parquet:"clock,dict"`
	Kind  string `parquet:"kind,dict"` // tick, command, clock, fault, gap
	Text  string `parquet:"json"`      // JSON; empty for a tick
}

// The kinds of event.
const (
	kindTick    = "tick"
	kindCommand = "command"
	kindClock   = "clock"
	kindFault   = "fault"
	kindGap     = "gap"
)

// Maker makes rows of what a boot gives. One goroutine owns it.
type Maker struct {
	table   *readings.Table
	offsets *Offsets
}

// NewMaker returns a Maker for the channels of a boot and its offset table.
func NewMaker(table *readings.Table, offsets *Offsets) *Maker { return &Maker{table, offsets} }

// Reading fills row; value is where its Value may point to.
func (m *Maker) Reading(row *Reading, value *float64, r *store.Row) {
	v := &r.Entry.Reading
	in := m.table.Info(v.Channel)
	utc, q := m.offsets.UTC(v.At)
	*row = Reading{
		Seq: r.Seq, At: int64(v.At), UTC: utc, Clock: q.String(), Channel: m.channel(v.Channel), Raw: v.Raw, Volts: v.Volts,
		Unit: in.Unit.Code, SI: v.Value, Quality: qualityWord(v.Quality), Calibration: r.Calibration,
	}
	if v.Quality == readings.Good && !in.Unit.IsZero() {
		*value = in.Unit.From(v.Value)
		row.Value = value
	}
}

// channel is a channel's id; one outside the table, which only a damaged recording has, is named by its number.
func (m *Maker) channel(c readings.Channel) string {
	if id := m.table.Info(c).ID; id != "" {
		return id
	}
	return "#" + strconv.Itoa(int(c))
}

func channelOf(word string, t *readings.Table) (readings.Channel, bool) {
	if c := t.Find(word); c != readings.NoChannel {
		return c, true
	}
	number, ok := strings.CutPrefix(word, "#")
	n, err := strconv.ParseInt(number, 10, 16)
	return readings.Channel(n), ok && err == nil
}

// qualityWord is the quality's word; a number that means nothing, which only a damaged recording has, is kept.
func qualityWord(q readings.Quality) string {
	if w := q.String(); w != "unknown" {
		return w
	}
	return "#" + strconv.Itoa(int(q))
}

func qualities() map[string]readings.Quality {
	m := map[string]readings.Quality{}
	for q := range 256 {
		m[qualityWord(readings.Quality(q))] = readings.Quality(q)
	}
	return m
}

// Event fills row from an entry that is no reading.
func (m *Maker) Event(row *Event, r *store.Row) error {
	e := &r.Entry
	utc, q := m.offsets.UTC(e.At)
	*row = Event{Seq: r.Seq, At: int64(e.At), UTC: utc, Clock: q.String()}
	var what any
	switch e.Kind {
	case store.IsTick:
		row.Kind = kindTick
		return nil
	case store.IsCommand:
		row.Kind, what = kindCommand, e.Command
	case store.IsClock:
		row.Kind, what = kindClock, clockOf(e.Clock)
	case store.IsFault:
		row.Kind, what = kindFault, faultOf(e.Fault)
	default:
		return fmt.Errorf("entry %d is of unknown kind %d", r.Seq, e.Kind)
	}
	text, err := json.Marshal(what)
	if err != nil {
		return fmt.Errorf("entry %d: %w", r.Seq, err)
	}
	row.Text = string(text)
	return nil
}

// gap makes the row of a gap. It has the number of the entry that follows.
func (m *Maker) gap(g store.Gap) Event {
	utc, q := m.offsets.UTC(g.Since)
	return Event{
		Seq: g.Seq, At: int64(g.Since), UTC: utc, Clock: q.String(), Kind: kindGap,
		Text: `{"lost":` + strconv.FormatInt(g.Lost, 10) + `}`,
	}
}

// gap is the way back.
func (row *Event) gap() (store.Gap, error) {
	var t struct {
		Lost int64 `json:"lost"`
	}
	if err := json.Unmarshal([]byte(row.Text), &t); err != nil {
		return store.Gap{}, fmt.Errorf("event %d: %w", row.Seq, err)
	}
	return store.Gap{Seq: row.Seq, Lost: t.Lost, Since: time.Duration(row.At)}, nil
}

// clockText is a clock sample: whole numbers, because a clock may say any year.
type clockText struct {
	Boot    int64  `json:"boot"`
	UTC     *int64 `json:"utc_s,omitempty"`
	Nano    int    `json:"utc_ns,omitempty"`
	Quality uint8  `json:"quality"`
	Words   string `json:"words"`
}

func clockOf(c clock.Sample) clockText {
	t := clockText{Boot: int64(c.Boot), Quality: uint8(c.Quality), Words: c.Quality.String()}
	if !c.UTC.IsZero() {
		s := c.UTC.Unix()
		t.UTC, t.Nano = &s, c.UTC.Nanosecond()
	}
	return t
}

func (t *clockText) sample() clock.Sample {
	c := clock.Sample{Boot: time.Duration(t.Boot), Quality: clock.Quality(t.Quality)}
	if t.UTC != nil {
		c.UTC = time.Unix(*t.UTC, int64(t.Nano)).UTC()
	}
	return c
}

type faultText struct {
	Heard  int64  `json:"heard"`
	Source uint8  `json:"source"`
	SPN    uint32 `json:"spn"`
	FMI    uint8  `json:"fmi"`
	Count  uint8  `json:"count"`
	Gone   bool   `json:"gone"`
}

func faultOf(f readings.MachineFault) faultText {
	return faultText{int64(f.At), f.Source, f.SPN, f.FMI, f.Count, f.Gone}
}

// entry turns a row back into what was recorded. A gap is none.
func (row *Event) entry(r *store.Row) error {
	*r = store.Row{Seq: row.Seq, Entry: store.Entry{At: time.Duration(row.At)}}
	e := &r.Entry
	var err error
	switch row.Kind {
	case kindTick:
		e.Kind = store.IsTick
	case kindCommand:
		e.Kind, e.Command = store.IsCommand, new(alarms.Command)
		err = json.Unmarshal([]byte(row.Text), e.Command)
	case kindClock:
		var t clockText
		err = json.Unmarshal([]byte(row.Text), &t)
		e.Kind, e.Clock = store.IsClock, t.sample()
	case kindFault:
		var t faultText
		err = json.Unmarshal([]byte(row.Text), &t)
		e.Kind = store.IsFault
		e.Fault = readings.MachineFault{At: time.Duration(t.Heard), Source: t.Source, SPN: t.SPN, FMI: t.FMI, Count: t.Count, Gone: t.Gone}
	default:
		err = fmt.Errorf("unknown kind %q", row.Kind)
	}
	if err != nil {
		return fmt.Errorf("event %d: %w", row.Seq, err)
	}
	return nil
}

// recorded is the part of a reading that was recorded; the rest follows from it.
type recorded struct {
	Seq         int64   `parquet:"seq"`
	At          int64   `parquet:"boot_time"`
	Channel     string  `parquet:"channel"`
	Raw         int32   `parquet:"raw"`
	Volts       float64 `parquet:"volts"`
	SI          float64 `parquet:"si"`
	Quality     string  `parquet:"quality"`
	Calibration int64   `parquet:"calibration,optional"`
}

// sameBits compares two numbers as they are stored: minus zero is not zero, and a NaN is itself.
func sameBits(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

// row is the way back from a row to what was recorded; ok is false for words that no airhold writes.
func (x *Reading) row(t *readings.Table, words map[string]readings.Quality) (r store.Row, ok bool) {
	c, ok1 := channelOf(x.Channel, t)
	q, ok2 := words[x.Quality]
	r = store.Row{Seq: x.Seq, Calibration: x.Calibration}
	r.Entry.Kind, r.Entry.At = store.IsReading, time.Duration(x.At)
	r.Entry.Reading = readings.Reading{At: time.Duration(x.At), Value: x.SI, Volts: x.Volts, Raw: x.Raw, Channel: c, Quality: q}
	return r, ok1 && ok2
}

// same compares two rows bit by bit.
func (x *Reading) same(y *Reading) bool {
	a, b := *x, *y
	values := a.Value == nil && b.Value == nil || a.Value != nil && b.Value != nil && sameBits(*a.Value, *b.Value)
	bits := sameBits(a.SI, b.SI) && sameBits(a.Volts, b.Volts)
	a.Value, b.Value, a.SI, b.SI, a.Volts, b.Volts = nil, nil, 0, 0, 0, 0
	return a == b && values && bits
}

func channelAt(i int) readings.Channel { return readings.Channel(i) } //nolint:gosec // a table has no more than fit
