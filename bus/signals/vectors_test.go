// SPDX-License-Identifier: Apache-2.0

package signals_test

import (
	"math"
	"strings"
	"testing"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/j1939"
	"airhold/bus/signals"
)

// decode runs "ID#DATA" frames through a Decoder and calls emit for each message.
func decode(tb testing.TB, emit func(*signals.Message), frames ...string) *signals.Decoder {
	tb.Helper()
	d := signals.NewDecoder()
	for _, text := range frames {
		var f can.Frame
		if err := f.UnmarshalString(text); err != nil {
			tb.Fatal(err)
		}
		d.Frame(bus.Frame{Frame: f}, emit)
	}
	return d
}

// want is what a signal must be: a number, a text, or a status other than ok.
type want struct {
	text   string
	number float64
	status signals.Status
}

func num(v float64) want             { return want{number: v} }
func says(text string) want          { return want{text: text, number: math.NaN()} }
func code(v float64, s string) want  { return want{number: v, text: s} }
func without(st signals.Status) want { return want{status: st} }

type vector struct {
	name   string
	source string
	key    string
	frames []string
	want   map[string]want
}

const na = signals.NotAvailable

// published are frames with known meaning out of other projects' test suites; the file is named with each.
func published() []vector {
	const speed = "AgIsoStack++ test/speed_distance_message_tests.cpp"
	return []vector{
		{"1 wheel speed", speed, "wheel_speed", []string{"0CFE4846#A00F6EBC0E00C855"}, map[string]want{
			"speed": num(4), "distance": num(965.742), "power_time": num(200), "direction": code(1, "forward"),
			"key_switch": num(1), "start_stop": num(1), "operator_reversed": num(1),
		}},
		{"2 ground speed", speed, "ground_speed", []string{"0CFE4946#A00F6EBC0E00FF01"}, map[string]want{
			"speed": num(4), "distance": num(965.742), "direction": code(1, "forward"),
		}},
		{"3 selected speed", speed, "machine_selected_speed", []string{"0CF02246#A00F6EBC0E001E25"}, map[string]want{
			"speed": num(4), "distance": num(965.742), "exit_reason": num(30), "direction": code(1, "forward"),
			"speed_source": num(1), "limit_status": num(1),
		}},
		{"4 engine", "Rust j1939 src/spn.rs tests", "engine", []string{"0CF00400#F39191AA1800F3FF"}, map[string]want{
			"speed": num(789.25), "torque_mode": num(3), "demand_torque": num(20), "torque": num(20), "starter_mode": num(3),
			"engine_demand_torque": without(na),
		}},
		{"5 engine, one value", "canboat analyzer/tests/j1939-pgn-test.in", "engine", []string{"0CF00400#FFFFFF8A03FFFFFF"}, map[string]want{
			"speed": num(113.25), "torque_mode": without(na), "demand_torque": without(na), "torque": without(na),
			"controlling_address": without(na), "starter_mode": without(na), "engine_demand_torque": without(na),
		}},
		{"6 time and date", "AgIsoStack++ test/time_date_tests.cpp", "time_date", []string{"18FEE647#A43116081C267D78"}, map[string]want{
			"date": says("2023-08-07"), "time": says("22:49:41.0000"), "local_hour_offset": num(-5),
			"local_minute_offset": num(0), "time_base": says("UTC"),
		}},
		{"7 one trouble code", "AgIsoStack++ test/diagnostic_protocol_tests.cpp", "dm1", []string{"18FECAAA#FFFFD2041F01FFFF"}, map[string]want{
			"malfunction_lamp": without(na), "red_stop_lamp": without(na), "amber_warning_lamp": without(na), "protect_lamp": without(na),
		}},
		{"8 three trouble codes", "AgIsoStack++ test/diagnostic_protocol_tests.cpp", "dm1", []string{
			"1CECFFAA#200E0002FFCAFE00", "1CEBFFAA#01FFFFD2041F0137", "1CEBFFAA#02020201CE220C01",
		}, map[string]want{"red_stop_lamp": without(na)}},
		{"9 address claim", "J1939-Framework Tests/address_claim_frame_test.cpp", "address_claim", []string{"14EE2535#2A65009D85F1B42F"}, nil},
		{"10 broadcast of 20 bytes", "J1939-Framework Tests/BAM_test.cpp", "unknown", []string{
			"00ECFF50#20140003FF05F000", "00EBFF50#01ABCDEF01234567", "00EBFF50#0289ABCDEFABCDEF", "00EBFF50#03ABCDEFABCDEFFF",
		}, nil},
		{"11 identifier", "cantools tests/test_database.py", "unknown", []string{"14123456#"}, nil},
		{"12 request", "J1939-Framework Tests/request_frame.cpp", "request", []string{"10EA2430#05FE00"}, map[string]want{"pgn": num(0xFE05)}},
		{"13 position", "canboat analyzer/tests/actisense-format", "position", []string{"09F80196#20945F1F44ED0303"}, map[string]want{
			"latitude": num(52.6357536), "longitude": num(5.0588996),
		}},
		{"14 course and speed", "canboat analyzer/tests/actisense-format", "cog_sog", []string{"09F80296#FFFCCA300100FFFF"}, map[string]want{
			"sid": without(na), "reference": code(0, "true"), "cog": num(1.2490), "sog": num(.01),
		}},
		{"15 system time", "canboat analyzer/tests/pgn-test", "system_time", []string{"0DF01024#10F0F13A21470F16"}, map[string]want{
			"sid": num(16), "source": code(0, "GPS"), "date": says("2011-04-25"), "time": says("10:16:50.0001"),
		}},
		{"16 GNSS", "canboat analyzer/tests/recombine-frames", "gnss", []string{
			"0DF80500#002FE7953D0073D6", "0DF80500#012900DA0473DBC9", "0DF80500#02E505807D02285F", "0DF80500#03D610F69B506C05",
			"0DF80500#040000000013FC08", "0DF80500#056F00BE00DDF2FF", "0DF80500#06FF00FFFFFFFFFF",
		}, map[string]want{
			"date": says("2013-03-01"), "time": says("19:29:52.0000"), "latitude": num(42.496768422), "longitude": num(-71.583663657),
			"altitude": num(90.984603), "type": num(3), "method": num(1), "satellites": num(8), "hdop": num(1.11),
			"pdop": num(1.90), "geoid_separation": num(-33.63), "reference_stations": num(0),
		}},
		{"17 environment", "canboat samples; canboatjs 3.20.0", "environment", []string{"15FD0724#3BC1ED71FF7FFE03"}, map[string]want{
			"sid": num(59), "temperature_source": code(1, "outside"), "temperature": num(291.65), "humidity": without(na), "pressure": num(102200),
		}},
		{"18 atmospheric pressure", "canboat samples; canboatjs 3.20.0", "actual_pressure", []string{"15FD0A34#FF00000C8A0F00FF"}, map[string]want{
			"source": code(0, "atmospheric"), "pressure": num(101838),
		}},
		{"19 temperature", "canboat samples; canboatjs 3.20.0", "temperature_extended", []string{"15FD0C34#FF0001D49504FFFF"}, map[string]want{
			"source": code(1, "outside"), "actual": num(300.5), "set": without(na),
		}},
		{"20 water", "canboat analyzer/tests/mixed-format", "water_environment", []string{"15FD0623#FF8B72FFFFFFFFFF"}, map[string]want{
			"water": num(293.23), "sid": without(na), "air": without(na), "pressure": without(na),
		}},
		{"21 process data", "AgIsoStack++ test/tc_client_tests.cpp", "process_data", []string{"10CB26F7#234D3702CE220000"}, map[string]want{
			"command": code(3, "value"), "element": num(1234), "ddi": num(567), "value": num(8910),
		}},
		{"22 maintain power", "AgIsoStack++ test/maintain_power_tests.cpp", "maintain_power", []string{"18FE4749#5F55FFFFFFFFFFFF"}, map[string]want{
			"ecu_power": num(1), "actuator_power": num(1), "transport": num(1), "park": num(1), "ready_to_work": num(1), "in_work": num(1),
		}},
		{"23 vehicle speed", "J1939-Framework Tests/genericframe_test.cpp", "cruise", []string{"18FEF120#FF00509FFFFF1FFF"}, map[string]want{
			"speed": num(80), "pto_state": without(na),
		}},
		{"24 air supply", "public bench capture", "air_supply", []string{"18FEAE30#FFFFFEFEFFFFFFFF"}, map[string]want{
			"supply": without(na), "parking": without(na), "service_1": without(signals.Error), "service_2": without(signals.Error),
		}},
	}
}

// derived are frames made from the tables, because no published frame was found: they show that the code does what
// the table says, not that the table is right.
func derived() []vector {
	const table = "derived from the layout table"
	return []vector{
		{"rear hitch", table, "rear_hitch", []string{"0CFE4520#7D5F96647DC1FFFF"}, map[string]want{
			"position": num(50), "in_work": code(1, "in work"), "limit_status": num(3), "link_force": num(20),
			"draft": num(.0 + 10*32100 - 320000), "exit_reason": num(1),
		}},
		{"front hitch up", table, "front_hitch", []string{"0CFE4620#FA3FFFFFFFFFFFFF"}, map[string]want{
			"position": num(100), "in_work": code(0, "out of work"), "limit_status": without(na), "link_force": without(na),
			"draft": without(na), "exit_reason": without(na),
		}},
		{"rear PTO", table, "rear_pto", []string{"0CFE4320#E010E01040FFFFFF"}, map[string]want{
			"speed": num(540), "set_point": num(540), "engaged": code(1, "engaged"), "mode": code(0, "540/min"),
			"economy_mode": code(0, "off"), "request_status": num(0), "limit_status": without(na),
		}},
		{"front PTO not running", table, "front_pto", []string{"0CFE4420#FFFFFFFF3FFFFFFF"}, map[string]want{
			"speed": without(na), "engaged": code(0, "disengaged"), "mode": without(na),
		}},
		{"air with pressure", table, "air_supply", []string{"18FEAE30#6E6D6C6BFAFBFDFF"}, map[string]want{
			"supply": num(880), "parking": num(872), "service_1": num(864), "service_2": num(856), "auxiliary": num(2000),
			"suspension": without(signals.Reserved), "compressor": code(1, "active"),
		}},
		{"compressed air", table, "actual_pressure", []string{"15FD0A34#FF000300C2EB0BFF"}, map[string]want{
			"source": code(3, "compressed air"), "pressure": num(20000000),
		}},
		{"section states", table, "process_data", []string{"10CB26F7#2300A100E4FFFFFF"}, map[string]want{
			"ddi": num(161), "section_1": code(0, "off"), "section_2": code(1, "on"), "section_3": without(signals.Error),
			"section_4": without(na), "section_16": without(na),
		}},
		{"engine hours", table, "engine_hours", []string{"18FEE500#E8030000FFFFFFFF"}, map[string]want{
			"hours": num(50), "revolutions": without(na),
		}},
		{"electrical", table, "electrical", []string{"18FEF700#7D641801140128FF"}, map[string]want{
			"net_current": num(0), "alternator_current": num(100), "charging": num(14), "battery": num(13.8), "key_switch": without(na),
		}},
		{"ambient", table, "ambient", []string{"18FEF500#C8FFFFC0243C00FE"}, map[string]want{
			"barometer": num(100), "cab": without(na), "air": num(21), "intake": num(20), "road": without(signals.Error),
		}},
		{"local time", table, "local_time", []string{"15F80920#F13A21470F16C4FF"}, map[string]want{
			"date": says("2011-04-25"), "local_offset": num(-60),
		}},
		{"local clock without offset", table, "time_date", []string{"18FEE647#A43116081C267DFA"}, map[string]want{
			"time_base": says("local time"), "local_hour_offset": without(na),
		}},
	}
}

func TestPublishedFrames(t *testing.T) {
	if n := len(published()); n != 24 {
		t.Fatalf("%d published frames; want 24", n)
	}
	for _, v := range published() {
		check(t, v)
	}
}

func TestDerivedFrames(t *testing.T) {
	for _, v := range derived() {
		check(t, v)
	}
}

func check(t *testing.T, v vector) {
	t.Helper()
	messages := 0
	decode(t, func(m *signals.Message) {
		messages++
		if m.Key != v.key {
			t.Errorf("%s (%s): Key = %s; want %s", v.name, v.source, m.Key, v.key)
		}
		got := make(map[string]signals.Value)
		for _, s := range m.Signals(nil) {
			got[s.Key] = s
		}
		for key, w := range v.want {
			g, ok := got[key]
			near := math.IsNaN(w.number) || math.Abs(g.Written-w.number) <= 1e-9*max(1, math.Abs(w.number))
			if !ok || g.Status != w.status || w.status == signals.OK && !near || w.text != "" && g.Text != w.text {
				t.Errorf("%s (%s): %s = %+v; want %+v", v.name, v.source, key, g, w)
			}
			if g.Status != signals.OK && (g.Written != 0 || g.SI != 0) {
				t.Errorf("%s: %s is %s and still has a value", v.name, key, g.Status)
			}
		}
	}, v.frames...)
	if messages != 1 {
		t.Errorf("%s: %d messages; want 1", v.name, messages)
	}
}

func TestPublishedFramesBeyondSignals(t *testing.T) {
	decode(t, func(m *signals.Message) { // row 8
		d, ok := signals.DTCs(m)
		want := []j1939.DTC{{SPN: 1234, FMI: 31, Count: 1}, {SPN: 567, FMI: 2, Count: 1}, {SPN: 8910, FMI: 12, Count: 1}}
		if !ok || len(d.DTCs) != 3 || d.DTCs[0] != want[0] || d.DTCs[1] != want[1] || d.DTCs[2] != want[2] {
			t.Errorf("DTCs = %+v, %v; want %+v", d, ok, want)
		}
	}, published()[7].frames...)
	decode(t, func(m *signals.Message) { // row 10
		if m.PGN != 61445 || len(m.Data) != 20 || m.Source != 0x50 || m.Destination != 255 {
			t.Errorf("message = %+v; want 20 bytes of 61445", m)
		}
	}, published()[9].frames...)
	d := decode(t, func(m *signals.Message) { // row 9
		if m.Destination != 0x25 || m.Source != 0x35 || m.Priority != 5 {
			t.Errorf("message = %+v; want 0x35 to 0x25 with priority 5", m)
		}
	}, published()[8].frames...)
	if n, ok := d.NAME(0, 0x35); !ok || n.Identity() != 25898 {
		t.Errorf("NAME(0x35) = %x, %v; want identity 25898", n, ok)
	}
}

// Where open sources contradict each other the answer is the standard's, as far as two independent sources show it.
func TestConflictingSources(t *testing.T) {
	for _, v := range []vector{
		{"FE43 is the rear PTO, not a hitch", "digest B.9 against a swapped web table", "rear_pto", []string{"0CFE4320#E010FFFFFFFFFFFF"}, map[string]want{"speed": num(540)}},
		{"FE45 is the rear hitch, not a PTO", "digest B.7 against a swapped web table", "rear_hitch", []string{"0CFE4520#7DFFFFFFFFFFFFFF"}, map[string]want{"position": num(50)}},
		{"FE46 is the front hitch", "digest B.6 against one that calls it rear", "front_hitch", []string{"0CFE4620#7DFFFFFFFFFFFFFF"}, map[string]want{"position": num(50)}},
		{"DDI 141 is the work state, not fuel", "AgIsoStack++ and ISOAgLib", "process_data", []string{"10CB26F7#03008D0001000000"}, map[string]want{"work_state": code(1, "on")}},
		{"65271 has currents of one byte", "two sources and the SPN table", "electrical", []string{"18FEF700#8750FFFF1801FFFF"}, map[string]want{"net_current": num(10), "alternator_current": num(80), "battery": num(14)}},
		{"65096 is wheel speed, not a valve", "digest B.2", "wheel_speed", []string{"0CFE4820#E803FFFFFFFFFFFF"}, map[string]want{"speed": num(1)}},
		{"limit status has three bits: 6 is a lasting fault", "digest A.19.11 against a two-bit mask", "machine_selected_speed", []string{"0CF02220#E803FFFFFFFFFFDF"}, map[string]want{"limit_status": code(6, "fault that does not clear itself")}},
		{"limit status has three bits: 7 is not available", "digest A.19.11 against a two-bit mask", "machine_selected_speed", []string{"0CF02220#E803FFFFFFFFFFFF"}, map[string]want{"limit_status": without(na)}},
		{"limit status 4 is reserved, not 0", "digest A.19.11 against a two-bit mask", "machine_selected_speed", []string{"0CF02220#E803FFFFFFFFFF9F"}, map[string]want{"limit_status": without(signals.Reserved)}},
		{"link force starts at -100 %", "digest A.19.10 against signed times 0.8", "rear_hitch", []string{"0CFE4520#FFFF00FFFFFFFFFF"}, map[string]want{"link_force": num(-100)}},
		{"link force above the middle", "digest A.19.10 against signed times 0.8", "rear_hitch", []string{"0CFE4520#FFFFC8FFFFFFFFFF"}, map[string]want{"link_force": num(60)}},
		{"torque 0xFF is not available, not -1 % or 130 %", "J1939-71 ranges against a text output", "engine", []string{"0CF00400#FFFFFF8A03FFFFFF"}, map[string]want{"torque": without(na)}},
		{"air 0xFE is an error, never 2032 kPa", "J1939-71 ranges", "air_supply", []string{"18FEAE30#FEFFFFFFFFFFFFFF"}, map[string]want{"supply": without(signals.Error)}},
	} {
		check(t, v)
	}
}

// The ranges of J1939-71 and ISO 11783-7 (digest 3.3.3) and of NMEA 2000, at their borders.
func TestStatusAtTheBordersOfItsRanges(t *testing.T) {
	for text, st := range map[string]signals.Status{
		"0CFE4820#FFFA": signals.OK, "0CFE4820#00FB": signals.Reserved, "0CFE4820#FFFD": signals.Reserved,
		"0CFE4820#00FE": signals.Error, "0CFE4820#FFFE": signals.Error, "0CFE4820#00FF": na, "0CFE4820#FFFF": na,
		"0CFE4820#FF": signals.Absent, "0CFE4820#": signals.Absent,
	} {
		decode(t, func(m *signals.Message) {
			if got := m.Signals(nil)[0].Status; got != st {
				t.Errorf("%s: speed is %s; want %s", text, got, st)
			}
		}, text)
	}
	for text, st := range map[string]signals.Status{
		"15FD0834#FF0001FFFFFFFFFF": na, "15FD0834#FF0001FEFFFFFFFF": signals.Error, "15FD0834#FF0001FDFFFFFFFF": signals.Reserved,
		"15FD0834#FF0001FCFFFFFFFF": signals.OK,
	} {
		decode(t, func(m *signals.Message) {
			if got := m.Signals(nil)[3].Status; got != st {
				t.Errorf("%s: temperature is %s; want %s", text, got, st)
			}
		}, text)
	}
	for text, st := range map[string]signals.Status{
		"15FD0A34#FF0003FFFFFF7FFF": na, "15FD0A34#FF0003FEFFFF7FFF": signals.Error, "15FD0A34#FF0003FFFFFFFFFF": signals.OK,
	} {
		decode(t, func(m *signals.Message) {
			if got := m.Signals(nil)[3].Status; got != st {
				t.Errorf("%s: pressure is %s; want %s", text, got, st)
			}
		}, text)
	}
}

func TestCatalogueNamesAreUnique(t *testing.T) {
	seen := make(map[string]bool)
	for _, name := range signals.Names() {
		if seen[name] {
			t.Errorf("%s stands twice", name)
		}
		if seen[name] = true; strings.ToLower(name) != name || strings.ContainsAny(name, " -[]=") {
			t.Errorf("%s is no plain name", name)
		}
		if strings.Contains(name, "section_") && !strings.HasSuffix(name, "_256") {
			continue // hundreds of one make
		}
		if _, err := signals.Compile(name); err != nil {
			t.Errorf("Compile(%s) = %v", name, err)
		}
	}
}
