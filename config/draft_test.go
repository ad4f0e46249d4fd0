// SPDX-License-Identifier: Apache-2.0

package config_test

import (
	"errors"
	"maps"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/config"
)

// typed is what a person types for the invented machine: figures of its plates.
func typed() map[string]string {
	return map[string]string{
		"name": "Kettle Ridge 12: yard", "tank.volume": "10 gal", "tank.safe_working_pressure": "150 psi", "tank.relief_setting": "9 bar",
		"compressors[0].control": "unloader", "compressors[0].delivery": "6 scfm", "ranks[0].rows": "6", "ranks[1].rows": "6", "ranks[0].bags": "6", "ranks[1].bags": "6",
		"ranks[0].volume": "14 L", "ranks[1].volume": "14 L", "ranks[0].at_power_off": "vent", "ranks[1].at_power_off": "hold",
	}
}

// What was typed is read back by the reader of machine files, in SI: 1 US gallon is 3.785411784 L and 1 psi 6894.757 Pa
// (NIST SP 811, appendix B.8).
func TestADraftFromNothingIsAMachine(t *testing.T) {
	heard := []config.Heard{{Channel: "speed", Link: "can0", Signal: "wheel_speed.speed"}, {Channel: "lowered", Link: "can0", Signal: "rear_hitch.in_work"}, {Channel: "barometer", Link: "vcan1", Signal: "ambient.barometer"}}
	text, err := config.Draft(config.First(), typed(), heard)
	if err != nil {
		t.Fatal(err)
	}
	m, problems := config.Parse("first.yaml", text)
	if m == nil {
		t.Fatalf("the draft is refused: %v\n%s", problems, text)
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if got < want*(1-1e-6) || got > want*(1+1e-6) {
			t.Errorf("%s = %v; want %v", what, got, want)
		}
	}
	near("tank volume", float64(m.Tank.Volume), 10*3.785411784e-3)
	near("safe working pressure", float64(m.Tank.SafeWorkingPressure), 150*6894.757293)
	near("relief setting", float64(m.Tank.ReliefSetting), 9e5)
	if m.Name != "Kettle Ridge 12: yard" || m.Compressors[0].Control != config.Unloader || m.Ranks[0].Rows != 6 || m.Ranks[0].AtPowerOff != config.Vent || m.Ranks[1].AtPowerOff != config.Hold {
		t.Errorf("the draft says %q, %+v, %+v", m.Name, m.Compressors[0], m.Ranks)
	}
	for _, h := range heard {
		if c, ok := m.Channel(h.Channel); !ok || c.CAN.Link != h.Link || c.CAN.Signal != h.Signal {
			t.Errorf("channel %s = %+v, %v; want %+v", h.Channel, c, ok, h)
		}
	}
	if len(m.Links) != 2 || m.Links[0].Kind != "can" || m.Links[1].Kind != "vcan" {
		t.Errorf("links = %+v", m.Links)
	}
	if !strings.Contains(string(text), "# what its valves do without power") {
		t.Error("the comment behind a value that was changed is gone")
	}
}

// A draft of a file that stands changes what was answered and nothing else, and keeps its comments.
func TestADraftChangesOnlyWhatWasAnswered(t *testing.T) {
	text, err := config.Draft(config.Example(), map[string]string{"tank.volume": "41 L", "ranks[1].volume": "16 L"}, []config.Heard{{Channel: "speed", Link: "can0", Signal: "wheel_speed.speed"}})
	if err != nil {
		t.Fatal(err)
	}
	got, problems := config.Parse("example.yaml", text)
	if got == nil {
		t.Fatalf("refused: %v", problems)
	}
	want := config.ExampleMachine()
	want.Tank.Volume, want.Ranks[1].Volume, want.SHA256 = 0.041, 0.016, got.SHA256
	for i := range got.Channels { // a longer line moves what stands behind it
		got.Channels[i].At, want.Channels[i].At = config.Place{}, config.Place{}
	}
	for i := range got.DBCs {
		got.DBCs[i].At, want.DBCs[i].At = config.Place{}, config.Place{}
	}
	if d := cmp.Diff(want, got, cmp.Comparer(func(a, b float64) bool { return a == b || a != a && b != b })); d != "" {
		t.Errorf("the draft differs in more than was answered:\n%s", d)
	}
	comments := func(b []byte) map[string]int {
		out := map[string]int{}
		for line := range strings.Lines(string(b)) {
			if _, c, ok := strings.Cut(line, "# "); ok {
				out[strings.TrimSpace(c)]++
			}
		}
		return out
	}
	if d := cmp.Diff(comments(config.Example()), comments(text)); d != "" {
		t.Errorf("comments are lost or new:\n%s", d)
	}
}

// Wrong units and bare numbers are refused by the reader's own sentence, which lists what is allowed.
func TestADraftIsRefusedInTheReadersWords(t *testing.T) {
	for answer, says := range map[string]string{
		"38":        `"volume" is 38 without a unit`,
		"38 kg":     `"volume" is in "kg", which is no unit of volume`,
		"38,5 L":    "write a decimal point",
		"9000 L":    `"volume" cannot be 9000 L`,
		"a bucket":  "no number with a unit",
		"{a: b}":    `"volume" is`,
		"*nothing":  `"volume" is`,
		"38 L # no": `"volume" is in "L # no"`,
	} {
		answers := typed()
		answers["tank.volume"] = answer
		text, err := config.Draft(config.First(), answers, nil)
		if err != nil {
			t.Errorf("%q: %v", answer, err)
			continue
		}
		m, problems := config.Parse("x", text)
		if m != nil || len(problems) != 1 || !strings.Contains(problems[0].Message, says) {
			t.Errorf("%q: %v, %v; want one problem with %q", answer, m != nil, problems, says)
			continue
		}
		if p := problems[0]; p.Line == 0 || p.Column == 0 || p.Allowed == "" {
			t.Errorf("%q: %+v has no place or does not say what is allowed", answer, p)
		}
	}
}

func TestWhatCannotBeDraftedIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		text    string
		answers map[string]string
	}{
		"broken YAML":         {"tank: [", nil},
		"nothing":             {"", nil},
		"a list":              {"- a\n- b\n", map[string]string{"tank.volume": "3 L"}},
		"no such question":    {string(config.First()), map[string]string{"mqtt.broker": "tcp://elsewhere"}},
		"a line end":          {string(config.First()), map[string]string{"name": "a\nusers: []"}},
		"a rank not there":    {string(config.First()), map[string]string{"ranks[7].rows": "3"}},
		"an alias":            {"a: &x {volume: 3 L}\ntank: *x\n", map[string]string{"tank.volume": "4 L"}},
		"more than a line is": {string(config.First()), map[string]string{"name": strings.Repeat("x", 600)}},
	} {
		if out, err := config.Draft([]byte(c.text), c.answers, nil); !errors.Is(err, config.ErrDraft) {
			t.Errorf("%s: %v\n%s; want ErrDraft", name, err, out)
		}
	}
}

// An empty answer takes a key away, where one may be left out.
func TestAnEmptyAnswerTakesTheKeyAway(t *testing.T) {
	text, err := config.Draft(config.Example(), map[string]string{"compressors[0].delivery": "", "ranks[0].volume": " "}, nil)
	if err != nil {
		t.Fatal(err)
	}
	m, problems := config.Parse("x", text)
	if m == nil || m.Compressors[0].Delivery != 0 || m.Ranks[0].Volume != 0 || m.Ranks[1].Volume == 0 {
		t.Errorf("%v\n%s", problems, text)
	}
}

func TestQuestionsHaveTheFilesAnswers(t *testing.T) {
	all, err := config.Questions(config.Example())
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, q := range all {
		got[q.Path] = q.Value
		if q.Kind == config.AskQuantity && len(q.Allowed) == 0 || q.Words == "" || q.Why == "" {
			t.Errorf("%+v does not say what it takes", q)
		}
	}
	want := map[string]string{"tank.volume": "38 L", "ranks[1].rows": "8", "compressors[0].control": "switch", "ranks[0].at_power_off": "hold", "name": "Kettle Ridge 16"}
	for path, v := range want {
		if got[path] != v {
			t.Errorf("%s = %q; want %q", path, got[path], v)
		}
	}
	same, err := config.Draft(config.Example(), maps.Clone(got), nil)
	if err != nil {
		t.Fatal(err)
	}
	if m, problems := config.Parse("x", same); m == nil || m.Tank.Volume != config.ExampleMachine().Tank.Volume {
		t.Errorf("the file's own answers: %v", problems)
	}
	if _, ok := got["limits.altitude"]; ok {
		t.Error("a machine with a barometer is asked for its altitude")
	}
}

// Whatever a file holds, a draft of it ends, and what comes out can be read again.
func FuzzDraft(f *testing.F) {
	f.Add(config.Example(), "41 L")
	f.Add(config.First(), "1\u00a0L")
	f.Add([]byte("tank: {volume: 3 L}\nranks:\n- {name: a}"), "#")
	f.Fuzz(func(t *testing.T, text []byte, answer string) {
		out, err := config.Draft(text, map[string]string{"tank.volume": answer}, []config.Heard{{Channel: "speed", Link: "can0", Signal: "a.b"}})
		if err != nil {
			return
		}
		if _, err := config.Questions(out); err != nil {
			t.Errorf("what was drafted cannot be read: %v\n%s", err, out)
		}
	})
}
