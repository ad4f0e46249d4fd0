// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"

	"airhold/firmware/findings"
	"airhold/firmware/humidair"
	"airhold/firmware/pneumatics"
	"airhold/sensors/transducer"
	"airhold/sensors/units"
)

const waterSource = "IAPWS SR1-86 over water, R14-08 over ice"

func calcSaturation() calcVerb {
	return calcVerb{
		name: "saturation", words: "the most water vapour air can hold",
		example: "--temperature '20 °C'",
		flags: []calcFlag{
			valueOf("temperature", units.Temperature, "temperature of the air").must(),
			overWhat(),
		},
		answer: func(in *calcInput) (calcAnswer, error) {
			t := in.temperature("temperature")
			over, saturation := "water", humidair.SaturationWater
			if word, given := in.words["over"]; word == "ice" || (!given && t < humidair.Freezing) {
				over, saturation = "ice", humidair.SaturationIce
			}
			p, err := saturation(t)
			if err != nil {
				return calcAnswer{}, err
			}
			w, err := humidair.VapourDensity(p, t)
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields:  calcFields{{"pressure", inAbsolute(p)}, {"density", inGrams(w)}, {"over", over}},
				formula: waterSource + " (ice below 0 °C unless --over says otherwise); density by the gas law.",
			}, nil
		},
	}
}

// intakeFlags are those of air as it is taken in. They are not all needed where the tank is known to be saturated.
func intakeFlags() []calcFlag {
	return flagsOf([]calcFlag{
		valueOf("temperature", units.Temperature, "temperature of the intake air"),
		valueOf("humidity", units.Ratio, "relative humidity of the intake air, over liquid water unless --over ice"),
		overWhat(),
	}, airAround(), []calcFlag{
		valueOf("tank-temperature", units.Temperature, "temperature of the tank while air is delivered"),
		gauge("tank-pressure", "pressure of the tank"), absolute("tank-pressure-abs", "pressure of the tank, in place of --tank-pressure"),
	})
}

// intake is the air taken in, and the tank's pressure.
func (in *calcInput) intake() (humidair.Air, units.PressureAbs, error) {
	around, err := in.around()
	if err != nil {
		return humidair.Air{}, 0, err
	}
	for _, name := range []string{"temperature", "humidity"} {
		if !in.has(name) {
			return humidair.Air{}, 0, calcMisuse("--%s is missing: that of the intake air", name)
		}
	}
	tank, err := in.pressure("tank-pressure", around)
	return humidair.Air{
		Temperature: in.temperature("temperature"), Humidity: in.si("humidity"), Pressure: around, OverIce: in.words["over"] == "ice",
	}, tank, err
}

func calcCondensate() calcVerb {
	return calcVerb{
		name: "condensate", words: "the water that a cubic metre of intake air leaves in the tank",
		example: "--temperature '25 °C' --humidity '60 %' --tank-temperature '30 °C' --tank-pressure '7 bar'",
		flags:   intakeFlags(),
		answer: func(in *calcInput) (calcAnswer, error) {
			air, tank, err := in.intake()
			if err != nil {
				return calcAnswer{}, err
			}
			if !in.has("tank-temperature") {
				return calcAnswer{}, calcMisuse("--tank-temperature is missing: that of the tank while air is delivered")
			}
			water, err := air.Water()
			if err != nil {
				return calcAnswer{}, err
			}
			left, err := air.Condensate(in.temperature("tank-temperature"), tank)
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields:  calcFields{{"condensate", inGrams(left)}, {"intake", inGrams(water)}},
				formula: "0.621945*pv/(p-pv) at the intake less that of the saturated tank, times the dry air taken in; " + waterSource + ".",
				notes:   []string{"For each cubic metre of intake air, at most: some of the water leaves with the air."},
				caution: calcCaution,
			}, nil
		},
	}
}

func calcDewpoint() calcVerb {
	return calcVerb{
		name: "dewpoint", words: "where compressed air leaves water in the tank, and where once let out",
		example: "--temperature '20 °C' --humidity '50 %' --tank-pressure-abs '801.325 kPa'",
		flags: flagsOf(intakeFlags(), []calcFlag{
			{name: "saturated", words: "the tank's air is saturated: its temperature and pressure are enough"},
		}),
		answer: (*calcInput).dewpoint,
	}
}

func (in *calcInput) dewpoint() (calcAnswer, error) {
	a := calcAnswer{formula: "vapour pressure goes with the pressure; saturation turned round: " + waterSource + ".", caution: calcCaution}
	if in.switches["saturated"] {
		for _, name := range []string{"temperature", "humidity", "over"} {
			if in.given[name] {
				return calcAnswer{}, calcMisuse("with --saturated the intake air does not matter; leave --%s out", name)
			}
		}
		around, err := in.around()
		if err != nil {
			return calcAnswer{}, err
		}
		if !in.has("tank-temperature") {
			return calcAnswer{}, calcMisuse("--tank-temperature is missing")
		}
		tank, err := in.pressure("tank-pressure", around)
		if err != nil {
			return calcAnswer{}, err
		}
		return a.letOut(in.temperature("tank-temperature"), tank, around)
	}
	air, tank, err := in.intake()
	if err != nil {
		return calcAnswer{}, err
	}
	point, err := air.PressureDewPoint(tank)
	if err != nil {
		return calcAnswer{}, err
	}
	if in.has("tank-temperature") && point.Temperature > in.temperature("tank-temperature") {
		a.notes = append(a.notes, fmt.Sprintf("All its water would need %s °C: the tank is cooler, so water condenses and the air in it is saturated.", plain(float64(point.Temperature)-273.15)))
		return a.letOut(in.temperature("tank-temperature"), tank, air.Pressure)
	}
	outside, err := air.PressureDewPoint(air.Pressure)
	if err != nil {
		return calcAnswer{}, err
	}
	return a.points(point, outside), nil
}

// letOut answers for a saturated tank.
func (a calcAnswer) letOut(t units.Kelvin, tank, around units.PressureAbs) (calcAnswer, error) {
	outside, err := humidair.LetOut(t, tank, around)
	if err != nil {
		return calcAnswer{}, err
	}
	return a.points(humidair.Deposit{Temperature: t, Ice: t < humidair.Freezing}, outside), nil
}

func (a calcAnswer) points(inTank, outside humidair.Deposit) calcAnswer {
	form := func(d humidair.Deposit) string {
		if d.Ice {
			return "ice"
		}
		return "water"
	}
	a.fields = append(a.fields,
		calcField{"pressure_dew_point", inCelsius(inTank.Temperature)}, calcField{"pressure_dew_point_forms", form(inTank)},
		calcField{"frost_point", inCelsius(outside.Temperature)}, calcField{"frost_point_forms", form(outside)})
	a.notes = append(a.notes, "The frost point is that of the air let out; above 0 °C it is a dew point. Expanding air cools, so an exhaust may ice up above it.")
	return a
}

func calcAltitude() calcVerb {
	return calcVerb{
		name: "altitude", words: "the usual pressure of the air at a height",
		example: "--altitude '1500 m'",
		flags:   []calcFlag{valueOf("altitude", units.Length, "height above sea level").must()},
		answer: func(in *calcInput) (calcAnswer, error) {
			h, err := pneumatics.Geopotential(units.Metres(in.si("altitude")))
			if err != nil {
				return calcAnswer{}, err
			}
			p, err := pneumatics.StandardPressure(h)
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields:  calcFields{{"pressure", inAbsolute(p)}, {"geopotential", measure(float64(h), "m", units.Length, "")}},
				formula: "101325*(1-0.0065*H/288.15)^5.25588 Pa, H = 6356766*z/(6356766+z) m; ISO 2533.",
				notes:   []string{"Weather moves it by up to 3 kPa."},
			}, nil
		},
	}
}

func calcBag() calcVerb {
	return calcVerb{
		name: "bag", words: "the force of a bag on its row unit",
		example: "--pressure '2.5 bar' --area '50 cm2' --ratio 1.4",
		flags: []calcFlag{
			gauge("pressure", "pressure of the bag").must(),
			valueOf("area", units.Area, "effective area of the bag at its height").must(),
			number("ratio", "ratio of the linkage").or("1"),
		},
		answer: func(in *calcInput) (calcAnswer, error) {
			f, err := pneumatics.BagForce(units.PressureGauge(in.si("pressure")), units.SquareMetres(in.si("area")), in.si("ratio"))
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields:  calcFields{{"force", measure(float64(f), "N", units.Force, "")}},
				formula: "gauge pressure times effective area times linkage ratio, mechanics.",
				notes:   []string{"The area changes with the bag's height: take it from the maker's table at that height."},
				caution: calcLinkage,
			}, nil
		},
	}
}

func calcTransducer() calcVerb {
	signal := valueOf("signal", units.Voltage, "the sensor's output: volts of a ratiometric one, or mA of a 4-20 mA loop").must()
	signal.dims = append(signal.dims, units.Current)
	span := valueOf("range", units.Pressure, "what the sensor measures at full scale, from zero").must()
	span.dims = append(span.dims, units.Force)
	return calcVerb{
		name: "transducer", words: "what a sensor's volts or milliamperes mean, or which fault they show",
		example: "--signal '2.5 V' --supply '5 V' --range '10 bar'",
		flags:   []calcFlag{signal, valueOf("supply", units.Voltage, "the supply of a ratiometric sensor").or("5 V"), span},
		answer:  (*calcInput).transducer,
	}
}

func (in *calcInput) transducer() (calcAnswer, error) {
	signal, span := in.values["signal"][0], in.values["range"][0]
	o := transducer.Options{Kind: transducer.Ratiometric, High: span.SI, Shunt: 1}
	formula := "range*(signal/supply-0.1)/0.8; limits 5, 9, 91 and 95 % and a supply of 4.75 to 5.25 V: common practice, no source."
	middle := in.si("supply") / 2
	if signal.Unit.Dim == units.Current {
		if in.given["supply"] {
			return calcAnswer{}, calcMisuse("--supply belongs to a ratiometric sensor; a 4-20 mA loop does not depend on it")
		}
		delete(in.values, "supply")
		o.Kind = transducer.FourTwenty
		formula = "range*(I-4 mA)/16 mA; below 3.6 and above 21 mA a fault, 3.8 to 20.5 mA a measurement: NAMUR NE 43."
		middle = 12e-3
	}
	t, err := transducer.New(o)
	if err != nil {
		return calcAnswer{}, calcMisuse("--range: %v", err)
	}
	supply := units.Volts(0)
	if in.has("supply") {
		supply = units.Volts(in.si("supply"))
	}
	// A shunt of 1 ohm turns amperes into as many volts.
	r := t.Convert(units.Volts(signal.SI), supply)
	end := "low"
	if signal.SI > middle {
		end = "high"
	}
	a := calcAnswer{fields: calcFields{{"status", signalWords(r.Status, end)}}, formula: formula}
	if r.Status == transducer.OK {
		m := findings.Measure{SI: r.Value, Unit: span.Unit}
		a.fields = append(a.fields, calcField{"value", m})
	}
	return a, nil
}

// signalWords begins with ok, saturated or fault.
func signalWords(s transducer.Status, end string) string {
	switch s {
	case transducer.OK:
		return "ok"
	case transducer.Saturated:
		return "saturated " + end + ": the sensor is at the end of its range"
	case transducer.BadSupply:
		return "fault supply: not 4.75 to 5.25 V, so no ratiometric sensor on it can be believed"
	case transducer.OutOfBand:
		return "fault " + end + ": outside the band in which the sensor measures"
	default:
		return "fault " + end + ": " + s.String() + ", or the sensor says it has failed"
	}
}
