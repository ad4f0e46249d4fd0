// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// shutIn is a closed volume from the closed forms of a textbook, not from this program's physics: the air's excess
// temperature decays as one exponential, and a choked leak takes a constant share of the air each second, since its mass
// flow goes with the absolute pressure. Volume L, pressures kPa, times s. The leak is L/min at 100 kPa and 293.15 K: what
// goes out at the start pressure with air of the wall's 293.15 K behind the hole, as a leak's conductance is defined.
type shutIn struct {
	volume, start, leak, hot, tau, noise, air float64
	seconds, rate                             float64
	seed                                      uint64
	rises                                     float64 // kPa/s added: air comes in
}

func tightTank() shutIn {
	return shutIn{volume: 38, start: 742, hot: 15, tau: 40, noise: 0.3, air: 101.325, seconds: 600, rate: 10, seed: 1}
}

// pressure is the gauge pressure after t seconds, without noise.
func (s shutIn) pressure(t float64) float64 {
	const wall = 293.15
	share := s.leak / 60 / s.volume * 100 / (s.start + s.air) // of the air, 1/s
	warm := (wall + s.hot*math.Exp(-t/s.tau)) / (wall + s.hot)
	return (s.start+s.air)*warm*math.Exp(-share*t) - s.air + s.rises*t
}

// series is the recorded pressure: time and kPa.
func (s shutIn) series() (at, p []float64) {
	r := rand.New(rand.NewPCG(s.seed, 7))
	for i := range int(s.seconds*s.rate) + 1 {
		t := float64(i) / s.rate
		at, p = append(at, t), append(p, s.pressure(t)+s.noise*r.NormFloat64())
	}
	return at, p
}

// hold FILE KEY=VALUE...: a recording of a closed volume. volume, start, leak, hot, tau, noise, air, seconds, rate, seed
// and rises as above; the way it is written: unit=bar|psi|Pa|hPa (of the numbers), sep=comma|semicolon|tab, dec=comma,
// time=clock|hms, bom=1, eol=crlf, head=none or the header row, note=TEXT (before the header), from=S (the first time),
// gap=S:S (no rows between), spoil=COLUMN:S (a further column that goes wrong at S), step=V (the sensor's step, kPa),
// ranks=FRONT:REAR:LEAK (two more columns that fall by a leak in a rank of 18.5 L).
func hold(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: hold FILE KEY=VALUE...")
	}
	text, err := holdText(args[1:])
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o600))
}

func holdText(args []string) (string, error) {
	s, how := tightTank(), map[string]string{}
	numbers := map[string]*float64{
		"volume": &s.volume, "start": &s.start, "leak": &s.leak, "hot": &s.hot, "tau": &s.tau, "noise": &s.noise, "air": &s.air,
		"seconds": &s.seconds, "rate": &s.rate, "rises": &s.rises,
	}
	words := []string{"unit", "sep", "dec", "time", "bom", "eol", "head", "note", "from", "gap", "spoil", "step", "ranks"}
	for _, a := range args {
		key, value, _ := strings.Cut(a, "=")
		switch to := numbers[key]; {
		case to != nil:
			v, err := strconv.ParseFloat(value, 64)
			if err != nil {
				return "", err
			}
			*to = v
		case key == "seed":
			n, err := strconv.ParseUint(value, 10, 64)
			if err != nil {
				return "", err
			}
			s.seed = n
		case slices.Contains(words, key):
			how[key] = value
		default:
			return "", fmt.Errorf("hold: no key %q", key)
		}
	}
	return writeHold(s, how)
}

// spoiled is the value of a column before and after it goes wrong.
func spoiled(column string) (fine, wrong string, ok bool) {
	switch column {
	case "running", "lowered":
		return "0", "1", true
	case "drive":
		return "0", "1800", true
	case "speed":
		return "0", "2.2", true
	case "sensor_supply":
		return "5.02", "3.10", true
	default:
		return "", "", false
	}
}

func writeHold(s shutIn, how map[string]string) (string, error) {
	scale := map[string]float64{"": 1, "bar": 0.01, "psi": 1 / 6.894757, "Pa": 1000, "hPa": 10}[how["unit"]]
	sep := map[string]string{"": ",", "comma": ",", "semicolon": ";", "tab": "\t"}[how["sep"]]
	if scale == 0 || sep == "" {
		return "", fmt.Errorf("hold: unit %q or sep %q is none", how["unit"], how["sep"])
	}
	pair := func(key string) (first string, at float64, err error) {
		a, b, _ := strings.Cut(how[key], ":")
		if b == "" {
			return a, math.Inf(1), nil
		}
		at, err = strconv.ParseFloat(b, 64)
		return a, at, err
	}
	column, badAt, err := pair("spoil")
	if err != nil {
		return "", err
	}
	fine, wrong, spoils := spoiled(column)
	gapText, gapEnd, err := pair("gap")
	gapStart := math.Inf(1)
	if err == nil && gapText != "" {
		gapStart, err = strconv.ParseFloat(gapText, 64)
	}
	from := 0.0
	if err == nil && how["from"] != "" {
		from, err = strconv.ParseFloat(how["from"], 64)
	}
	step := 0.0
	if err == nil && how["step"] != "" {
		step, err = strconv.ParseFloat(how["step"], 64)
	}
	var ranks []shutIn
	if err == nil && how["ranks"] != "" {
		ranks, err = rankSeries(how["ranks"], s)
	}
	if err != nil {
		return "", err
	}
	head := "time,tank"
	if spoils {
		head += "," + column
	}
	if len(ranks) > 0 {
		head += ",front,rear"
	}
	if how["head"] != "" {
		head = how["head"]
	}
	var b strings.Builder
	if how["note"] != "" {
		b.WriteString("# " + how["note"] + "\n")
	}
	if head != "none" {
		b.WriteString(strings.ReplaceAll(head, ",", sep) + "\n")
	}
	at, p := s.series()
	rest := rand.New(rand.NewPCG(s.seed, 99))
	for i, t := range at {
		if t > gapStart && t < gapEnd {
			continue
		}
		v := p[i]
		if step > 0 {
			v = math.Round(v/step) * step
		}
		cells := []string{holdTime(how["time"], t+from), strconv.FormatFloat(v*scale, 'f', 4, 64)}
		if spoils {
			cells = append(cells, map[bool]string{false: fine, true: wrong}[t >= badAt])
		}
		for _, r := range ranks {
			cells = append(cells, strconv.FormatFloat((r.pressure(t)+r.noise*rest.NormFloat64())*scale, 'f', 4, 64))
		}
		row := strings.Join(cells, sep)
		if how["dec"] == "comma" {
			row = strings.ReplaceAll(row, ".", ",")
		}
		b.WriteString(row + "\n")
	}
	text := b.String()
	if how["eol"] == "crlf" {
		text = strings.ReplaceAll(text, "\n", "\r\n")
	}
	if how["bom"] != "" {
		text = "\ufeff" + text
	}
	return text, nil
}

// rankSeries are two ranks at rest: front leaks, rear does not.
func rankSeries(text string, s shutIn) ([]shutIn, error) {
	parts := strings.Split(text, ":")
	if len(parts) != 3 {
		return nil, fmt.Errorf("hold: ranks=FRONT:REAR:LEAK, not %q", text)
	}
	var v [3]float64
	for i := range v {
		var err error
		if v[i], err = strconv.ParseFloat(parts[i], 64); err != nil {
			return nil, err
		}
	}
	front := shutIn{volume: 18.5, start: v[0], leak: v[2], tau: 40, noise: s.noise, air: s.air}
	rear := shutIn{volume: 17, start: v[1], tau: 40, noise: s.noise, air: s.air}
	return []shutIn{front, rear}, nil
}

// holdTime writes a time as seconds, as a moment, or as a clock's reading.
func holdTime(form string, t float64) string {
	h, m, s := int(t)/3600, int(t)/60%60, t-60*math.Floor(t/60)
	switch form {
	case "clock":
		return fmt.Sprintf("2026-04-28T%02d:%02d:%05.2f+01:00", 6+h, m, s)
	case "hms":
		return fmt.Sprintf("%02d:%02d:%05.2f", (23+h)%24, m, s)
	default:
		return strconv.FormatFloat(t, 'f', 2, 64)
	}
}

// The closed form is checked against its own differential equation, by small steps: d(ln p) = d(ln T) - share dt.
func TestShutInFollowsItsEquation(t *testing.T) {
	t.Parallel()
	s := tightTank()
	s.leak = 5
	p, temp := s.start+s.air, 293.15+s.hot
	// Of the air's volume at the reference, 38 L times pressure over 100 kPa, 5 L go each minute.
	share := 5.0 / 60 / (38 * p / 100)
	const dt = 0.01
	for i := range 30000 {
		cooling := -(temp - 293.15) / s.tau * dt
		p *= 1 + cooling/temp - share*dt
		temp += cooling
		if now := float64(i+1) * dt; (i+1)%5000 == 0 {
			if got := s.pressure(now) + s.air; math.Abs(got-p) > 0.05 {
				t.Errorf("after %v s: %v kPa; by small steps %v", now, got, p)
			}
		}
	}
}
