// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"sync"
	"time"

	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/publish"
	"airhold/firmware/readings"
	"airhold/firmware/store"
	"airhold/firmware/store/sealed"
	"airhold/firmware/tablet"
	"airhold/sensors/units"
)

// rateWindow is over how much of the box's time the rates of signals are counted.
const rateWindow = 10 * time.Second

// counted counts readings by channel on the spine's goroutine; rates are for whoever asks.
type counted struct {
	since  time.Duration
	begun  bool
	counts []int64
	frames int64

	mu    sync.Mutex // guards what follows
	rates []float64  // readings per second; nil: not known yet
	frate float64
}

// reading counts one.
func (c *counted) reading(ch readings.Channel) {
	if ch >= 0 && int(ch) < len(c.counts) {
		c.counts[ch]++
	}
}

// turn makes rates of the counts when a window is over; frames is how many were heard so far.
func (c *counted) turn(at time.Duration, frames int64) {
	if !c.begun {
		c.begun, c.since, c.frames = true, at, frames
		clear(c.counts)
		return
	}
	d := (at - c.since).Seconds()
	if d < rateWindow.Seconds() {
		return
	}
	rates := make([]float64, len(c.counts))
	for i, n := range c.counts {
		rates[i] = float64(n) / d
	}
	c.mu.Lock()
	c.rates, c.frate = rates, float64(frames-c.frames)/d
	c.mu.Unlock()
	clear(c.counts)
	c.since, c.frames = at, frames
}

func (c *counted) known() (rates []float64, frames float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.rates, c.frate
}

// heard is how many frames all links have heard.
func (b *Box) heard() (n int64) {
	for _, l := range b.inputs.links {
		n += l.Heard()
	}
	return n
}

// sentKnow says how it is known that the box sends nothing.
const sentKnow = "Nothing in this program can send on a bus: its sockets are opened to receive, a link that is not set to listen only is refused, and a check of every build holds both."

// recording tells what is recorded, as JSON; nil where nothing is kept. Many goroutines may ask.
func (b *Box) recording() []byte {
	if !b.keep {
		return nil
	}
	now := b.now.Load()
	sample := b.inputs.time.Better(b.o.Clock.Sample())
	out := tablet.Recording{
		Name: b.o.Machine.Name, Simulated: b.o.Simulated, Boot: b.o.Boot, Seconds: findings.Round((sample.Boot - b.begun).Seconds()),
		State: "recording", Holes: []tablet.Hole{}, Boots: []tablet.RecordedBoot{}, Signals: []tablet.RecordedSignal{},
	}
	wall := func(at time.Duration) *time.Time {
		if sample.Quality == clock.Unset {
			return nil
		}
		t := sample.UTC.Add(at - sample.Boot).UTC().Truncate(time.Millisecond)
		return &t
	}
	out.T, out.Since = wall(sample.Boot), wall(b.begun)
	h := b.o.Store.Health()
	if h.Err != nil {
		out.State = "not written: " + h.Err.Error()
	}
	out.Lost = tablet.LostReadings{Spine: b.mail.dropped(), Disk: h.Lost, None: h.Refused}
	b.recordedFrames(&out, &h)
	out.Holes = holes(&h, wall)
	out.Clock = b.recordedClock(sample)
	out.Space = b.space(now)
	boots, err := b.shelf.boots(b.o.Machine.Logging.Dir, b.o.Boot)
	if err != nil {
		b.o.Log.Warn("recorded boots", slog.Any("error", err))
	}
	for i := range boots {
		if boots[i].Present {
			boots[i].From, boots[i].To = out.Since, out.T
		}
	}
	out.Boots = append(out.Boots, boots...)
	out.Signals = b.recordedSignals(now)
	text, err := json.Marshal(out)
	b.said(err)
	return text
}

func (b *Box) recordedFrames(out *tablet.Recording, h *store.Health) {
	f := &out.Frames
	_, f.Rate = b.counted.known()
	f.Rate = findings.Round(f.Rate)
	f.Heard, f.SentKnow = b.heard(), sentKnow
	switch {
	case len(b.o.Machine.Links) == 0:
		f.State = "this machine file names no bus"
	case !b.o.Machine.Logging.Raw:
		f.State = "raw frames are not recorded: logging: raw is off in the machine file"
	}
	for i := range h.Raw {
		r := &h.Raw[i]
		f.State = r.State
		f.Written += r.Written
		f.Lost += r.Dropped + r.Refused
		f.Kernel += r.Kernel
	}
}

// holes lists where readings or frames are missing, in the order of time.
func holes(h *store.Health, wall func(time.Duration) *time.Time) []tablet.Hole {
	out := []tablet.Hole{}
	add := func(from, to time.Duration, lost int64, of string) {
		out = append(out, tablet.Hole{At: wall(from), Mono: from.Milliseconds(), Seconds: findings.Round((to - from).Seconds()), Lost: lost, Of: of})
	}
	for _, x := range h.Holes {
		add(x.From, x.To, x.Lost, "readings")
	}
	for i := range h.Raw {
		for _, g := range h.Raw[i].Lately {
			add(g.From, g.To, g.Frames, "frames")
		}
	}
	slices.SortStableFunc(out, func(a, b tablet.Hole) int { return int(a.Mono - b.Mono) })
	return out[max(0, len(out)-100):]
}

// busWithin is how well a bus says the time. NMEA 2000's system time comes once a second with a tenth of a millisecond, and
// is heard within the milliseconds that a full bus delays it; the largest offset of a minute is taken. J1939's time and date
// counts in quarters of a second (SAE J1939-71).
func busWithin(q clock.Quality) time.Duration {
	if q == clock.Good {
		return 20 * time.Millisecond
	}
	return 250 * time.Millisecond
}

// recordedClock says who set the clock, and how well.
func (b *Box) recordedClock(sample clock.Sample) tablet.RecordedClock {
	own := b.o.Clock.Sample()
	c := tablet.RecordedClock{Quality: sample.Quality.String()}
	within := func(d time.Duration) {
		c.Within = &findings.Measure{SI: d.Seconds(), Unit: units.Unit{Code: "s", Dim: units.Time, Factor: 1}}
	}
	kernel, tells := b.o.Clock.(interface {
		Within() (time.Duration, bool)
	})
	switch {
	case sample.Quality > own.Quality && sample.Quality == clock.Good:
		c.Source = "satellite time on the bus"
		within(busWithin(clock.Good))
	case sample.Quality > own.Quality:
		c.Source = "time and date on the bus"
		within(busWithin(clock.Coarse))
	case sample.Quality == clock.Unset:
		c.Source = "nobody has said the time yet"
	case b.o.Simulated:
		c.Source = "the simulated day"
	case sample.Quality == clock.Good:
		c.Source = "network time"
		if tells {
			if d, ok := kernel.Within(); ok {
				within(d)
			}
		}
	default:
		c.Source = "the box's own clock, which nothing has confirmed"
	}
	return c
}

// space is how long the disk lasts, in days.
func (b *Box) space(now *publish.Now) *findings.Measure {
	c := b.table.Find(readings.BoxDiskLeft)
	if now == nil || c == readings.NoChannel || int(c) >= len(now.Values) || now.Values[c].Value == nil {
		return nil
	}
	return &findings.Measure{SI: now.Values[c].Value.SI, Unit: units.Unit{Code: "d", Dim: units.Time, Factor: 86400}}
}

func (b *Box) recordedSignals(now *publish.Now) []tablet.RecordedSignal {
	rates, _ := b.counted.known()
	made := map[string]*tablet.SignalCalibration{}
	for _, c := range b.calibrated {
		if c.Channel != nil {
			made[b.table.Info(readings.Channel(*c.Channel)).ID] = &tablet.SignalCalibration{Who: c.Who, At: c.At, Instrument: c.Instrument} //nolint:gosec // it came from a Channel
		}
	}
	out := make([]tablet.RecordedSignal, 0, b.table.Len())
	for i := range b.table.Len() {
		in := b.table.Info(readings.Channel(i))
		s := tablet.RecordedSignal{
			ID: in.ID, Quantity: string(in.Quantity), Unit: in.Unit.Code, Reference: string(in.Reference), Source: in.Source, Wired: in.Wired,
			Quality: readings.NotAvailable.String(), Calibration: made[in.ID],
		}
		if s.Unit == "" {
			s.Unit = "1"
		}
		if rates != nil {
			s.Rate = &findings.Measure{SI: rates[i], Unit: units.Unit{Code: "/s", Dim: units.Rate, Factor: 1}}
		}
		if now != nil && i < len(now.Values) {
			v := &now.Values[i]
			s.Value, s.Age, s.Quality = v.Value, v.Age, v.Quality
		}
		out = append(out, s)
	}
	return out
}

// bootShelf knows the recorded boots of the disk. What a closed boot says of itself does not change while its file stays as it
// is, so it is read once.
type bootShelf struct {
	mu    sync.Mutex // guards known, and one looks at a time
	known map[string]shelved
}

type shelved struct {
	size    int64
	changed time.Time
	boot    tablet.RecordedBoot
}

// boots lists what is on the disk, newest first.
func (s *bootShelf) boots(dir, present string) ([]tablet.RecordedBoot, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	found, err := sealed.List(dir)
	if err != nil {
		return nil, err
	}
	if s.known == nil {
		s.known = map[string]shelved{}
	}
	out := make([]tablet.RecordedBoot, 0, len(found))
	for i := range slices.Backward(found) {
		f := &found[i]
		b := tablet.RecordedBoot{ID: f.ID, Present: true}
		if f.ID != present {
			b = s.look(f)
		}
		b.Sealed = f.Sealed()
		if b.Bytes, err = f.Size(); err != nil {
			return nil, err
		}
		out = append(out, b)
	}
	return out, nil
}

// look reads what an earlier boot says of itself.
func (s *bootShelf) look(f *sealed.Found) tablet.RecordedBoot {
	st, err := os.Stat(f.Path)
	if err != nil {
		return tablet.RecordedBoot{ID: f.ID, Torn: true, Words: "it cannot be read: " + err.Error()}
	}
	if k, ok := s.known[f.Path]; ok && k.size == st.Size() && k.changed.Equal(st.ModTime()) {
		return k.boot
	}
	b := tablet.RecordedBoot{ID: f.ID}
	r, err := sealed.Open(f.Path)
	if err != nil {
		b.Torn, b.Words = true, err.Error()
	} else {
		describe(&b, r.About())
		_ = r.Close() // only read
	}
	s.known[f.Path] = shelved{st.Size(), st.ModTime(), b}
	return b
}

func describe(b *tablet.RecordedBoot, a *sealed.About) {
	if n := len(a.Samples); n > 0 {
		at := func(boot time.Duration) *time.Time {
			ns, q := a.Offsets.UTC(boot)
			if q == clock.Unset {
				return nil
			}
			t := time.Unix(0, ns).UTC().Truncate(time.Millisecond)
			return &t
		}
		b.From, b.To = at(a.Samples[0].Boot), at(a.Samples[n-1].Boot)
	}
	switch {
	case len(a.Lost) > 0:
		b.Torn, b.Words = true, a.Lost[0]
		if more := len(a.Lost) - 1; more > 0 {
			b.Words += fmt.Sprintf(", and %d more", more)
		}
	case !a.Facts.Closed:
		b.Torn, b.Words = true, "the power went while it was recorded; it is whole up to there"
	}
}
