// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"airhold/firmware/store/export"
)

// meter tells of long work, at most once a second and not before it is long.
type meter struct {
	w     io.Writer
	begun time.Time
	last  time.Time
	boot  string
	since time.Time // when this boot was begun
	said  bool
}

// patience is how long work goes on before it is told of.
const patience = 2 * time.Second

func newMeter(w io.Writer) *meter {
	now := time.Now()
	return &meter{w: w, begun: now, last: now}
}

func (m *meter) tell(p export.Progress) {
	now := time.Now()
	if p.Boot != m.boot {
		m.boot, m.since = p.Boot, now
	}
	if now.Sub(m.begun) < patience || now.Sub(m.last) < time.Second {
		return
	}
	m.last, m.said = now, true
	left := ""
	if share := float64(p.Done) / float64(max(1, p.Total)); share > 0.02 && share <= 1 {
		took := now.Sub(m.since).Seconds()
		left = fmt.Sprintf(", about %s left of it", time.Duration(took*(1-share)/share*float64(time.Second)).Round(time.Second))
	}
	fmt.Fprintf(m.w, "boot %s (%d of %d): %d %%%s\n", p.Boot, p.Nth, p.Boots, min(100, 100*p.Done/max(1, p.Total)), left)
}

func (m *meter) end() {
	if m.said {
		fmt.Fprintf(m.w, "done after %s\n", time.Since(m.begun).Round(time.Second))
	}
}

type exportLine struct {
	export.Counts

	Event    string        `json:"event"`
	Format   export.Format `json:"format"`
	Out      string        `json:"out"`
	From     string        `json:"from,omitempty"`
	To       string        `json:"to,omitempty"`
	Run      string        `json:"run,omitempty"`
	Channels []string      `json:"channels,omitempty"`
	Bytes    int64         `json:"bytes"`
	Files    []export.File `json:"files"`
	Resumed  bool          `json:"resumed"`
	Already  bool          `json:"already"`
	Notes    []string      `json:"notes"`
}

// exportSummary says what was written: for people with a line a file, or as JSON. What could not be had goes to the log.
func exportSummary(stdout, stderr io.Writer, o *export.Options, s *export.Summary, asJSON bool) {
	l := exportLine{Event: "summary", Format: o.Format, Out: o.Out, Run: o.Run, Channels: o.Channels, Files: s.Files, Resumed: s.Resumed, Already: s.Already, Notes: append([]string{}, s.Notes...)}
	if !o.From.IsZero() {
		l.From = o.From.UTC().Format(time.RFC3339Nano)
	}
	if !o.To.IsZero() {
		l.To = o.To.UTC().Format(time.RFC3339Nano)
	}
	for i := range s.Files {
		f := &s.Files[i]
		l.Bytes += f.Bytes
		l.Readings += f.Readings
		l.Rows += f.Rows
		l.Frames += f.Frames
		l.Points += f.Points
		l.Unusable += f.Unusable
		l.Late += f.Late
		l.Undated += f.Undated
	}
	for _, n := range s.Notes {
		fmt.Fprintln(stderr, n)
	}
	if asJSON {
		b, err := json.Marshal(l)
		if err != nil {
			b = []byte(`{"event":"summary"}`)
		}
		fmt.Fprintf(stdout, "%s\n", b)
		return
	}
	if s.Already {
		fmt.Fprintln(stdout, "All of it was exported before; for what was recorded since, name another folder.")
	}
	for i := range s.Files {
		f := &s.Files[i]
		fmt.Fprintf(stdout, "%s: %s%s, %s\n", filepath.Join(o.Out, f.Name), holds(o.Format, f), during(f), size(f.Bytes))
	}
}

func holds(format export.Format, f *export.File) string {
	switch {
	case format.Frames():
		return count(f.Frames, "frame")
	case format == export.GeoJSON:
		return count(f.Points, "point")
	case format == export.CSV:
		return count(f.Readings, "reading") + " in " + count(f.Rows, "row")
	default:
		return count(f.Readings, "reading")
	}
}

func count(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func during(f *export.File) string {
	short := func(s string) string {
		if len(s) < 19 {
			return s
		}
		return strings.Replace(s[:19], "T", " ", 1)
	}
	if f.First == "" {
		return ", no wall time (the box never knew it)"
	}
	return fmt.Sprintf(", %s to %s UTC, clock %s", short(f.First), short(f.Last), f.Clock)
}

func size(n int64) string {
	if n < 1_000_000 {
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}
