// SPDX-License-Identifier: Apache-2.0

package alarms

import (
	"fmt"
	"strconv"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// HealthDay is how the alarms did on one day, for people and machines: counts, and figures with their limits.
type HealthDay struct {
	Date       string           `json:"date,omitempty"` // of UTC; empty: no clock was set
	By         string           `json:"by"`             // clock, running, both
	Open       bool             `json:"open"`           // the day goes on
	Running    findings.Measure `json:"running"`        // h, the box was on
	Operating  findings.Measure `json:"operating"`      // h, engine and compressor drive were not known to be off
	Announced  int              `json:"announced"`
	High       int              `json:"high"`
	Medium     int              `json:"medium"`
	Low        int              `json:"low"`
	Keys       []KeyCount       `json:"keys"`        // announced, most frequent first
	Busiest    int              `json:"most_10_min"` // announced within any ten minutes
	Floods     int              `json:"floods"`
	Flooded    findings.Measure `json:"flooded"` // h in flood
	Chattering []KeyCount       `json:"chattering"`
	Fleeting   []KeyCount       `json:"fleeting"`
	Stale      int              `json:"stale"` // most at a time that were active for more than 24 h of running time
	Shelved    int              `json:"shelved"`
	Out        int              `json:"out_of_service"`
	Figures    []HealthFigure   `json:"figures"`
}

// KeyCount is how often something was true of an alarm.
type KeyCount struct {
	Key   findings.Key `json:"key"`
	Times int          `json:"times"`
}

// HealthFigure is one figure of a day beside its limit.
type HealthFigure struct {
	Name   string            `json:"name"`
	Value  *findings.Measure `json:"value,omitempty"` // nil: not enough of the day to say
	Limit  *findings.Measure `json:"limit,omitempty"` // at most this; nil: it is told and not judged
	Aim    *findings.Measure `json:"aim,omitempty"`
	Judged string            `json:"judged"` // within, over, unknown, told
	Words  string            `json:"words"`
}

// The limits of a day's figures.
const (
	mostHourly   = 2.0 // a driver already has the field to look at: ours
	aimHourly    = 0.5
	mostTen      = 2.0 // average in ten minutes: commonly quoted from EEMUA 191 (from memory)
	aimTen       = 1.0
	mostFlooded  = 0.01 // of the time in flood: the same
	mostStale    = 4    // fewer than five at any time: the same
	mostFrequent = 0.25 // ours: the ten most frequent alarms of a plant say nothing of thirty rows
	leastWork    = time.Hour
	leastShare   = 12 // announcements of which a share says something: below, three of one kind are over it by chance
)

func inUnit(code string, v float64) *findings.Measure {
	u := units.Unit{Code: code, Dim: units.None, Factor: 1}
	switch code {
	case "h":
		u = units.Unit{Code: code, Dim: units.Time, Factor: 3600}
	case "/h":
		u = units.Unit{Code: code, Dim: units.Rate, Factor: 1.0 / 3600}
	case "%":
		u = units.Preferred(units.Ratio)
	}
	return &findings.Measure{SI: u.SI(v), Unit: u}
}

func (d *tally) day(open bool) HealthDay {
	h := HealthDay{
		Date: d.Date, By: d.By, Open: open, Running: *inUnit("h", d.Running.Hours()), Operating: *inUnit("h", d.Operating.Hours()),
		Busiest: d.Busiest, Floods: d.Floods, Flooded: *inUnit("h", d.Flooded.Hours()), Chattering: sorted(d.Chattering), Fleeting: sorted(d.Fleeting),
		Stale: d.Stale, Shelved: d.Shelved, Out: d.Out,
	}
	if h.By == "" {
		h.By = ByRunning
	}
	all := map[findings.Key]int{}
	for k, n := range d.Announced {
		h.Low, h.Medium, h.High = h.Low+n[Low-1], h.Medium+n[Medium-1], h.High+n[High-1]
		all[k] = n[0] + n[1] + n[2]
	}
	h.Announced, h.Keys = h.Low+h.Medium+h.High, sorted(all)
	h.Figures = d.figures(&h)
	return h
}

func (d *tally) figures(h *HealthDay) []HealthFigure {
	var out []HealthFigure
	add := func(name, unit string, value float64, known bool, limit, aim float64, limited bool, words string) {
		f := HealthFigure{Name: name, Judged: "told", Words: words}
		if limited {
			f.Limit, f.Aim = inUnit(unit, limit), inUnit(unit, aim)
		}
		switch {
		case !known:
			f.Judged = "unknown"
		case limited && value > limit:
			f.Value, f.Judged = inUnit(unit, value), "over"
		case limited:
			f.Value, f.Judged = inUnit(unit, value), "within"
		default:
			f.Value = inUnit(unit, value)
		}
		out = append(out, f)
	}
	n := float64(h.Announced)
	enough := d.Operating >= leastWork
	hourly, short := 0.0, "less than an hour of operation: too little to say"
	words, ten := "Alarms an hour of operation: "+short+".", "Alarms in ten minutes of operation: "+short+"."
	if enough {
		hourly = n / d.Operating.Hours()
		words = fmt.Sprintf("%s alarms an hour of operation; at most %s, the aim is %s.", figure(hourly), figure(mostHourly), figure(aimHourly))
		ten = fmt.Sprintf("%s alarms in ten minutes of operation on average; at most %s, the aim is %s.", figure(hourly/6), figure(mostTen), figure(aimTen))
	}
	add("rate", "/h", hourly, enough, mostHourly, aimHourly, true, words)
	add("rate-10-min", "1", hourly/6, enough, mostTen, aimTen, true, ten)
	add("busiest-10-min", "1", float64(d.Busiest), true, floodStart, mostTen, true,
		fmt.Sprintf("Most alarms within any ten minutes: %d; more than %d are a flood.", d.Busiest, floodStart))
	flooded := 0.0
	if d.Running > 0 {
		flooded = 100 * d.Flooded.Seconds() / d.Running.Seconds()
	}
	add("flooded", "%", flooded, d.Running > 0, 100*mostFlooded, 0, true,
		fmt.Sprintf("In flood for %s %% of the time, %s; less than %s %% is wanted.", figure(flooded), times(d.Floods), figure(100*mostFlooded)))
	add("chattering", "1", float64(len(h.Chattering)), true, 0, 0, true,
		fmt.Sprintf("Alarms that came and went three times within a minute: %d; none is wanted.", len(h.Chattering)))
	gone := 0
	for _, k := range h.Fleeting {
		gone += k.Times
	}
	add("fleeting", "1", float64(gone), true, 0, 0, false,
		fmt.Sprintf("Alarms whose condition was gone within %d s: %d. A longer on-delay mends them.", int(fleetingFor.Seconds()), gone))
	add("stale", "1", float64(d.Stale), true, mostStale, 0, true,
		fmt.Sprintf("Alarms active for more than 24 h, most at a time: %d; fewer than %d are wanted.", d.Stale, mostStale+1))
	share, known := 0.0, h.Announced >= leastShare
	words = fmt.Sprintf("The most frequent alarm's share: fewer than %d alarms, too few to say.", leastShare)
	if known {
		share = 100 * float64(h.Keys[0].Times) / n
		words = fmt.Sprintf("The most frequent alarm, %s, is %s %% of all; less than %s %% is wanted.", h.Keys[0].Key, figure(share), figure(100*mostFrequent))
	}
	add("most-frequent", "%", share, known, 100*mostFrequent, 0, true, words)
	high := 0.0
	words = "Share of high priority: no alarm."
	if h.Announced > 0 {
		high = 100 * float64(h.High) / n
		words = fmt.Sprintf("Of %d alarms %d were high, %d medium, %d low; commonly 5, 15 and 80 %%. This is told, not judged.", h.Announced, h.High, h.Medium, h.Low)
	}
	add("high-share", "%", high, h.Announced > 0, 0, 0, false, words)
	return out
}

func figure(v float64) string { return strconv.FormatFloat(v, 'g', 2, 64) }

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return strconv.Itoa(n) + " times"
}
