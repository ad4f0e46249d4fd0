// SPDX-License-Identifier: Apache-2.0

package traffic

import (
	"fmt"

	"airhold/bus/j1939"
)

// The codes below are those of ISO 11783-1 and SAE J1939 (global functions, and those of agriculture and of marine
// instruments), as listed in the open ISO 11783 library AgIsoStack++ (can_NAME.hpp, isobus_preferred_addresses.hpp), in
// canboat's lists of NMEA 2000 classes and functions, and in an open header of J1939's table B2 of addresses. The words are short ones of our own. Makers are numbers: their list is
// not needed to tell devices apart.

const (
	groupAgriculture = 2
	groupMarine      = 4
)

func groupWords(group uint8) string {
	switch group {
	case 1:
		return "road vehicle"
	case groupAgriculture:
		return "agriculture"
	case 3:
		return "construction"
	case groupMarine:
		return "marine"
	case 5:
		return "industry"
	default:
		return ""
	}
}

// functionWords says what a device does; empty for a code that is not in the lists. Up to 127 a function means the same
// everywhere, from 128 on it depends on the group and the class.
func functionWords(group, class, function uint8) string {
	if function < 128 {
		if all := globalFunctions(); int(function) < len(all) {
			return all[function]
		}
		return ""
	}
	switch group {
	case groupAgriculture:
		return farmFunction(class, function)
	case groupMarine:
		return marineFunction(class, function)
	}
	return ""
}

func globalFunctions() []string {
	return []string{
		"engine", "auxiliary power unit", "electric drive", "transmission", "battery monitor", "shift control", "rear PTO",
		"steering axle", "driving axle", "brakes, whole system", "brakes, steering axle", "brakes, driving axle",
		"engine retarder", "driveline retarder", "cruise control", "fuel system", "steering control",
		"suspension, steering axle", "suspension, driving axle", "instrument cluster", "trip recorder", "cab climate",
		"aerodynamics", "navigation", "vehicle security", "network bridge", "body control", "front PTO",
		"gateway to outside", "virtual terminal", "management computer", "drive battery charger", "distance control",
		"system monitor", "hydraulic pump", "suspension, whole system", "pneumatics, whole system", "cab controller",
		"tire pressure control", "ignition", "seat", "light switches", "water pump", "transmission display",
		"exhaust emission control", "stability control", "oil monitor", "information system", "ramp", "clutch or converter",
		"auxiliary heater", "collision warning", "chassis control", "alternator", "cellular radio", "satellite radio",
		"two-way radio", "steering column switches", "fan drive", "starter", "cab display", "file server or printer",
		"on-board diagnostic unit", "engine valves", "endurance braking", "gas flow meter", "input and output unit",
		"electrical system", "exhaust gas sensor", "exhaust aftertreatment", "auxiliary regeneration", "transfer case",
		"coolant valve", "rollover detection", "lubrication", "additional fan", "temperature sensor", "fuel sensor",
		"fire suppression", "power systems manager", "electric powertrain", "hydraulic powertrain", "file server", "printer",
		"start aid", "engine injection", "charging communication", "driver impairment device", "power converter",
		"charging station", "charging adapter",
	}
}

// farmFunction are the functions of agriculture and forestry. Those of implements mean the same in every class of
// implement; the others are of the network, the tractor or a sensor.
func farmFunction(class, function uint8) string {
	type at struct{ class, function uint8 }
	switch (at{class, function}) {
	case at{0, 128}:
		return "display"
	case at{0, 129}:
		return "operator controls"
	case at{0, 130}:
		return "task controller"
	case at{0, 133}:
		return "foreign object detection"
	case at{0, 134}:
		return "tractor ECU"
	case at{0, 135}:
		return "sequence control"
	case at{0, 139}:
		return "data logger"
	case at{0, 141}:
		return "lights"
	case at{0, 142}:
		return "tractor implement management"
	case at{1, 129}:
		return "auxiliary valves"
	case at{1, 130}:
		return "rear hitch"
	case at{1, 131}:
		return "front hitch"
	case at{1, 134}:
		return "center hitch"
	case at{4, 137}:
		return "down pressure"
	case at{5, 130}:
		return "product pressure"
	case at{17, 132}:
		return "inertial sensor"
	case at{17, 135}:
		return "product mass"
	case at{17, 137}:
		return "weather instruments"
	case at{17, 138}:
		return "soil sensor"
	}
	if class < 2 || class == 17 {
		return ""
	}
	switch function {
	case 128:
		return "rate control"
	case 129:
		return "section control"
	case 131:
		return "position control"
	case 132:
		return "machine control"
	case 133:
		return "product flow"
	case 134:
		return "product level"
	case 135:
		return "depth or height control"
	case 136:
		return "frame control"
	}
	return ""
}

func marineFunction(class, function uint8) string {
	type at struct{ class, function uint8 }
	switch (at{class, function}) {
	case at{25, 130}:
		return "computer gateway"
	case at{25, 135}:
		return "serial line gateway"
	case at{25, 136}:
		return "network gateway"
	case at{30, 130}:
		return "switch"
	case at{30, 140}:
		return "load"
	case at{35, 170}:
		return "battery"
	case at{40, 130}:
		return "follow-up controller"
	case at{40, 140}:
		return "mode controller"
	case at{40, 150}:
		return "automatic steering"
	case at{40, 155}:
		return "rudder"
	case at{40, 160}:
		return "heading sensor"
	case at{50, 140}:
		return "engine"
	case at{50, 160}:
		return "engine gateway"
	case at{50, 165}:
		return "transmission"
	case at{50, 170}:
		return "throttle or shift control"
	case at{60, 130}:
		return "depth"
	case at{60, 135}:
		return "depth and speed"
	case at{60, 136}:
		return "depth, speed and temperature"
	case at{60, 140}:
		return "heading and attitude"
	case at{60, 145}:
		return "satellite position (GNSS)"
	case at{60, 155}:
		return "speed"
	case at{60, 160}:
		return "turn rate"
	case at{60, 170}, at{60, 175}:
		return "integrated navigation"
	case at{60, 190}:
		return "navigation management"
	case at{70, 190}:
		return "radio"
	case at{60, 195}, at{70, 140}:
		return "automatic identification (AIS)"
	case at{60, 200}:
		return "radar"
	case at{75, 130}:
		return "temperature"
	case at{75, 140}:
		return "pressure"
	case at{75, 150}:
		return "fluid level"
	case at{75, 170}:
		return "humidity"
	case at{85, 130}:
		return "atmosphere"
	case at{85, 140}:
		return "water"
	case at{120, 130}:
		return "display"
	case at{120, 140}:
		return "alarm"
	}
	return ""
}

func className(group, class uint8) string {
	switch group {
	case groupAgriculture:
		all := [...]string{
			"", "tractor", "trailer", "secondary tillage", "planter or seeder", "fertilizer", "sprayer", "harvester",
			"root harvester", "forage", "irrigation", "transport", "farmyard", "powered auxiliary", "special crops", "earthwork",
			"skidder", "sensor system", "", "timber harvester", "forwarder", "timber loader", "timber processor", "mulcher",
			"utility vehicle", "slurry", "feeder mixer", "weeder", "mower", "material handling",
		}
		if int(class) < len(all) {
			return all[class]
		}
	case groupMarine:
		switch class {
		case 10:
			return "system tool"
		case 20:
			return "safety"
		case 25:
			return "gateway"
		case 30:
			return "electrical distribution"
		case 35:
			return "electrical generation"
		case 40:
			return "steering"
		case 50:
			return "propulsion"
		case 60:
			return "navigation"
		case 70:
			return "communication"
		case 75:
			return "sensors"
		case 80:
			return "instruments"
		case 85:
			return "outside environment"
		case 90:
			return "inside environment"
		case 100:
			return "deck equipment"
		case 110:
			return "operator interface"
		case 120:
			return "display"
		case 125:
			return "entertainment"
		}
	}
	return ""
}

// NAMEWords say what a device is, by its NAME: "planter or seeder, section control; maker 1256". Codes without words
// stand as numbers.
func NAMEWords(n j1939.NAME) string {
	group, class, function := n.IndustryGroup(), n.DeviceClass(), n.Function()
	kind := className(group, class)
	switch {
	case kind != "":
	case class == 0:
		kind = groupWords(group)
	case groupWords(group) != "":
		kind = fmt.Sprintf("%s class %d", groupWords(group), class)
	default:
		kind = fmt.Sprintf("group %d class %d", group, class)
	}
	what := functionWords(group, class, function)
	const notTold = 255
	switch {
	case function == notTold:
		what = "function not told"
	case what == "":
		what = fmt.Sprintf("function %d", function)
	}
	if kind != "" && kind != what {
		what = kind + ", " + what
	}
	if i := n.FunctionInstance(); i > 0 {
		what = fmt.Sprintf("%s (instance %d)", what, i)
	}
	return fmt.Sprintf("%s; maker %d", what, n.Manufacturer())
}

// addressWords say what usually has an address where no claim was heard; empty where addresses are free.
func addressWords(address uint8) string {
	usual := [...]string{
		"engine", "second engine", "turbocharger", "transmission", "second transmission", "shift console",
		"second shift console", "rear PTO", "steering axle", "drive axle", "second drive axle", "brakes",
		"brakes, steering axle", "brakes, drive axle", "brakes, second drive axle", "engine retarder", "driveline retarder",
		"cruise control", "fuel system", "steering", "suspension, steering axle", "suspension, drive axle",
		"suspension, second drive axle", "instrument cluster", "trip recorder", "cab climate", "alternator", "aerodynamics",
		"navigation", "vehicle security", "electrical system", "starter", "tractor and trailer bridge", "body controller",
		"auxiliary valves", "hitch", "front PTO", "gateway to outside", "virtual terminal", "management computer",
		"cab display", "cab display, spraying", "distance control", "diagnostic unit", "", "endurance braking",
		"hydraulic pump", "suspension", "pneumatics", "cab controller", "second cab controller", "tire pressure control",
		"ignition", "second ignition", "seat", "light switches", "rear axle steering", "water pump", "rear cab climate",
		"transmission display", "second transmission display",
	}
	switch {
	case int(address) < len(usual): // beyond, editions of the list differ
		return usual[address]
	case address == 249, address == 250:
		return "diagnostic tool"
	case address == 251:
		return "data logger"
	case address == j1939.Null:
		return "a device without an address"
	}
	return ""
}

// failureWords say what a failure mode identifier means (J1939-73, ISO 11783-12 annex E).
func failureWords(fmi uint8) string {
	all := [...]string{
		"too high, most severe", "too low, most severe", "erratic or incorrect", "voltage too high, or shorted to supply",
		"voltage too low, or shorted to ground", "current too low, or open circuit", "current too high, or grounded",
		"mechanism does not respond", "frequency or pulse width wrong", "updates too seldom or too often",
		"changes too fast", "cause not known", "device bad", "out of calibration", "special instructions",
		"too high, least severe", "too high, moderately severe", "too low, least severe", "too low, moderately severe",
		"network data in error", "drifted high", "drifted low",
	}
	switch {
	case int(fmi) < len(all):
		return all[fmi]
	case fmi == 31:
		return "condition exists"
	}
	return fmt.Sprintf("failure mode %d", fmi)
}
