// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"math"

	"airhold/sensors/units"
)

// Units in which the catalogue writes its values: those of the standards' own tables.
func metre() units.Unit        { return units.Unit{Code: "m", Dim: units.Length, Factor: 1} }
func metreASecond() units.Unit { return units.Unit{Code: "m/s", Dim: units.Speed, Factor: 1} }
func kilometreAnHour() units.Unit {
	return units.Unit{Code: "km/h", Dim: units.Speed, Factor: 1 / 3.6}
}
func aMinute() units.Unit { return units.Unit{Code: "/min", Dim: units.Rate, Factor: 1.0 / 60} }
func celsius() units.Unit {
	return units.Unit{Code: "Cel", Dim: units.Temperature, Factor: 1, Offset: 273.15}
}
func kelvin() units.Unit      { return units.Unit{Code: "K", Dim: units.Temperature, Factor: 1} }
func kiloPa() units.Unit      { return units.Unit{Code: "kPa", Dim: units.Pressure, Factor: 1e3} }
func pascal() units.Unit      { return units.Unit{Code: "Pa", Dim: units.Pressure, Factor: 1} }
func volt() units.Unit        { return units.Unit{Code: "V", Dim: units.Voltage, Factor: 1} }
func ampere() units.Unit      { return units.Unit{Code: "A", Dim: units.Current, Factor: 1} }
func percent() units.Unit     { return units.Unit{Code: "%", Dim: units.Ratio, Factor: 1e-2} }
func newton() units.Unit      { return units.Unit{Code: "N", Dim: units.Force, Factor: 1} }
func second() units.Unit      { return units.Unit{Code: "s", Dim: units.Time, Factor: 1} }
func minute() units.Unit      { return units.Unit{Code: "min", Dim: units.Time, Factor: 60} }
func hour() units.Unit        { return units.Unit{Code: "h", Dim: units.Time, Factor: 3600} }
func day() units.Unit         { return units.Unit{Code: "d", Dim: units.Time, Factor: 86400} }
func millimetre() units.Unit  { return units.Unit{Code: "mm", Dim: units.Length, Factor: 1e-3} }
func squareMetre() units.Unit { return units.Unit{Code: "m2", Dim: units.Area, Factor: 1} }

// Angles have no dimension of their own in sensors/units; in SI they are radians.
func degree() units.Unit { return units.Unit{Code: "deg", Dim: units.None, Factor: math.Pi / 180} }
func radian() units.Unit { return units.Unit{Code: "rad", Dim: units.None, Factor: 1} }

// bit gives the first bit of a field from the standards' way of counting: bytes from 1, bits of a byte from 1.
func bit(b, lowest int) uint16 { return uint16((b-1)*8 + lowest - 1) } //nolint:gosec // small constants

// number is a quantity in J1939 ranges that starts with byte b.
func number(key string, spn uint32, b, bits int, factor, offset float64, u units.Unit) field {
	return field{
		key: key, spn: spn, start: bit(b, 1), bits: uint8(bits), rule: ruleJ1939, //nolint:gosec // small constants
		factor: factor, offset: offset, unit: u,
	}
}

// state is an enumeration in J1939 ranges; lowest is the lowest bit in byte b.
func state(key string, spn uint32, b, lowest, bits int, words ...string) field {
	return field{
		key: key, spn: spn, start: bit(b, lowest), bits: uint8(bits), rule: ruleJ1939, //nolint:gosec // small constants
		factor: 1, kind: Enumeration, words: words,
	}
}

// marine is an unsigned quantity in NMEA 2000 ranges; at is its first bit counted from 0.
func marine(key string, at, bits int, factor float64, u units.Unit) field {
	return field{
		key: key, start: uint16(at), bits: uint8(bits), rule: ruleMarine, //nolint:gosec // small constants
		factor: factor, unit: u,
	}
}

// signed turns a field into a two's complement one.
func signed(f field) field { f.signed = true; return f }

// marineState is an enumeration of NMEA 2000. A code without a word is passed on: those lists grow.
func marineState(key string, at, bits int, words ...string) field {
	f := marine(key, at, bits, 1, units.Unit{})
	f.kind, f.words = Enumeration, words
	return f
}

func absolute(f field) field { f.reference = units.Absolute; return f }
func gauge(f field) field    { f.reference = units.Gauge; return f }

func catalogue() []*layout {
	all := append(append(machine(), power()...), append(network(), navigation()...)...)
	for _, l := range all {
		l.extended, l.byPGN = true, true
	}
	return all
}
