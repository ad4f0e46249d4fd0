// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/clock"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
	"airhold/sensors/units"
)

// ReplayOptions name what to replay. Readings and CAN may be given together; Log stands alone.
type ReplayOptions struct {
	Machine  *config.Machine // nil with Log: the one the log carries
	Readings string          // recorded table, contract 2
	CAN      string          // candump text or pcapng
	Log      string          // folder of recorded boots, or one of them
	Until    time.Duration   // stop there; 0: at the end
	Out      Outputs
	Memory   Memory // is told of finished leak-down tests and learned values; nil: nobody
}

// source gives entries in order; io.EOF ends it.
type source interface {
	Next(e *store.Entry) error
	Close() error
}

// Replay is recorded data on its way through a spine.
type Replay struct {
	o       ReplayOptions
	spine   *Spine
	src     source
	table   *readings.Table
	machine *config.Machine
	frames  func() int64
	notes   func() []string
	clocked bool
	learned map[string][]byte
}

// ErrNothing says that recorded data has no usable reading.
var ErrNothing = errors.New("no usable reading")

// OpenReplay opens recorded data and builds the same spine that the box runs.
func OpenReplay(o ReplayOptions) (*Replay, error) {
	r := &Replay{o: o, machine: o.Machine, frames: func() int64 { return 0 }, notes: func() []string { return nil }}
	var saved *alarms.Saved
	var err error
	if o.Log != "" {
		saved, err = r.openLog()
	} else {
		err = r.openFiles()
	}
	if err != nil {
		return nil, err
	}
	if r.spine, err = NewSpine(SpineOptions{Machine: r.machine, Table: r.table, Out: o.Out, Saved: saved, Learned: r.learned, Memory: o.Memory}); err != nil {
		return nil, errors.Join(err, r.src.Close())
	}
	return r, nil
}

// openLog opens a recorded boot: its entries are the spine's own, ticks and commands included.
func (r *Replay) openLog() (*alarms.Saved, error) {
	path, err := sealed.Find(r.o.Log)
	if err != nil {
		return nil, err
	}
	b, err := sealed.Open(path)
	if err != nil {
		return nil, err
	}
	snap := b.About().Snapshot
	if r.machine == nil {
		m, problems := config.Parse("the log's machine file", snap.Machine)
		if m == nil {
			return nil, errors.Join(fmt.Errorf("the machine file kept in %s is refused: %v; name one with --machine", path, problems), b.Close())
		}
		r.machine = m
	}
	r.src, r.table, r.notes, r.clocked, r.learned = b, b.About().Table, b.Lost, true, snap.Learned
	return &snap.Alarms, nil
}

// openFiles opens a table, a bus log, or both, and lays one second's tick after the other between their entries.
func (r *Replay) openFiles() error {
	r.table = withRunning(r.machine)
	var parts []source
	var start time.Time
	if r.o.Readings != "" {
		c, err := store.OpenCSV(r.o.Readings, csvOptions(r.machine, r.table))
		if err != nil {
			return err
		}
		t, ok := c.HasClock()
		if ok {
			start, r.clocked = t, true
		}
		parts = append(parts, &table{CSV: c, start: t})
		r.notes = func() []string { return problemWords(r.o.Readings, c) }
	}
	if r.o.CAN != "" {
		f, err := openFrames(r.machine, r.table, r.o.CAN)
		if err != nil {
			return errors.Join(err, closeAll(parts))
		}
		r.frames = func() int64 { return f.count }
		before := r.notes
		r.notes = func() []string { return append(before(), f.notes()...) }
		if f.start.IsZero() != start.IsZero() && r.o.Readings != "" {
			// One of the two has no clock: both begin at zero.
			start, r.clocked = time.Time{}, false
			f.start = time.Time{}
		} else if !f.start.IsZero() {
			if start.IsZero() || f.start.Before(start) {
				start = f.start
			}
			r.clocked = true
		}
		parts = append(parts, f)
	}
	for _, p := range parts {
		if s, ok := p.(interface{ shift(start time.Time) }); ok {
			s.shift(start)
		}
	}
	src := &ticked{parts: parts, ahead: make([]store.Entry, len(parts)), have: make([]bool, len(parts)), start: start}
	before := r.notes
	r.src, r.notes = src, func() []string { return append(before(), src.gaps...) }
	return nil
}

// withRunning is the machine's table plus the running column that recordings may have.
func withRunning(m *config.Machine) *readings.Table {
	t := NewTable(m)
	if t.Find("running") != readings.NoChannel {
		return t
	}
	infos := make([]readings.Info, 0, t.Len()+1)
	for i := range t.Len() {
		infos = append(infos, t.Info(readings.Channel(i)))
	}
	return readings.NewTable(append(infos, readings.Info{
		ID: "running", Quantity: units.QState,
		Unit: units.Preferred(units.None), Source: "recorded column running",
	}))
}

func csvOptions(m *config.Machine, t *readings.Table) store.CSVOptions {
	var o store.CSVOptions
	for _, c := range m.Channels {
		ch := store.CSVChannel{ID: c.ID, Unit: c.Unit, Channel: t.Find(c.ID)}
		if c.Kind == config.FromCSV {
			ch.Column, ch.Unit = c.CSV.Column, c.CSV.Unit
			ch.Required = c.ID == m.Tank.Channel
		}
		o.Channels = append(o.Channels, ch)
	}
	if _, ok := m.Channel("running"); !ok {
		o.Channels = append(o.Channels, store.CSVChannel{ID: "running", Unit: units.Preferred(units.None), Channel: t.Find("running")})
	}
	return o
}

// problemWords lists what could not be read of a table, each with its place.
func problemWords(path string, c *store.CSV) []string {
	ps := c.Problems()
	out := make([]string, 0, len(ps)+1)
	for _, p := range ps {
		out = append(out, path+": "+p.String())
	}
	if more := c.ProblemCount() - int64(len(ps)); more > 0 {
		out = append(out, fmt.Sprintf("%s: and %d more such places", path, more))
	}
	return out
}

func closeAll(parts []source) error {
	var errs []error
	for _, p := range parts {
		errs = append(errs, p.Close())
	}
	return errors.Join(errs...)
}

// table is a recorded table as a source.
type table struct {
	*store.CSV

	start  time.Time
	offset time.Duration
}

func (t *table) shift(start time.Time) {
	if !start.IsZero() && !t.start.IsZero() {
		t.offset = t.start.Sub(start)
	}
}

// Next gives the next reading.
func (t *table) Next(e *store.Entry) error {
	err := t.CSV.Next(e)
	e.At += t.offset
	e.Reading.At += t.offset
	return err
}

// recordedFrames is a bus log as a source: the frames go through the translator that a live link uses.
type recordedFrames struct {
	path    string
	reader  *capture.Reader
	by      []*intake.Translator // by link of the capture; nil: not in the machine file
	queue   []store.Entry
	at      int
	start   time.Time
	offset  time.Duration
	pending bus.Frame
	have    bool
	count   int64
	links   []linkCount
	next    time.Duration // end of the second that is being counted
	ignored []string
}

type linkCount struct {
	frames, up readings.Channel
	n          int64
}

// Reading implements intake.Out.
func (f *recordedFrames) Reading(r readings.Reading) {
	r.At += f.offset
	f.queue = append(f.queue, store.Entry{Kind: store.IsReading, At: r.At, Reading: r})
}

// Fault implements intake.Out.
func (f *recordedFrames) Fault(m readings.MachineFault) {
	m.At += f.offset
	f.queue = append(f.queue, store.Entry{Kind: store.IsFault, At: m.At, Fault: m})
}

func openFrames(m *config.Machine, t *readings.Table, path string) (*recordedFrames, error) {
	rd, err := capture.Open(path)
	if err != nil {
		return nil, err
	}
	f := &recordedFrames{path: path, reader: rd, next: time.Second}
	if err := rd.Next(&f.pending); err != nil {
		if errors.Is(err, io.EOF) {
			err = fmt.Errorf("there is no frame in %s; it should be candump text (candump -L) or pcapng", path)
		}
		return nil, errors.Join(err, rd.Close())
	}
	f.have, f.start = true, f.pending.UTC
	wanted, err := Signals(m)
	if err != nil {
		return nil, errors.Join(err, rd.Close())
	}
	// A capture's link is the machine's link of that name; where both have just one, it is that one.
	for _, l := range m.Links {
		tr, err := intake.NewTranslator(intake.TranslatorOptions{Table: t, Out: f, Signals: wanted[l.Name]})
		if err != nil {
			return nil, errors.Join(err, rd.Close())
		}
		f.by = append(f.by, tr)
		f.links = append(f.links, linkCount{frames: t.Find(l.Name + readings.LinkFrames), up: t.Find(l.Name + readings.LinkUp)})
	}
	if len(m.Links) == 0 {
		// Machine faults are worth reading even where no link is described.
		tr, err := intake.NewTranslator(intake.TranslatorOptions{Table: t, Out: f})
		if err != nil {
			return nil, errors.Join(err, rd.Close())
		}
		f.by = append(f.by, tr)
	}
	f.match(m)
	return f, nil
}

// match orders the translators by the capture's links, as far as they are known when the capture begins.
func (f *recordedFrames) match(m *config.Machine) {
	names := make([]string, 0, len(m.Links))
	for _, l := range m.Links {
		names = append(names, l.Name)
	}
	found := f.reader.Links()
	if len(names) <= 1 && len(found) <= 1 {
		return
	}
	by := make([]*intake.Translator, len(found))
	counts := make([]linkCount, len(found))
	for i, name := range found {
		if j := slices.Index(names, name); j >= 0 {
			by[i], counts[i] = f.by[j], f.links[j]
		} else {
			counts[i] = linkCount{frames: readings.NoChannel, up: readings.NoChannel}
			f.ignored = append(f.ignored, name)
		}
	}
	f.by, f.links = by, counts
}

func (f *recordedFrames) notes() []string {
	var out []string
	for _, b := range f.reader.BadLines() {
		if b.Line > 0 {
			out = append(out, fmt.Sprintf("%s: line %d: %s", f.path, b.Line, b.Reason))
		} else {
			out = append(out, fmt.Sprintf("%s: byte %d: %s", f.path, b.Offset, b.Reason))
		}
	}
	if torn, ok := f.reader.Torn(); ok {
		out = append(out, f.path+": "+torn)
	}
	for _, name := range f.ignored {
		out = append(out, fmt.Sprintf("frames of %s are passed over: the machine file has no link of that name", name))
	}
	return out
}

func (f *recordedFrames) shift(start time.Time) {
	if !start.IsZero() && !f.start.IsZero() {
		f.offset = f.start.Sub(start)
	}
}

// Next gives the next reading or machine fault, and each second what the links' own channels would say.
func (f *recordedFrames) Next(e *store.Entry) error {
	for f.at >= len(f.queue) {
		f.queue, f.at = f.queue[:0], 0
		if !f.have {
			err := f.reader.Next(&f.pending)
			if err != nil {
				return err
			}
			f.have = true
		}
		if f.pending.Boot >= f.next {
			f.second()
			continue
		}
		f.have = false
		f.count++
		if i := int(f.pending.Link); i < len(f.by) && f.by[i] != nil {
			f.by[i].Frame(f.pending)
			if i < len(f.links) {
				f.links[i].n++
			}
		}
	}
	hand(e, &f.queue[f.at])
	f.at++
	return nil
}

func (f *recordedFrames) second() {
	for i := range f.links {
		l := &f.links[i]
		if l.frames != readings.NoChannel {
			f.Reading(readings.Reading{At: f.next, Channel: l.frames, Value: float64(l.n)})
			f.Reading(readings.Reading{At: f.next, Channel: l.up, Value: 1})
		}
		l.n = 0
	}
	f.next += time.Second
}

// Close closes the capture.
func (f *recordedFrames) Close() error { return f.reader.Close() }

// ticked merges sources by time and lays a tick after each whole second. After an hour without any entry nothing is left
// that a tick could change, so it leaps: a clock that was set in the middle of a recording may jump by decades.
type ticked struct {
	parts []source
	ahead []store.Entry
	have  []bool
	done  []bool
	start time.Time
	told  bool
	next  time.Duration
	heard time.Duration // when the last entry was handed on
	gaps  []string
}

const (
	leapAfter = time.Hour
	gapsKept  = 20
)

// leap goes on from s.next to the second of the next entry.
func (s *ticked) leap(to time.Duration) {
	if len(s.gaps) < gapsKept {
		s.gaps = append(s.gaps, fmt.Sprintf("nothing is recorded for %s from %s after the start: a gap, or a clock that was set meanwhile",
			(to-s.heard).Round(time.Second), s.heard.Round(time.Second)))
	}
	s.next = to.Truncate(time.Second)
}

// Next gives the earliest entry, or the tick that comes before it.
func (s *ticked) Next(e *store.Entry) error {
	if s.done == nil {
		s.done = make([]bool, len(s.parts))
		s.next = time.Second
	}
	best := -1
	for i := range s.parts {
		if !s.have[i] && !s.done[i] {
			if err := s.parts[i].Next(&s.ahead[i]); err != nil {
				if !errors.Is(err, io.EOF) {
					return err
				}
				s.done[i] = true
				continue
			}
			s.have[i] = true
		}
		if s.have[i] && (best < 0 || s.ahead[i].At < s.ahead[best].At) {
			best = i
		}
	}
	if !s.told {
		s.told = true
		if !s.start.IsZero() {
			*e = store.Entry{Kind: store.IsClock, Clock: clock.Sample{UTC: s.start, Quality: clock.Good}}
			return nil
		}
	}
	if best < 0 {
		return io.EOF
	}
	at := s.ahead[best].At
	if s.next-s.heard > leapAfter && at-s.next > time.Second {
		s.leap(at)
	}
	if at >= s.next {
		e.Kind, e.At = store.IsTick, s.next
		s.next += time.Second
		return nil
	}
	hand(e, &s.ahead[best])
	s.have[best], s.heard = false, at
	return nil
}

// hand copies what the entry's kind says is meant: an entry is large, and most are readings.
func hand(to, from *store.Entry) {
	if from.Kind != store.IsReading {
		*to = *from
		return
	}
	to.Kind, to.At, to.Reading = store.IsReading, from.At, from.Reading
}

// Close closes all parts.
func (s *ticked) Close() error { return closeAll(s.parts) }

// Run plays everything and returns at the end of the recording, or with the first error of reading it.
func (r *Replay) Run() error {
	var e store.Entry
	for {
		err := r.src.Next(&e)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if r.o.Until > 0 && e.At > r.o.Until {
			break
		}
		r.spine.Apply(&e)
	}
	r.spine.Close()
	if _, _, n := r.spine.Span(); n == 0 && r.frames() == 0 {
		return ErrNothing
	}
	return nil
}

// Spine returns the spine, for its answers at the end.
func (r *Replay) Spine() *Spine { return r.spine }

// Machine returns the machine file in use.
func (r *Replay) Machine() *config.Machine { return r.machine }

// Frames returns how many frames were read.
func (r *Replay) Frames() int64 { return r.frames() }

// Notes returns what could not be read, a sentence each.
func (r *Replay) Notes() []string { return r.notes() }

// Clocked reports whether the recording says what time it was.
func (r *Replay) Clocked() bool { return r.clocked }

// Close closes what OpenReplay opened.
func (r *Replay) Close() error { return r.src.Close() }
