// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// calcCase is one answer of calc, held to a figure that is not ours.
type calcCase struct {
	args   string // split at |
	key    string
	unit   string
	ref    string // of the answer; empty: none
	want   float64
	within float64 // relative; below zero absolute
}

func (c calcCase) check(t *testing.T) {
	t.Helper()
	line := calcLine(t, c.args)
	got := quantity(t, line, c.key, c.unit)
	bound := c.within * math.Abs(c.want)
	if c.within < 0 {
		bound = -c.within
	}
	if math.Abs(got-c.want) > bound {
		t.Errorf("calc %s: %s = %v %s; want %v within %v", c.args, c.key, got, c.unit, c.want, bound)
	}
	if ref, _ := line[c.key].(map[string]any)["reference"].(string); ref != c.ref {
		t.Errorf("calc %s: %s has reference %q; want %q", c.args, c.key, ref, c.ref)
	}
}

func calcLine(t *testing.T, args string) map[string]any {
	t.Helper()
	lines := jsonLines(t, append([]string{"calc"}, strings.Split(args, "|")...)...)
	if len(lines) != 1 {
		t.Fatalf("calc %s: %d lines; want one summary", args, len(lines))
	}
	if _, ok := lines[0]["input"].(map[string]any); !ok {
		t.Errorf("calc %s: no input in %v", args, lines[0])
	}
	return lines[0]
}

const (
	scfm68 = "14.696 psia, 68 degF"
	exact  = 1e-5 // the six digits that JSON has
)

// TestCalcLeaks. Sources: free air, a one-page engineering table "Discharge of air through an orifice" (100 % coefficient;
// 0.3 % of its own bound is what ANR's rounded density costs); ISO 6358, its equations worked by hand; the US DOE rule and
// the load/unload formula as their publishers print them; decay, hole and JCGM 100 worked by hand in the physics tests.
func TestCalcLeaks(t *testing.T) {
	t.Parallel()
	path := "flow|--conductance|1e-9 m3/(s.Pa)|--ratio|0.3|--pressure-abs|700 kPa|--downstream|"
	uncertain := "uncertainty|--leak|5 L/min|--volume-uncertainty|3 %|--term|0.12 L/min|--term|0.08 L/min"
	decay := "decay|--volume|40 L|--leak|5 L/min|--pressure-abs|8 bar|--time|300 s"
	for _, c := range []calcCase{
		{"flow|--hole|1/8 in|--cd|1|--pressure|100 psi|--unit|scfm", "flow", "scfm", scfm68, 26.0, 0.006},
		{"flow|--hole|1/8 in|--cd|1|--pressure|100 psi|--barometer|14.696 psi", "flow", "L/min", "ANR", 26.0 * 28.692, 0.006},
		{"flow|--hole|1/64 in|--cd|1|--pressure|70 psi|--unit|scfm", "flow", "scfm", scfm68, 0.3, 0.008},
		{"flow|--hole|3/8 in|--cd|1|--pressure|125 psi|--unit|scfm", "flow", "scfm", scfm68, 284, 0.008},
		{"flow|--hole|1/8 in|--cd|1|--pressure|5 psi|--unit|scfm", "flow", "scfm", scfm68, 3.97, 0.005},
		{"flow|--hole|1/8 in|--cd|1|--pressure|15 psi|--unit|scfm", "flow", "scfm", scfm68, 6.72, 0.005},
		{path + "100 kPa", "flow", "L/min", "ANR", 42.000, 1e-4},
		{path + "100 kPa", "mass_flow", "kg/s", "", 8.295e-4, 1e-4},
		{path + "400 kPa", "flow", "L/min", "ANR", 38.714, 1e-4},
		{"flow|--conductance|2.5e-9 m3/(s.Pa)|--ratio|0.4|--pressure-abs|900 kPa|--temperature|40 °C", "flow", "L/min", "ANR", 130.618, 1e-4},
		{"flow|--hole|1 mm|--cd|0.61|--pressure|7 bar", "conductance", "m3/(s.Pa)", "", 9.5432e-10, 5e-4},
		{"hole|--leak|5 L/min|--pressure-abs|801.325 kPa", "hole", "mm", "", 0.3301, 1e-3},
		{"hole|--leak|5 L/min|--pressure|7 bar|--cd|0.97", "hole", "mm", "", 0.262, 2e-3},
		{decay, "pressure", "kPa", "absolute", 739.879, 1e-4},
		{decay, "rate", "/s", "", 2.60417e-4, 1e-4},
		{decay, "fall", "kPa/min", "", 12.5, 1e-4},
		{"decay|--volume|40 L|--leak|5 L/min|--pressure-abs|8 bar|--needed|400 kPa|--barometer|100 kPa", "hold_time", "min", "", math.Log(1.6) / 2.604167e-4 / 60, 1e-4},
		{"bleeddown|--volume|6 ft3|--from|100 psi|--to|50 psi|--time|5 min|--unit|scfm", "leak", "scfm", scfm68, 5.102, 1e-3},
		{"bleeddown|--volume|6 ft3|--from|100 psi|--to|50 psi|--time|5 min|--unit|scfm", "leak_exact", "scfm", scfm68, 5.102 / 1.25 * 1.313, 1e-3},
		{"bleeddown|--volume|6 ft3|--from|100 psi|--to|50 psi|--time|5 min", "leak", "L/min", "ANR", 5.102 * 28.692, 1e-3},
		{"duty|--on|1.5 min|--off|4.5 min", "duty", "%", "", 25.0, exact},
		{"duty|--on|1.5 min|--off|4.5 min|--delivery|80 L/min", "leak", "L/min", "ANR", 20, exact},
		{"delivery|--volume|38 L|--from|0 bar|--to|7 bar|--time|180 s", "delivery", "L/min", "ANR", 38 * 7.0 / 3, exact},
		{"delivery|--volume|38 L|--from|0 bar|--to|7 bar|--time|180 s", "free_air_delivery", "L/min", "intake", 38 * 7.0 / 3 / 1.01325, exact},
		{"delivery|--volume|38 L|--from|0 bar|--to|7 bar|--time|180 s|--temperature|50 °C|--tank-temperature|20 °C", "free_air_delivery", "L/min", "intake", 38 * 7.0 / 3 / 1.01325 * 323.15 / 293.15, exact},
		{uncertain, "u_c", "L/min", "ANR", 0.1682, 1e-3},
		{uncertain, "U", "L/min", "ANR", 0.3297, 1e-3},
		{"sprt|--alpha|0.01|--beta|0.01", "upper", "1", "", 4.5951, -1e-4},
		{"sprt|--alpha|1 %|--beta|1 %", "lower", "1", "", -4.5951, -1e-4},
		{"sprt|--alpha|0.05|--beta|0.05", "upper", "1", "", 2.9444, -1e-4},
	} {
		c.check(t)
	}
}

// TestCalcScfmReference: 1 scfm in L/min ANR for the three temperatures of the trade, by their definitions; a leak that is
// given in scfm counts with the same one. 1 NL is 1.08744 L ANR (DIN 1343).
func TestCalcScfmReference(t *testing.T) {
	t.Parallel()
	for _, c := range []calcCase{
		{"duty|--on|1 s|--off|0 s|--delivery|1 scfm", "leak", "L/min", "ANR", 28.692, 1e-4},
		{"duty|--on|1 s|--off|0 s|--delivery|1 scfm|--scfm-at|60 °F", "leak", "L/min", "ANR", 29.134, 1e-4},
		{"duty|--on|1 s|--off|0 s|--delivery|1 scfm|--scfm-at|70 °F", "leak", "L/min", "ANR", 28.584, 1e-4},
		{"duty|--on|1 s|--off|0 s|--delivery|29.134 L/min|--scfm-at|60 °F|--unit|scfm", "leak", "scfm", "14.696 psia, 60 degF", 1, 1e-4},
		{"duty|--on|1 s|--off|0 s|--delivery|1.08744 L/min|--unit|NL/min", "leak", "NL/min", "101.325 kPa, 0 Cel", 1, 1e-4},
	} {
		c.check(t)
	}
}

// TestCalcAir. Sources: IAPWS values; a public page on compressed-air humidity (17.30 and 39.63 g/m3); a public table of
// gallons an hour for each cfm taken in; ISO 2533's table; condensate and dew points worked by hand from the IAPWS table.
func TestCalcAir(t *testing.T) {
	t.Parallel()
	// 1 gal/h for 1 cfm, as g/m3, with water of 998 kg/m3.
	const gallons = 3.785412e-3 * 998e3 / (2.831685e-2 * 60)
	tank := "|--barometer|101.325 kPa|--tank-pressure-abs|"
	intake := "|--tank-temperature|30 °C|--tank-pressure|7 bar"
	for _, c := range []calcCase{
		{"saturation|--temperature|-20 °C", "pressure", "kPa", "absolute", 0.103239, 2e-4},
		{"saturation|--temperature|-10 °C", "pressure", "kPa", "absolute", 0.259874, 2e-4},
		{"saturation|--temperature|0 °C", "pressure", "kPa", "absolute", 0.611213, 2e-4},
		{"saturation|--temperature|10 °C", "pressure", "kPa", "absolute", 1.22811, 2e-4},
		{"saturation|--temperature|20 °C", "pressure", "kPa", "absolute", 2.33919, 2e-4},
		{"saturation|--temperature|30 °C", "pressure", "kPa", "absolute", 4.24692, 2e-4},
		{"saturation|--temperature|60 °C", "pressure", "kPa", "absolute", 19.9474, 2e-4},
		{"saturation|--temperature|230 K", "pressure", "kPa", "absolute", 8.94735e-3, 1e-5},
		{"saturation|--temperature|-20 °C|--over|water", "pressure", "kPa", "absolute", 0.1256, 2e-3},
		{"saturation|--temperature|20 °C", "density", "g/m3", "", 17.30, 0.003},
		{"saturation|--temperature|35 °C", "density", "g/m3", "", 39.63, 0.003},
		{"condensate|--temperature|25 °C|--humidity|60 %|--tank-temperature|30 °C" + tank + "801.325 kPa", "condensate", "g/m3", "", 9.971, 0.002},
		{"condensate|--temperature|30 °C|--humidity|80 %|--tank-temperature|35 °C" + tank + "801.325 kPa", "condensate", "g/m3", "", 19.331, 0.002},
		{"condensate|--temperature|35 °C|--humidity|15 %|--tank-temperature|45 °C" + tank + "501.325 kPa", "condensate", "g/m3", "", 0, -1e-9},
		{"condensate|--temperature|90 °F|--humidity|60 %" + intake, "intake", "g/m3", "", 0.0092 * gallons, 0.02},
		{"condensate|--temperature|60 °F|--humidity|50 %" + intake, "intake", "g/m3", "", 0.0030 * gallons, 0.02},
		{"condensate|--temperature|100 °F|--humidity|80 %" + intake, "intake", "g/m3", "", 0.0164 * gallons, 0.02},
		{"condensate|--temperature|120 °F|--humidity|100 %" + intake, "intake", "g/m3", "", 0.0354 * gallons, 0.02},
		{"dewpoint|--temperature|20 °C|--humidity|50 %" + tank + "801.325 kPa", "pressure_dew_point", "Cel", "", 44.29, -0.05},
		{"dewpoint|--temperature|10 °C|--humidity|30 %" + tank + "801.325 kPa", "pressure_dew_point", "Cel", "", 23.59, -0.05},
		{"dewpoint|--temperature|25 °C|--humidity|60 %" + tank + "101.325 kPa", "pressure_dew_point", "Cel", "", 16.70, -0.05},
		{"dewpoint|--temperature|25 °C|--humidity|60 %" + tank + "801.325 kPa", "frost_point", "Cel", "", 16.70, -0.05},
		{"dewpoint|--temperature|-10 °C|--humidity|100 %|--over|ice" + tank + "801.325 kPa", "frost_point", "Cel", "", -10, -0.001},
		{"dewpoint|--saturated|--tank-temperature|30 °C" + tank + "801.325 kPa", "frost_point", "Cel", "", -1.56, -0.05},
		{"dewpoint|--saturated|--tank-temperature|10 °C" + tank + "801.325 kPa", "frost_point", "Cel", "", -15.67, -0.05},
		// Intake air with more water than a tank of 30 °C holds leaves it saturated.
		{"dewpoint|--temperature|25 °C|--humidity|60 %|--tank-temperature|30 °C" + tank + "801.325 kPa", "frost_point", "Cel", "", -1.56, -0.05},
		{"altitude|--altitude|1000 m", "pressure", "kPa", "absolute", 89.876, -0.002},
		{"altitude|--altitude|2000 m", "pressure", "kPa", "absolute", 79.501, -0.002},
		{"altitude|--altitude|3 km", "pressure", "kPa", "absolute", 70.121, -0.002},
		{"bag|--pressure|2.5 bar|--area|50 cm2|--ratio|1.4", "force", "N", "", 1750, exact},
		{"transducer|--signal|2.5 V|--supply|5 V|--range|10 bar", "value", "bar", "", 5, -1e-4},
		{"transducer|--signal|1.37 V|--supply|4.92 V|--range|10 bar", "value", "bar", "", 2.2307, -1e-4},
		{"transducer|--signal|12.8 mA|--range|10 bar", "value", "bar", "", 5.5, -1e-6},
	} {
		c.check(t)
	}
}

// TestCalcTransducerStatus: NAMUR NE 43 (3.6, 3.8, 20.5, 21 mA); the ratiometric limits are common practice, no source.
func TestCalcTransducerStatus(t *testing.T) {
	t.Parallel()
	for signal, want := range map[string]string{
		"0 mA": "fault low", "3.5 mA": "fault low", "3.59 mA": "fault low", "3.6 mA": "saturated low", "3.7 mA": "saturated low",
		"3.8 mA": "ok", "4 mA": "ok", "20.5 mA": "ok", "20.6 mA": "saturated high", "21 mA": "saturated high", "21.2 mA": "fault high",
		"0.1 V": "fault low", "0.4 V": "fault low", "4.8 V": "fault high", "4.6 V": "fault high", "0.5 V": "ok", "4.5 V": "ok",
	} {
		line := calcLine(t, "transducer|--range|10 bar|--signal|"+signal)
		status, _ := line["status"].(string)
		if !strings.HasPrefix(status, want) {
			t.Errorf("%s: status %q; want %s", signal, status, want)
		}
		if _, has := line["value"]; has != (want == "ok") {
			t.Errorf("%s, %s: value %v", signal, status, line["value"])
		}
	}
	line := calcLine(t, "transducer|--range|10 bar|--signal|2.5 V|--supply|4 V")
	if status, _ := line["status"].(string); !strings.HasPrefix(status, "fault supply") || line["value"] != nil {
		t.Errorf("supply of 4 V: %v", line)
	}
}

// TestCalcUnitsDoNotChangeAnswers asks the same in other units and with the other of two flags that say the same.
func TestCalcUnitsDoNotChangeAnswers(t *testing.T) {
	t.Parallel()
	same := map[string][]string{
		"flow": {
			"flow|--hole|3.175 mm|--pressure|700 kPa", "flow|--hole|1/8 in|--pressure|7 bar|--temperature|68 °F",
			"flow|--hole|0.125 in|--pressure-abs|801.325 kPa|--barometer|1.01325 bar", "flow|--cd|61 %|--hole|0.3175 cm|--pressure|0.7 MPa|--downstream|1013.25 hPa",
		},
		"hole": {"hole|--leak|28.6921 L/min|--pressure|7 bar", "hole|--leak|1 scfm|--pressure-abs|801.325 kPa", "hole|--leak|26.385 NL/min|--pressure|700 kPa"},
		"rate": {"decay|--volume|38 L|--leak|6 L/min|--pressure|7 bar|--time|60 s", "decay|--volume|0.038 m3|--leak|0.36 m3/h|--pressure-abs|801.325 kPa|--time|1 min"},
	}
	for key, list := range same {
		first := 0.0
		for i, args := range list {
			q, _ := calcLine(t, args)[key].(map[string]any)
			v, _ := q["value"].(float64)
			if i == 0 {
				first = v
			}
			if v == 0 || math.Abs(v/first-1) > 2e-5 {
				t.Errorf("%s: %s = %v; asked otherwise it was %v", args, key, v, first)
			}
		}
	}
}

// TestCalcHoleAndFlowAgree: the hole of a leak leaks it.
func TestCalcHoleAndFlowAgree(t *testing.T) {
	t.Parallel()
	for _, down := range []string{"101.325 kPa", "350 kPa", "390 kPa"} {
		h, err := json.Marshal(calcLine(t, "hole|--leak|5 L/min|--pressure-abs|400 kPa|--downstream|"+down)["hole"])
		if err != nil {
			t.Fatal(err)
		}
		var q struct{ Value json.Number }
		if err := json.Unmarshal(h, &q); err != nil {
			t.Fatal(err)
		}
		calcCase{"flow|--pressure-abs|400 kPa|--downstream|" + down + "|--hole|" + q.Value.String() + " mm", "flow", "L/min", "ANR", 5, 2e-5}.check(t)
	}
}

// TestCalcEveryVerb holds each verb to its help, its example and what every answer has to say.
func TestCalcEveryVerb(t *testing.T) {
	t.Parallel()
	want := []string{
		"flow", "hole", "decay", "bleeddown", "duty", "saturation", "condensate", "dewpoint", "altitude", "delivery", "bag",
		"transducer", "sprt", "uncertainty",
	}
	verbs := map[string]calcVerb{}
	for _, v := range calcVerbs() {
		verbs[v.name] = v
	}
	if len(verbs) != len(want) {
		t.Errorf("%d verbs; want %d", len(verbs), len(want))
	}
	for _, name := range want {
		v, ok := verbs[name]
		if !ok {
			t.Errorf("no verb %s", name)
			continue
		}
		code, out, log := airhold(t, "calc", name, "--help")
		if code != exitOK || log != "" || !strings.Contains(out, v.example) {
			t.Errorf("calc %s --help: exit %d, %q", name, code, log)
		}
		for _, f := range v.flags {
			if !strings.Contains(out, "--"+f.name) {
				t.Errorf("calc %s --help does not explain --%s", name, f.name)
			}
		}
		args := []string{"calc", name}
		for i, part := range strings.Split(v.example, "'") { // quoted parts are every second one
			if i%2 == 1 {
				args = append(args, part)
			} else {
				args = append(args, strings.Fields(part)...)
			}
		}
		code, out, log = airhold(t, args...)
		if code != exitOK || log != "" || !strings.Contains(out, "\nFormula: ") {
			t.Errorf("%v: exit %d, %q, %q", args, code, out, log)
		}
		if strings.Contains(out, "L/min\n") || strings.Contains(out, "L/min,") {
			t.Errorf("%v says L/min without its reference: %s", args, out)
		}
		line := jsonLines(t, args...)[0]
		if line["verb"] != name || line["formula"] == "" {
			t.Errorf("%v: %v", args, line)
		}
	}
}

// TestCalcNeverAnswersNonsense: odd values end in a message and no answer; a JSON answer never has null for a number.
func TestCalcNeverAnswersNonsense(t *testing.T) {
	t.Parallel()
	for _, args := range []string{
		"flow|--hole|0 mm|--pressure|1 bar|--cd|0", "flow|--hole|-1 mm|--pressure|1 bar", "flow|--hole|1 mm|--pressure|-2 bar",
		"flow|--hole|1 mm|--pressure|1 bar|--temperature|0 K", "flow|--hole|1 mm|--pressure|1 bar|--barometer|-1 kPa",
		"flow|--conductance|1e-9 m3/(s.Pa)|--ratio|1|--pressure|1 bar", "flow|--hole|1 mm|--pressure|1 bar|--altitude|20 km",
		"hole|--leak|-5 L/min|--pressure|1 bar", "hole|--leak|5 L/min|--pressure|0 bar", "decay|--volume|0 L|--leak|5 L/min|--pressure|1 bar|--time|1 s",
		"decay|--volume|1 L|--leak|0 L/min|--pressure|1 bar|--needed|0.5 bar", "decay|--volume|1 L|--leak|1 L/min|--pressure|1 bar|--needed|0 bar",
		"decay|--volume|1 L|--leak|1 L/min|--pressure|1 bar|--time|-1 s", "decay|--volume|1 L|--leak|1 L/min|--pressure|1 bar|--time|1e300 d",
		"bleeddown|--volume|1 L|--from|1 bar|--to|2 bar|--time|1 s", "bleeddown|--volume|1 L|--from|2 bar|--to|1 bar|--time|0 s",
		"duty|--on|0 s|--off|0 s", "duty|--on|-1 s|--off|2 s", "delivery|--volume|1 L|--from|2 bar|--to|1 bar|--time|1 s",
		"uncertainty|--leak|5 L/min|--volume-uncertainty|-3 %", "sprt|--alpha|0|--beta|0.1", "sprt|--alpha|0.6|--beta|0.5",
		"saturation|--temperature|900 °C", "saturation|--temperature|20 °C|--over|ice",
		"condensate|--temperature|20 °C|--humidity|120 %|--tank-temperature|20 °C|--tank-pressure|7 bar",
		"condensate|--temperature|20 °C|--humidity|50 %|--tank-temperature|20 °C|--tank-pressure|-1 bar",
		"dewpoint|--temperature|20 °C|--humidity|0 %|--tank-pressure|7 bar", "dewpoint|--saturated|--tank-temperature|20 °C|--tank-pressure-abs|0 bar",
		"altitude|--altitude|-3 km", "bag|--pressure|-1 bar|--area|1 cm2", "transducer|--signal|1 V|--range|0 bar",
	} {
		code, out, log := airhold(t, append(append([]string{"calc"}, strings.Split(args, "|")...), "--json")...)
		if (code != exitRefused && code != exitUsage) || out != "" || log == "" {
			t.Errorf("calc %s: exit %d, said %q, log %q; want a refusal", args, code, out, log)
		}
	}
}
