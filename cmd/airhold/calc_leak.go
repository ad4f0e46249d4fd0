// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"math"

	"airhold/firmware/findings"
	"airhold/firmware/pneumatics"
	"airhold/sensors/units"
)

// nozzleRatio is the critical ratio taken for a leak whose own nobody measured: the ideal nozzle's.
const nozzleRatio = "0.5283"

func upstream(words string) []calcFlag {
	return []calcFlag{gauge("pressure", words), absolute("pressure-abs", words+", in place of --pressure")}
}

func downstreamAndWarmth() []calcFlag {
	return []calcFlag{
		absolute("downstream", "pressure behind the leak; that of the air around unless given"),
		valueOf("temperature", units.Temperature, "temperature of the air before the leak").or("20 °C"),
	}
}

// ends is where a leak runs from and to.
func (in *calcInput) ends() (up, down units.PressureAbs, err error) {
	around, err := in.around()
	if err != nil {
		return 0, 0, err
	}
	up, err = in.pressure("pressure", around)
	if err != nil {
		return 0, 0, err
	}
	if in.has("downstream") {
		return up, units.PressureAbs(in.si("downstream")), nil
	}
	return up, around, nil
}

func calcFlow() calcVerb {
	return calcVerb{
		name: "flow", words: "what leaks through a hole, or through a path of known conductance",
		example: "--hole '1/8 in' --cd 0.61 --pressure '100 psi'",
		flags: flagsOf([]calcFlag{
			valueOf("hole", units.Length, "diameter of a round hole; a fraction of an inch is read too"), discharge(),
			valueOf("conductance", units.Conductance, "sonic conductance C of ISO 6358, in place of --hole"),
			number("ratio", "critical ratio b that goes with --conductance").or(nozzleRatio),
		}, upstream("pressure before the leak"), airAround(), downstreamAndWarmth(), flowUnits()),
		answer: func(in *calcInput) (calcAnswer, error) {
			if in.has("hole") == in.has("conductance") {
				return calcAnswer{}, calcMisuse("give either --hole or --conductance")
			}
			if in.has("hole") && in.given["ratio"] {
				return calcAnswer{}, calcMisuse("--ratio goes with --conductance; a hole has --cd")
			}
			if in.has("conductance") && in.given["cd"] {
				return calcAnswer{}, calcMisuse("--cd goes with --hole; a conductance has --ratio")
			}
			up, down, err := in.ends()
			if err != nil {
				return calcAnswer{}, err
			}
			if in.has("hole") {
				delete(in.values, "ratio")
				return in.flowOfHole(up, down)
			}
			delete(in.values, "cd")
			return in.flowOfPath(up, down)
		},
	}
}

func (in *calcInput) flowOfHole(up, down units.PressureAbs) (calcAnswer, error) {
	h := pneumatics.Hole{Diameter: units.Metres(in.si("hole")), Discharge: in.si("cd")}
	m, err := h.MassFlow(up, down, in.temperature("temperature"))
	if err != nil {
		return calcAnswer{}, err
	}
	c, err := h.Conductance()
	if err != nil {
		return calcAnswer{}, err
	}
	q := pneumatics.Flow(m)
	choked := float64(down/up) <= pneumatics.CriticalRatio()
	a := in.flowAnswer(q, choked)
	a.fields = append(a.fields, calcField{"conductance", measure(float64(c), "m3/(s.Pa)", units.Conductance, "")})
	a.formula = fmt.Sprintf("isentropic nozzle times Cd %s, gas dynamics textbooks; L/min ANR at 1.185 kg/m3 (ISO 8778, ISO 6358).", plain(h.Discharge))
	return a, nil
}

func (in *calcInput) flowOfPath(up, down units.PressureAbs) (calcAnswer, error) {
	p := pneumatics.Path{Conductance: units.SonicConductance(in.si("conductance")), Critical: in.si("ratio")}
	q, err := p.Flow(up, down, in.temperature("temperature"))
	if err != nil {
		return calcAnswer{}, err
	}
	a := in.flowAnswer(q, float64(down/up) <= p.Critical)
	a.formula = "q = C*p1*sqrt(293.15 K/T1)*sqrt(1-((r-b)/(1-b))^2), the root 1 up to r = b; ISO 6358, ANR by ISO 8778."
	return a, nil
}

func (in *calcInput) flowAnswer(q units.Flow, choked bool) calcAnswer {
	return calcAnswer{
		fields: calcFields{
			{"flow", in.inFlow(q)},
			{"mass_flow", measure(float64(pneumatics.MassFlow(q)), "kg/s", units.MassFlow, "")},
			{"choked", choked},
		},
		notes: []string{in.bothWays("flow", q)}, caution: calcCaution,
	}
}

func calcHole() calcVerb {
	return calcVerb{
		name: "hole", words: "the round hole that would leak as much",
		example: "--leak '5 L/min' --pressure-abs '801.325 kPa' --cd 0.61",
		flags: flagsOf([]calcFlag{valueOf("leak", units.FlowRate, "the leak, L/min ANR or another free-air flow").must(), discharge()},
			upstream("pressure before the leak"), airAround(), downstreamAndWarmth(), flowUnits()[1:]),
		answer: func(in *calcInput) (calcAnswer, error) {
			up, down, err := in.ends()
			if err != nil {
				return calcAnswer{}, err
			}
			h, err := pneumatics.HoleOfLeak(in.flow("leak"), up, down, in.temperature("temperature"), in.si("cd"))
			if err != nil {
				return calcAnswer{}, err
			}
			c, err := h.Conductance()
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields: calcFields{
					{"hole", measure(float64(h.Diameter), "mm", units.Length, "")},
					{"cd", pureNumber(h.Discharge)},
					{"conductance", measure(float64(c), "m3/(s.Pa)", units.Conductance, "")},
				},
				formula: fmt.Sprintf("isentropic nozzle times Cd %s, turned round, gas dynamics textbooks; ANR at 1.185 kg/m3 (ISO 8778, ISO 6358).", plain(h.Discharge)),
				notes:   []string{"A real leak is seldom round: this is the size of one that loses as much."},
				caution: calcCaution,
			}, nil
		},
	}
}

func calcDecay() calcVerb {
	return calcVerb{
		name: "decay", words: "how fast a closed tank with a leak loses pressure, and how long it holds",
		example: "--volume '40 L' --leak '5 L/min' --pressure-abs '8 bar' --time '300 s'",
		flags: flagsOf([]calcFlag{
			valueOf("volume", units.Volume3, "the tank's volume").must(),
			valueOf("leak", units.FlowRate, "the leak at the starting pressure, L/min ANR").must(),
		}, upstream("starting pressure"), []calcFlag{
			valueOf("time", units.Time, "how long it leaks"),
			gauge("needed", "pressure it has to hold, for the hold time"),
		}, airAround(), []calcFlag{
			valueOf("temperature", units.Temperature, "temperature of the air, which does not change").or("20 °C"),
			number("ratio", "critical ratio b of the leak, for low pressures").or(nozzleRatio),
		}, flowUnits()[1:]),
		answer: (*calcInput).decay,
	}
}

func (in *calcInput) decay() (calcAnswer, error) {
	if !in.has("time") && !in.has("needed") {
		return calcAnswer{}, calcMisuse("--time or --needed is missing")
	}
	around, err := in.around()
	if err != nil {
		return calcAnswer{}, err
	}
	start, err := in.pressure("pressure", around)
	if err != nil {
		return calcAnswer{}, err
	}
	c := pneumatics.Closed{
		Volume: in.volume(), Temperature: in.temperature("temperature"), Leak: in.flow("leak"),
		Pressure: start, Barometer: around, Critical: in.si("ratio"),
	}
	k, err := c.Rate()
	if err != nil {
		return calcAnswer{}, err
	}
	a := calcAnswer{formula: "dp/dt = -k*p, k = q*p0/(V*p)*T/T0, while choked: p*exp(-k*t); below, ISO 6358's curve integrated. Gas law, isothermal.", caution: calcCaution}
	if in.has("time") {
		d, err := in.span("time")
		if err != nil {
			return calcAnswer{}, err
		}
		p, err := c.After(start, d)
		if err != nil {
			return calcAnswer{}, err
		}
		a.fields = append(a.fields, calcField{"pressure", inAbsolute(p)},
			calcField{"pressure_gauge", measure(float64(p.Gauge(around)), "kPa", units.Pressure, units.Gauge)})
	}
	share := pneumatics.Share(float64(around/start), c.Critical)
	a.fields = append(a.fields, calcField{"rate", measure(k*share, "/s", units.Rate, "")},
		calcField{"fall", findings.Measure{SI: k * share * float64(start), Unit: units.Unit{Code: "kPa/min", Factor: 1e3 / 60}}})
	if in.has("needed") {
		hold, err := c.HoldTime(start, units.PressureGauge(in.si("needed")).Abs(around))
		if err != nil {
			return calcAnswer{}, err
		}
		a.fields = append(a.fields, calcField{"hold_time", measure(hold.Seconds(), "min", units.Time, "")})
	}
	a.notes = []string{"Rate and fall are those at the start. A tank that was just filled cools, and falls faster than this at first."}
	return a, nil
}

func calcBleeddown() calcVerb {
	return calcVerb{
		name: "bleeddown", words: "the leak of a tank that falls from one pressure to another, by the plant's rule and exactly",
		example: "--volume '6 ft3' --from '100 psi' --to '50 psi' --time '5 min' --unit scfm",
		flags: flagsOf([]calcFlag{
			valueOf("volume", units.Volume3, "tank and pipes").must(),
			gauge("from", "pressure at the start").must(), gauge("to", "pressure at the end, usually half of it").must(),
			valueOf("time", units.Time, "how long that took").must(),
		}, airAround(), []calcFlag{valueOf("temperature", units.Temperature, "temperature of the air, which does not change").or("20 °C")}, flowUnits()),
		answer: func(in *calcInput) (calcAnswer, error) {
			around, err := in.around()
			if err != nil {
				return calcAnswer{}, err
			}
			d, err := in.span("time")
			if err != nil {
				return calcAnswer{}, err
			}
			from, to := units.PressureGauge(in.si("from")), units.PressureGauge(in.si("to"))
			rule, err := pneumatics.BleedDown(in.volume(), from, to, d)
			if err != nil {
				return calcAnswer{}, err
			}
			exact, err := pneumatics.BleedDownExact(in.volume(), from.Abs(around), to.Abs(around), in.temperature("temperature"), d)
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields:  calcFields{{"leak", in.inFlow(rule)}, {"leak_exact", in.inFlow(exact)}},
				formula: "rule: 1.25*V*(P1-P2)/(14.7 psi*T), US DOE compressed-air sourcebook; exact: V*p1/p0*ln(p1/p2)/T, one choked leak, at P1.",
				notes: []string{
					in.bothWays("leak by the rule", rule),
					"Half way down the rule's 1.25 reads 4 to 6 % low for a choked leak. Both take what the air's cooling did for leak.",
				},
				caution: calcCharged,
			}, nil
		},
	}
}

func calcDuty() calcVerb {
	return calcVerb{
		name: "duty", words: "the share of time a compressor runs, which is the leak's share of its delivery when nothing uses air",
		example: "--on '1.5 min' --off '4.5 min'",
		flags: flagsOf([]calcFlag{
			valueOf("on", units.Time, "running (or loaded) time").must(), valueOf("off", units.Time, "resting (or unloaded) time").must(),
			valueOf("delivery", units.FlowRate, "the compressor's delivery, for the leak in L/min ANR"),
		}, flowUnits()),
		answer: func(in *calcInput) (calcAnswer, error) {
			on, err := in.span("on")
			if err != nil {
				return calcAnswer{}, err
			}
			off, err := in.span("off")
			if err != nil {
				return calcAnswer{}, err
			}
			share, err := pneumatics.StartStop(on, off)
			if err != nil {
				return calcAnswer{}, err
			}
			a := calcAnswer{
				fields:  calcFields{{"duty", measure(share, "%", units.Ratio, "")}},
				formula: "100*on/(on+off), plant practice (start/stop and load/unload test).",
			}
			if in.has("delivery") {
				a.fields = append(a.fields, calcField{"leak", in.inFlow(units.Flow(share) * in.flow("delivery"))})
			}
			return a, nil
		},
	}
}

func calcDelivery() calcVerb {
	return calcVerb{
		name: "delivery", words: "free air delivery of a compressor from a timed pump-up",
		example: "--volume '38 L' --from '0 bar' --to '7 bar' --time '180 s'",
		flags: flagsOf([]calcFlag{
			valueOf("volume", units.Volume3, "the tank's volume").must(),
			gauge("from", "pressure at the start").must(), gauge("to", "pressure at the end, after it has settled").must(),
			valueOf("time", units.Time, "how long the compressor ran").must(),
			valueOf("temperature", units.Temperature, "temperature of the intake air").or("20 °C"),
			valueOf("tank-temperature", units.Temperature, "temperature of the air in the tank at both ends; that of the intake unless given"),
		}, airAround(), flowUnits()),
		answer: (*calcInput).delivery,
	}
}

func (in *calcInput) delivery() (calcAnswer, error) {
	around, err := in.around()
	if err != nil {
		return calcAnswer{}, err
	}
	d, err := in.span("time")
	if err != nil {
		return calcAnswer{}, err
	}
	tank := in.temperature("temperature")
	if in.has("tank-temperature") {
		tank = in.temperature("tank-temperature")
	}
	u := pneumatics.PumpUp{
		Volume: in.volume(), Time: d,
		From:   pneumatics.State{Pressure: units.PressureGauge(in.si("from")).Abs(around), Temperature: tank},
		To:     pneumatics.State{Pressure: units.PressureGauge(in.si("to")).Abs(around), Temperature: tank},
		Intake: pneumatics.State{Pressure: around, Temperature: in.temperature("temperature")},
	}
	atIntake, q, err := u.Delivery()
	if err != nil {
		return calcAnswer{}, err
	}
	return calcAnswer{
		fields: calcFields{
			{"delivery", in.inFlow(q)},
			{"free_air_delivery", measure(atIntake, "L/min", units.FlowRate, "intake")},
		},
		formula: "V*(p2/T2-p1/T1)*T_in/(p_in*t), receiver method of ISO 1217; the same air at 100 kPa and 20 °C is ANR.",
		notes: []string{
			in.bothWays("delivery", q),
			"Read the end pressure at least 180 s after the compressor stopped: hot air makes it 10 to 50 % too much.",
		},
		caution: calcCharged,
	}, nil
}

func calcUncertainty() calcVerb {
	terms := valueOf("term", units.FlowRate, "a further standard uncertainty")
	terms.repeats = true
	return calcVerb{
		name: "uncertainty", words: "how sure a leak is: the volume's share and further terms",
		example: "--leak '5 L/min' --volume-uncertainty '3 %' --term '0.12 L/min' --term '0.08 L/min'",
		flags: flagsOf([]calcFlag{
			valueOf("leak", units.FlowRate, "the leak, L/min ANR").must(),
			valueOf("volume-uncertainty", units.Ratio, "half width within which the volume surely lies").must(),
			terms,
		}, flowUnits()),
		answer: func(in *calcInput) (calcAnswer, error) {
			var list []units.Flow
			for _, v := range in.values["term"] {
				list = append(list, units.Flow(v.SI))
			}
			q := in.flow("leak")
			c, u, err := pneumatics.LeakUncertainty(q, in.si("volume-uncertainty"), list...)
			if err != nil {
				return calcAnswer{}, err
			}
			low, high := in.inFlow(q-u), in.inFlow(q+u)
			leak := in.inFlow(q)
			leak.Low, leak.High = low.SI, high.SI
			ofVolume := float64(q) * in.si("volume-uncertainty") / math.Sqrt(3)
			return calcAnswer{
				fields: calcFields{
					{"u_c", in.inFlow(c)},
					{"U", in.inFlow(u)},
					{"coverage_factor", pureNumber(pneumatics.CoverageFactor)},
					{"leak", leak},
					{"u_volume", in.inFlow(units.Flow(ofVolume))},
				},
				formula: "u_c^2 = (q*a/sqrt(3))^2 + sum of u^2, U = 1.96*u_c (95 % of a normal distribution); JCGM 100.",
			}, nil
		},
	}
}

func calcSprt() calcVerb {
	return calcVerb{
		name: "sprt", words: "the two limits of Wald's sequential test, as logarithms of the likelihood ratio",
		example: "--alpha 0.01 --beta 0.01",
		flags: []calcFlag{
			number("alpha", "chance of a false rejection").or("0.01"), number("beta", "chance of a false acceptance").or("0.01"),
		},
		answer: func(in *calcInput) (calcAnswer, error) {
			lower, upper, err := pneumatics.SequentialBounds(in.si("alpha"), in.si("beta"))
			if err != nil {
				return calcAnswer{}, err
			}
			return calcAnswer{
				fields:  calcFields{{"upper", pureNumber(upper)}, {"lower", pureNumber(lower)}},
				formula: "upper ln((1-beta)/alpha), lower ln(beta/(1-alpha)); A. Wald, Sequential Analysis (1947).",
			}, nil
		},
	}
}
