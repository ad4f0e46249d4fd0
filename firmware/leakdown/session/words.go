// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
	"strings"
	"time"

	"airhold/firmware/findings"
	"airhold/sensors/units"
)

// safeTicks are the lines to walk round with before anything is charged.
func safeTicks() []Tick {
	return []Tick{
		{ID: "park", Text: "Parked on level ground, brake set"},
		{ID: "key", Text: "Engine stopped, key out", Note: "it runs again for the fill alone"},
		{ID: "down", Text: "Planter down, or blocked against sinking"},
		{ID: "clear", Text: "Nobody near the row units", Note: "bags move the linkages as they fill and vent"},
		{ID: "eyes", Text: "Eyes protected"},
		{ID: "spray", Text: "Soapy water ready", Note: "a hand must never look for a leak"},
	}
}

func tickText(id string) string {
	for _, t := range safeTicks() {
		if t.ID == id {
			return t.Text
		}
	}
	return id
}

const manualFirst = "The machine's manual, local rules and licensed practice come first. Airhold only looks; it is no safety device."

// cautions of the present step.
func (s *Session) cautions() []string {
	r := s.run
	var out []string
	switch r.step {
	case MakeSafe:
		out = []string{"Compressed air can hurt: never loosen a fitting under pressure, never open a drain or a valve in a hurry."}
	case Fill:
		out = []string{
			"Everyone clear of the row units before the engine starts: bags move the linkages as they fill.",
			fmt.Sprintf("Never above %s: tank plate and relief valve set that limit. Stop the fill if the pressure goes past its usual end.", kPa(s.most())),
			"Eyes protected; nobody beside the relief valve.",
		}
		if math.IsInf(s.most(), 1) {
			out[1] = "Never above the safe working pressure on the tank's plate."
		}
	case Isolate:
		out = []string{"Engine off and key out before anyone goes to the machine.", "Never loosen a fitting under pressure."}
		if r.phase > 1 {
			out = []string{
				"Vent with the machine's own control only; never loosen a fitting to let air out.",
				"Nobody at the row units: bags move the linkages as they vent, and what they held up can sink.",
				"Eyes protected. Leave the tank as it is: the compressor must not start.",
			}
		}
	case Watch:
		out = []string{"Leave the machine alone while the box watches. A hissing leak is looked for with soapy water, never with a hand."}
	case Done:
		out = []string{"Before anything is opened: engine off, key out, air relieved as the manual says, eyes protected."}
	}
	return append(out, manualFirst)
}

// do is what the person has to do in the present step.
func (s *Session) do() []string {
	r := s.run
	v := r.asked
	switch r.step {
	case MakeSafe:
		return []string{"Walk round the planter and tick each line that you have seen."}
	case Fill:
		to := "to the pressure it works with"
		if r.target > 0 {
			to = "to " + kPa(r.target)
		}
		if v.rank < 0 {
			out := []string{fmt.Sprintf("Start the engine and let the compressor charge the tank %s; its own switch ends that.", to)}
			if len(s.o.Ranks) > 0 {
				out = append(out, "Let the ranks come to the pressure they work with before that: air that they take later spoils the test.")
			}
			return append(out, "Then go on; from there the engine is stopped.")
		}
		return []string{
			fmt.Sprintf("With the machine's own control bring the %s %s, and let the tank charge.", v.where, to),
			fmt.Sprintf("Bags go on stretching after a fill: the verdict counts %.0f s after it.", restNeed.Seconds()),
			"Then go on; from there the engine is stopped.",
		}
	case Isolate:
		return s.doIsolate()
	case Watch:
		return s.doWatch()
	case Done:
		if r.result != nil && r.result.Help != "" {
			return []string{r.result.Help}
		}
	}
	return nil
}

func (s *Session) doIsolate() []string {
	r := s.run
	if r.phase > 1 {
		return []string{
			fmt.Sprintf("Vent every rank to about %s with the machine's own control, then leave everything alone.", kPa(ventTo)),
			"The tank stays charged as it is.",
			fmt.Sprintf("The bags then rest for %.0f s while the box watches; begin the watch with the button once they are vented.", restNeed.Seconds()),
		}
	}
	out := []string{"Stop the engine, key out."}
	if hand := s.byHand(); len(hand) > 0 {
		out = append(out, "Shut the hand valve of the "+and(hand)+" rank, then press on.")
	}
	for _, d := range s.o.Ranks {
		switch d.PowerOff {
		case "vent":
			out = append(out, fmt.Sprintf("The %s rank's valves open without power, so the machine file says: leave the control's power on, or its air goes.", d.Name))
		case "hold":
		default:
			out = append(out, fmt.Sprintf("What the %s rank's valves do without power is not declared: watch whether its bags sink when the key is turned off.", d.Name))
		}
	}
	if len(s.byHand()) == 0 {
		out = append(out, "Then touch nothing: the watch begins by itself, and counts from the moment the air was shut in.")
	}
	return out
}

func (s *Session) doWatch() []string {
	r := s.run
	out := []string{"Leave the machine alone; the box stops by itself when it is sure."}
	if left := s.restLeft(); left > 0 {
		out = append(out, fmt.Sprintf("The bags of the %s still stretch: the verdict counts in %.0f s.", r.asked.where, math.Ceil(left.Seconds())))
	}
	if r.phases > 1 && r.phase == 1 && r.asked.test != nil && r.asked.test.Result().Verdict != "measuring" {
		out = append(out, "The verdict stands; the box goes on watching so that it can tell the paths apart.")
	}
	if r.phase > 1 {
		out = append(out, "Second watch, ranks vented: it tells apart what looked alike in the first.")
	}
	return out
}

// restLeft is how long the asked rank must still rest before its verdict counts.
func (s *Session) restLeft() time.Duration {
	v := s.run.asked
	if v.rank < 0 || !v.hasMove || s.run.phase > 1 {
		return 0
	}
	return max(0, restNeed-(s.now-v.moved))
}

// hear is what should be heard in the present step.
func (s *Session) hear() string {
	r := s.run
	switch r.step {
	case Fill:
		return "The compressor, and short puffs as bags fill. When the switch ends the charge, the unloading puff at the compressor is usual."
	case Isolate:
		if r.phase > 1 {
			return "Air leaving the exhaust of the rank valves, then nothing."
		}
		return "Nothing. Air that hisses on is a leak: note where, but go near only with the engine off and eyes protected."
	case MakeSafe, Watch, Done:
	}
	return ""
}

// next is the word of the button.
func (s *Session) next() string {
	r := s.run
	switch r.step {
	case MakeSafe:
		return "Next: fill"
	case Fill:
		return "Next: isolate"
	case Isolate:
		switch {
		case r.confirmed:
		case r.phase > 1:
			return "Vented: watch"
		case len(s.byHand()) > 0:
			return "Shut: watch"
		}
	case Watch, Done:
	}
	return ""
}

// Words are what home shows while a test is under way: "Leak-down test, 70 s". Empty when none is.
func (s *Session) Words() string {
	if !s.Active() {
		return ""
	}
	r := s.run
	if r.step == Watch {
		return fmt.Sprintf("Leak-down test, %.0f s", math.Max(0, math.Floor((s.now-r.asked.since).Seconds())))
	}
	return "Leak-down test: " + stepWords(r.step)
}

func stepWords(s Step) string {
	switch s {
	case MakeSafe:
		return "make safe"
	case Fill:
		return "fill"
	case Isolate:
		return "isolate"
	case Watch:
		return "watch"
	default:
		return "result"
	}
}

func kPa(pa float64) string { return fmt.Sprintf("%.0f kPa", pa/1e3) }

func flowWords(q float64) string { return fmt.Sprintf("%.3g L/min ANR", q/litreMinute) }

func span(d time.Duration) string {
	if d >= 2*time.Minute {
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

func and(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

func reason(reasons []string, otherwise string) string {
	if len(reasons) == 0 {
		return otherwise
	}
	return strings.Join(reasons, " ")
}

func gauge(pa float64) *findings.Measure {
	return &findings.Measure{SI: pa, Unit: units.Preferred(units.Pressure), Reference: units.Gauge}
}

// drop is a difference of pressures: it has no reference.
func drop(pa float64) *findings.Measure {
	return &findings.Measure{SI: pa, Unit: units.Preferred(units.Pressure)}
}

func perMinute() units.Unit {
	return units.Unit{Code: "kPa/min", Dim: units.None, Factor: 1000.0 / 60}
}

func flow(q float64) *findings.Measure {
	return &findings.Measure{SI: q, Unit: units.Preferred(units.FlowRate), Reference: units.ANR}
}

func millimetre() units.Unit { return units.Unit{Code: "mm", Dim: units.Length, Factor: 1e-3} }

func second() units.Unit { return units.Unit{Code: "s", Dim: units.Time, Factor: 1} }
