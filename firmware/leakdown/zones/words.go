// SPDX-License-Identifier: Apache-2.0

package zones

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// called is how a watch is named in a sentence.
func called(p Phase, i int) string {
	name := ordinal(i) + " watch"
	if p.Name != "" {
		name += " (" + p.Name + ")"
	}
	return name
}

func ordinal(i int) string {
	words := []string{"first", "second", "third", "fourth"}
	if i < len(words) {
		return words[i]
	}
	return fmt.Sprintf("%dth", i+1)
}

func notes(phases []Phase) []string {
	list := []string{}
	for i, p := range phases {
		for _, n := range slices.Concat(p.Notes, p.Remarks) {
			list = append(list, upper(called(p, i))+": "+n)
		}
	}
	return list
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// flowText is a flow for people.
func flowText(v float64) string { return fmt.Sprintf("%.2f L/min ANR", v/litrePerMinute) }

// and joins names: "a", "a and b", "a, b and c".
func and(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// setText names a set of paths: "the front fill valve together with the front rank".
func setText(set []string) string {
	if len(set) == 0 {
		return "no leak at all"
	}
	return "the " + strings.Join(set, " together with the ")
}

// say writes the sentences, the step and the trust.
func (out *Outcome) say(o Options, seen []bool, left []suspect) {
	switch out.Answer {
	case Nothing:
		out.add("No leak above %s was found. One of up to %s in one place could have been missed.",
			flowText(orElse(o.Threshold, 0.25*litrePerMinute)), flowText(out.Missed))
	case CannotTell:
		texts := make([]string, 0, len(out.Sets))
		for _, s := range out.Sets {
			texts = append(texts, setText(s))
		}
		out.Step = out.step(o)
		out.CannotTell = "Cannot tell " + texts[0] + " from " + strings.Join(texts[1:], ", or from ") + ": the pressures look the same. " + out.Step
		out.add("%s", out.CannotTell)
	default:
		out.found()
	}
	for _, p := range out.Paths {
		if len(p.Includes) > 1 && (out.Answer == Found || slices.Contains(out.Sets[0], p.Where)) {
			out.add("%s means any of: %s. Pressure cannot tell these apart.%s", upper(p.Where), strings.Join(p.Includes, ", "), split(o, p))
		}
	}
	for _, p := range out.Paths {
		if p.Watch > 1 {
			out.add("The %s had hardly any pressure across it before the %s watch; its leak is said at the pressures there.", p.Where, ordinal(p.Watch-1))
		}
	}
	out.hint(o, left)
	out.limits(o, seen)
	if free := float64(out.Freedom); out.Freedom > 0 && out.ChiSquare > unusual(free) {
		out.Trust = LowerTrust
		out.add("The pressures do not fit any one or two leaks well: there may be more of them, a leak that opens or closes, or something that moved. Watch again.")
	}
	for _, p := range out.Phases {
		if len(p.Notes) > 0 {
			out.Trust = LowerTrust
		}
	}
	out.Sentences = append(out.Sentences, notes(out.Phases)...)
	if out.Trust == LowerTrust {
		out.add("Because of this the answer deserves less trust than usual.")
	}
}

// found names the places.
func (out *Outcome) found() {
	lost, passed := []string{}, []string{}
	for _, p := range out.Paths {
		text := fmt.Sprintf("the %s (%s, between %.2f and %.2f)", p.Where, flowText(p.Leak.Value), p.Leak.Low/litrePerMinute, p.Leak.High/litrePerMinute)
		if p.Into != "" {
			passed = append(passed, text)
			continue
		}
		lost = append(lost, text)
	}
	if len(lost) > 0 {
		out.add("Air is lost through %s.", and(lost))
	}
	if len(passed) > 0 {
		out.add("Air passes %s into its rank, though it should be shut.", and(passed))
	}
	for _, p := range out.Paths {
		if slices.ContainsFunc(out.Paths, func(q Path) bool { return p.Into != "" && q.Where == p.Into }) {
			out.add("The %s loses what the %s lets in: with everything closed its pressure hardly shows either, and the pair looks like a leak of the tank side.", p.Into, p.Where)
		}
	}
}

func (out *Outcome) add(format string, a ...any) {
	out.Sentences = append(out.Sentences, fmt.Sprintf(format, a...))
}

// hint says what may leak besides.
func (out *Outcome) hint(o Options, list []suspect) {
	for _, s := range list {
		name := "tank"
		if s.rank >= 0 {
			name = o.Ranks[s.rank].Name + " rank"
		}
		out.Trust = LowerTrust
		out.add("The %s seems to lose %s more than this explains, but that is not sure (standard uncertainty %.2f): watch for five minutes or more.",
			name, flowText(s.flow), s.u/litrePerMinute)
	}
}

// vented says whether the ranks had clearly different pressures in two of the watches.
func (out *Outcome) vented(o Options) bool {
	for k := range o.Ranks {
		low, high := math.Inf(1), 0.0
		for _, p := range out.Phases {
			if _, rank := p.pressures(o, k, false); !math.IsNaN(rank) {
				low, high = math.Min(low, rank), math.Max(high, rank)
			}
		}
		if low < 0.7*high {
			return true
		}
	}
	return false
}

// limits says what these watches could not look at.
func (out *Outcome) limits(o Options, seen []bool) {
	for k, r := range o.Ranks {
		switch {
		case !r.separable():
			out.add("The %s rank is not separable: it lets its air out when the power is off and has no hand valve to shut. Its bags were not tested, and its fill valve counts with the tank side.", r.Name)
		case !seen[k]:
			out.Trust = LowerTrust
			out.add("The %s rank was not seen: this needs its pressure sensor. Its bags were not tested, and its fill valve counts with the tank side.", r.Name)
		case r.PowerOff != Hold && r.ShutOff != ByHand:
			out.add("What the %s rank's valves do without power is not known: that they stayed shut is assumed.", r.Name)
		}
	}
	if len(out.Phases) == 1 && slices.Contains(seen, true) && out.Answer != CannotTell {
		out.add("This was one watch with everything closed: %s", hidden(out.Answer))
	}
}

// hidden says what one watch can hide.
func hidden(a Answer) string {
	if a == Nothing {
		return "it cannot see a pair of leaks that balance each other."
	}
	return "it tells three of the paths apart, not all of them."
}

// split is how the parts of a class could be told apart by other means.
func split(o Options, p Path) string {
	if p.Where == "tank side" {
		return " A shut-off before the check valve, or the drain closed off, and another watch would tell some of them apart; so does leak spray on the fittings."
	}
	k := slices.IndexFunc(o.Ranks, func(r Rank) bool { return p.Where == r.Name+" rank" })
	if k >= 0 && o.Ranks[k].ShutOff == ByHand {
		return " Its hand valve shut and another watch tells what lies behind that valve from what lies before it."
	}
	return " Leak spray on the bags and at the exhaust tells them apart."
}

// step is what would tell rivals apart.
func (out *Outcome) step(o Options) string {
	if !out.vented(o) {
		return "Vent the ranks to about 50 kPa, leave the tank as it is, wait three minutes and watch again: bags move linkages when they vent, so nobody may be near the row units, and the machine's manual goes first."
	}
	for _, r := range o.Ranks {
		if r.ShutOff == ByHand && slices.ContainsFunc(out.Paths, func(p Path) bool { return p.Where == r.Name+" fill valve" }) {
			return fmt.Sprintf("Close the hand valve of the %s rank, as the machine's manual says, and watch again.", r.Name)
		}
	}
	if slices.ContainsFunc(out.Paths, func(p Path) bool { return p.Where == "tank side" }) {
		return "Watch each step for five minutes or more; with a shut-off before the check valve, or the drain closed off, watch once more."
	}
	return "Watch each step for five minutes or more."
}

// unusual is the chi-square that one good fit in a thousand exceeds (Wilson and Hilferty's cube-root form, from memory).
func unusual(free float64) float64 {
	v := 2 / (9 * free)
	x := 1 - v + 3.09*math.Sqrt(v)
	return free * x * x * x
}
