// SPDX-License-Identifier: Apache-2.0

// Package units holds physical quantities as types.
//
// Inside airhold every value is in SI: pascals, kelvin, cubic metres, cubic metres a second, newtons, metres a
// second, volts, amperes, one for ratios. Other units exist only where a person writes or reads them: the machine
// file, recorded tables, screens and reports. Absolute and gauge pressure are different types, because a leak goes
// with the absolute pressure and a bag's force with the gauge pressure, and mixing them up is an error of 100 kPa.
//
// Words: a Dim is a physical dimension; a Unit is one way to write a Dim, named by its UCUM code; a Quantity is what
// a channel of the machine measures (its kind, not its value).
//
// Conversion factors are exact by definition (SI brochure, international yard and pound) unless a comment says
// otherwise.
package units

// PressureAbs is an absolute pressure in pascals, zero at vacuum.
type PressureAbs float64

// PressureGauge is a pressure in pascals above the surrounding air.
type PressureGauge float64

// Abs returns the absolute pressure that goes with g where the surrounding air has pressure barometer.
func (g PressureGauge) Abs(barometer PressureAbs) PressureAbs {
	return PressureAbs(float64(g) + float64(barometer))
}

// Gauge returns how far p is above the surrounding air.
func (p PressureAbs) Gauge(barometer PressureAbs) PressureGauge {
	return PressureGauge(float64(p) - float64(barometer))
}

// Kelvin is a thermodynamic temperature.
type Kelvin float64

// Volume is a geometric volume in cubic metres.
type Volume float64

// Flow is a volume flow of free air in cubic metres a second at the ANR reference (ISO 8778: 100 kPa, 20 degC, 65 %).
type Flow float64

// Volts is an electrical potential difference.
type Volts float64

// Amps is an electrical current.
type Amps float64

// Ohms is an electrical resistance.
type Ohms float64

// Newtons is a force.
type Newtons float64

// MetresPerSecond is a speed.
type MetresPerSecond float64

// Metres is a length: a diameter, an altitude.
type Metres float64

// SquareMetres is an area.
type SquareMetres float64

// KilogramsPerSecond is a mass flow.
type KilogramsPerSecond float64

// SonicConductance is the C of ISO 6358 in m3/(s.Pa): the ANR flow of a choked path for each pascal of absolute
// upstream pressure, at 20 degC.
type SonicConductance float64

// KilogramsPerCubicMetre is a density, or the mass of water in a volume of air.
type KilogramsPerCubicMetre float64

// Dim is a physical dimension.
type Dim uint8

// The dimensions airhold reads and writes.
const (
	None        Dim = iota // a bare number: a count, a state
	Pressure               // Pa
	Temperature            // K
	Force                  // N
	Speed                  // m/s
	Voltage                // V
	Current                // A
	Resistance             // ohm
	Ratio                  // 1
	Rate                   // 1/s
	Volume3                // m3
	FlowRate               // m3/s
	Time                   // s
	Length                 // m
	Area                   // m2
	Compliance             // 1/Pa
	MassFlow               // kg/s
	Conductance            // m3/(s.Pa)
	Density                // kg/m3
)

// Quantity is the kind of thing a channel measures; its text is the machine file's word.
type Quantity string

// The quantities of the machine file.
const (
	QPressure    Quantity = "pressure"
	QTemperature Quantity = "temperature"
	QHumidity    Quantity = "humidity"
	QLoad        Quantity = "load"
	QSpeed       Quantity = "speed"
	QState       Quantity = "state"
	QRate        Quantity = "rate"
	QVoltage     Quantity = "voltage"
	QFraction    Quantity = "fraction"
	QAltitude    Quantity = "altitude"
)

// Quantities lists the quantities a channel may have, in the order in which messages name them.
func Quantities() []Quantity {
	return []Quantity{QPressure, QTemperature, QHumidity, QLoad, QSpeed, QState, QRate, QVoltage, QFraction, QAltitude}
}

// Dim returns the physical dimension of q, and false for a word that is no quantity.
func (q Quantity) Dim() (Dim, bool) {
	switch q {
	case QPressure:
		return Pressure, true
	case QTemperature:
		return Temperature, true
	case QHumidity, QFraction:
		return Ratio, true
	case QLoad:
		return Force, true
	case QSpeed:
		return Speed, true
	case QState:
		return None, true
	case QRate:
		return Rate, true
	case QVoltage:
		return Voltage, true
	case QAltitude:
		return Length, true
	default:
		return None, false
	}
}

// Reference says what a pressure or flow counts from.
type Reference string

// The references that stand beside a value in files and messages.
const (
	NoReference Reference = ""
	Gauge       Reference = "gauge"
	Absolute    Reference = "absolute"
	ANR         Reference = "ANR"
)

// Unit is one way to write a dimension: SI = written*Factor + Offset.
type Unit struct {
	Code   string // UCUM code, as it stands in files and messages
	Dim    Dim
	Factor float64
	Offset float64
}

// SI turns a number written in u into SI.
func (u Unit) SI(written float64) float64 { return written*u.Factor + u.Offset }

// From turns an SI value into the number to write in u.
func (u Unit) From(si float64) float64 { return (si - u.Offset) / u.Factor }

// IsZero reports whether u is no unit at all.
func (u Unit) IsZero() bool { return u.Factor == 0 }

// Value is a number of SI with the unit in which it was written.
type Value struct {
	SI   float64
	Unit Unit
}

// Written returns the number in the unit it was written in.
func (v Value) Written() float64 { return v.Unit.From(v.SI) }
