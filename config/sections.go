// SPDX-License-Identifier: Apache-2.0

package config

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"airhold/sensors/units"
)

// machine fills m from the top of the file.
func (r *reader) machine(m *Machine, body ast.Node) {
	top, ok := r.object(body, place{1, 1}, "the machine file", "", "name", "simulated", "tank", "climate", "compressors", "ranks",
		"channels", "boards", "links", "dbcs", "limits", "care", "alarms", "display", "logging", "mqtt", "page", "box", "users")
	if !ok {
		return
	}
	top.must("tank", "its volume and its two safety pressures cannot be learned")
	top.must("compressors", "say at least how the compressor is controlled")
	top.must("channels", "at least the tank's pressure must come from somewhere")
	if m.Name, ok = top.text("name"); !ok {
		m.Name = "unnamed machine"
		if _, written := top.have["name"]; !written {
			r.warn(top.at, "the machine has no \"name\"; screens and topics will call it \"unnamed machine\"", "")
		}
	}
	m.Simulated = top.yes("simulated", false)
	r.tank(&m.Tank, top)
	r.climate(&m.Climate, top)
	r.compressors(m, top)
	r.ranks(m, top)
	r.channels(m, top)
	r.wires(m, top)
	r.limits(&m.Limits, top)
	r.care(m, top)
	r.alarms(m, top)
	r.outlets(m, top)
	defaults(m)
}

// child reads the mapping under key; an absent one is an empty object.
func (o object) child(key string, known ...string) object {
	e, ok := o.have[key]
	if !ok {
		return object{r: o.r, what: fmt.Sprintf("%q", key), path: o.path + "." + key, at: o.at, have: map[string]entry{}}
	}
	c, _ := o.r.object(e.value, e.at, fmt.Sprintf("%q", key), o.path+"."+key, known...)
	return c
}

// each calls f for every entry of a mapping whose keys are names.
func (o object) each(key string, f func(e entry)) {
	e, ok := o.have[key]
	if !ok {
		return
	}
	if _, null := o.r.resolve(e.value).(*ast.NullNode); null {
		return // "boards:" alone says that there are none
	}
	entries, _ := o.r.entries(e.value, fmt.Sprintf("%q", key))
	for _, e := range entries {
		f(e)
	}
}

// items calls f for every entry of a list.
func (o object) items(key string, f func(i int, n ast.Node)) {
	e, ok := o.have[key]
	if !ok {
		return
	}
	if _, null := o.r.resolve(e.value).(*ast.NullNode); null {
		return
	}
	nodes, _ := o.r.list(e.value, fmt.Sprintf("%q", key))
	for i, n := range nodes {
		f(i, n)
	}
}

// namePattern is what ids of channels, ranks, boards and so on look like: they become topic segments and column names.
var namePattern = regexp.MustCompile(`^[a-z][a-z0-9_-]{0,31}$`)

func (r *reader) goodName(at place, what, name string) bool {
	if !namePattern.MatchString(name) {
		r.fail(at, fmt.Sprintf("%q cannot be the name of a %s", name, what), "up to 32 of: small letters, digits, _ and -, a letter first", "")
		return false
	}
	return true
}

func (r *reader) tank(t *Tank, top object) {
	*t = Tank{VolumeUncertainty: 0.03}
	if _, ok := top.have["tank"]; !ok {
		return
	}
	o := top.child("tank", "volume", "volume_uncertainty", "safe_working_pressure", "relief_setting", "drain_volume", "channel", "wall", "wet")
	o.must("volume", "leaks cannot be sized without it; see the tank's plate")
	o.must("safe_working_pressure", "it stands on the tank's plate and is never learned")
	o.must("relief_setting", "it stands on the relief valve and is never learned")
	t.Volume = units.Volume(o.si("volume", units.Volume3, "0.2 L", "5000 L", 0))
	t.VolumeUncertainty = o.si("volume_uncertainty", units.Ratio, "0 %", "50 %", t.VolumeUncertainty)
	t.SafeWorkingPressure = units.PressureGauge(o.si("safe_working_pressure", units.Pressure, "1 bar", "40 bar", 0))
	t.ReliefSetting = units.PressureGauge(o.si("relief_setting", units.Pressure, "1 bar", "40 bar", 0))
	t.DrainVolume = units.Volume(o.si("drain_volume", units.Volume3, "0 L", "100 L", 0))
	t.Channel, _ = o.text("channel")
	t.Wall, _ = o.text("wall")
	t.Wet, _ = o.text("wet")
}

func (r *reader) climate(c *Climate, top object) {
	if _, ok := top.have["climate"]; !ok {
		return
	}
	o := top.child("climate", "temperature", "humidity", "uncertainty")
	o.must("temperature", "a humidity without its temperature says nothing of the water in the air")
	o.must("humidity", "without it the water in the air is not known")
	t, warm := o.quantity("temperature", units.Temperature, "-40 °C", "60 °C")
	h, humid := o.quantity("humidity", units.Ratio, "0 %", "100 %")
	c.Uncertainty = o.si("uncertainty", units.Ratio, "0 %", "90 %", 0.3)
	c.Temperature, c.Humidity, c.Given = units.Kelvin(t.SI), h.SI, warm && humid
}

func (r *reader) compressors(m *Machine, top object) {
	top.items("compressors", func(i int, n ast.Node) {
		what := "the compressor"
		if i > 0 {
			what = fmt.Sprintf("compressor %d", i+1)
		}
		o, ok := r.object(n, placeOf(n), what, fmt.Sprintf("compressors[%d]", i), "name", "control", "delivery", "cut_in", "cut_out", "duty_limit",
			"duty_window", "drive", "running", "dryer", "check_valve", "regulator", "bleed", "care")
		c := Compressor{Name: "compressor", DutyLimit: 0.6, DutyWindow: 10 * time.Minute, CheckValve: true}
		if i > 0 {
			c.Name = fmt.Sprintf("compressor-%d", i+1)
		}
		if ok {
			o.must("control", "say how it is kept from running for ever: "+strings.Join(controls(), ", "))
		}
		if s, ok := o.text("name"); ok {
			c.Name = s
		}
		c.Control = Control(o.word("control", controls()...))
		c.Delivery = units.Flow(o.si("delivery", units.FlowRate, "0.1 L/min", "20000 L/min", 0))
		c.CutIn = units.PressureGauge(o.si("cut_in", units.Pressure, "0.1 bar", "40 bar", 0))
		c.CutOut = units.PressureGauge(o.si("cut_out", units.Pressure, "0.1 bar", "40 bar", 0))
		c.DutyLimit = o.si("duty_limit", units.Ratio, "1 %", "100 %", c.DutyLimit)
		c.DutyWindow = o.duration("duty_window", "1 min", "2 h", c.DutyWindow)
		c.Drive, _ = o.text("drive")
		c.Running, _ = o.text("running")
		c.Dryer = o.yes("dryer", false)
		c.CheckValve = o.yes("check_valve", true)
		c.Regulator = o.word("regulator", "relieving", "non-relieving")
		c.Bleed = units.Flow(o.si("bleed", units.FlowRate, "0 L/min", "1000 L/min", 0))
		care := o.child("care", careItems()...)
		for _, item := range careItems() {
			if d := care.duration(item, "1 h", "20000 h", 0); d > 0 {
				if c.Care == nil {
					c.Care = map[string]time.Duration{}
				}
				c.Care[item] = d
			}
		}
		m.Compressors = append(m.Compressors, c)
	})
	if e, ok := top.have["compressors"]; ok && len(m.Compressors) == 0 {
		if kind := kindOf(r.resolve(e.value)); kind == "nothing" || kind == "a list" {
			r.fail(e.at, "\"compressors\" lists none; one is needed", "", "")
		}
	}
}

func controls() []string {
	return []string{string(Switch), string(Unloader), string(Proportional), string(ReliefHeld)}
}

func (r *reader) ranks(m *Machine, top object) {
	top.items("ranks", func(i int, n ast.Node) {
		path := fmt.Sprintf("ranks[%d]", i)
		o, ok := r.object(n, placeOf(n), fmt.Sprintf("rank %d", i+1), path, "name", "rows", "bags", "volume", "stretch", "stretch_uncertainty",
			"pressure", "second_pressure", "target", "loads", "load_target", "at_power_off", "shut_off", "linkage_ratio", "bag_area",
			"max_applied_force", "machine_counts")
		if ok {
			o.must("name", "it says which rank a finding means")
		}
		k := Rank{StretchUncertain: 0.2, AtPowerOff: UnknownAtRest, ShutOff: NoneOff}
		if name, ok := o.text("name"); ok && r.goodName(r.places[path+".name"], "rank", name) {
			k.Name = name
		}
		k.Rows = o.count("rows", 1, 200, 0)
		k.Bags = o.count("bags", 1, 800, 0)
		k.Volume = units.Volume(o.si("volume", units.Volume3, "0.01 L", "5000 L", 0))
		k.Stretch = o.si("stretch", units.Compliance, "0 %/bar", "200 %/bar", 0)
		k.StretchUncertain = o.si("stretch_uncertainty", units.Ratio, "0 %", "200 %", k.StretchUncertain)
		k.Pressure, _ = o.text("pressure")
		k.SecondPressure, _ = o.text("second_pressure")
		k.Target, _ = o.text("target")
		k.Loads = o.names("loads")
		k.LoadTarget, _ = o.text("load_target")
		if w := o.word("at_power_off", string(Hold), string(Vent), string(UnknownAtRest)); w != "" {
			k.AtPowerOff = AtPowerOff(w)
		}
		if w := o.word("shut_off", string(ByHand), string(NoneOff)); w != "" {
			k.ShutOff = ShutOff(w)
		}
		k.LinkageRatio = o.number("linkage_ratio", 0.05, 20, 0)
		o.items("bag_area", func(_ int, n ast.Node) {
			h, a, ok := r.pair(n, "an entry of \"bag_area\"", units.Length, units.Area, "0 mm", "2 m", "0.1 cm2", "1 m2")
			if ok {
				k.BagArea = append(k.BagArea, BagArea{Height: h, Area: a})
			}
		})
		k.MaxAppliedForce = units.Newtons(o.si("max_applied_force", units.Force, "1 N", "50 kN", 0))
		k.MachineCounts = o.names("machine_counts")
		m.Ranks = append(m.Ranks, k)
	})
}

// names reads a list of channel ids and keeps the place of each.
func (o object) names(key string) []string {
	var out []string
	o.items(key, func(i int, n ast.Node) {
		s, ok := o.r.scalar(n, fmt.Sprintf("an entry of %q", key))
		if !ok {
			return
		}
		o.r.places[fmt.Sprintf("%s.%s[%d]", o.path, key, i)] = placeOf(n)
		out = append(out, s)
	})
	return out
}

// pair reads a list of two quantities.
func (r *reader) pair(n ast.Node, what string, d1, d2 units.Dim, lo1, hi1, lo2, hi2 string) (a, b float64, ok bool) {
	at := placeOf(n)
	nodes, ok := r.list(n, what)
	if !ok {
		return 0, 0, false
	}
	if len(nodes) != 2 {
		which := dimName(d1) + " and " + dimName(d2)
		if d1 == d2 {
			which = "the low end and the high end"
		}
		r.fail(at, fmt.Sprintf("%s needs two values, %s, and has %d", what, which, len(nodes)), "", "")
		return 0, 0, false
	}
	x, ok1 := r.quantity(nodes[0], what, d1, lo1, hi1)
	y, ok2 := r.quantity(nodes[1], what, d2, lo2, hi2)
	return x.SI, y.SI, ok1 && ok2
}

func (r *reader) limits(l *Limits, top object) {
	o := top.child("limits", "leak", "line_drop", "wanted_contact", "contact_load", "barometer_abs", "altitude", "discharge_factor")
	l.Leak = units.Flow(o.si("leak", units.FlowRate, "0.01 L/min", "2000 L/min", 0))
	l.LineDrop = units.PressureGauge(o.si("line_drop", units.Pressure, "0 kPa", "500 kPa", 20e3))
	l.WantedContact = o.si("wanted_contact", units.Ratio, "10 %", "100 %", 0.90)
	l.ContactLoad = units.Newtons(o.si("contact_load", units.Force, "1 N", "2 kN", 50))
	l.Barometer = units.PressureAbs(o.si("barometer_abs", units.Pressure, "50 kPa", "110 kPa", 101325))
	l.Altitude = o.si("altitude", units.Length, "-450 m", "5000 m", math.NaN())
	l.DischargeFactor = o.number("discharge_factor", 0.3, 1, 0.61)
}

// alarmLimits says which alarms the catalogue has and in what their limits are written; None: no limit to set.
func alarmLimits() map[string]units.Dim {
	return map[string]units.Dim{
		"tank-low": units.Pressure, "tank-short": units.Pressure, "tank-high": units.Pressure, "air-leak": units.FlowRate,
		"comp-no-build": units.Ratio, "comp-overworked": units.Ratio, "comp-short-cycle": units.Ratio,
		"rank-off-target": units.Ratio, "rank-disagree": units.Pressure, "contact-low": units.Ratio, "contact-full": units.Time,
		"load-off-target": units.Force, "load-outlier": units.None, "bounce-high": units.Ratio, "water-in-tank": units.Volume3,
		"freeze-risk": units.Temperature, "sensor-supply-off": units.Ratio, "can-silent": units.Time, "pressure-fault": units.None,
		"load-fault": units.None, "load-drift": units.Force, "can-errors": units.Rate, "can-unanswered": units.None, "box-undervoltage": units.Voltage,
		"box-hot": units.Temperature, "disk-full": units.Time, "clock-unset": units.None, "log-gap": units.Time,
		"readings-lost": units.None, "need-near-cut-in": units.Pressure, "care-due": units.None, "delivery-low": units.Ratio,
	}
}

func (r *reader) alarms(m *Machine, top object) {
	table := alarmLimits()
	known := slices.Sorted(maps.Keys(table))
	top.each("alarms", func(e entry) {
		if !slices.Contains(known, e.key) {
			r.fail(e.at, fmt.Sprintf("there is no alarm %q", e.key), strings.Join(known, ", "), nearest(e.key, known))
			return
		}
		o, ok := r.object(e.value, e.at, fmt.Sprintf("alarm %q", e.key), "alarms."+e.key, "off", "limit", "on_delay", "off_delay")
		if !ok {
			return
		}
		var a AlarmOverride
		a.Off = o.yes("off", false)
		if l, ok := o.have["limit"]; ok {
			if table[e.key] == units.None {
				r.fail(l.at, fmt.Sprintf("alarm %q has no limit to set", e.key), "off, on_delay, off_delay", "")
			} else {
				a.Limit, a.Set.Limit = o.quantity("limit", table[e.key], "", "")
			}
		}
		_, a.Set.OnDelay = o.have["on_delay"]
		_, a.Set.OffDelay = o.have["off_delay"]
		a.OnDelay = o.duration("on_delay", "0 s", "2 h", 0)
		a.OffDelay = o.duration("off_delay", "0 s", "2 h", 0)
		if m.Alarms == nil {
			m.Alarms = map[string]AlarmOverride{}
		}
		m.Alarms[e.key] = a
	})
}

// defaults fills in what the documented names say where the file says nothing.
func defaults(m *Machine) {
	declared := func(id string, q units.Quantity) string {
		if c, ok := m.Channel(id); ok && c.Quantity == q {
			return id
		}
		return ""
	}
	if m.Tank.Channel == "" {
		m.Tank.Channel = "tank"
	}
	if m.Tank.Wall == "" {
		m.Tank.Wall = declared("wall", units.QTemperature)
	}
	if len(m.Compressors) == 1 { // with two, nobody knows whose "drive" it is
		c := &m.Compressors[0]
		if c.Drive == "" {
			c.Drive = declared("drive", units.QRate)
		}
		if c.Running == "" {
			c.Running = declared("running", units.QState)
		}
	}
	for i := range m.Ranks {
		k := &m.Ranks[i]
		if k.Pressure == "" {
			k.Pressure = declared(k.Name, units.QPressure)
		}
		if k.Target == "" {
			k.Target = declared(k.Name+"_target", units.QPressure)
		}
		if k.LoadTarget == "" {
			k.LoadTarget = declared("load_target", units.QLoad)
		}
	}
	if m.Box.Ignition == "" {
		m.Box.Ignition = declared("ignition", units.QState)
	}
	if m.Box.BoxVoltage == "" {
		m.Box.BoxVoltage = declared("box_v", units.QVoltage)
	}
}
