// SPDX-License-Identifier: Apache-2.0

package signals

import "airhold/sensors/units"

// limitStatus is the three-bit status that ISO 11783-7 gives next to a command (digest A.19.11). One open library
// reads it with a two-bit mask, which turns 4 to 7 into 0 to 3.
func limitStatus(key string, spn uint32, b, lowest int) field {
	return state(key, spn, b, lowest, 3, "not limited", "limited by the operator", "limited high", "limited low", "", "",
		"fault that does not clear itself")
}

// exitReason is the six-bit reason why a function left remote control (digest A.19.13).
func exitReason(key string, spn uint32, b int) field {
	f := state(key, spn, b, 1, 6)
	f.words = nil
	f.meanings = map[uint64]string{
		0: "none", 1: "operator not seen", 2: "released by the implement", 3: "operator took over",
		4: "operator control not in position", 5: "command stopped coming", 6: "command out of limits",
		7: "not calibrated", 8: "operator control faulty", 9: "function faulty", 20: "hydraulic oil low, or no valid gear",
		21: "locked out", 22: "gear change not allowed",
	}
	return f
}

// machine lists the tractor and implement messages of ISO 11783-7. SPNs and positions: public digest of its annexes
// A and B (A.5 to A.33, B.3 to B.9), the same as AgIsoStack++ and a web decoder after isobus.net.
func machine() []*layout {
	const source = "ISO 11783-7 by digest; AgIsoStack++, ISOAgLib, web decoder agree"
	speed := func(speedSPN, distanceSPN, directionSPN uint32, more ...field) []field {
		out := []field{
			number("speed", speedSPN, 1, 16, .001, 0, metreASecond()),
			number("distance", distanceSPN, 3, 32, .001, 0, metre()),
		}
		out = append(out, more...)
		return append(out, state("direction", directionSPN, 8, 1, 2, "reverse", "forward"))
	}
	hitch := func(position, inWork, limit, force, draft, exit uint32) []field {
		return []field{
			number("position", position, 1, 8, .4, 0, percent()),
			limitStatus("limit_status", limit, 2, 4),
			state("in_work", inWork, 2, 7, 2, "out of work", "in work"),
			number("link_force", force, 3, 8, .8, -100, percent()),
			number("draft", draft, 4, 16, 10, -320000, newton()),
			exitReason("exit_reason", exit, 6),
		}
	}
	pto := func(speed, set, request, economy, mode, engaged, limit, exit uint32) []field {
		return []field{
			number("speed", speed, 1, 16, .125, 0, aMinute()),
			number("set_point", set, 3, 16, .125, 0, aMinute()),
			state("request_status", request, 5, 1, 2, "accepted", "overridden"),
			state("economy_mode", economy, 5, 3, 2, "off", "on"),
			state("mode", mode, 5, 5, 2, "540/min", "1000/min"),
			state("engaged", engaged, 5, 7, 2, "disengaged", "engaged"),
			limitStatus("limit_status", limit, 6, 2),
			exitReason("exit_reason", exit, 7),
		}
	}
	return []*layout{
		{pgn: 65096, key: "wheel_speed", source: source, fields: speed(1862, 1863, 1864,
			number("power_time", 1866, 7, 8, 1, 0, minute()),
			state("key_switch", 1865, 8, 3, 2, "off", "not off"),
			state("start_stop", 5203, 8, 5, 2, "stop", "start permitted"),
			state("operator_reversed", 5244, 8, 7, 2, "not reversed", "reversed"),
		)},
		{pgn: 65097, key: "ground_speed", source: source, fields: speed(1859, 1860, 1861)},
		{pgn: 61474, key: "machine_selected_speed", source: source, fields: speed(4305, 4306, 4309,
			exitReason("exit_reason", 0, 7),
			state("speed_source", 4308, 8, 3, 3, "wheels", "ground", "navigation", "blended", "simulated"),
			limitStatus("limit_status", 0, 8, 6),
		)},
		{pgn: 65093, key: "rear_hitch", source: source, fields: hitch(1873, 1877, 5151, 1881, 1879, 5819)},
		{pgn: 65094, key: "front_hitch", source: source, fields: hitch(1872, 1876, 5150, 1880, 1878, 5816)},
		{pgn: 65091, key: "rear_pto", source: source, fields: pto(1883, 1885, 5156, 1892, 1890, 2408, 5159, 5820)},
		{pgn: 65092, key: "front_pto", source: source, fields: pto(1882, 1884, 5152, 1891, 1889, 1888, 5155, 5817)},
		{pgn: 65095, key: "maintain_power", source: source, fields: []field{
			state("actuator_power", 1868, 1, 5, 2, "not needed", "two more seconds wanted"),
			state("ecu_power", 1867, 1, 7, 2, "not needed", "two more seconds wanted"),
			state("in_work", 7447, 2, 1, 2, "not in work", "in work"),
			state("ready_to_work", 1871, 2, 3, 2, "not ready", "ready"),
			state("park", 1870, 2, 5, 2, "may not be disconnected", "may be disconnected"),
			state("transport", 1869, 2, 7, 2, "may not be transported", "may be transported"),
		}},
		{pgn: 65254, key: "time_date", source: "AgIsoStack++, digest A.1 to A.4", fields: []field{
			{key: "time", spn: 959, start: bit(1, 1), bits: 24, form: timeParts, factor: 1, kind: TimeOfDay, unit: second()},
			{key: "date", spn: 963, start: bit(4, 1), bits: 24, form: dateParts, factor: 1, kind: Date, unit: day()},
			offsetField("local_minute_offset", 1601, 7, minute(), 59),
			offsetField("local_hour_offset", 1602, 8, hour(), 23),
			{
				key: "time_base", start: bit(8, 1), bits: 8, rule: ruleJ1939, factor: 1, kind: Enumeration,
				meanings: timeBases(),
			},
		}},
		{
			pgn: 51968, key: "process_data", source: "AgIsoStack++, digest of ISO 11783-10", fields: processFields(),
			selector: &field{start: 16, bits: 16}, variants: processVariants(),
		},
	}
}

// offsetField is a local time offset: 125 below its code, valid only to the limit on either side, the codes above
// say what the time is instead (see time_base).
func offsetField(key string, spn uint32, b int, u units.Unit, limit float64) field {
	f := number(key, spn, b, 8, 1, -125, u)
	f.low, f.high, f.beyond = -limit, limit, NotAvailable
	return f
}

// timeBases says for every code of the local hour offset what the time in the message is (digest table A.1).
func timeBases() map[uint64]string {
	out := make(map[uint64]string, 251)
	for code := range uint64(0xF9) {
		out[code] = "not known"
		if code >= 125-23 && code <= 125+23 {
			out[code] = "UTC"
		}
	}
	out[0xF9], out[0xFA] = "UTC, local offset not known", "local time"
	return out
}

const valueCommand = 3

func processFields() []field {
	command := field{
		key: "command", start: 0, bits: 4, factor: 1, kind: Enumeration,
		words: []string{
			"technical data", "device description", "request value", "value", "time interval", "distance interval",
			"minimum", "maximum", "change threshold", "peer assignment", "set and acknowledge", "", "", "acknowledge",
			"task controller status", "client status",
		},
	}
	return []field{
		command,
		{key: "element", start: 4, bits: 12, factor: 1},
		{key: "ddi", start: 16, bits: 16, factor: 1},
		{key: "value", start: 32, bits: 32, factor: 1, signed: true},
	}
}

// processVariants gives the value of process data its meaning by data dictionary identifier (ISO 11783-11; digest and
// AgIsoStack++ agree). Only value commands carry one.
func processVariants() map[uint64][]field {
	command := &field{start: 0, bits: 4}
	ddi := &field{start: 16, bits: 16}
	value := func(id uint64, f field) []field {
		f.gates = []gate{{command, [][2]uint64{{valueCommand, valueCommand}}}, {ddi, [][2]uint64{{id, id}}}}
		return []field{f}
	}
	quantity := func(key string, factor float64, u units.Unit) field {
		return field{key: key, start: 32, bits: 32, signed: true, factor: factor, unit: u}
	}
	onOff := func(key string, at uint16) field {
		return field{
			key: key, start: at, bits: 2, factor: 1, kind: Enumeration, rule: ruleJ1939, words: []string{"off", "on"},
		}
	}
	out := map[uint64][]field{
		67:  value(67, quantity("working_width", 1, millimetre())),
		116: value(116, quantity("area", 1, squareMetre())),
		119: value(119, quantity("effective_time", 1, second())),
		141: value(141, onOff("work_state", 32)),
		160: value(160, onOff("section_control", 32)),
		194: value(194, quantity("product_pressure", .1, pascal())),
		289: value(289, onOff("work_state_set_point", 32)),
		397: value(397, quantity("actual_speed", .001, metreASecond())),
	}
	for group := range 16 {
		for _, list := range []struct {
			first int
			key   string
		}{{161, "section_"}, {290, "section_set_point_"}} {
			id := uint64(list.first + group) //nolint:gosec // small constants
			for i := range 16 {
				key := sectionKey(list.key, group*16+i+1)
				out[id] = append(out[id], value(id, onOff(key, uint16(32+2*i)))...)
			}
		}
	}
	return out
}
