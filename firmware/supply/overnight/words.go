// SPDX-License-Identifier: Apache-2.0

package overnight

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

const notKnownWords = "Overnight hold not known: "

// Word returns the place's night in one word.
func (h *Hold) Word() Word {
	switch {
	case !h.Known:
		return NotKnown
	case h.Leak.Low > 0 && h.Lost.SI > lostShare*h.From.SI:
		return Lost
	default:
		return Held
	}
}

// State returns the night in one word, and for NotKnown why; the empty word while nothing is to be said: before the
// morning is read, and where the power was only off for a short time. A rank that lost is enough for Lost.
func (o *Overnight) State() (word Word, why string) {
	if o.words == "" || len(o.held) == 0 {
		return "", ""
	}
	for i := range o.held {
		if o.held[i].Word() == Lost {
			return Lost, ""
		}
	}
	return o.held[0].Word(), o.held[0].Why
}

// Words returns the first line of the day; empty while nothing is to be said.
func (o *Overnight) Words() string { return o.words }

func (o *Overnight) say() string {
	if len(o.held) == 0 || (o.places[0].short && !o.held[0].Known) {
		return ""
	}
	h := &o.held[0]
	if !h.Known {
		return notKnownWords + h.Why
	}
	var b strings.Builder
	const oneNight = 20 // h
	switch {
	case h.Word() == Lost && h.Hours <= oneNight:
		b.WriteString("Lost air overnight: ")
	case h.Word() == Lost:
		fmt.Fprintf(&b, "Lost air in %.0f h: ", h.Hours)
	case h.Hours <= oneNight:
		b.WriteString("Held overnight: ")
	default:
		fmt.Fprintf(&b, "Held for %.0f h: ", h.Hours)
	}
	fmt.Fprintf(&b, "%.0f to %.0f kPa, %s, %s", h.From.SI/1e3, h.To.SI/1e3, causeWords(h), leakWords(h))
	if h.Warm != "tank wall" {
		b.WriteString(", by the temperature of the air alone")
	}
	for i := 1; i < len(o.held); i++ {
		if r := &o.held[i]; r.Word() == Lost {
			fmt.Fprintf(&b, "; %s lost %.0f of %.0f kPa", r.Where, r.Lost.SI/1e3, r.From.SI/1e3)
		}
	}
	return b.String()
}

// causeWords say how much of the change warmth explains.
func causeWords(h *Hold) string {
	fall := math.Round(h.From.SI/1e3) - math.Round(h.To.SI/1e3)
	cool := math.Round(h.Cooling.SI / 1e3)
	switch {
	case cool >= 0 && fall >= 0:
		return fmt.Sprintf("cooling explains %.0f of %.0f", cool, fall)
	case cool < 0 && fall < 0:
		return fmt.Sprintf("warming explains %.0f of %.0f", -cool, -fall)
	case cool < 0:
		return fmt.Sprintf("though warming should have added %.0f", -cool)
	default:
		return fmt.Sprintf("though cooling should have taken %.0f", cool)
	}
}

// leakWords are a leak with its interval; one that may be none is "at most".
func leakWords(h *Hold) string {
	d := digits(h.Leak.High - h.Leak.Low)
	if h.Leak.Low <= 0 {
		return "leak at most " + litres(math.Max(0, h.Leak.High), d) + " L/min ANR"
	}
	return fmt.Sprintf("leak %s L/min ANR (%s to %s)", litres(h.Leak.SI, d), litres(h.Leak.Low, d), litres(h.Leak.High, d))
}

const perLitre = 60e3 // L/min in one m3/s

// digits is how many decimals of a flow in L/min say something where its interval is so wide, m3/s.
func digits(width float64) int {
	switch w := width * perLitre; {
	case w < 0.03:
		return 3
	case w < 0.3:
		return 2
	case w < 3:
		return 1
	default:
		return 0
	}
}

// litres writes a flow in L/min.
func litres(si float64, decimals int) string {
	return strconv.FormatFloat(si*perLitre, 'f', decimals, 64)
}
