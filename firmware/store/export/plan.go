// SPDX-License-Identifier: Apache-2.0

package export

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
)

// plan is which boots have a share in an export, and which part of each.
type plan struct {
	o     *Options
	boots []part
	notes []string
	test  *test
	ids   []string // of all channels
}

// part is a boot with what was asked for of it.
type part struct {
	found   sealed.Found
	entries int64 // up to this one: a box may go on recording meanwhile
	span    span  // of the boot clock; from a leak-down test
}

type span struct{ From, To time.Duration }

// test is when a leak-down test was, by the wall clock that the box had then.
type test struct{ from, to time.Time }

func (p *plan) find() error {
	if p.o.Run != "" {
		if err := p.findTest(); err != nil {
			return err
		}
	}
	boots, err := sealed.List(p.o.Data)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return refuse("there is no folder %s; name the box's data folder", p.o.Data)
	case err != nil:
		return err
	case len(boots) == 0:
		return nothing("no recorded boot in %s; name the box's data folder", p.o.Data)
	}
	for _, b := range boots {
		if err := p.look(b); err != nil {
			p.notes = append(p.notes, fmt.Sprintf("boot %s was left out: %v", b.ID, err))
		}
	}
	if err := p.channels(); err != nil {
		return err
	}
	if len(p.boots) == 0 {
		return nothing("%s", p.none(p.notes))
	}
	return nil
}

// none says that nothing was found, and of what.
func (p *plan) none(notes []string) string {
	s := "nothing of that is recorded in " + p.o.Data
	switch {
	case p.test != nil:
		s = fmt.Sprintf("no boot in %s has the time of leak-down test %s (%s)", p.o.Data, p.o.Run, p.test.from.Format(time.RFC3339))
	case p.o.Format == GeoJSON:
		s = "no position was heard in " + p.o.Data + within(p.o) + ": a track needs GNSS positions on a bus (PGN 129025, 129029 or 65267) and recorded raw frames"
	case p.o.Format.Frames():
		s = "no raw frame is recorded in " + p.o.Data + within(p.o) + "; are they recorded at all (logging: raw in the machine file)?"
	case !p.o.From.IsZero() || !p.o.To.IsZero():
		s += within(p.o)
	}
	if len(notes) > 0 {
		s += "\n" + strings.Join(notes, "\n")
	}
	return s
}

func within(o *Options) string {
	s := ""
	if !o.From.IsZero() {
		s += " from " + o.From.UTC().Format(time.RFC3339)
	}
	if !o.To.IsZero() {
		s += " until " + o.To.UTC().Format(time.RFC3339)
	}
	return s
}

// findTest looks up when a leak-down test was.
func (p *plan) findTest() error {
	s, err := store.Open(p.o.Data, store.Options{ReadOnly: true})
	if err != nil {
		return refusal{ErrRefused, err.Error()}
	}
	defer s.Close() //nolint:errcheck // it was only read
	tests, err := s.Tests("", math.MaxInt)
	if err != nil {
		return err
	}
	var ids []string
	for _, t := range tests {
		if t.Run != p.o.Run {
			ids = append(ids, t.Run)
			continue
		}
		var r struct {
			At       time.Time `json:"at"`
			Duration float64   `json:"duration"` // s
		}
		if err := json.Unmarshal(t.JSON, &r); err != nil || r.At.IsZero() {
			return refuse("leak-down test %s does not say when it was: the box did not know the time; take --from and --to, or the whole boot", p.o.Run)
		}
		p.test = &test{r.At, r.At.Add(time.Duration(r.Duration*float64(time.Second)) + time.Second)}
		return nil
	}
	if len(ids) == 0 {
		return refuse("no leak-down test is kept in %s", p.o.Data)
	}
	more := ""
	if len(ids) > 20 {
		ids, more = ids[:20], ", and older ones"
	}
	return refuse("there is no leak-down test %q in %s; there are, newest first: %s%s", p.o.Run, p.o.Data, strings.Join(ids, ", "), more)
}

// look opens a boot and keeps it if it may hold what was asked for.
func (p *plan) look(b sealed.Found) error {
	r, err := sealed.Open(b.Path)
	if err != nil {
		return err
	}
	defer r.Close() //nolint:errcheck // it was only read
	a := r.About()
	for i := range a.Table.Len() {
		if id := a.Table.Info(readings.Channel(i)).ID; !slices.Contains(p.ids, id) {
			p.ids = append(p.ids, id)
		}
	}
	part := part{found: b, entries: a.Facts.Entries}
	if p.test != nil {
		at, ok := believed(a.Samples, p.test.from)
		if !ok {
			return nil
		}
		part.span = span{at, at + p.test.to.Sub(p.test.from)}
	} else if ok, err := p.within(r); err != nil || !ok {
		return err
	}
	p.boots = append(p.boots, part)
	return nil
}

// believed returns the boot time at which a boot's wall clock showed a time; of several the first.
func believed(samples []clock.Sample, want time.Time) (time.Duration, bool) {
	for i, s := range samples {
		if s.UTC.IsZero() {
			continue
		}
		at := s.Boot + want.Sub(s.UTC)
		end := s.Boot + time.Minute
		if i+1 < len(samples) {
			end = samples[i+1].Boot
		}
		if at >= s.Boot-time.Second && at < end {
			return at, true
		}
	}
	return 0, false
}

// within reports whether a boot reaches into the asked time.
func (p *plan) within(r *sealed.Recording) (bool, error) {
	if p.o.From.IsZero() && p.o.To.IsZero() {
		return true, nil
	}
	first, last, err := ends(r)
	if err != nil {
		return false, err
	}
	o := r.About().Offsets
	pieces := o.Pieces()
	if len(pieces) == 0 {
		return false, errors.New("the box did not know the time while it was recorded")
	}
	for i := range pieces {
		from, to := first, last
		if i > 0 {
			from = max(first, pieces[i].From)
		}
		if i+1 < len(pieces) {
			to = min(last, pieces[i+1].From-1)
		}
		a, _ := o.UTC(from)
		b, _ := o.UTC(to)
		if from <= to && (p.o.To.IsZero() || a <= nanos(p.o.To)) && (p.o.From.IsZero() || b >= nanos(p.o.From)) {
			return true, nil
		}
	}
	return false, nil
}

// ends returns the boot times of a recording's first and last entry.
func ends(r *sealed.Recording) (first, last time.Duration, err error) {
	var row store.Row
	if err := r.NextRow(&row); err != nil {
		if errors.Is(err, io.EOF) {
			return 0, 0, nil
		}
		return 0, 0, err
	}
	first, last = row.Entry.At, row.Entry.At
	// The last number is not always what the log says: the end of a torn one is gone.
	if err := r.SkipTo(max(1, r.About().Facts.Entries-64)); err != nil {
		return 0, 0, err
	}
	for {
		err := r.NextRow(&row)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return 0, 0, err
		}
		last = max(last, row.Entry.At)
	}
	if last == first {
		last = math.MaxInt64 // torn: look at all of it
	}
	return first, last, nil
}

// channels checks that the wanted channels exist in some boot.
func (p *plan) channels() error {
	for _, want := range p.o.Channels {
		if !slices.Contains(p.ids, want) {
			return NoChannelError{want, p.ids}
		}
	}
	return nil
}

// open opens a boot's recording for its share.
func (p *plan) open(b *bootState) (*job, error) {
	i := slices.IndexFunc(p.boots, func(x part) bool { return x.found.ID == b.Boot })
	if i < 0 {
		return nil, refuse("boot %s, of which %s was begun, is gone from %s; delete %s to begin anew", b.Boot, b.File.Name, p.o.Data, stateName)
	}
	found := p.boots[i].found
	r, err := sealed.Open(found.Path)
	if errors.Is(err, fs.ErrNotExist) && !found.Sealed() { // sealed meanwhile
		if path, ferr := sealed.Find(filepath.Join(p.o.Data, found.ID)); ferr == nil {
			found.Path = path
			r, err = sealed.Open(path)
		}
	}
	if err != nil {
		return nil, err
	}
	j := &job{o: p.o, boot: found, rec: r, about: r.About(), entries: b.Entries, from: math.MinInt64, to: math.MaxInt64}
	if p.test != nil {
		j.span = &b.Span
	}
	if !p.o.From.IsZero() {
		j.from, j.dated = nanos(p.o.From), true
	}
	if !p.o.To.IsZero() {
		j.to, j.dated = nanos(p.o.To), true
	}
	j.wants = make([]bool, j.about.Table.Len())
	for c := range j.wants {
		j.wants[c] = len(p.o.Channels) == 0 || slices.Contains(p.o.Channels, j.about.Table.Info(readings.Channel(c)).ID)
	}
	return j, nil
}

// nanos is a time as recordings count it. What they cannot count, before 1678 or after 2262, is the first or the last time
// that they can.
func nanos(t time.Time) int64 {
	switch y := t.UTC().Year(); {
	case y < 1678:
		return math.MinInt64
	case y > 2261:
		return math.MaxInt64
	}
	return t.UnixNano()
}

// take reports whether a boot time was asked for, and its wall time.
func (j *job) take(at time.Duration) (ns int64, q clock.Quality, ok bool) {
	ns, q = j.about.Offsets.UTC(at)
	switch {
	case j.span != nil:
		ok = at >= j.span.From && at <= j.span.To
	case !j.dated:
		ok = true
	case q == clock.Unset:
		j.file.Undated++
	default:
		ok = ns >= j.from && ns <= j.to
	}
	return ns, q, ok
}

// next gives the next entry of the job's share.
func (j *job) next(r *store.Row) error {
	if err := j.rec.NextRow(r); err != nil {
		return err
	}
	if r.Seq > j.entries {
		return io.EOF
	}
	return nil
}
