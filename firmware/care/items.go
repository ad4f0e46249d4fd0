// SPDX-License-Identifier: Apache-2.0

package care

import (
	"math"
	"strings"
	"time"
)

// trigger is what another check may say to make an item due before its time.
type trigger uint8

const (
	byNothing trigger = iota
	byWater
	byDelivery
	byTest // the item is done by a judged leak-down test
)

// what is an item of the trade's care list. The texts are constants: a finding repeats them every second.
type what struct {
	name, words, matter string
	short               string // in the line of the evening: "drain tank"
	question            string // at a season's first work
	caution             string

	working float64 // days on which it worked
	days    float64
	atWork  bool // days count only once it has worked since: a machine that stands gathers no dust
	season  bool
	trigger trigger
}

// The cautions: what hurts when this item is done, and who has the last word.
const (
	still = "Parked on level ground, engine off, key out: the compressor must not be able to start. "
	first = "Eye protection. The machine's manual, local rules and licensed practice come first."

	cautionDrain = still + "Let the pressure off as the manual says; open the drain slowly and stand to its side, face and hands " +
		"out of the jet: compressed air and what it throws can hurt. " + first
	cautionOil = still + "Let it cool. Open no filler or plug while the compressor is under pressure: let the pressure off and see the " +
		"gauge at zero. " + first
	cautionFilter = still + "Let it cool; hands clear of belt and fan. " + first
	cautionBags   = "Parked on level ground, engine off, key out; raised parts lowered or blocked, nobody under them. Bags move linkages " +
		"when they fill or vent: nobody at the row units then. Leak spray, never a hand; loosen no fitting under pressure: let the " +
		"pressure off first and see the gauge at zero. " + first
	cautionBelt = still + "Let the pressure off before the drive is touched; hands clear of the belt. " + first
)

// trade is the care list with the trade's intervals: common practice, no source.
func trade() []what {
	return []what{
		{
			name: "drain", words: "Drain the tank", matter: "tank drain", short: "drain tank", question: "Was the tank drained before this season?",
			caution: cautionDrain, working: 2, trigger: byWater,
		},
		{
			name: "oil-level", words: "Look at the compressor's oil", matter: "oil level", short: "look at oil",
			question: "Was the compressor's oil looked at before this season?", caution: cautionOil, working: 2,
		},
		{
			name: "intake-filter", words: "Look at the intake filter", matter: "intake filter", short: "look at filter",
			question: "Was the intake filter looked at before this season?", caution: cautionFilter, days: 3.5, atWork: true,
		},
		{
			name: "bag-inspection", words: "Look over bags and fittings", matter: "bags and fittings", short: "look over bags",
			question: "Were bags and fittings looked over for this season?", caution: cautionBags, season: true,
		},
		{
			name: "filter-change", words: "Replace the intake filter", matter: "intake filter change", short: "replace filter",
			question: "Was the intake filter replaced for this season?", caution: cautionFilter, season: true, trigger: byDelivery,
		},
		{
			name: "oil-change", words: "Change the compressor's oil", matter: "oil change", short: "change oil",
			question: "Was the compressor's oil changed for this season?", caution: cautionOil, season: true,
		},
		{
			name: "belt", words: "Look at the compressor's belt", matter: "compressor belt", short: "look at belt",
			question: "Was the compressor's belt looked at for this season?", caution: cautionBelt,
		},
		{
			name: "leak-test", words: "Make a leak-down test", matter: "leak-down test", short: "leak-down test",
			question: "Was a leak-down test made for this season?", caution: cautionBags, days: 30, trigger: byTest,
		},
	}
}

// plain is an item's name as it is compared: a machine file writes oil_change, a person perhaps "Oil change".
func plain(name string) string {
	return strings.NewReplacer("_", "-", " ", "-").Replace(strings.ToLower(strings.TrimSpace(name)))
}

// items lists what this machine's care is. An item that nothing can make due is left out.
func items(o *Options) []item {
	over := make(map[string]Override, len(o.Items))
	for name, v := range o.Items {
		over[plain(name)] = v
	}
	hours := make(map[string]time.Duration, len(o.Hours))
	for name, v := range o.Hours {
		hours[plain(name)] = v
	}
	var out []item
	for _, w := range trade() {
		it := item{what: w, hours: max(0, hours[w.name]), last: none}
		if v, ok := over[w.name]; ok {
			if v.Off {
				continue
			}
			it.override(v)
		}
		if it.working > 0 || it.days > 0 || it.season || it.hours > 0 || it.trigger == byWater || it.trigger == byDelivery {
			out = append(out, it)
		}
	}
	return out
}

// override replaces the trade's interval.
func (it *item) override(v Override) {
	days := v.Days
	if !(days > 0) || days > mostDays {
		days = 0
	}
	byWork := it.working > 0
	if days > 0 || v.Season || v.Hours > 0 {
		it.working, it.days, it.season = 0, 0, v.Season
	}
	switch {
	case days > 0 && byWork:
		it.working = max(1, math.Round(days))
	case days > 0:
		it.days, it.atWork = days, false
	}
	if v.Hours > 0 {
		it.hours = v.Hours
	}
}

// mostDays bounds what a machine file can ask for: a century.
const mostDays = 36525
