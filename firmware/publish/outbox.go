// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/findings"
)

// Alerts is the box's memory of its alerts; firmware/store has one. What it hands out has reached the disk, and keeps its
// number for good. Its methods may be called from many goroutines, and may wait for the disk.
type Alerts interface {
	// Head returns which line of numbers it is, and the last one; empty and 0 while there is none. After a loss of the whole
	// memory the line is another one.
	Head(ctx context.Context) (line string, seq int64, err error)
	// Since gives take at most so many alerts after a number, oldest first: number, number of the alert before it, and the
	// journal's record as JSON.
	Since(ctx context.Context, after int64, most int, take func(seq, prev int64, record []byte) error) error
	// Got keeps that a tablet has shown all alerts up to a number; why is a sentence where that cannot be.
	Got(ctx context.Context, tablet, line string, seq int64) (why string, err error)
	// Shown returns that number, 0 where there is none.
	Shown(ctx context.Context, tablet string) (seq int64, err error)
}

// Alert is one change of an alarm that has reached the disk: topic airhold/v1/{machine}/alert, not retained, QoS 1, and
// GET /api/alerts. A tablet keeps the number of the last one it has shown. It shows those with a higher number; where prev
// is not the number it has, it asks for what is missing first.
type Alert struct {
	V     int               `json:"v"`
	Line  string            `json:"line"` // which journal; another one: the tablet begins at 0
	Seq   int64             `json:"seq"`
	Prev  int64             `json:"prev"` // number of the alert before it; 0: none
	ID    string            `json:"id"`
	T     *time.Time        `json:"t,omitempty"`
	Clk   string            `json:"clk"`
	Boot  string            `json:"boot"`
	Mono  int64             `json:"mono"` // ms
	Key   findings.Key      `json:"key"`
	Where string            `json:"where,omitempty"`
	Title string            `json:"title"`
	Kind  string            `json:"kind,omitempty"` // "announced", "note", "reminder"
	From  alarms.StateName  `json:"from"`
	To    alarms.StateName  `json:"to"`
	Value *findings.Measure `json:"value,omitempty"`
	Limit *findings.Measure `json:"limit,omitempty"`
	By    string            `json:"by,omitempty"`
	Via   string            `json:"via,omitempty"`
	Why   string            `json:"why,omitempty"`
	Do    string            `json:"do,omitempty"`
}

// LastAlert is topic airhold/v1/{machine}/alert/last, retained, QoS 1.
type LastAlert struct {
	V    int    `json:"v"`
	Line string `json:"line"`
	Seq  int64  `json:"seq"`
}

// AlertList answers GET /api/alerts.
type AlertList struct {
	Line   string  `json:"line"`
	Last   int64   `json:"last"`
	More   bool    `json:"more"`
	Alerts []Alert `json:"alerts"`
}

// MostAlerts is how many alerts one answer holds at most.
const MostAlerts = 256

// lookEvery is how often the outbox looks for new alerts. The alarm's own topic has told the screens already: this one
// carries the numbers.
const lookEvery = 100 * time.Millisecond

// Outbox says alerts that have reached the disk, and gives them again to tablets that ask.
type Outbox struct {
	memory Alerts
	outlet *Outlet
	rows   map[findings.Key]alarms.Row
	log    *slog.Logger
}

// NewOutbox makes an outbox; Run serves it.
func NewOutbox(memory Alerts, outlet *Outlet, log *slog.Logger) *Outbox {
	o := &Outbox{memory: memory, outlet: outlet, rows: map[findings.Key]alarms.Row{}, log: log}
	for _, r := range alarms.Catalogue() {
		o.rows[r.Key] = r
	}
	return o
}

// Run says each new alert until ctx ends. Those of before are not said again: alert/last tells a tablet of them. A disk
// that cannot be read does not end it.
func (o *Outbox) Run(ctx context.Context) error {
	beat := time.NewTicker(lookEvery) //nolint:forbidigo // an outlet's own I/O pause, not the box's time
	defer beat.Stop()
	var line string
	said := int64(-1)
	complained := false
	for {
		newLine, newSaid, err := o.tell(ctx, line, said)
		if err != nil && ctx.Err() == nil && !complained {
			o.log.WarnContext(ctx, "alerts cannot be read", slog.Any("error", err))
		}
		complained = err != nil
		line, said = newLine, newSaid
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
	}
}

// tell says the alerts after a number, -1 before the first look, and returns the number reached.
func (o *Outbox) tell(ctx context.Context, line string, said int64) (string, int64, error) {
	now, last, err := o.memory.Head(ctx)
	switch {
	case err != nil:
		return line, said, err
	case said < 0:
		said = last
	case now == line && last == said:
		return line, said, nil
	}
	for said < last {
		before := said
		err := o.each(ctx, now, said, func(a *Alert) error {
			said = a.Seq
			return o.outlet.alert(a)
		})
		if err != nil {
			return now, said, err
		}
		if said == before {
			break
		}
	}
	return now, said, o.outlet.lastAlert(LastAlert{V: 1, Line: now, Seq: said})
}

// each reads the alerts after a number.
func (o *Outbox) each(ctx context.Context, line string, after int64, take func(a *Alert) error) error {
	return o.memory.Since(ctx, after, MostAlerts, func(seq, prev int64, record []byte) error {
		a, err := o.alert(record)
		if err != nil {
			return fmt.Errorf("alert %d: %w", seq, err)
		}
		a.Line, a.Seq, a.Prev = line, seq, prev
		return take(&a)
	})
}

// alert reads a record of the journal.
func (o *Outbox) alert(record []byte) (Alert, error) {
	var r struct {
		Hash   string           `json:"sha256"`
		UTC    time.Time        `json:"utc"`
		Clock  string           `json:"clk"`
		Boot   string           `json:"boot_id"`
		MonoMS int64            `json:"mono_ms"`
		Actor  string           `json:"actor"`
		Via    string           `json:"via"`
		Alarm  findings.Key     `json:"alarm"`
		Where  string           `json:"where"`
		From   alarms.StateName `json:"from"`
		To     alarms.StateName `json:"to"`
		Value  string           `json:"value"`
		Limit  string           `json:"limit"`
		Reason string           `json:"reason"`
	}
	if err := json.Unmarshal(record, &r); err != nil {
		return Alert{}, err
	}
	row := o.rows[r.Alarm]
	a := Alert{
		V: 1, ID: r.Hash[:min(16, len(r.Hash))], Clk: r.Clock, Boot: r.Boot, Mono: r.MonoMS, Key: r.Alarm, Where: r.Where, Title: row.Title,
		From: r.From, To: r.To, By: r.Actor, Via: r.Via, Why: r.Reason,
	}
	if a.Title == "" { // an alarm of another version
		a.Title = string(r.Alarm)
	} else {
		a.Kind = row.Kind.String()
	}
	if r.To == alarms.ActiveUnacked {
		a.Do = row.Do
	}
	if t := r.UTC.Truncate(time.Millisecond); !t.IsZero() {
		a.T = &t
	}
	var err error
	if a.Value, err = recordedMeasure(r.Value); err != nil {
		return Alert{}, err
	}
	if a.Limit, err = recordedMeasure(r.Limit); err != nil {
		return Alert{}, err
	}
	return a, nil
}

// recordedMeasure reads a measure as the journal keeps it; nil where it keeps none.
func recordedMeasure(text string) (*findings.Measure, error) {
	if text == "" {
		return nil, nil //nolint:nilnil // none is no error
	}
	m := &findings.Measure{}
	if err := json.Unmarshal([]byte(text), m); err != nil {
		return nil, err
	}
	if m.IsZero() {
		return nil, nil //nolint:nilnil // as above
	}
	return m, nil
}

// Replay returns an AlertList as JSON: alerts after since, or, where since is negative, after what the tablet has said it
// showed. Where line is not the present one the tablet's number means nothing, and it gets them from the first on.
func (o *Outbox) Replay(ctx context.Context, tablet, line string, since int64) ([]byte, error) {
	now, last, err := o.memory.Head(ctx)
	if err != nil {
		return nil, err
	}
	switch {
	case since < 0 && tablet == "":
		since = 0
	case since < 0:
		if since, err = o.memory.Shown(ctx, tablet); err != nil {
			return nil, err
		}
	case line != "" && line != now:
		since = 0
	}
	out := AlertList{Line: now, Last: last, Alerts: []Alert{}}
	err = o.each(ctx, now, since, func(a *Alert) error {
		out.Alerts = append(out.Alerts, *a)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if n := len(out.Alerts); n > 0 {
		out.Last = max(out.Last, out.Alerts[n-1].Seq)
		out.More = out.Alerts[n-1].Seq < out.Last
	}
	return json.Marshal(out)
}

// Got keeps that a tablet has shown all alerts up to a number; why is a sentence where that cannot be.
func (o *Outbox) Got(ctx context.Context, tablet, line string, seq int64) (why string, err error) {
	return o.memory.Got(ctx, tablet, line, seq)
}

// alert leaves an alert.
func (o *Outlet) alert(a *Alert) error {
	b, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("write alert %d: %w", a.Seq, err)
	}
	o.once(saying{topic: "alert", payload: b})
	return nil
}

// lastAlert leaves the number of the last alert. It is said after the alerts that were left before it, so that whoever
// hears all of them never takes one for missing; and again with every retained topic after each connect.
func (o *Outlet) lastAlert(a LastAlert) error {
	b, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("write the last alert: %w", err)
	}
	const topic = "alert/last"
	o.mu.Lock()
	if o.state[topic] == nil {
		o.state[topic] = &word{}
	}
	o.state[topic].payload = b
	o.mu.Unlock()
	o.once(saying{topic: topic, payload: b, retained: true})
	return nil
}
