// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"airhold/config"
	"airhold/firmware/clock"
	"airhold/firmware/findings"
	"airhold/firmware/intake"
	"airhold/firmware/readings"
)

// Probed is what one look at a channel found.
type Probed struct {
	Channel  string            `json:"channel"`
	Source   string            `json:"source"`
	Plug     string            `json:"plug,omitempty"`
	Raw      *int32            `json:"raw,omitempty"`
	Volts    *float64          `json:"volts,omitempty"`
	Value    *findings.Measure `json:"value,omitempty"`
	Status   string            `json:"status"`
	Sentence string            `json:"sentence"`
}

// Probe reads each analog input once and listens to each link until ctx ends or every channel of it has spoken. It
// must not run beside a box on the same buses.
func Probe(ctx context.Context, m *config.Machine, c clock.Clock, w Wires) ([]Probed, error) {
	t := NewTable(m)
	heard := &listening{values: map[readings.Channel]readings.Reading{}}
	in, err := newInputs(inputOptions{machine: m, table: t, clock: c, out: heard, wires: w, sysfs: "/", logDir: m.Logging.Dir})
	if err != nil {
		return nil, err
	}
	byID := map[string]Probed{}
	for _, a := range in.analog {
		for _, p := range a.Probe(ctx) {
			byID[p.ID] = analogProbed(t, &p)
		}
	}
	problems := listen(ctx, m, w, t, heard)
	out := make([]Probed, 0, len(m.Channels))
	for _, ch := range m.Channels {
		p, ok := byID[ch.ID]
		if !ok {
			if ch.CAN.Link == "" && len(m.Links) > 0 {
				ch.CAN.Link = m.Links[0].Name
			}
			p = heard.probed(t, ch, problems)
		}
		out = append(out, p)
	}
	return out, nil
}

func analogProbed(t *readings.Table, p *intake.Probed) Probed {
	info := t.Info(t.Find(p.ID))
	out := Probed{Channel: p.ID, Source: info.Source, Plug: p.Plug, Status: p.Reading.Quality.String(), Sentence: strings.TrimPrefix(p.Sentence, p.ID+": ")}
	raw, volts := p.Reading.Raw, findings.Round(p.Reading.Volts)
	out.Raw, out.Volts = &raw, &volts
	if p.Reading.Quality == readings.Good {
		out.Value = &findings.Measure{SI: p.Reading.Value, Unit: info.Unit, Reference: info.Reference}
	}
	return out
}

// listening keeps the newest reading of each channel.
type listening struct {
	mu     sync.Mutex
	values map[readings.Channel]readings.Reading
}

// Reading implements intake.Out.
func (l *listening) Reading(r readings.Reading) {
	l.mu.Lock()
	l.values[r.Channel] = r
	l.mu.Unlock()
}

// Fault implements intake.Out; a probe does not ask the machine for its faults.
func (l *listening) Fault(readings.MachineFault) {}

// listenAtMost bounds the time a probe listens to a link.
const listenAtMost = 2 * time.Second

// listen hears each link, all at once, and returns why a link could not be heard, or what is wrong with what was.
func listen(ctx context.Context, m *config.Machine, w Wires, t *readings.Table, heard *listening) map[string]error {
	ctx, cancel := context.WithTimeout(ctx, listenAtMost)
	defer cancel()
	problems := map[string]error{}
	wanted, err := Signals(m)
	if err != nil {
		for _, l := range m.Links {
			problems[l.Name] = err
		}
		return problems
	}
	var mu sync.Mutex
	var all sync.WaitGroup
	for i, l := range m.Links {
		all.Go(func() {
			l.Hear = intake.Hearing(l.Hear, wanted[l.Name])
			err := intake.Ear{
				Name: l.Name, Bitrate: bitrate(l), Table: t, Out: heard, Signals: wanted[l.Name],
				Open: func(ctx context.Context) (intake.FrameSource, error) { return w.Link(ctx, i, l) },
			}.Listen(ctx)
			if err != nil {
				mu.Lock()
				problems[l.Name] = err
				mu.Unlock()
			}
		})
	}
	all.Wait()
	return problems
}

func (l *listening) probed(t *readings.Table, ch config.Channel, problems map[string]error) Probed {
	c := t.Find(ch.ID)
	info := t.Info(c)
	out := Probed{Channel: ch.ID, Source: info.Source, Plug: info.Plug, Status: readings.NotAvailable.String()}
	l.mu.Lock()
	r, ok := l.values[c]
	l.mu.Unlock()
	switch {
	case ok && r.Quality == readings.Good:
		out.Status = r.Quality.String()
		out.Value = &findings.Measure{SI: r.Value, Unit: info.Unit, Reference: info.Reference}
		out.Sentence = fmt.Sprintf("reads %.4g %s, heard on %s.", info.Unit.From(r.Value), info.Unit.Code, ch.CAN.Link)
	case ok:
		out.Status = r.Quality.String()
		out.Sentence = fmt.Sprintf("is on %s, but its sender says it has no value (%s).", ch.CAN.Link, r.Quality)
	case problems[ch.CAN.Link] != nil:
		out.Sentence = fmt.Sprintf("cannot be heard: %v", problems[ch.CAN.Link])
	case ch.Kind == config.FromCAN:
		out.Sentence = fmt.Sprintf("was not heard on %s within %.0f s. Is the machine's key on, and does it send %s?", ch.CAN.Link, listenAtMost.Seconds(), ch.CAN.Signal)
	case ch.Kind == config.FromCSV:
		out.Sentence = "comes from recordings only; there is nothing to probe."
	default:
		out.Sentence = "has no wire to probe."
	}
	return out
}
