// SPDX-License-Identifier: Apache-2.0

package config

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"airhold/sensors/units"
)

// rule is a condition on several keys together. Each is a function of its own, so that its name can stand in a test.
type rule struct {
	name  string
	check func(c *checked)
}

// rules lists them all; they run on whatever could be read, and leave alone what was not.
func rules() []rule {
	return []rule{
		{"relief below safe pressure", reliefBelowSafe},
		{"cut-out above cut-in, below relief", cutPressures},
		{"cut pressures where they mean something", cutsWithoutMeaning},
		{"delivery known", deliveryKnown},
		{"channel names point at channels", channelNames},
		{"tank and ranks are gauge pressures", gaugePressures},
		{"barometer is absolute", barometerAbsolute},
		{"documented ids keep their quantity", documentedIDs},
		{"a load belongs to one rank", loadsOnce},
		{"names are unique", uniqueNames},
		{"tank sensor reaches the relief setting", tankRange},
		{"surrounding pressure said once", barometerOnce},
		{"safety alarms stay", safetyAlarms},
		{"recorded columns once", columnsOnce},
		{"boards exist and have the input", boardInputs},
		{"one channel an input", inputsOnce},
		{"boards keep up", boardRates},
		{"one board an address", boardAddresses},
		{"links and descriptions exist", canSources},
		{"transducer has what its kind needs", transducerKeys},
		{"transducer fits the converter", transducerVolts},
		{"resistance table is monotonic", transducerTables},
		{"listeners do not collide", listeners},
		{"who may look is not said twice", lookers},
		{"the sounder has a pin of its own", sounderPin},
	}
}

// checked is what a rule sees: the machine as far as it was read, and the places of its keys.
type checked struct {
	*reader

	m *Machine
}

// at returns the place of the first path that stands in the file.
func (c *checked) at(paths ...string) place {
	for _, p := range paths {
		if at, ok := c.places[p]; ok {
			return at
		}
	}
	return place{1, 1}
}

func (c *checked) ids() []string {
	var out []string
	for _, ch := range c.m.Channels {
		out = append(out, ch.ID)
	}
	return out
}

func kPa[P units.PressureGauge | units.PressureAbs | float64](p P) string {
	return fmt.Sprintf("%.4g kPa", float64(p)/1e3)
}

func reliefBelowSafe(c *checked) {
	t := c.m.Tank
	if t.ReliefSetting > t.SafeWorkingPressure && t.SafeWorkingPressure > 0 {
		c.fail(c.at(".tank.relief_setting"), fmt.Sprintf("the relief valve opens at %s, above the tank's safe working pressure of %s: the tank is not protected; read both plates again",
			kPa(t.ReliefSetting), kPa(t.SafeWorkingPressure)), "a relief setting up to "+kPa(t.SafeWorkingPressure), "")
	}
}

func cutPressures(c *checked) {
	for i, k := range c.m.Compressors {
		path := fmt.Sprintf("compressors[%d].", i)
		if k.CutIn > 0 && k.CutOut > 0 && k.CutIn >= k.CutOut {
			c.fail(c.at(path+"cut_in"), fmt.Sprintf("%q starts at %s, not below the %s at which it stops", k.Name, kPa(k.CutIn), kPa(k.CutOut)), "cut_in below cut_out", "")
			continue
		}
		key, top := "cut_out", k.CutOut
		if top == 0 {
			key, top = "cut_in", k.CutIn
		}
		if relief := c.m.Tank.ReliefSetting; relief > 0 && top > relief {
			c.fail(c.at(path+key), fmt.Sprintf("%q runs up to %s, above the relief setting of %s: the relief valve would open at every run", k.Name, kPa(top), kPa(relief)),
				key+" up to "+kPa(relief), "")
		}
	}
}

func cutsWithoutMeaning(c *checked) {
	for i, k := range c.m.Compressors {
		if (k.Control == Proportional || k.Control == ReliefHeld) && (k.CutIn > 0 || k.CutOut > 0) {
			path := fmt.Sprintf("compressors[%d].", i)
			c.warn(c.at(path+"cut_in", path+"cut_out"), fmt.Sprintf("a compressor with control %q has no cut-in and cut-out; these are not used", k.Control), "")
		}
	}
}

func deliveryKnown(c *checked) {
	for i, k := range c.m.Compressors {
		path := fmt.Sprintf("compressors[%d].", i)
		if at, ok := c.places[path+"control"]; ok && k.Delivery == 0 && c.places[path+"delivery"] == (place{}) {
			c.warn(at, fmt.Sprintf("%q has no rated \"delivery\": a long first charge from an empty tank cannot be told from overwork, and nothing says what it gave when new", k.Name), "")
		}
	}
}

// reference is a place where the file names a channel.
type reference struct {
	path, id string
	quantity units.Quantity
}

// references lists every place that names a channel in so many words.
func (c *checked) references() []reference {
	var out []reference
	add := func(path, id string, q units.Quantity) {
		if _, written := c.places[path]; written && id != "" {
			out = append(out, reference{path, id, q})
		}
	}
	add(".tank.channel", c.m.Tank.Channel, units.QPressure)
	add(".tank.wall", c.m.Tank.Wall, units.QTemperature)
	add(".tank.wet", c.m.Tank.Wet, units.QState)
	for i, k := range c.m.Compressors {
		add(fmt.Sprintf("compressors[%d].drive", i), k.Drive, units.QRate)
		add(fmt.Sprintf("compressors[%d].running", i), k.Running, units.QState)
	}
	for i, k := range c.m.Ranks {
		path := fmt.Sprintf("ranks[%d].", i)
		add(path+"pressure", k.Pressure, units.QPressure)
		add(path+"second_pressure", k.SecondPressure, units.QPressure)
		add(path+"target", k.Target, units.QPressure)
		add(path+"load_target", k.LoadTarget, units.QLoad)
		for j, id := range k.Loads {
			add(fmt.Sprintf("%sloads[%d]", path, j), id, units.QLoad)
		}
	}
	add(".box.ignition", c.m.Box.Ignition, units.QState)
	add(".box.box_voltage", c.m.Box.BoxVoltage, units.QVoltage)
	for _, ch := range c.m.Channels {
		add("channels."+ch.ID+".source.adc.transducer.supply", ch.ADC.Transducer.Supply, units.QVoltage)
	}
	return out
}

func channelNames(c *checked) {
	if _, ok := c.m.Channel(c.m.Tank.Channel); !ok && c.places[".tank.channel"] == (place{}) && c.places["channels"] != (place{}) && c.places["channels.tank"] == (place{}) {
		c.fail(c.at("channels"), "no channel \"tank\": the tank's pressure must come from somewhere", "a channel \"tank\", or \"channel:\" under \"tank:\" that names another one", nearest("tank", c.ids()))
	}
	for _, ref := range c.references() {
		ch, ok := c.m.Channel(ref.id)
		switch {
		case !ok && c.places["channels."+ref.id] != (place{}):
			// the channel is there and was refused for another reason
		case !ok:
			c.fail(c.at(ref.path), fmt.Sprintf("there is no channel %q", ref.id), strings.Join(c.ids(), ", "), nearest(ref.id, c.ids()))
		case ch.Quantity != "" && ch.Quantity != ref.quantity:
			c.fail(c.at(ref.path), fmt.Sprintf("channel %q is of quantity %q, and here a %q is needed", ref.id, ch.Quantity, ref.quantity), "", "")
		}
	}
}

func gaugePressures(c *checked) {
	for _, ref := range c.references() {
		if ch, ok := c.m.Channel(ref.id); ok && ref.quantity == units.QPressure && ch.Reference == units.Absolute {
			c.fail(c.at("channels."+ref.id+".reference", ref.path), fmt.Sprintf("channel %q is absolute, and tank and rank pressures are gauge; check the sensor's plate: a reading near 100 kPa with the air let out means absolute", ref.id), "gauge", "")
		}
	}
}

func barometerAbsolute(c *checked) {
	if ch, ok := c.m.Channel("barometer"); ok && ch.Quantity == units.QPressure && ch.Reference != units.Absolute {
		c.fail(c.at("channels.barometer.reference", "channels.barometer"), "the surrounding air's pressure has no gauge reading", "absolute", "")
	}
}

var loadID = regexp.MustCompile(`^load_[0-9]{1,3}$`)

// documentedQuantities says what the ids that checks look for must measure.
func documentedQuantities() map[string]units.Quantity {
	return map[string]units.Quantity{
		"tank": units.QPressure, "front": units.QPressure, "rear": units.QPressure, "barometer": units.QPressure,
		"ambient": units.QTemperature, "wall": units.QTemperature, "humidity": units.QHumidity, "speed": units.QSpeed,
		"lowered": units.QState, "drive": units.QRate, "sensor_supply": units.QVoltage, "moisture": units.QFraction,
		"front_target": units.QPressure, "rear_target": units.QPressure, "load_target": units.QLoad, "running": units.QState,
		"ignition": units.QState, "box_v": units.QVoltage, "altitude": units.QAltitude,
	}
}

func documentedIDs(c *checked) {
	table := documentedQuantities()
	known := slices.Sorted(maps.Keys(table))
	used := map[string]bool{}
	for _, ref := range c.references() {
		used[ref.id] = true
	}
	for _, ch := range c.m.Channels {
		want, ok := table[ch.ID]
		if loadID.MatchString(ch.ID) {
			want, ok = units.QLoad, true
		}
		switch {
		case ok && ch.Quantity != "" && ch.Quantity != want:
			c.fail(c.at("channels."+ch.ID+".quantity"), fmt.Sprintf("checks look for channel %q by its name and need a %q; give a channel that measures something else another name", ch.ID, want), string(want), "")
		case !ok && !used[ch.ID]:
			near := nearest(ch.ID, known)
			if _, taken := c.m.Channel(near); near != "" && near != "tank" && !taken {
				c.warn(c.at("channels."+ch.ID), fmt.Sprintf("no check uses a channel %q; it is only recorded", ch.ID), near)
			}
		}
	}
}

func loadsOnce(c *checked) {
	owner := map[string]string{}
	for i, k := range c.m.Ranks {
		path := fmt.Sprintf("ranks[%d].", i)
		for j, id := range k.Loads {
			at := c.at(fmt.Sprintf("%sloads[%d]", path, j))
			was, taken := owner[id]
			switch {
			case taken && was == k.Name:
				c.fail(at, fmt.Sprintf("load channel %q stands twice in rank %q", id, k.Name), "", "")
			case taken:
				c.fail(at, fmt.Sprintf("load channel %q is in rank %q already; a sensor stands on one row, so it belongs to one rank", id, was), "", "")
			}
			owner[id] = k.Name
		}
		for j, id := range k.MachineCounts {
			if !slices.Contains(k.Loads, id) {
				c.fail(c.at(fmt.Sprintf("%smachine_counts[%d]", path, j)), fmt.Sprintf("%q is none of this rank's loads", id), strings.Join(k.Loads, ", "), nearest(id, k.Loads))
			}
		}
	}
}

func uniqueNames(c *checked) {
	once := func(what string) func(name, path string) {
		seen := map[string]bool{}
		return func(name, path string) {
			if name != "" && seen[name] {
				c.fail(c.at(path), fmt.Sprintf("two %s are called %q", what, name), "a name of its own for each", "")
			}
			seen[name] = true
		}
	}
	ranks, compressors, users := once("ranks"), once("compressors"), once("users")
	pressures := map[string]string{c.m.Tank.Channel: "the tank"}
	for i, k := range c.m.Ranks {
		path := fmt.Sprintf("ranks[%d].", i)
		ranks(k.Name, path+"name")
		if k.Name == "tank" {
			c.fail(c.at(path+"name"), "a rank cannot be called \"tank\"", "front, rear, middle, left, ...", "")
		}
		for _, p := range []struct{ id, key string }{{k.Pressure, "pressure"}, {k.SecondPressure, "second_pressure"}} {
			if was, taken := pressures[p.id]; taken && p.id != "" {
				c.fail(c.at(path+p.key, path+"name"), fmt.Sprintf("channel %q is the pressure of %s already; a leak could not be placed", p.id, was), "", "")
			}
			pressures[p.id] = fmt.Sprintf("rank %q", k.Name)
		}
	}
	for i, k := range c.m.Compressors {
		compressors(k.Name, fmt.Sprintf("compressors[%d].name", i))
	}
	for i, u := range c.m.Users {
		users(u.Name, fmt.Sprintf("users[%d].name", i))
	}
}

func tankRange(c *checked) {
	ch, ok := c.m.Channel(c.m.Tank.Channel)
	if !ok || ch.Quantity != units.QPressure {
		return
	}
	path := "channels." + ch.ID
	top, at := ch.High, c.at(path+".range")
	if ch.High == 0 && ch.Low == 0 {
		top, at = ch.ADC.Transducer.High, c.at(path+".source.adc.transducer.high")
	}
	if relief := c.m.Tank.ReliefSetting; top > 0 && relief > 0 && top < float64(relief) {
		c.warn(at, fmt.Sprintf("the tank's sensor ends at %s, below the relief setting of %s: a tank that is too full would look like a broken sensor", kPa(top), kPa(relief)), "")
	}
}

func barometerOnce(c *checked) {
	_, a := c.places[".limits.altitude"]
	if at, b := c.places[".limits.barometer_abs"]; a && b {
		c.fail(at, "\"altitude\" and \"barometer_abs\" both say the surrounding pressure; keep one", "", "")
	}
}

// safetyAlarms keeps the one alarm that warns people of a tank over its pressure.
func safetyAlarms(c *checked) {
	a, ok := c.m.Alarms["tank-high"]
	if !ok {
		return
	}
	if a.Off {
		c.fail(c.at("alarms.tank-high.off"), "\"tank-high\" cannot be switched off: it warns people who stand beside the tank", "", "")
	}
	t := c.m.Tank
	if limit := units.PressureGauge(a.Limit.SI); a.Set.Limit && t.SafeWorkingPressure > 0 && limit > t.SafeWorkingPressure {
		c.fail(c.at("alarms.tank-high.limit"), "the limit of \"tank-high\" is above the tank's safe working pressure of "+kPa(t.SafeWorkingPressure), "up to "+kPa(t.SafeWorkingPressure), "")
	}
}

func columnsOnce(c *checked) {
	owner := map[string]string{}
	for _, ch := range c.m.Channels {
		if ch.Kind != FromCSV || ch.CSV.Column == "" {
			continue
		}
		if was, taken := owner[ch.CSV.Column]; taken {
			c.warn(c.at("channels."+ch.ID+".source.csv.column"), fmt.Sprintf("column %q is read into channel %q as well as into %q", ch.CSV.Column, was, ch.ID), "")
		}
		owner[ch.CSV.Column] = ch.ID
	}
}

// sounderPin keeps the sounder off the pins that a board's bus has on the 40-pin header (Raspberry Pi documentation, GPIO and
// the 40-pin header).
func sounderPin(c *checked) {
	pin := c.m.Box.Sounder.Pin
	taken := map[string][]string{
		"i2c-0": {"GPIO0", "GPIO1"}, "i2c-1": {"GPIO2", "GPIO3"}, "spi0": {"GPIO7", "GPIO8", "GPIO9", "GPIO10", "GPIO11"},
		"spi1": {"GPIO16", "GPIO17", "GPIO18", "GPIO19", "GPIO20", "GPIO21"},
	}
	for _, b := range c.m.Boards {
		bus, _, _ := strings.Cut(b.Bus, ".")
		if slices.Contains(taken[bus], pin) {
			c.fail(c.at(".box.sounder.pin", ".box.sounder", ".box"), fmt.Sprintf("pin %s carries the bus %s of board %q", pin, b.Bus, b.Name),
				"a pin that nothing else uses, as GPIO23", "")
		}
	}
}
