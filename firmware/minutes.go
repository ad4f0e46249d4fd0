// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"math"
	"time"

	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/sensors/units"
)

// Minutes takes the summary of each minute of the boot clock, on the spine's goroutine, a minute after its end: so long a
// reading may be on its way, and so long it takes until it is settled whether the compressor ran. Nothing of m may be kept.
type Minutes interface {
	Minute(m *store.Minute, late int64)
}

// The series a minute has beside the channels, in this order; then the need of each rank.
const (
	seriesDuty     = "compressor.duty"     // share of the minute in which it delivered
	seriesRuns     = "compressor.runs"     // starts that were seen, an hour
	seriesDelivery = "compressor.delivery" // against its own baseline
	seriesGives    = "air.gives"           // what the compressor can give
	seriesUse      = "air.use"             // all takers and losses
	seriesLeak     = "air.leak"
	seriesWater    = "tank.water" // since the last drain
	seriesHold     = "tank.hold"  // what the tank lost over night, cooling taken out: once a morning
	seriesNeed     = "need."      // and the rank's name
)

const (
	atDuty = iota
	atRuns
	atDelivery
	atGives
	atUse
	atLeak
	atWater
	atHold
	atNeeds
)

// SeriesOf lists what a minute of a machine tells: its channels in the order of the table, then what the checks work out.
func SeriesOf(m *config.Machine, t *readings.Table) []store.Series {
	var out []store.Series
	for c := range readings.Channel(t.Len()) { //nolint:gosec // a table has no more than fit
		in := t.Info(c)
		out = append(out, store.Series{ID: in.ID, Channel: true, Unit: in.Unit, Reference: in.Reference})
	}
	ratio, air := units.Preferred(units.Ratio), units.Preferred(units.FlowRate)
	out = append(out,
		store.Series{ID: seriesDuty, Unit: ratio},
		store.Series{ID: seriesRuns, Unit: units.Unit{Code: "/h", Dim: units.Rate, Factor: 1.0 / 3600}},
		store.Series{ID: seriesDelivery, Unit: ratio},
		store.Series{ID: seriesGives, Unit: air, Reference: units.ANR},
		store.Series{ID: seriesUse, Unit: air, Reference: units.ANR},
		store.Series{ID: seriesLeak, Unit: air, Reference: units.ANR},
		store.Series{ID: seriesWater, Unit: units.Preferred(units.Volume3)},
		store.Series{ID: seriesHold, Unit: units.Preferred(units.Pressure)},
	)
	for i := range m.Ranks {
		out = append(out, store.Series{ID: seriesNeed + m.Ranks[i].Name, Unit: units.Preferred(units.Pressure), Reference: units.Gauge})
	}
	return out
}

// openMinutes is how many minutes are open at a time: the present one, the one before, and one that a reading may begin.
const openMinutes = 3

// minutes sums up what the spine is given and what its checks say. It is the spine's.
type minutes struct {
	to    Minutes
	base  int // series before those that are worked out
	open  [openMinutes]store.Minute
	now   int64 // minute of the newest tick
	begun bool
	late  int64 // readings that came too late for their minute, since the last one that was handed on
	runs  int
	held  bool // the night was told

	last   clock.Sample // of the wall clock
	keptAt time.Duration
	est    clock.Estimate
	clocks []clock.Sample
}

// keepClock is how often a sample of a clock that does not jump is kept.
const keepClock = 10 * time.Minute

func newMinutes(to Minutes, m *config.Machine, t *readings.Table) *minutes {
	k := &minutes{to: to, base: t.Len(), clocks: make([]clock.Sample, 0, 8)}
	n := len(SeriesOf(m, t))
	for i := range k.open {
		k.open[i].Tallies = make([]store.Tally, n)
	}
	return k
}

// at returns the open minute of a time; nil where that is none.
func (k *minutes) at(at time.Duration) *store.Minute {
	m := int64(at / store.MinuteSpan)
	if at < 0 || !k.begun || m < k.now-1 || m > k.now+1 {
		return nil
	}
	return &k.open[m%openMinutes]
}

// begin opens minutes with the first entry.
func (k *minutes) begin(at time.Duration) {
	if !k.begun && at >= 0 {
		k.begun, k.now = true, int64(at/store.MinuteSpan)
		k.number()
	}
}

func (k *minutes) number() {
	for m := max(0, k.now-1); m <= k.now+1; m++ {
		k.open[m%openMinutes].Number = m
	}
}

// read takes a reading as it was logged.
func (k *minutes) read(r *readings.Reading) {
	m := k.at(r.At)
	if m == nil || r.Channel < 0 || int(r.Channel) >= k.base {
		k.late++
		return
	}
	t := &m.Tallies[r.Channel]
	if r.Quality != readings.Good {
		t.Bad++
		return
	}
	t.Add(r.Value)
}

// clock takes a sample of the wall clock and keeps a few: the first, one now and then, and both sides of each change.
func (k *minutes) clock(c clock.Sample) {
	first := k.last == clock.Sample{}
	step := k.est.Set(c)
	jumped := step <= -clock.StepThreshold || step >= clock.StepThreshold || c.Quality != k.last.Quality
	switch {
	case !first && jumped:
		k.clocks = append(k.clocks, k.last, c)
		k.keptAt = c.Boot
	case first || c.Boot-k.keptAt >= keepClock:
		k.clocks = append(k.clocks, c)
		k.keptAt = c.Boot
	}
	k.last = c
}

// tick lets a second pass: what the checks say now is counted, and minutes that are over are handed on.
func (k *minutes) tick(s *Spine, at time.Duration) {
	for to := int64(at / store.MinuteSpan); k.now < to; k.number() {
		if to-k.now >= openMinutes { // the box slept
			k.close(s, k.now-1)
			k.close(s, k.now)
			k.close(s, k.now+1)
			k.now = to
			continue
		}
		k.close(s, k.now-1)
		k.now++
	}
	if m := k.at(at); m != nil {
		k.look(s, m.Tallies[k.base:])
	}
}

// look counts what the checks say at a tick.
func (k *minutes) look(s *Spine, t []store.Tally) {
	runs := s.comp.RunCount()
	if known, _, _ := s.comp.Works(); known || runs != k.runs {
		t[atRuns].Add(float64(runs - k.runs))
	}
	k.runs = runs
	if d, ok := s.comp.Delivery(); ok {
		t[atDelivery].Add(d.Ratio)
	}
	b := s.supply.Budget()
	if b.GivesKnown {
		t[atGives].Add(b.Gives)
	}
	if b.UseKnown {
		t[atUse].Add(b.Use)
	}
	if b.Split && !b.Leak.IsZero() {
		t[atLeak].Add(b.Leak.SI)
	}
	if w, ok := s.water.Level(); ok {
		t[atWater].Add(w.SI)
	}
	if h := s.night.Held(); !k.held && len(h) > 0 {
		k.held = true
		if h[0].Known && h[0].Where == tankPlace {
			t[atHold].Add(h[0].Lost.SI)
		}
	}
	for i := range s.supply.Ranks() {
		if r := s.supply.Rank(i); r.Known && atNeeds+i < len(t) {
			t[atNeeds+i].Add(r.Need)
		}
	}
}

// close hands a minute on, unless it is empty, and empties it.
func (k *minutes) close(s *Spine, number int64) {
	if number < 0 {
		return
	}
	m := &k.open[number%openMinutes]
	from := time.Duration(number) * store.MinuteSpan
	if share, known := s.comp.OnShare(from, from+store.MinuteSpan); known {
		m.Tallies[k.base+atDuty].Add(share)
	}
	if t := &m.Tallies[k.base+atRuns]; t.Count > 0 { // from starts a second to starts of the minute, an hour
		starts := math.Round(t.Mean * float64(t.Count))
		*t = store.Tally{}
		t.Add(starts / store.MinuteSpan.Seconds())
	}
	some := false
	for i := range m.Tallies {
		some = some || m.Tallies[i].Count > 0 || m.Tallies[i].Bad > 0
	}
	if some || len(k.clocks) > 0 {
		m.Clock = k.clocks
		k.to.Minute(m, k.late)
		k.clocks, k.late = k.clocks[:0], 0
	}
	clear(m.Tallies)
	m.Clock = nil
}

// end hands on what is open.
func (k *minutes) end(s *Spine) {
	if !k.begun {
		return
	}
	if k.last != (clock.Sample{}) && k.last.Boot != k.keptAt {
		k.clocks = append(k.clocks, k.last)
	}
	for m := k.now - 1; m <= k.now+1; m++ {
		k.close(s, m)
	}
}

// Minute keeps a minute for the trends and tells it.
func (v voice) Minute(m *store.Minute, late int64) {
	b := v.b
	if b.keep {
		b.o.Store.KeepMinute(m)
	}
	at := time.Duration(m.Number) * store.MinuteSpan
	out := publish.Minute{Stamp: b.stamp(at + store.MinuteSpan), From: known(b.spine.UTC(at).Truncate(time.Millisecond)), Late: late, Values: []publish.Summary{}}
	for i := range m.Tallies {
		t := &m.Tallies[i]
		if t.Count == 0 && t.Bad == 0 {
			continue
		}
		in := &b.series[i]
		value := publish.Summary{ID: in.ID, Unit: in.Unit.Code, Reference: in.Reference, Count: t.Count, Bad: t.Bad}
		if in.Unit.IsZero() {
			value.Unit = "1"
		}
		if t.Count > 0 {
			value.Min, value.Mean, value.Max = inUnit(in, t.Min), inUnit(in, t.Mean), inUnit(in, t.Max)
		}
		out.Values = append(out.Values, value)
	}
	b.said(b.outlet.Minute(out))
}

// inUnit is a number as contracts write it.
func inUnit(in *store.Series, si float64) *float64 {
	if !in.Unit.IsZero() {
		si = in.Unit.From(si)
	}
	return rounded(si)
}

func rounded(v float64) *float64 {
	v = findings.Round(v)
	return &v
}
