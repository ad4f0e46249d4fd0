// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/sensors/units"
)

const replayUsage = `airhold replay: recorded data through the same checks that the box runs, as fast as it reads.

  airhold replay --machine FILE --readings FILE.csv [--can FILE] [--until TIME] [--json]
  airhold replay --machine FILE --can FILE          [--until TIME] [--json]
  airhold replay --log DIR                          [--until TIME] [--json]

  --machine FILE   what the machine has; with --log the file that the log carries is used unless one is named
  --readings FILE  a table: first column time, then channels (.gz and .zst are read as they are)
  --can FILE       a bus log: candump text or pcapng
  --log DIR        one recorded boot, as it was recorded or sealed: the newest in the folder, or the file named
  --until TIME     stop this long after the start, such as 90m
  --json           one JSON object a line; the last one is the summary
`

func runReplay(_ context.Context, args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("replay", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	machine := fs.String("machine", "", "")
	table := fs.String("readings", "", "")
	can := fs.String("can", "", "")
	log := fs.String("log", "", "")
	until := new(time.Duration)
	fs.Func("until", "", func(text string) (err error) {
		if *until, err = time.ParseDuration(text); err != nil {
			return errors.New("write a time such as 90m or 1h30m")
		}
		return nil
	})
	asJSON := fs.Bool("json", false, "")
	help := func(w io.Writer) { fmt.Fprint(w, replayUsage) }
	if code, done := parseFlags(fs, args, help, stdout, stderr); done {
		return code
	}
	switch {
	case *log == "" && *table == "" && *can == "":
		return wrongUsage("replay", stderr, "name what to replay: --readings FILE, --can FILE or --log DIR")
	case *log != "" && (*table != "" || *can != ""):
		return wrongUsage("replay", stderr, "--log stands alone: the log holds readings and frames already")
	case *machine == "" && *log == "":
		return wrongUsage("replay", stderr, "say which machine: --machine FILE")
	case *until < 0:
		return wrongUsage("replay", stderr, "--until %v: that is before the start; write a time such as 90m", *until)
	}
	var m *config.Machine
	if *machine != "" {
		var code int
		if m, code = loadMachine(*machine, stderr); m == nil {
			return code
		}
	}
	buffered := bufio.NewWriterSize(stdout, 1<<16)
	defer buffered.Flush() //nolint:errcheck // a closed pipe ends the program anyway
	p := &replayPrinter{w: buffered, json: *asJSON, count: map[findings.Key]int{}, leaks: map[string]findings.Measure{}}
	begun := time.Now()
	r, err := firmware.OpenReplay(firmware.ReplayOptions{Machine: m, Readings: *table, CAN: *can, Log: *log, Until: *until, Out: p})
	if err != nil {
		fmt.Fprintf(stderr, "airhold replay: %s\n", fileWords(err))
		return exitRefused
	}
	defer r.Close() //nolint:errcheck // only read
	p.spine, p.clocked = r.Spine(), r.Clocked()
	err = r.Run()
	for _, n := range r.Notes() {
		fmt.Fprintln(stderr, n)
	}
	switch {
	case errors.Is(err, firmware.ErrNothing):
		fmt.Fprintf(stderr, "airhold replay: %v in %s\n", err, given(*table, *can, *log))
		return exitRefused
	case err != nil:
		fmt.Fprintf(stderr, "airhold replay: %v\n", err)
		return exitRefused
	}
	p.summary(r, time.Since(begun))
	return exitOK
}

// given lists what was to be replayed.
func given(names ...string) string {
	return strings.Join(slices.DeleteFunc(names, func(s string) bool { return s == "" }), " and ")
}

// replayPrinter prints what the spine says, as lines for people or as JSON.
type replayPrinter struct {
	w       io.Writer
	json    bool
	clocked bool
	spine   *firmware.Spine
	count   map[findings.Key]int
	leaks   map[string]findings.Measure // as last sized, by place
	faults  int
}

// when writes a time as the contract asks: UTC, or seconds where the recording has no clock.
func (p *replayPrinter) when(at time.Duration) any {
	if p.clocked {
		if t := p.spine.UTC(at); !t.IsZero() {
			return t.UTC().Truncate(time.Millisecond).Format(time.RFC3339Nano)
		}
	}
	return math.Round(at.Seconds()*1000) / 1000
}

func (p *replayPrinter) words(at time.Duration) string {
	switch t := p.when(at).(type) {
	case string:
		if len(t) >= 19 {
			return t[:10] + " " + t[11:19]
		}
		return t
	case float64:
		return fmt.Sprintf("%10.1f s", t)
	default:
		return ""
	}
}

func (p *replayPrinter) line(v any) {
	b, err := json.Marshal(v)
	if err != nil {
		fmt.Fprintf(p.w, "{\"event\":\"error\",\"text\":%q}\n", err.Error())
		return
	}
	_, _ = p.w.Write(append(b, '\n'))
}

type alarmLine struct {
	Event    string            `json:"event"`
	At       any               `json:"at"`
	Onset    any               `json:"onset,omitempty"`
	Key      findings.Key      `json:"key"`
	Where    string            `json:"where,omitempty"`
	State    alarms.StateName  `json:"state"`
	From     alarms.StateName  `json:"from"`
	Priority alarms.Priority   `json:"priority"`
	Value    *findings.Measure `json:"value,omitempty"`
	Limit    *findings.Measure `json:"limit,omitempty"`
	Actor    string            `json:"actor,omitempty"`
	Reason   string            `json:"reason,omitempty"`
}

// Transition prints an alarm's change.
func (p *replayPrinter) Transition(t alarms.Transition) {
	s := &t.State
	if t.To == alarms.ActiveUnacked && t.From != alarms.ActiveUnacked && t.From != alarms.ActiveAcked { // not once more for a reminder
		p.count[s.Key]++
	}
	if p.json {
		l := alarmLine{
			Event: "alarm", At: p.when(t.At), Key: s.Key, Where: s.Where, State: t.To, From: t.From, Priority: s.Priority,
			Value: known(s.Value), Limit: known(s.Limit), Actor: t.Actor, Reason: t.Reason,
		}
		if s.Active || s.Unacked {
			l.Onset = p.when(s.Onset)
		}
		p.line(l)
		return
	}
	if quiet(t.From, t.To) {
		return
	}
	row, _ := p.spine.Engine().Row(s.Key)
	name := row.Title
	if s.Where != "" {
		name += " (" + s.Where + ")"
	}
	text := fmt.Sprintf("%s  %-6s  %s: %s", p.words(t.At), s.Priority, name, strings.ReplaceAll(string(t.To), "_", " "))
	if v := known(s.Value); v != nil {
		text += ", " + written(v)
		if l := known(s.Limit); l != nil {
			text += " against " + written(l)
		}
	}
	if t.Actor != "" {
		text += ", by " + t.Actor
	}
	if t.Reason != "" {
		text += " (" + t.Reason + ")"
	}
	fmt.Fprintln(p.w, text)
}

func known(m findings.Measure) *findings.Measure {
	if m.IsZero() || math.IsNaN(m.SI) {
		return nil
	}
	return &m
}

func written(m *findings.Measure) string {
	return fmt.Sprintf("%.4g %s", m.Unit.From(m.SI), m.Unit.Code)
}

// withInterval writes an estimate with its interval.
func withInterval(m *findings.Measure) string {
	text := written(m)
	if m.Reference != "" {
		text += " " + string(m.Reference)
	}
	if m.Low != 0 || m.High != 0 {
		text += fmt.Sprintf(" (95 %%: %.3g to %.3g)", m.Unit.From(m.Low), m.Unit.From(m.High))
	}
	return text
}

type runLine struct {
	Event string `json:"event"`
	Start any    `json:"start"`
	Stop  any    `json:"stop"`
	Open  bool   `json:"open,omitempty"`
}

// Run prints a compressor's run.
func (p *replayPrinter) Run(r compressor.Run) {
	if p.json {
		p.line(runLine{Event: "run", Start: p.when(r.Start), Stop: p.when(r.Stop), Open: r.Open})
		return
	}
	text := "compressor stopped after"
	if r.Open {
		text = "compressor still running after"
	}
	fmt.Fprintf(p.w, "%s  run     %s %s\n", p.words(r.Stop), text, (r.Stop - r.Start).Round(100*time.Millisecond))
}

type sizedLine struct {
	Event string           `json:"event"`
	Key   findings.Key     `json:"key"`
	At    any              `json:"at"`
	Where string           `json:"where"`
	Leak  findings.Measure `json:"leak"`
}

// Estimate prints a leak that was sized. People read it with the alarm and in the summary.
func (p *replayPrinter) Estimate(e firmware.Estimate) {
	p.leaks[e.Where] = e.Leak
	if p.json {
		p.line(sizedLine{Event: "estimate", Key: e.Key, At: p.when(e.At), Where: e.Where, Leak: e.Leak})
	}
}

// Event prints what is no alarm.
func (p *replayPrinter) Event(e firmware.Event) {
	if e.Fault != nil {
		p.faults++
	}
	if !p.json {
		fmt.Fprintf(p.w, "%s  note    %s\n", p.words(e.At), e.Text)
		return
	}
	l := map[string]any{"event": e.Kind, "at": p.when(e.At), "text": e.Text}
	if f := e.Fault; f != nil {
		l["source"], l["spn"], l["fmi"], l["active"] = f.Source, f.SPN, f.FMI, !f.Gone
		if f.CountKnown() {
			l["count"] = f.Count
		}
	}
	p.line(l)
}

type replaySummary struct {
	Event         string                       `json:"event"`
	Machine       string                       `json:"machine"`
	Duration      *findings.Measure            `json:"duration"`
	Covered       *findings.Measure            `json:"covered"`
	Runs          int                          `json:"runs"`
	Duty          *findings.Measure            `json:"duty"`
	DutyMax       *findings.Measure            `json:"duty_max"`
	StartsPerHour *findings.Measure            `json:"starts_per_hour"`
	Delivery      *findings.Measure            `json:"delivery"`
	Leak          map[string]*findings.Measure `json:"leak"`
	Condensate    *findings.Measure            `json:"condensate"`
	Care          []string                     `json:"care"`
	Contact       *findings.Measure            `json:"contact"`
	Alarms        map[findings.Key]int         `json:"alarms"`
	Faults        int                          `json:"machine_faults"`
	Readings      int64                        `json:"readings"`
	Frames        int64                        `json:"frames"`
	Speed         float64                      `json:"speed"`
	Unseen        []unseenLine                 `json:"unseen"`
}

type unseenLine struct {
	Key   findings.Key `json:"key"`
	Where string       `json:"where,omitempty"`
	Needs string       `json:"needs"`
}

func seconds(d time.Duration) *findings.Measure {
	return &findings.Measure{SI: d.Seconds(), Unit: units.Unit{Code: "s", Dim: units.Time, Factor: 1}}
}

func (p *replayPrinter) summary(r *firmware.Replay, took time.Duration) {
	sp := r.Spine()
	first, last, n := sp.Span()
	comp := sp.Compressor()
	s := replaySummary{
		Event: "summary", Machine: r.Machine().Name, Duration: seconds(last - first), Covered: seconds(comp.Covered()), Runs: comp.RunCount(),
		Leak: map[string]*findings.Measure{}, Care: []string{}, Alarms: p.count, Faults: p.faults, Readings: n, Frames: r.Frames(),
		Speed: findings.Round((last - first).Seconds() / max(took.Seconds(), 1e-9)), Unseen: []unseenLine{},
	}
	for where, leak := range p.leaks {
		s.Leak[where] = &leak
	}
	for _, it := range sp.Care().List() {
		if it.Due {
			s.Care = append(s.Care, it.Words+": "+it.Why)
		}
	}
	if w := sp.Water().State(); w.Known {
		s.Condensate = &w.Liquid
	}
	percent := units.Preferred(units.Ratio)
	if d, ok := comp.Delivery(); ok {
		s.Delivery = &findings.Measure{SI: d.Ratio, Low: d.Low, High: d.High, Unit: percent}
	}
	if d, ok := comp.DutyWhole(); ok {
		s.Duty = &findings.Measure{SI: d, Unit: percent}
		s.DutyMax = &findings.Measure{SI: comp.DutyMax(), Unit: percent}
	}
	if v, ok := comp.StartsPerHour(); ok {
		s.StartsPerHour = &findings.Measure{SI: v / 3600, Unit: units.Unit{Code: "/h", Dim: units.Rate, Factor: 1.0 / 3600}}
	}
	for _, st := range sp.Engine().States(nil) {
		if st.Sight == findings.Unseen && st.Needs != "" {
			s.Unseen = append(s.Unseen, unseenLine{st.Key, st.Where, st.Needs})
		}
	}
	if p.json {
		p.line(s)
		return
	}
	p.text(&s, last-first, took)
}

func (p *replayPrinter) text(s *replaySummary, span, took time.Duration) {
	fmt.Fprintf(p.w, "\n%s: %s replayed in %s", s.Machine, span.Round(time.Second), took.Round(time.Millisecond))
	fmt.Fprintf(p.w, ", %d readings, %d frames, %s of it with usable tank data.\n", s.Readings, s.Frames,
		time.Duration(s.Covered.SI*float64(time.Second)).Round(time.Second))
	if s.Duty != nil {
		fmt.Fprintf(p.w, "Compressor: %d runs, duty %.1f %% over all, at most %.1f %% over its window.\n", s.Runs, 100*s.Duty.SI, 100*s.DutyMax.SI)
	}
	if len(s.Alarms) == 0 {
		fmt.Fprintln(p.w, "No alarm.")
	} else {
		keys := make([]string, 0, len(s.Alarms))
		for k, n := range s.Alarms {
			keys = append(keys, fmt.Sprintf("%s %d", k, n))
		}
		slices.Sort(keys)
		fmt.Fprintf(p.w, "Alarms raised: %s.\n", strings.Join(keys, ", "))
	}
	if s.Condensate != nil {
		fmt.Fprintf(p.w, "Water in the tank by the balance: %s.\n", withInterval(s.Condensate))
	}
	if s.Delivery != nil {
		fmt.Fprintf(p.w, "Delivery against the machine's own baseline: %s.\n", withInterval(s.Delivery))
	}
	for _, c := range s.Care {
		fmt.Fprintf(p.w, "Due. %s.\n", c)
	}
	for _, where := range slices.Sorted(maps.Keys(s.Leak)) {
		fmt.Fprintf(p.w, "Leak, %s, as last sized: %s.\n", where, withInterval(s.Leak[where]))
	}
	for _, u := range s.Unseen {
		row, _ := p.spine.Engine().Row(u.Key)
		place := row.Title
		if u.Where != "" {
			place += " (" + u.Where + ")"
		}
		fmt.Fprintf(p.w, "%s cannot be seen on this machine: needs %s.\n", place, u.Needs)
	}
}
