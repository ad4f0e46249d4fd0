// SPDX-License-Identifier: Apache-2.0

package main

// module is the name of the module; the rules below leave it out.
const module = "airhold"

// room is one line of the picture: what a package may import of ours. An entry that ends in /* stands for all below it.
type room struct {
	path string
	may  []string
}

// roomList is the picture in DEVELOPERS.md as data. A line that differs from it says why behind it; change both together.
func roomList() []room {
	// What every check may see. The quantities of a reading are types of sensors/units.
	check := []string{"firmware/readings", "firmware/findings", "firmware/pneumatics", "firmware/humidair", "sensors/units"}
	return []room{
		{"cmd/airhold", []string{"bus", "bus/*", "config", "firmware", "firmware/*", "sensors/*", "systemd/*"}},
		{"config", []string{"sensors/units"}},
		{"sensors/units", nil},
		{"sensors/ads1x15", []string{"sensors/units"}},
		{"sensors/mcp320x", []string{"sensors/units"}},
		{"sensors/transducer", []string{"sensors/units"}},
		{"sensors/board", []string{"sensors/units"}},
		{"sensors/sounder", nil},
		{"bus", nil},
		{"bus/socketcan", []string{"bus"}},
		{"bus/j1939", []string{"bus"}},
		{"bus/signals", []string{"bus", "bus/j1939", "sensors/units"}},
		{"bus/capture", []string{"bus"}},
		{"bus/traffic", []string{"bus", "bus/j1939", "bus/signals"}},
		{"firmware", []string{
			"config", "firmware/*", "systemd/notify",
			"bus", "bus/capture", // beyond the picture: it hands frames from a recording to intake, and from intake to the recorder
			"sensors/units",   // beyond the picture: quantities of the machine file become options of the rooms
			"sensors/sounder", // the one output: a goroutine of the box plays what the alarms announce
		}},
		{"firmware/clock", nil},
		{"firmware/readings", []string{"sensors/units"}},
		{"firmware/intake", []string{"bus", "bus/*", "sensors/*", "firmware/readings", "firmware/clock"}},
		{"firmware/pneumatics", []string{"sensors/units"}},
		{"firmware/humidair", []string{"sensors/units"}},
		{"firmware/leakdown", check},
		{"firmware/leakdown/zones", append([]string{"firmware/leakdown"}, check...)},
		{"firmware/leakdown/session", append([]string{"firmware/leakdown", "firmware/leakdown/zones"}, check...)},
		{"firmware/supply", check},
		{"firmware/supply/leakwatch", check},
		{"firmware/supply/overnight", check},
		{"firmware/compressor", check},
		{"firmware/water", check},
		{"firmware/trust", check},
		{"firmware/ground", check},
		{"firmware/care", check},
		{"firmware/findings", []string{"firmware/readings", "sensors/units"}},
		{"firmware/alarms", []string{
			"firmware/findings",
			"sensors/units", // beyond the picture: the figures of a day's health are quantities
		}},
		{"firmware/store", []string{
			"firmware/readings", "firmware/findings", "firmware/alarms", "firmware/clock", "bus/capture", "firmware/store/rawlog",
			"bus",           // beyond the picture: capture writes bus.Frame; the package is plain data
			"sensors/units", // beyond the picture: a reading's quantity is one of its types
		}},
		{"firmware/store/rawlog", []string{"bus", "bus/capture", "firmware/clock"}},
		{"firmware/store/sealed", []string{"firmware/store", "firmware/alarms", "firmware/clock", "firmware/readings", "sensors/units"}},
		{"firmware/store/export", []string{
			"firmware/store", "firmware/store/rawlog", "firmware/store/sealed", "firmware/clock", "firmware/readings",
			"bus", "bus/capture", "bus/signals", "sensors/units",
		}},
		{"firmware/store/trend", []string{"firmware/store", "firmware/store/sealed", "firmware/clock", "firmware/findings", "firmware/readings", "sensors/units"}},
		{"firmware/publish", []string{"firmware/readings", "firmware/findings", "firmware/alarms", "firmware/clock", "sensors/units"}},
		{"firmware/tablet", []string{
			"firmware/readings", "firmware/findings", "firmware/alarms", "firmware/clock", "firmware/leakdown", "firmware/leakdown/session", "firmware/care", "sensors/units",
		}},
		{"firmware/report", []string{"firmware/findings", "firmware/leakdown", "firmware/leakdown/*", "firmware/care", "sensors/units"}},
		{"firmware/rig", []string{"bus", "sensors/units"}},
		{"systemd", []string{"systemd/notify"}},
		{"systemd/notify", nil},
		{"tools/*", []string{"bus", "bus/*", "config", "firmware", "firmware/*", "sensors/*", "systemd/*", "tools/*"}},
	}
}

// topFolders are the folders with Go in them that the root may have.
func topFolders() []string {
	return []string{"bus", "cmd", "config", "firmware", "sensors", "systemd", "tools"}
}

// namelessNames say what kind of thing a folder holds and not what.
func namelessNames() []string {
	return []string{"util", "utils", "common", "helper", "helpers", "internal", "pkg", "types", "misc", "lib", "shared", "base"}
}

// quietRooms are those from which no import path may lead to a wire.
func quietRooms() []string { return []string{"firmware/tablet", "firmware/publish", "firmware/store"} }

// wirePackages can reach a wire or a chip. An entry that ends in /* stands for the package itself and all below it.
func wirePackages() []string {
	return []string{
		module + "/bus/socketcan/*",
		module + "/sensors/ads1x15/*",
		module + "/sensors/mcp320x/*",
		module + "/sensors/sounder/*",
		"go.einride.tech/can/pkg/socketcan/*",
		"go.einride.tech/can/pkg/candevice/*",
		"periph.io/x/host/v3/*",
		"periph.io/x/devices/v3/*",
		"github.com/mdlayher/netlink/*",
	}
}

// setUpPackage changes links; setUpFile alone may import it.
const (
	setUpPackage = "go.einride.tech/can/pkg/candevice"
	setUpFile    = "cmd/airhold/link.go"
)
