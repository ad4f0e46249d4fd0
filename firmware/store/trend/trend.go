// SPDX-License-Identifier: Apache-2.0

// Package trend draws recorded time: what channels, and what the checks worked out, did in equal stretches of the wall
// clock, over however many boots there were.
//
// Words: a bucket is one stretch; a series is one channel or one thing that was worked out; fine series are made of the
// readings themselves, coarse ones of the minutes that the store keeps beside its logs. A bucket without a good reading is
// a hole, never a guess. A boot's times become wall times by its offset table, as in an export: what was recorded before
// the clock was set is placed by what the clock said later.
//
// It only reads, by connections of its own: of the boot that is being recorded in short reads, of closed boots from their
// files. Of a minute that lies across the edge of a bucket the whole goes where its middle lies; buckets begin where the
// newest boot's minutes do, so that this happens at older boots only.
package trend

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
	"airhold/sensors/units"
)

// Options say where the recordings are.
type Options struct {
	Dir     string // the box's data folder
	Present string // id of the boot that is being recorded; empty: none
}

// Answer is what was asked for.
type Answer struct {
	From   time.Time `json:"from"`  // begin of the first bucket of any series
	To     time.Time `json:"to"`    // end of the last one
	Clock  string    `json:"clock"` // quality of the box's clock when it answered
	Series []Series  `json:"series"`
	Boots  []Boot    `json:"boots"` // oldest first
	Unset  []Span    `json:"unset"` // stretches in which the clock was not set; they stand where it later said they belong
	Jumps  []Jump    `json:"jumps"` // of the wall clock
	Notes  []string  `json:"notes"` // what is not drawn, a sentence each
}

// Series is one curve: a list each of what its buckets hold.
type Series struct {
	ID        string           `json:"id"`
	Kind      string           `json:"kind"` // channel | derived
	Unit      string           `json:"unit"`
	Reference units.Reference  `json:"reference,omitempty"`
	Source    string           `json:"source"` // readings | minutes
	First     time.Time        `json:"first"`  // begin of the first bucket
	Step      findings.Measure `json:"step"`   // length of a bucket
	Min       Column           `json:"min"`
	Mean      Column           `json:"mean"`
	Max       Column           `json:"max"`
	Count     []int64          `json:"count"`
	Bad       []int64          `json:"bad"`
}

// Total is what the buckets of a series hold together, in its unit; NaN where none has a good reading.
func (s *Series) Total() (least, mean, most float64, count, bad int64) {
	var all bucket
	for i := range s.Count {
		all.merge(s.Count[i], s.Bad[i], s.Min[i], s.Mean[i], s.Max[i])
	}
	if all.count == 0 {
		return math.NaN(), math.NaN(), math.NaN(), 0, all.bad
	}
	return all.min, all.mean, all.max, all.count, all.bad
}

// Column is a number a bucket, in the series' unit; NaN is null.
type Column []float64

// MarshalJSON writes the shortest digits that are read as the same numbers.
func (c Column) MarshalJSON() ([]byte, error) {
	out := make([]*float64, len(c))
	for i := range c {
		if !math.IsNaN(c[i]) && !math.IsInf(c[i], 0) {
			out[i] = &c[i]
		}
	}
	return json.Marshal(out)
}

// Boot is one that has a share.
type Boot struct {
	Boot  string    `json:"boot"`
	From  time.Time `json:"from"` // of its share
	To    time.Time `json:"to"`
	Clock string    `json:"clock"` // best quality its clock ever had
}

// Span is a stretch of a boot.
type Span struct {
	Boot string    `json:"boot"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Jump is a step of the wall clock: after it, By more has passed on the wall than on the boot clock.
type Jump struct {
	Boot string           `json:"boot"`
	At   time.Time        `json:"at"` // by the clock after it
	By   findings.Measure `json:"by"`
}

func seconds(d time.Duration) findings.Measure {
	return findings.Measure{SI: d.Seconds(), Unit: units.Unit{Code: "s", Dim: units.Time, Factor: 1}}
}

// run is one question on its way.
type run struct {
	o      Options
	q      Query
	kept   *store.Minutes
	boots  []*boot
	fine   *grid // nil: nothing is fine
	coarse *grid
	curves []*curve
	out    *Answer
}

// boot is one of which minutes are kept.
type boot struct {
	*store.BootMinutes

	offsets *sealed.Offsets
	table   map[string]int // series by id
	tail    []store.Minute // of the present boot: what is not kept yet
	last    int64          // last minute there is
}

// stretch is a part of a boot between two jumps that reaches into what was asked for.
type stretch struct{ from, to time.Duration }

// grid is a row of buckets.
type grid struct {
	first time.Time
	step  time.Duration
	n     int
}

func (g *grid) bucket(ns int64) int {
	d := ns - g.first.UnixNano()
	if d < 0 {
		return -1
	}
	if i := d / int64(g.step); i < int64(g.n) {
		return int(i)
	}
	return -1
}

// curve is a series that is being put together.
type curve struct {
	store.Series

	grid    *grid
	buckets []bucket
}

type bucket struct {
	count, bad     int64
	min, max, mean float64
}

func (b *bucket) add(t *store.Tally) {
	b.merge(int64(t.Count), int64(t.Bad), t.Min, t.Mean, t.Max)
}

// merge lays into the bucket what another one holds.
func (b *bucket) merge(count, bad int64, least, mean, most float64) {
	b.bad += bad
	if count == 0 {
		return
	}
	if b.count == 0 {
		b.min, b.max, b.mean = least, most, 0
	}
	b.count += count
	b.min, b.max = min(b.min, least), max(b.max, most)
	b.mean += float64((mean - b.mean) * float64(float64(count)/float64(b.count)))
}

// Run answers a query. It ends early with ctx.
func Run(ctx context.Context, o Options, q Query) (*Answer, error) {
	r := &run{o: o, q: q, out: &Answer{To: q.To.UTC(), Clock: q.now.Quality.String(), Series: []Series{}, Boots: []Boot{}, Unset: []Span{}, Jumps: []Jump{}, Notes: []string{}}}
	kept, err := store.OpenMinutes(ctx, o.Dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, refuse("Nothing is kept to draw a trend of yet. The box keeps a summary of each minute, a minute after it is over.")
	}
	if err != nil {
		return nil, err
	}
	defer kept.Close() //nolint:errcheck // it was only read
	r.kept = kept
	if err := r.find(ctx); err != nil {
		return nil, err
	}
	if err := r.choose(); err != nil {
		return nil, err
	}
	r.lay()
	for _, b := range r.boots {
		if err := r.draw(ctx, b); err != nil {
			return nil, err
		}
	}
	r.finish()
	return r.out, nil
}

// find lists the boots, with what the present one has not kept yet.
func (r *run) find(ctx context.Context) error {
	all, err := r.kept.Boots(ctx)
	if err != nil {
		return err
	}
	for i := range all {
		b := &boot{BootMinutes: &all[i], table: map[string]int{}, last: all[i].Last}
		for k := range b.Series {
			if _, twice := b.table[b.Series[k].ID]; !twice {
				b.table[b.Series[k].ID] = k
			}
		}
		r.boots = append(r.boots, b)
		if b.ID == r.o.Present {
			if err := r.readTail(ctx, b); err != nil {
				return err
			}
		}
		b.offsets = sealed.NewOffsets(b.Clock)
		if len(b.offsets.Pieces()) == 0 && b.ID == r.o.Present && r.q.relative && !r.q.now.UTC.IsZero() {
			// Nobody knows the time, and nobody asked by it: the box's own, wrong as it is, says how long ago.
			now := r.q.now
			now.Quality = clock.Coarse
			b.offsets = sealed.NewOffsets([]clock.Sample{now})
			if len(b.offsets.Pieces()) > 0 {
				r.note("The clock is not set: times are counted back from now by the box's own clock, which nobody has set.")
			}
		}
	}
	return nil
}

func (r *run) note(s string) {
	if !slices.Contains(r.out.Notes, s) {
		r.out.Notes = append(r.out.Notes, s)
	}
}

// choose makes the wanted series of what any boot has; the newest boot says the unit.
func (r *run) choose() error {
	known := map[string]store.Series{}
	var ids []string
	for _, b := range r.boots {
		for _, s := range b.Series {
			if _, ok := known[s.ID]; !ok {
				ids = append(ids, s.ID)
			}
			known[s.ID] = s
		}
	}
	for _, id := range r.q.Channels {
		s, ok := known[id]
		if !ok {
			if like := store.Nearest(id, ids); like != "" {
				return refuse("There is no channel %q. Did you mean %q?", id, like)
			}
			return refuse("There is no channel %q. There are %s.", id, strings.Join(ids, ", "))
		}
		r.curves = append(r.curves, &curve{Series: s})
	}
	return nil
}

// lay chooses the buckets.
func (r *run) lay() {
	span := r.q.To.Sub(r.q.From)
	fine := fineStep(span, r.q.Points)
	if fine > 0 {
		r.fine = r.grid(fine, 0)
	}
	var phase int64
	for _, b := range r.boots {
		if p := b.offsets.Pieces(); len(p) > 0 {
			_, last := p[len(p)-1].Offset()
			phase = int64(last) % int64(store.MinuteSpan)
		}
	}
	r.coarse = r.grid(coarseStep(span, r.q.Points), phase)
	r.out.From = r.q.From.UTC()
	for _, c := range r.curves {
		c.grid = r.coarse
		if r.fine != nil && c.Channel {
			c.grid = r.fine
		}
		c.buckets = make([]bucket, c.grid.n)
		if c.grid.first.Before(r.out.From) {
			r.out.From = c.grid.first
		}
		if end := c.grid.first.Add(time.Duration(c.grid.n) * c.grid.step); end.After(r.out.To) {
			r.out.To = end
		}
	}
}

func (r *run) grid(step time.Duration, phase int64) *grid {
	from := r.q.From.UnixNano() - phase
	from -= ((from % int64(step)) + int64(step)) % int64(step)
	from += phase
	n := int((r.q.To.UnixNano() - from + int64(step) - 1) / int64(step))
	return &grid{time.Unix(0, from).UTC(), step, max(1, n)}
}

// draw lays a boot's share into the buckets.
func (r *run) draw(ctx context.Context, b *boot) error {
	if b.last < b.First && len(b.tail) == 0 {
		return nil
	}
	if len(b.offsets.Pieces()) == 0 {
		r.note(fmt.Sprintf("Boot %s is not drawn: the box did not know the time while it was recorded.", b.ID))
		return nil
	}
	shares := r.shares(b)
	if len(shares) == 0 {
		return nil
	}
	if !b.Whole && b.ID != r.o.Present {
		r.note(fmt.Sprintf("The end of boot %s is not summed up yet: ask again in some minutes.", b.ID))
	}
	for _, s := range shares {
		if err := r.minutes(ctx, b, s); err != nil {
			return err
		}
	}
	if r.fine != nil {
		if err := r.readings(ctx, b, shares); err != nil {
			return err
		}
	}
	r.tell(b, shares)
	return nil
}

// shares are the parts of a boot that reach into the buckets.
func (r *run) shares(b *boot) []stretch {
	from, to := r.out.From.UnixNano(), r.out.To.UnixNano()-1
	pieces := b.offsets.Pieces()
	end := time.Duration(b.last+1)*store.MinuteSpan - 1
	var out []stretch
	for i := range pieces {
		s := stretch{time.Duration(b.First) * store.MinuteSpan, end}
		if i > 0 {
			s.from = max(s.from, pieces[i].From)
		}
		if i+1 < len(pieces) {
			s.to = min(s.to, pieces[i+1].From-1)
		}
		first, last := pieces[i].Offset() // between them the clock was only slewed
		s.from = max(s.from, time.Duration(from-int64(max(first, last))))
		s.to = min(s.to, time.Duration(to-int64(min(first, last))))
		if s.from <= s.to {
			out = append(out, s)
		}
	}
	return out
}

// minutes lays the kept minutes of a stretch into the coarse buckets.
func (r *run) minutes(ctx context.Context, b *boot, s stretch) error {
	var coarse []*curve
	for _, c := range r.curves {
		if _, ok := b.table[c.ID]; ok && c.grid == r.coarse {
			coarse = append(coarse, c)
		}
	}
	if len(coarse) == 0 {
		return nil
	}
	lay := func(minute int64, all []store.Tally) {
		middle := time.Duration(minute)*store.MinuteSpan + store.MinuteSpan/2
		if middle < s.from || middle > s.to {
			return
		}
		ns, _ := b.offsets.UTC(middle)
		i := r.coarse.bucket(ns)
		if i < 0 {
			return
		}
		for _, c := range coarse {
			if k := b.table[c.ID]; k < len(all) {
				c.buckets[i].add(&all[k])
			}
		}
	}
	if err := r.kept.Rows(ctx, b.BootMinutes, int64(s.from/store.MinuteSpan), int64(s.to/store.MinuteSpan), lay); err != nil {
		return err
	}
	for i := range b.tail {
		lay(b.tail[i].Number, b.tail[i].Tallies)
	}
	return nil
}

// tell says which part a boot has, and what its clock did in it.
func (r *run) tell(b *boot, shares []stretch) {
	at := func(d time.Duration) time.Time {
		ns, _ := b.offsets.UTC(d)
		return time.Unix(0, ns).UTC().Truncate(time.Millisecond)
	}
	pieces := b.offsets.Pieces()
	from, to := shares[0].from, shares[len(shares)-1].to
	quality := pieces[0].Quality
	if len(b.Clock) > 0 && !slices.ContainsFunc(b.Clock, func(c clock.Sample) bool { return c.Quality != clock.Unset }) {
		quality = clock.Unset
	}
	r.out.Boots = append(r.out.Boots, Boot{b.ID, at(from), at(to), quality.String()})
	for i := 1; i < len(pieces); i++ {
		if t := pieces[i].From; t >= from && t <= to {
			_, before := pieces[i-1].Offset()
			after, _ := pieces[i].Offset()
			r.out.Jumps = append(r.out.Jumps, Jump{b.ID, at(t), seconds(after - before)})
		}
	}
	for i := range b.Clock {
		begin := b.Clock[i].Boot
		if b.Clock[i].Quality != clock.Unset || i > 0 && b.Clock[i-1].Quality == clock.Unset {
			continue
		}
		end := to
		if k := slices.IndexFunc(b.Clock[i:], func(c clock.Sample) bool { return c.Quality != clock.Unset }); k >= 0 {
			end = b.Clock[i+k].Boot
		}
		if i == 0 {
			begin = min(begin, time.Duration(b.First)*store.MinuteSpan)
		}
		if begin, end = max(begin, from), min(end, to); begin < end {
			r.out.Unset = append(r.out.Unset, Span{b.ID, at(begin), at(end)})
		}
	}
}

func (r *run) finish() {
	for _, c := range r.curves {
		s := Series{
			ID: c.ID, Kind: "derived", Unit: c.Unit.Code, Reference: c.Reference, Source: "minutes", First: c.grid.first, Step: seconds(c.grid.step),
		}
		if c.Channel {
			s.Kind = "channel"
		}
		if c.grid == r.fine {
			s.Source = "readings"
		}
		from := c.Unit.From
		if c.Unit.IsZero() {
			s.Unit, from = "1", func(si float64) float64 { return si }
		}
		for i := range c.buckets {
			b := &c.buckets[i]
			least, mean, most := math.NaN(), math.NaN(), math.NaN()
			if b.count > 0 {
				least, mean, most = from(b.min), from(b.mean), from(b.max)
			}
			s.Min, s.Mean, s.Max = append(s.Min, least), append(s.Mean, mean), append(s.Max, most)
			s.Count, s.Bad = append(s.Count, b.count), append(s.Bad, b.bad)
		}
		r.out.Series = append(r.out.Series, s)
	}
}

// wanted are the channels of a boot that are asked for, and the curve of each.
func (r *run) wanted(b *boot) (channels []readings.Channel, curves map[readings.Channel]*curve) {
	curves = map[readings.Channel]*curve{}
	for _, c := range r.curves {
		if k, ok := b.table[c.ID]; ok && b.Series[k].Channel && c.grid == r.fine {
			channels = append(channels, readings.Channel(k)) //nolint:gosec // a table has no more than fit
			curves[readings.Channel(k)] = c                  //nolint:gosec // the same
		}
	}
	return channels, curves
}
