// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"slices"
	"time"

	"airhold/sensors/units"
)

// DefaultStory is what is played when none is named.
const DefaultStory = "planting-day"

// StoryInfo is what a person sees of a story.
type StoryInfo struct {
	Name   string
	Words  string        // one line: what happens
	Starts time.Time     // the invented day's clock at its start
	First  time.Duration // from the start to the first thing that goes wrong; negative when nothing does
	Lasts  time.Duration // when its last event is over; the machine then stays as it is
	Rings  []Ring        // what a box that sees well says on that day, written down before it was played; nil: not written
}

// Ring is an alarm of a story: which, where, and between which times of the story it should begin.
type Ring struct {
	Key, Where string
	From, To   time.Duration
	Why        string
}

// Stories lists what can be played, the default first.
func Stories() []StoryInfo {
	all := stories()
	out := make([]StoryInfo, len(all))
	for i := range all {
		out[i] = all[i].StoryInfo
	}
	return out
}

// Overnight is the machine as it was left the evening before.
type Overnight struct {
	KeyOff    time.Time
	Tank      units.PressureGauge
	Wall      units.Kelvin // of the tank, and of its air
	Barometer units.PressureAbs
}

// Overnight returns how the machine was left the evening before the story and whether the story knows: the tank's air at
// the start is what cooling and the small leak of the night have left of it.
func (r *Rig) Overnight() (Overnight, bool) {
	s, _ := storyNamed(r.o.Story)
	if s.evening == (Overnight{}) {
		return Overnight{}, false
	}
	e := s.evening
	e.KeyOff = r.start.Add(e.KeyOff.Sub(s.Starts))
	return e, true
}

// story is a story with its stage.
type story struct {
	StoryInfo

	skies       []sky
	tank        float64             // Pa gauge at the start
	gasC, wallC float64             // degC
	ranks       [2]float64          // Pa gauge
	lowered     bool                // and under way
	water       float64             // kg in the tank
	seep        [placeCount]float64 // L/min ANR that leak on a sound machine
	evening     Overnight
	events      func() []Event
}

// local is the demo's day, 28 April 2026, one hour ahead of UTC.
func local(hour, minute int) time.Time {
	return time.Date(2026, time.April, 28, hour, minute, 0, 0, time.FixedZone("UTC+1", 3600))
}

func storyNamed(name string) (story, bool) {
	all := stories()
	i := slices.IndexFunc(all, func(s story) bool { return s.Name == name })
	if i < 0 {
		return story{}, false
	}
	return all[i], true
}

// sound is what a machine in good order loses, L/min ANR by place.
func sound() [placeCount]float64 { return [placeCount]float64{0.03, 0.02, 0.02, 0.01, 0.01} }

func stories() []story {
	return []story{plantingDay(), quiet(), shop(), faults(), short(), plugs()}
}

func on(at time.Duration, what ...Action) []Event { return switched(at, 1, what) }

func off(at time.Duration, what ...Action) []Event { return switched(at, 0, what) }

func switched(at time.Duration, amount float64, what []Action) []Event {
	out := make([]Event, len(what))
	for i, w := range what {
		out[i] = Event{At: at, What: w, Amount: amount}
	}
	return out
}

// clockTime is hours and minutes as a duration from midnight.
func clockTime(hour, minute int) time.Duration {
	return time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute
}

func plantingDay() story {
	at := func(hour, minute int) time.Duration { return clockTime(hour, minute) - clockTime(5, 10) }
	// The evening before: 690 kPa in a tank at 19 degC. Ten hours at 0.03 L/min ANR and 4 degC in the morning leave
	const (
		evening, eveningC = 690e3, 19.0
		morningC          = 4.0
		hours             = 10.0
	)
	lostKg := 0.03 * litreMn * hours * 3600 * anrRho
	kg := (evening+meanBaro)*tankVolume/(gasR*(273.15+eveningC)) - lostKg
	morning := kg*gasR*(273.15+morningC)/tankVolume - meanBaro
	s := story{
		StoryInfo: StoryInfo{
			Name: DefaultStory,
			Words: "key-on at 05:10 with a cold tank, planting from 05:40, a damp morning, a front fitting that weeps from 09:40, " +
				"too little air at 10:30, one load sensor that drifts, lunch in the sun",
			Starts: local(5, 10), First: at(7, 0), Lasts: at(18, 0),
			// Reckoned by hand from the events below: 165 L/min come, about 30 go to the bags; the hole grows from 8 to 190 L/min
			// in 27 minutes, each minute by the same factor, so it passes 70 at 10:21 and 135 at 10:27.
			Rings: []Ring{
				{"air-leak", "front rank", at(9, 40), at(9, 51), "8 L/min weep from a front fitting"},
				{"comp-overworked", "", at(10, 19), at(10, 36), "60 % of 165 L/min are spent from 70 L/min of leak on, ten minutes later at most"},
				{"tank-low", "", at(10, 25), at(10, 35), "what goes passes what comes"},
				{"tank-short", "", at(10, 28), at(10, 42), "and the tank empties to the highest need within minutes"},
				{"rank-off-target", "front rank", at(10, 25), at(10, 44), "the hole takes more than the front valve lets in"},
			},
		},
		skies: []sky{
			{at(5, 10), 5, 0.80, 0},
			{at(7, 0), 8, 0.84, 40},
			{at(8, 0), 12, 0.95, 90},
			{at(9, 40), 14, 0.94, 150},
			{at(11, 0), 17, 0.72, 500},
			{at(13, 0), 22, 0.52, 800},
			{at(16, 0), 24, 0.45, 500},
			{at(18, 0), 20, 0.55, 120},
			{at(23, 0), 9, 0.80, 0},
		},
		tank: morning, gasC: morningC, wallC: morningC,
		ranks: [2]float64{9e3, 7e3},
		water: 0.09,
		seep:  sound(),
		evening: Overnight{
			KeyOff: local(5, 10).Add(-10 * time.Hour), Tank: evening, Wall: 273.15 + eveningC, Barometer: meanBaro,
		},
	}
	s.events = func() []Event {
		return slices.Concat(
			on(at(5, 10), Key),
			on(at(5, 12), Engine),
			on(at(5, 13), Hydraulics, Charge),
			on(at(5, 38), Control),
			on(at(5, 40), Plant),
			[]Event{
				{At: at(7, 0), What: Drift, Where: "load_2", Amount: 160, Over: 5 * time.Hour},
				{At: at(9, 40), What: Leak, Where: "front rank", Amount: 8 * litreMn, Over: 20 * time.Second},
				{At: at(10, 3), What: Leak, Where: "front rank", Amount: 190 * litreMn, Over: 27 * time.Minute},
			},
			off(at(10, 44), Plant),
			off(at(10, 50), Control, Hydraulics, Engine),
			[]Event{{At: at(11, 2), What: Mend, Where: "front rank"}},
			on(at(11, 5), Engine, Hydraulics, Control),
			on(at(11, 9), Plant),
			off(at(12, 15), Plant, Control, Hydraulics, Engine),
			on(at(12, 50), Engine, Hydraulics, Control),
			on(at(12, 52), Plant),
			off(at(17, 30), Plant, Control),
			off(at(18, 0), Hydraulics, Engine, Key),
		)
	}
	return s
}

// running is a machine that is planting when the story starts, on a fair day.
func running(info StoryInfo, events ...[]Event) story {
	return story{
		StoryInfo: info,
		skies: []sky{
			{0, 14, 0.62, 350},
			{4 * time.Hour, 21, 0.48, 650},
			{8 * time.Hour, 23, 0.45, 350},
			{11 * time.Hour, 17, 0.60, 0},
		},
		tank: 700e3, gasC: 26, wallC: 24,
		ranks: [2]float64{frontWork, rearWork}, lowered: true,
		seep: sound(),
		events: func() []Event {
			return slices.Concat(on(0, Key, Engine, Hydraulics, Control, Plant), slices.Concat(events...))
		},
	}
}

func quiet() story {
	return running(StoryInfo{
		Name: "quiet", Words: "planting on a fair day, nothing goes wrong",
		Starts: local(9, 0), First: -1, Lasts: 0,
	})
}

func short() story {
	leak := Event{At: 30 * time.Second, What: Leak, Where: "tank side", Amount: 300 * litreMn}
	return running(StoryInfo{
		Name: "short", Words: "planting with a leak larger than the compressor: the tank falls below need within minutes",
		Starts: local(11, 0), First: leak.At, Lasts: leak.At,
	}, []Event{leak})
}

func faults() story {
	at := func(minute, second int) time.Duration {
		return time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
	}
	return running(
		StoryInfo{
			Name: "faults",
			Words: "half an hour of faults: tank plug out (minute 3), converters hang (7), silent bus (9:30), sensor supply off (12:30), " +
				"compressor without rest (15), tank runs low and the machine reports codes (21)",
			Starts: local(13, 0), First: at(3, 0), Lasts: at(26, 0),
		},
		[]Event{{At: at(3, 0), What: Unplug, Where: "tank"}, {At: at(5, 0), What: Plug, Where: "tank"}},
		on(at(7, 0), Stall), off(at(7, 40), Stall),
		on(at(9, 30), Silence), off(at(10, 45), Silence),
		off(at(12, 30), Supply), on(at(13, 30), Supply),
		[]Event{
			{At: at(15, 0), What: Leak, Where: "tank side", Amount: 140 * litreMn},
			{At: at(21, 0), What: Leak, Where: "tank side", Amount: 450 * litreMn},
		},
		on(at(22, 30), Codes),
		[]Event{{At: at(26, 0), What: Mend, Where: "tank side"}}, off(at(26, 0), Codes),
	)
}

// PlugsStory is the name of the story that raises and clears alarms as fast as their delays let it.
const PlugsStory = "plugs"

// plugs lets seven sensors lose contact one after the other, and the tank's read far too little, round and round. A round is longer than half the minute in
// which three alarms of one sensor are taken for chatter, and no multiple of a second: the plugs come out at every moment
// between two ticks of the box.
func plugs() story {
	const (
		begins, lasts = 20 * time.Second, 12 * time.Hour
		round, out    = 32370 * time.Millisecond, 8 * time.Second
	)
	const tank, off = "tank", -450e3
	loose := []string{"front", "load_1", "load_4", tank, "rear", "load_2", "load_5", "load_3"}
	var events []Event
	for t := begins; t < lasts; t += round {
		for i, name := range loose {
			at := t + time.Duration(i)*round/time.Duration(len(loose))
			loosen := Event{At: at, What: Unplug, Where: name}
			if name == tank {
				loosen = Event{At: at, What: Drift, Where: name, Amount: off}
			}
			events = append(events, loosen, Event{At: at + out, What: Plug, Where: name})
		}
	}
	return running(StoryInfo{
		Name: PlugsStory, Words: "planting with loose plugs: each 32 s seven sensors lose contact for 8 s, one after the other, and the tank's reads too little",
		Starts: local(9, 0), First: begins, Lasts: lasts,
	}, events)
}

// ShopStory is the name of the story whose machine waits for a leak-down test.
const ShopStory = "shop"

// shop repeats one round of charging, resting and venting half way, until a Halt: then whoever does that works the machine.
func shop() story {
	const round, rounds = 31 * time.Minute, 8
	s := story{
		StoryInfo: StoryInfo{
			Name: ShopStory,
			Words: "parked in the shop: tank and ranks charged, engine off, valves shut, the air cools; after 15 minutes the ranks are " +
				"vented to 50 kPa; all again every 31 minutes, until a leak-down test is begun: then simulated hands charge and vent for it",
			Starts: local(14, 0), First: -1, Lasts: round * rounds,
		},
		skies: []sky{{0, 17, 0.55, 0}, {4 * time.Hour, 18, 0.55, 0}},
		tank:  420e3, gasC: 18, wallC: 18,
		ranks: [2]float64{40e3, 35e3},
		seep:  [placeCount]float64{0.4, 0.2, 0.15, 0.02, 0.02},
	}
	s.events = func() []Event {
		var out []Event
		for t := time.Duration(0); t < round*rounds; t += round {
			out = slices.Concat(out, on(t, Key, Engine, Hydraulics, Charge),
				ranksTo(t, frontWork, rearWork),
				off(t+105*time.Second, Hydraulics, Engine),
				ranksTo(t+16*time.Minute, ventedTo, ventedTo))
		}
		return out
	}
	return s
}

// ventedTo is what a second watch wants in the ranks, Pa gauge.
const ventedTo = 50e3

func ranksTo(at time.Duration, front, rear float64) []Event {
	return []Event{{At: at, What: Rank, Where: "front", Amount: front}, {At: at, What: Rank, Where: "rear", Amount: rear}}
}

// ChargeUp is what charging the parked machine takes: tank up to its cut-out, ranks to the pressures they work with.
func ChargeUp() []Event {
	return slices.Concat(on(0, Key, Engine, Hydraulics, Charge), ranksTo(0, frontWork, rearWork))
}

// ShutDown stops engine and compressor.
func ShutDown() []Event { return off(0, Hydraulics, Engine) }

// VentRanks lets the ranks down for a second watch.
func VentRanks() []Event { return ranksTo(0, ventedTo, ventedTo) }
