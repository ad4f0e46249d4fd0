// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"slices"
	"strings"
	"testing"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/compressor"
)

type silent struct{}

func (silent) Transition(alarms.Transition) {}
func (silent) Estimate(Estimate)            {}
func (silent) Run(compressor.Run)           {}
func (silent) Event(Event)                  {}

func TestFeedsNameWhatASensorAndARailBlind(t *testing.T) {
	f := feeds(config.ExampleMachine())
	for _, c := range []struct{ place, blinds string }{
		{"front", "front rank"},
		{"rear", "rear rank"},
		{"sensor_supply", "tank"},
		{"sensor_supply", "load_3"},
		{"sensor_supply", "front rank"},
	} {
		if !slices.Contains(f[c.place], c.blinds) {
			t.Errorf("feeds[%q] = %v; want %q among them", c.place, f[c.place], c.blinds)
		}
	}
	if slices.Contains(f["front"], "rear rank") {
		t.Error("the front sensor is said to blind the rear rank")
	}
}

func TestWithoutADriveSignalNotBuildingIsMedium(t *testing.T) {
	m := config.ExampleMachine()
	for _, c := range []struct {
		drive string
		want  alarms.Priority
	}{{"drive", 0}, {"", alarms.Medium}} {
		m.Compressors[0].Drive, m.Compressors[0].Running = c.drive, ""
		got := alarms.Priority(0)
		for _, o := range alarmOptions(m).Overrides {
			if o.Key == "comp-no-build" {
				got = o.Priority
			}
		}
		if got != c.want {
			t.Errorf("drive %q: override %v; want %v", c.drive, got, c.want)
		}
	}
}

// Every alarm that a machine file may change is a row of the catalogue, and every row may be changed.
func TestMachineFileKnowsTheCatalogue(t *testing.T) {
	for _, r := range alarms.Catalogue() {
		if r.Kind == alarms.PageMade {
			continue
		}
		text := strings.Replace(string(config.Example()), "\nalarms:", "\n#alarms:", 1) + "\nalarms:\n  " + string(r.Key) + ": {on_delay: 20 s}\n"
		text = stripSection(text, "#alarms:")
		_, problems := config.ParseWith("x.yaml", []byte(text), nil)
		for _, p := range problems {
			if strings.Contains(p.Message, string(r.Key)) {
				t.Errorf("%s: the machine file does not know it: %s", r.Key, p.Message)
			}
		}
	}
}

// stripSection takes a commented-out key's indented lines away.
func stripSection(text, key string) string {
	var out []string
	skip := false
	for l := range strings.SplitSeq(text, "\n") {
		switch {
		case strings.HasPrefix(l, key):
			skip = true
			continue
		case skip && (strings.HasPrefix(l, " ") || l == ""):
			continue
		}
		skip = false
		out = append(out, l)
	}
	return strings.Join(out, "\n")
}

func TestSpineBuildsFromTheSmallestMachine(t *testing.T) {
	m, problems := config.Parse("small.yaml", []byte(`name: Small
tank: {volume: 40 L, safe_working_pressure: 10 bar, relief_setting: 9 bar, channel: tank}
compressors: [{name: c, control: switch}]
channels:
  tank: {quantity: pressure, unit: bar, source: {csv: {column: TP3, unit: bar}}}
`))
	if m == nil {
		t.Fatal(problems)
	}
	if _, err := NewSpine(SpineOptions{Machine: m, Table: NewTable(m), Out: silent{}}); err != nil {
		t.Error(err)
	}
}
