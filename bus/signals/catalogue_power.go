// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"strconv"

	"airhold/sensors/units"
)

func sectionKey(prefix string, n int) string { return prefix + strconv.Itoa(n) }

// power lists the engine, vehicle and air messages of J1939-71 that an air supply wants to know of.
func power() []*layout {
	return []*layout{
		{pgn: 61444, key: "engine", source: "Rust j1939, J1939-Framework, canboat agree", fields: []field{
			state("torque_mode", 899, 1, 1, 4, "low idle or no request", "accelerator", "cruise control",
				"PTO governor", "road speed governor", "anti-slip control", "transmission control", "anti-lock brakes",
				"torque limit", "high speed governor", "braking system", "remote accelerator", "service procedure", "",
				"other"), // words from memory
			number("demand_torque", 512, 2, 8, 1, -125, percent()),
			number("torque", 513, 3, 8, 1, -125, percent()),
			number("speed", 190, 4, 16, .125, 0, aMinute()),
			{key: "controlling_address", spn: 1483, start: bit(6, 1), bits: 8, rule: ruleAddress, factor: 1},
			state("starter_mode", 1675, 7, 1, 4, "not requested", "active, gear not engaged", "active, gear engaged",
				"finished", "inhibited: engine runs", "inhibited: engine not ready", "inhibited: driveline engaged",
				"inhibited: immobilizer", "inhibited: starter hot", "", "", "", "inhibited: reason not known"), // words from memory
			number("engine_demand_torque", 2432, 8, 8, 1, -125, percent()),
		}},
		{pgn: 65253, key: "engine_hours", source: "J1939-Framework, SPN table; positions of revolutions from memory", fields: []field{
			number("hours", 247, 1, 32, .05, 0, hour()),
			number("revolutions", 249, 5, 32, 1000, 0, units.Unit{}),
		}},
		{pgn: 65265, key: "cruise", source: "J1939-Framework, SPN table", fields: []field{
			state("parking_brake", 70, 1, 3, 2, "released", "set"),
			number("speed", 84, 2, 16, 1.0/256, 0, kilometreAnHour()),
			number("set_speed", 86, 6, 8, 1, 0, kilometreAnHour()),
			state("pto_state", 976, 7, 1, 5),
		}},
		{pgn: 65269, key: "ambient", source: "Rust j1939, J1939-Framework, SPN table", fields: []field{
			absolute(number("barometer", 108, 1, 8, .5, 0, kiloPa())),
			number("cab", 170, 2, 16, .03125, -273, celsius()),
			number("air", 171, 4, 16, .03125, -273, celsius()),
			number("intake", 172, 6, 8, 1, -40, celsius()),
			number("road", 79, 7, 16, .03125, -273, celsius()),
		}},
		// Small repositories read the currents as 16 bits, which shifts all that follows; one byte each is the standard.
		{pgn: 65271, key: "electrical", source: "two independent sources, SPN table", fields: []field{
			number("net_current", 114, 1, 8, 1, -125, ampere()),
			number("alternator_current", 115, 2, 8, 1, 0, ampere()),
			number("charging", 167, 3, 16, .05, 0, volt()),
			number("battery", 168, 5, 16, .05, 0, volt()),
			number("key_switch", 158, 7, 16, .05, 0, volt()),
		}},
		// Gauge is common practice for brake air, no source.
		{pgn: 65198, key: "air_supply", source: "C dump source; circuits 3 to 6 and compressor from it alone", fields: []field{
			gauge(number("supply", 46, 1, 8, 8, 0, kiloPa())),
			gauge(number("parking", 1086, 2, 8, 8, 0, kiloPa())),
			gauge(number("service_1", 1087, 3, 8, 8, 0, kiloPa())),
			gauge(number("service_2", 1088, 4, 8, 8, 0, kiloPa())),
			gauge(number("auxiliary", 1089, 5, 8, 8, 0, kiloPa())),
			gauge(number("suspension", 1090, 6, 8, 8, 0, kiloPa())),
			state("compressor", 1351, 7, 1, 2, "not active", "active"),
		}},
	}
}

// network lists the messages by which devices find each other and report faults.
func network() []*layout {
	lamp := []string{"off", "on"}
	return []*layout{
		{pgn: 65226, key: "dm1", source: "AgIsoStack++, Open-SAE-J1939", fields: []field{
			state("malfunction_lamp", 1213, 1, 7, 2, lamp...),
			state("red_stop_lamp", 623, 1, 5, 2, lamp...),
			state("amber_warning_lamp", 624, 1, 3, 2, lamp...),
			state("protect_lamp", 987, 1, 1, 2, lamp...),
		}},
		{pgn: 60928, key: "address_claim", source: "AgIsoStack++, J1939-Framework, python-can-j1939, canboat"},
		{pgn: 59904, key: "request", source: "J1939-Framework", fields: []field{
			{key: "pgn", start: 0, bits: 24, factor: 1},
		}},
		{pgn: 59392, key: "acknowledgement", source: "J1939-21 by open implementations; canboat", fields: []field{
			{
				key: "answer", start: 0, bits: 8, rule: ruleJ1939, factor: 1, kind: Enumeration,
				words: []string{"done", "refused", "access denied", "busy"},
			},
			{key: "pgn", start: 40, bits: 24, factor: 1},
		}},
	}
}
