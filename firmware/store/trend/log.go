// SPDX-License-Identifier: Apache-2.0

package trend

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

// readTail sums up what of the present boot is in its log and in no kept minute yet.
func (r *run) readTail(ctx context.Context, b *boot) error {
	from, err := r.kept.SeqAt(ctx, b.Number, b.Last)
	if err != nil {
		return err
	}
	p, err := store.OpenPresent(ctx, r.o.Dir, b.ID)
	if err != nil {
		return err
	}
	defer p.Close() //nolint:errcheck // it was only read
	more, err := p.Clock(ctx, from)
	if err != nil {
		return err
	}
	b.Clock = appendClock(b.Clock, more)
	var channels []readings.Channel
	for _, id := range r.q.Channels {
		if k, ok := b.table[id]; ok && b.Series[k].Channel {
			channels = append(channels, readings.Channel(k)) //nolint:gosec // a table has no more than fit
		}
	}
	if len(channels) == 0 {
		// How far the boot reaches, any channel says.
		channels = append(channels, 0)
	}
	t := tail{series: len(b.Series), after: b.Last}
	err = p.Readings(ctx, from, channels, func(v *readings.Reading) bool { t.add(v); return true })
	b.tail = t.minutes
	if len(b.tail) > 0 {
		b.last = b.tail[len(b.tail)-1].Number
		if b.Last < b.First {
			b.First = b.tail[0].Number
		}
	}
	return err
}

// appendClock adds samples that are newer.
func appendClock(all, more []clock.Sample) []clock.Sample {
	for _, c := range more {
		if len(all) == 0 || c.Boot > all[len(all)-1].Boot {
			all = append(all, c)
		}
	}
	return all
}

// tail makes minutes of readings.
type tail struct {
	series  int
	after   int64 // minutes up to this one are kept already
	minutes []store.Minute
}

func (t *tail) add(v *readings.Reading) {
	number := int64(v.At / store.MinuteSpan)
	if v.At < 0 || number <= t.after || v.Channel < 0 || int(v.Channel) >= t.series {
		return
	}
	i := len(t.minutes)
	for i > 0 && t.minutes[i-1].Number >= number {
		i--
	}
	if i == len(t.minutes) || t.minutes[i].Number != number {
		t.minutes = slices.Insert(t.minutes, i, store.Minute{Number: number, Tallies: make([]store.Tally, t.series)})
	}
	tally := &t.minutes[i].Tallies[v.Channel]
	if v.Quality != readings.Good {
		tally.Bad++
		return
	}
	tally.Add(v.Value)
}

// readings lays a boot's readings into the fine buckets.
func (r *run) readings(ctx context.Context, b *boot, shares []stretch) error {
	channels, curves := r.wanted(b)
	if len(channels) == 0 {
		return nil
	}
	begin, end := shares[0].from, shares[len(shares)-1].to
	from, err := r.kept.SeqAt(ctx, b.Number, int64(begin/store.MinuteSpan))
	if err != nil {
		return err
	}
	one := store.Tally{}
	take := func(v *readings.Reading) bool {
		c := curves[v.Channel]
		if c == nil || !slices.ContainsFunc(shares, func(s stretch) bool { return v.At >= s.from && v.At <= s.to }) {
			return v.At < end+2*store.MinuteSpan // what comes later yet was made before
		}
		ns, _ := b.offsets.UTC(v.At)
		i := r.fine.bucket(ns)
		if i < 0 {
			return true
		}
		if one = (store.Tally{}); v.Quality == readings.Good {
			one.Add(v.Value)
		} else {
			one.Bad = 1
		}
		c.buckets[i].add(&one)
		return true
	}
	if b.ID == r.o.Present {
		p, err := store.OpenPresent(ctx, r.o.Dir, b.ID)
		if err != nil {
			return err
		}
		defer p.Close() //nolint:errcheck // it was only read
		return p.Readings(ctx, from, channels, take)
	}
	rec, err := openRecorded(r.o.Dir, b.ID)
	if errors.Is(err, fs.ErrNotExist) {
		r.note(fmt.Sprintf("The readings of boot %s are deleted; its minutes are kept: ask for more than an hour.", b.ID))
		return nil
	}
	if err != nil {
		r.note(fmt.Sprintf("The readings of boot %s cannot be read (%v); its minutes are kept: ask for more than an hour.", b.ID, err))
		return nil
	}
	defer rec.Close() //nolint:errcheck // it was only read
	if err := rec.SkipTo(from); err != nil {
		return err
	}
	return each(ctx, rec, take)
}

// openRecorded opens a closed boot as it is there.
func openRecorded(dir, id string) (*sealed.Recording, error) {
	base := filepath.Join(dir, "boot-"+id)
	var err error
	for _, end := range []string{".db", ".events.parquet"} {
		if _, err = os.Stat(base + end); err == nil {
			return sealed.Open(base + end)
		}
	}
	return nil, err
}

// beat is how many entries are read between two looks at whether to stop.
const beat = 1024

// each gives the readings of a recording until take returns false.
func each(ctx context.Context, rec *sealed.Recording, take func(v *readings.Reading) bool) error {
	var row store.Row
	for n := 0; ; n++ {
		if n%beat == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		err := rec.NextRow(&row)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if row.Entry.Kind == store.IsReading && !take(&row.Entry.Reading) {
			return nil
		}
	}
}

// Mend sums up what of closed boots is in no kept minute: the end of a boot that lost its power, and the whole of one that
// was recorded without minutes. A box calls it beside its work; what cannot be read is logged and left.
func Mend(ctx context.Context, dir, present string, log *slog.Logger) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		log.WarnContext(ctx, "minutes of earlier boots are not looked for", slog.Any("error", err))
		return
	}
	kept := map[string]*store.BootMinutes{}
	if m, err := store.OpenMinutes(ctx, dir); err == nil {
		all, err := m.Boots(ctx)
		if err = errors.Join(err, m.Close()); err != nil {
			log.WarnContext(ctx, "minutes of earlier boots are not looked for", slog.Any("error", err))
			return
		}
		for i := range all {
			kept[all[i].ID] = &all[i]
		}
	}
	done := map[string]bool{present: true}
	for _, e := range entries {
		id, ours := strings.CutPrefix(e.Name(), "boot-")
		plain, isPlain := strings.CutSuffix(id, ".db")
		events, isSealed := strings.CutSuffix(id, ".events.parquet")
		if id = plain; !isPlain {
			id = events
		}
		if !ours || !isPlain && !isSealed || done[id] || kept[id] != nil && kept[id].Whole || ctx.Err() != nil {
			continue
		}
		done[id] = true
		if err := mend(ctx, dir, id, kept[id]); err != nil && ctx.Err() == nil {
			log.WarnContext(ctx, "minutes of an earlier boot are not summed up", slog.String("boot", id), slog.Any("error", err))
		}
	}
}

func mend(ctx context.Context, dir, id string, b *store.BootMinutes) error {
	rec, err := openRecorded(dir, id)
	if err != nil {
		return err
	}
	defer rec.Close() //nolint:errcheck // it was only read
	a := rec.About()
	if b == nil {
		b = &store.BootMinutes{Number: a.Snapshot.Number, ID: id, Last: -1}
		for c := range readings.Channel(a.Table.Len()) { //nolint:gosec // a table has no more than fit
			in := a.Table.Info(c)
			b.Series = append(b.Series, store.Series{ID: in.ID, Channel: true, Unit: in.Unit, Reference: in.Reference})
		}
	}
	from := int64(1)
	if b.Last >= 0 {
		m, err := store.OpenMinutes(ctx, dir)
		if err != nil {
			return err
		}
		from, err = m.SeqAt(ctx, b.Number, b.Last)
		if err = errors.Join(err, m.Close()); err != nil {
			return err
		}
	}
	if err := rec.SkipTo(from); err != nil {
		return err
	}
	t := tail{series: len(b.Series), after: b.Last}
	if err := each(ctx, rec, func(v *readings.Reading) bool { t.add(v); return true }); err != nil {
		return err
	}
	after := time.Duration(-1)
	if n := len(b.Clock); n > 0 {
		after = b.Clock[n-1].Boot
	}
	return store.AddMinutes(ctx, dir, b, t.minutes, thin(a.Samples, after))
}

// thin keeps of a boot's clock samples after a time a few, and both sides of each change.
func thin(all []clock.Sample, after time.Duration) (out []clock.Sample) {
	var est clock.Estimate
	var last clock.Sample
	for i, c := range all {
		step := est.Set(c)
		jumped := step <= -clock.StepThreshold || step >= clock.StepThreshold || c.Quality != last.Quality
		if i > 0 && jumped && last.Boot > after && (len(out) == 0 || out[len(out)-1] != last) {
			out = append(out, last)
		}
		if c.Boot > after && (i == 0 || jumped || i == len(all)-1 || len(out) == 0 || c.Boot-out[len(out)-1].Boot >= keepClock) {
			out = append(out, c)
		}
		last = c
	}
	return out
}

// keepClock is how often a sample of a clock that does not jump is kept.
const keepClock = 10 * time.Minute
