// SPDX-License-Identifier: Apache-2.0

package config

import (
	"strings"
	"testing"
)

const ruleBase = `name: t
tank: {volume: 38 L, safe_working_pressure: 10 bar, relief_setting: 9 bar}
compressors:
  - {name: c, control: switch, delivery: 180 L/min, cut_in: 6 bar, cut_out: 7 bar}
channels:
  tank: {quantity: pressure, source: sim}
  front: {quantity: pressure, source: {adc: {board: a, input: 0, transducer: {kind: 0-5V, low: 0 bar, high: 10 bar}}}}
  load_1: {quantity: load, source: sim}
  barometer: {quantity: pressure, source: {csv: {column: b}}}
  ambient: {quantity: temperature, source: {adc: {board: a, input: 1, transducer: {kind: divider, pull: 10 kOhm, table: [[9 kOhm, 0 °C], [8 kOhm, 9 °C]]}}}}
ranks:
  - {name: front, loads: [load_1]}
  - {name: rear}
boards:
  a: {chip: ads1115, bus: i2c-1}
  b: {chip: mcp3208, bus: spi0.0, vref: 5 V}
limits: {altitude: 200 m}
mqtt: {listen: "127.0.0.1:1883"}
`

// TestEveryRule breaks each rule alone, by one change of a file in which none is broken.
func TestEveryRule(t *testing.T) {
	t.Parallel()
	if _, problems := Parse("t.yaml", []byte(ruleBase)); len(problems) != 0 {
		t.Fatalf("the whole file: %v", problems)
	}
	tests := map[string]struct{ old, new, want string }{
		"relief below safe pressure":              {"relief_setting: 9 bar", "relief_setting: 11 bar", "t.yaml:2:69: the relief valve opens at 1100 kPa"},
		"cut-out above cut-in, below relief":      {"cut_in: 6 bar", "cut_in: 7 bar", `t.yaml:4:61: "c" starts at 700 kPa`},
		"cut pressures where they mean something": {"control: switch", "control: proportional", "has no cut-in and cut-out"},
		"delivery known":                          {"delivery: 180 L/min, ", "", `"c" has no rated "delivery"`},
		"channel names point at channels":         {"loads: [load_1]", "loads: [load_1, load_l]", `t.yaml:12:35: there is no channel "load_l"`},
		"tank and ranks are gauge pressures":      {"safe_working_pressure", "channel: barometer, safe_working_pressure", `channel "barometer" is absolute`},
		"barometer is absolute":                   {"barometer: {quantity: pressure", "barometer: {reference: gauge, quantity: pressure", "t.yaml:9:26: the surrounding air"},
		"documented ids keep their quantity":      {"load_1: {quantity: load", "load_1: {quantity: rate", `and need a "load"`},
		"a load belongs to one rank":              {"{name: rear}", "{name: rear, loads: [load_1]}", `load channel "load_1" is in rank "front" already`},
		"names are unique":                        {"{name: rear}", "{name: front, pressure: tank}", `two ranks are called "front"`},
		"tank sensor reaches the relief setting":  {"tank: {quantity: pressure", "tank: {range: [0 bar, 8 bar], quantity: pressure", "the tank's sensor ends at 800 kPa"},
		"surrounding pressure said once":          {"altitude: 200 m", "altitude: 200 m, barometer_abs: 98 kPa", "both say the surrounding pressure"},
		"safety alarms stay":                      {"mqtt:", "alarms: {tank-high: {off: true}}\nmqtt:", "cannot be switched off"},
		"recorded columns once":                   {"load_1: {quantity: load, source: sim}", "load_1: {quantity: load, source: {csv: {column: b}}}", `column "b" is read into`},
		"boards exist and have the input":         {"{board: a, input: 0", "{board: aa, input: 0", `there is no board "aa"; allowed: a, b`},
		"one channel an input":                    {"input: 1", "input: 0", `input 0 of board "a" feeds channel "front" already`},
		"boards keep up":                          {"input: 0", "rate: 900 Hz, input: 0", "an ads1115 does 860 in all"},
		"one board an address":                    {"b: {chip: mcp3208, bus: spi0.0, vref: 5 V}", "b: {chip: ads1115, bus: i2c-1}", `board "b" is at i2c-1 address 0x48, and so is board "a"`},
		"links and descriptions exist":            {"load_1: {quantity: load, source: sim}", "load_1: {quantity: load, source: {can: {dbc: x, message: m, signal: s}}}", `there is no DBC "x"`},
		"transducer has what its kind needs":      {"kind: 0-5V, low: 0 bar", "kind: 0-5V", `a 0-5V transducer lacks "low"`},
		"transducer fits the converter":           {"bus: i2c-1}", "bus: i2c-1, range: 4.096 V}", "the signal goes up to 5 V"},
		"resistance table is monotonic":           {"[8 kOhm, 9 °C]", "[8 kOhm, 9 °C], [7 kOhm, 8 °C]", `"table" turns back at its line 3`},
		"listeners do not collide":                {"127.0.0.1:1883", "127.0.0.1:8080", "cannot both listen"},
		"who may look is not said twice":          {"127.0.0.1:1883\"}", "0.0.0.0:1883\"}\npage: {view: paired}", "t.yaml:18:16: the page shows itself to paired tablets only"},
		"the sounder has a pin of its own":        {"mqtt:", "box: {sounder: {pin: GPIO2}}\nmqtt:", "t.yaml:18:22: pin GPIO2 carries the bus i2c-1"},
	}
	for _, r := range rules() {
		t.Run(r.name, func(t *testing.T) {
			t.Parallel()
			tt, ok := tests[r.name]
			if !ok {
				t.Fatal("no case breaks this rule")
			}
			text := strings.Replace(ruleBase, tt.old, tt.new, 1)
			if text == ruleBase {
				t.Fatalf("%q does not stand in the file", tt.old)
			}
			_, problems := Parse("t.yaml", []byte(text))
			found := false
			for _, p := range problems {
				found = found || strings.Contains(p.String(), tt.want)
			}
			if !found {
				t.Errorf("problems %v; want one with %q", problems, tt.want)
			}
		})
	}
	if len(tests) != len(rules()) {
		t.Errorf("%d cases for %d rules", len(tests), len(rules()))
	}
}

// What shows nobody more than the page does is taken.
func TestABrokerThatShowsNoMoreThanThePage(t *testing.T) {
	t.Parallel()
	for text, taken := range map[string]bool{
		"mqtt: {listen: 127.0.0.1:1883}\npage: {view: paired}":                                true,
		"mqtt: {listen: \"[::1]:1883\"}\npage: {view: paired}":                                true,
		"mqtt: {listen: localhost:1883}\npage: {view: paired}":                                true,
		"mqtt: {listen: off}\npage: {view: paired}":                                           true,
		"page: {view: paired}":                                                                true,
		"mqtt: {listen: 0.0.0.0:1883}":                                                        true,
		"mqtt: {listen: \":1883\", broker: \"tcp://192.168.8.2:1883\"}\npage: {view: paired}": true,
		"mqtt: {listen: \":1883\"}\npage: {view: paired}":                                     false,
		"mqtt: {listen: \"[::]:1883\"}\npage: {view: paired}":                                 false,
		"mqtt: {listen: 192.168.8.1:1883}\npage: {view: paired}":                              false,
	} {
		m, problems := Parse("t.yaml", []byte(strings.Replace(ruleBase, `mqtt: {listen: "127.0.0.1:1883"}`, text, 1)))
		if (m != nil) != taken {
			t.Errorf("%q: %v; want it taken: %v", text, problems, taken)
		}
	}
}

func TestNearest(t *testing.T) {
	t.Parallel()
	known := []string{"tank", "front", "rear", "load_1", "i2c-1", "barometer"}
	tests := map[string]string{
		"tnak": "tank", "fornt": "front", "TANK": "tank", "ic2-1": "i2c-1", "barometr": "barometer", "load1": "load_1",
		"": "", "zzz": "", "compressor": "", strings.Repeat("x", 100): "",
	}
	for word, want := range tests {
		if got := nearest(word, known); got != want {
			t.Errorf("nearest(%q) = %q; want %q", word, got, want)
		}
	}
}

// TestDistance uses the pairs with which the measure is usually explained (Levenshtein: kitten and sitting differ by 3;
// optimal string alignment: CA and ABC by 3).
func TestDistance(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"ab", "ba", 1}, {"", "abc", 3}, {"°C", "C", 1}, {"same", "same", 0}} {
		if got := distance(tt.a, tt.b); got != tt.want {
			t.Errorf("distance(%q, %q) = %d; want %d", tt.a, tt.b, got, tt.want)
		}
		if got := distance(tt.b, tt.a); got != tt.want {
			t.Errorf("distance(%q, %q) = %d; want %d", tt.b, tt.a, got, tt.want)
		}
	}
}
