// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/findings"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/zones"
	"airhold/sensors/units"
)

// leakdownZones tells from one recording for each watch which path leaks.
func leakdownZones(m *config.Machine, f *leakdownFlags, stdout, stderr io.Writer) int {
	if f.zone != tankZone {
		return wrongUsage("leakdown", stderr, "--phases looks at all zones together: leave --zone out")
	}
	if f.report != "" || f.png != "" {
		return wrongUsage("leakdown", stderr, "--report and --png go with one recording: name it with --readings")
	}
	files := strings.Split(f.phases, ",")
	var o zones.Options
	var first *recording
	var watches []zones.Recorded
	void := []string{}
	for i, name := range files {
		name = strings.TrimSpace(name)
		if name == "" {
			return wrongUsage("leakdown", stderr, "--phases: file %d has no name; write --phases closed.csv,vented.csv", i+1)
		}
		rec, err := readRecording(name, m, tankZone, f, stderr)
		if err != nil {
			fmt.Fprintf(stderr, "airhold leakdown: %s\n", fileWords(err))
			return exitRefused
		}
		p := newPlan(m, rec, tankZone, nil, f)
		if first == nil {
			first, o = rec, zoneOptions(m, p)
		}
		if reason := rec.doubt(m, tankZone, p.setup.SafeWorking); reason != "" {
			void = append(void, fmt.Sprintf("%s: %s", name, reason))
		}
		for _, e := range rec.events {
			void = append(void, fmt.Sprintf("%s, after %s: %s.", name, long(e.at), e.what))
		}
		watches = append(watches, zones.Recorded{Name: filepath.Base(name), Readings: rec.samples, Rested: rec.ranksRested(m), Shut: rec.shut(m)})
	}
	if v := o.Tank.Volume; !(v >= leastVolume) || v > mostVolume {
		void = append(void, fmt.Sprintf("A volume of %.4g L cannot be: between %.4g and %.4g L can be tested.", v*1e3, leastVolume*1e3, mostVolume*1e3))
	}
	out := zones.Outcome{Answer: zones.NotJudged, Trust: zones.LowerTrust, Sentences: void}
	if len(void) == 0 {
		for i := range o.Ranks {
			o.Ranks[i].VolumeAt = startsAt(watches[0].Readings[o.Ranks[i].Name])
		}
		out = zones.Analyse(o, watches)
	}
	var err error
	if f.json {
		err = printZonesJSON(stdout, m, &out, len(files))
	} else {
		err = printZones(stdout, m, &out, files)
	}
	if err != nil {
		fmt.Fprintf(stderr, "airhold leakdown: %v\n", err)
		return exitFailed
	}
	return exitOK
}

// startsAt is the pressure of the first good reading, Pa gauge; a rank's declared volume holds at the pressure it is tested
// at.
func startsAt(list []leakdown.Sample) float64 {
	for _, s := range list {
		if !s.Bad {
			return max(0, s.Pressure)
		}
	}
	return 0
}

// zoneOptions describes the machine to the zones.
func zoneOptions(m *config.Machine, p plan) zones.Options {
	o := zones.Options{Tank: p.setup}
	for _, r := range m.Ranks {
		o.Ranks = append(o.Ranks, zones.Rank{
			Name: r.Name, Volume: float64(r.Volume), Stretch: r.Stretch, StretchUncertainty: r.StretchUncertain,
			PowerOff: zones.PowerOff(r.AtPowerOff), ShutOff: zones.ShutOff(r.ShutOff),
		})
	}
	return o
}

// ranksRested reads how long the ranks had rested, from notes such as front_rested=5 min, or ranks_rested for all.
func (r *recording) ranksRested(m *config.Machine) map[string]time.Duration {
	out := map[string]time.Duration{}
	for _, k := range m.Ranks {
		for _, key := range []string{"ranks_rested", k.Name + "_rested"} {
			if v, ok := r.quantity(key, units.Time); ok && v >= 0 && v < 9e9 {
				out[k.Name] = time.Duration(v * float64(time.Second))
			}
		}
	}
	return out
}

// shut reads which ranks' hand valves were shut, from a note such as shut=front or shut=front rear.
func (r *recording) shut(m *config.Machine) []string {
	var out []string
	for _, word := range strings.FieldsFunc(r.notes["shut"], func(c rune) bool { return c == ' ' || c == '+' || c == '/' || c == ',' }) {
		for _, k := range m.Ranks {
			if k.Name == word {
				out = append(out, word)
			}
		}
	}
	return out
}

type pathLine struct {
	Where     string            `json:"where"`
	Includes  []string          `json:"includes"`
	Leak      *findings.Measure `json:"leak"`
	Posterior float64           `json:"posterior"`
	Watch     int               `json:"watch"`
}

type zonesSummary struct {
	Event      string            `json:"event"`
	Machine    string            `json:"machine"`
	Phases     int               `json:"phases"`
	Answer     zones.Answer      `json:"answer"`
	Paths      []pathLine        `json:"paths"`
	Rivals     [][]string        `json:"rivals"`
	CannotTell string            `json:"cannot_tell"`
	Step       string            `json:"step"`
	Trust      zones.Trust       `json:"trust"`
	Reasons    []string          `json:"reasons"`
	Missed     *findings.Measure `json:"may_be_missed"`
	Cautions   string            `json:"cautions"`
}

func printZonesJSON(w io.Writer, m *config.Machine, out *zones.Outcome, phases int) error {
	s := zonesSummary{
		Event: "summary", Machine: m.Name, Phases: phases, Answer: out.Answer, Paths: []pathLine{}, Rivals: append([][]string{}, out.Sets...),
		CannotTell: out.CannotTell, Step: out.Step, Trust: out.Trust, Reasons: append([]string{}, out.Sentences...), Cautions: oneLine(leakdownCautions),
	}
	if out.Answer != zones.NotJudged {
		s.Missed = flowMeasure(out.Missed)
	}
	for _, p := range out.Paths {
		s.Paths = append(s.Paths, pathLine{p.Where, append([]string{}, p.Includes...), leakMeasure(p.Leak), findings.Round(clampChance(p.Posterior)), p.Watch})
	}
	return jsonLine(w, s)
}

func printZones(w io.Writer, m *config.Machine, out *zones.Outcome, files []string) error {
	var b strings.Builder
	s := shownIn(m)
	fmt.Fprintf(&b, "Which path of the air leaks on %q, from %s\n\n", m.Name, strings.Join(files, " and "))
	switch out.Answer {
	case zones.Found:
		fmt.Fprintln(&b, "FOUND")
	case zones.Nothing:
		fmt.Fprintln(&b, "NO LEAK SEEN")
	case zones.CannotTell:
		fmt.Fprintln(&b, "CANNOT TELL YET")
	default:
		fmt.Fprintln(&b, "NOT JUDGED")
	}
	for _, text := range out.Sentences {
		fmt.Fprintln(&b, wrap(text, ""))
	}
	if len(out.Paths) > 0 {
		fmt.Fprintln(&b)
	}
	for _, p := range out.Paths {
		fmt.Fprintf(&b, "  %-18s %s %s, between %s and %s (95 %%); chance %s\n", p.Where, s.leak(p.Leak.Value), s.flowUnit(), s.leak(p.Leak.Low), s.leak(p.Leak.High), chance(p.Posterior))
	}
	fmt.Fprintf(&b, "\n%s\n", leakdownCautions)
	_, err := io.WriteString(w, b.String())
	return err
}
