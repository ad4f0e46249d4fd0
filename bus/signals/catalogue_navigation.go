// SPDX-License-Identifier: Apache-2.0

package signals

import "airhold/sensors/units"

// navigation lists the NMEA 2000 messages for time, position and weather. Layouts: canboat and the NMEA2000 library
// (T. Lappalainen), which agree.
func navigation() []*layout {
	const source = "canboat, NMEA2000 library"
	none := units.Unit{}
	sid := marine("sid", 0, 8, 1, none)
	date := func(at int) field {
		f := marine("date", at, 16, 1, day())
		f.kind = Date
		return f
	}
	clock := func(at int) field {
		f := marine("time", at, 32, 1e-4, second())
		f.kind = TimeOfDay
		return f
	}
	degrees := func(key string, at, bits int, factor float64) field {
		return signed(marine(key, at, bits, factor, degree()))
	}
	systems := []string{
		"GPS", "GLONASS", "GPS and GLONASS", "GPS and SBAS", "GPS, SBAS and GLONASS", "Chayka", "integrated", "surveyed",
		"Galileo",
	}
	temperatures := []string{
		"sea", "outside", "inside", "engine room", "main cabin", "live well", "bait well", "refrigeration", "heating",
		"dew point", "apparent wind chill", "theoretical wind chill", "heat index", "freezer", "exhaust gas", "shaft seal",
	}
	humidities := []string{"inside", "outside"}
	pressures := []string{
		"atmospheric", "water", "steam", "compressed air", "hydraulic", "filter", "altimeter setting", "oil", "fuel",
	}
	pressure := func(key string) []field {
		return []field{
			sid, marine("instance", 8, 8, 1, none), marineState("source", 16, 8, pressures...),
			signed(marine(key, 24, 32, .1, pascal())),
		}
	}
	return []*layout{
		{pgn: 126992, key: "system_time", source: source, fields: []field{
			sid, marineState("source", 8, 4, "GPS", "GLONASS", "radio", "caesium clock", "rubidium clock", "crystal clock"),
			date(16), clock(32),
		}},
		{pgn: 129033, key: "local_time", source: source, fields: []field{
			date(0), clock(16), signed(marine("local_offset", 48, 16, 1, minute())),
		}},
		{pgn: 129025, key: "position", source: source, fields: []field{
			degrees("latitude", 0, 32, 1e-7), degrees("longitude", 32, 32, 1e-7),
		}},
		{pgn: 129026, key: "cog_sog", source: source, fields: []field{
			sid, marineState("reference", 8, 2, "true", "magnetic"), marine("cog", 16, 16, 1e-4, radian()),
			marine("sog", 32, 16, .01, metreASecond()),
		}},
		{pgn: 129029, key: "gnss", source: source, fields: []field{
			sid, date(8), clock(24), degrees("latitude", 56, 64, 1e-16), degrees("longitude", 120, 64, 1e-16),
			signed(marine("altitude", 184, 64, 1e-6, metre())),
			marineState("type", 248, 4, systems...),
			marineState("method", 252, 4, "no fix", "autonomous", "differential", "precise", "RTK fixed", "RTK float",
				"dead reckoning", "manual", "simulated"),
			marineState("integrity", 256, 2, "not checked", "safe", "caution"),
			marine("satellites", 264, 8, 1, none),
			signed(marine("hdop", 272, 16, .01, none)), signed(marine("pdop", 288, 16, .01, none)),
			signed(marine("geoid_separation", 304, 32, .01, metre())),
			marine("reference_stations", 336, 8, 1, none),
		}},
		{pgn: 130310, key: "water_environment", source: source, fields: []field{
			sid, marine("water", 8, 16, .01, kelvin()), marine("air", 24, 16, .01, kelvin()),
			absolute(marine("pressure", 40, 16, 100, pascal())),
		}},
		{pgn: 130311, key: "environment", source: source, fields: []field{
			sid, marineState("temperature_source", 8, 6, temperatures...), marineState("humidity_source", 14, 2, humidities...),
			marine("temperature", 16, 16, .01, kelvin()), signed(marine("humidity", 32, 16, .004, percent())),
			absolute(marine("pressure", 48, 16, 100, pascal())),
		}},
		{pgn: 130312, key: "temperature", source: source, fields: []field{
			sid, marine("instance", 8, 8, 1, none), marineState("source", 16, 8, temperatures...),
			marine("actual", 24, 16, .01, kelvin()), marine("set", 40, 16, .01, kelvin()),
		}},
		{pgn: 130313, key: "humidity", source: source, fields: []field{
			sid, marine("instance", 8, 8, 1, none), marineState("source", 16, 8, humidities...),
			signed(marine("actual", 24, 16, .004, percent())), signed(marine("set", 40, 16, .004, percent())),
		}},
		{pgn: 130314, key: "actual_pressure", source: source, fields: pressure("pressure")},
		{pgn: 130315, key: "set_pressure", source: source, fields: pressure("pressure")},
		{pgn: 130316, key: "temperature_extended", source: source, fields: []field{
			sid, marine("instance", 8, 8, 1, none), marineState("source", 16, 8, temperatures...),
			marine("actual", 24, 24, .001, kelvin()), marine("set", 48, 16, .1, kelvin()),
		}},
	}
}
