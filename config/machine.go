// SPDX-License-Identifier: Apache-2.0

// Package config reads the machine file: the YAML text in which an installer says what the machine has.
//
// Words: a problem is one thing wrong in a file, with its place, what is allowed and what was probably meant; a
// quantity is text with its unit; a place is a line and column. Load reports every problem at once and never guesses.
// A rule looks at several keys together. The package knows no checks and no drivers: it gives plain data in SI, reads no
// file but the machine file and the DBC files it names, and changes none.
//
// Sources: YAML 1.2 as read by github.com/goccy/go-yaml; limits of plausible values are generous bounds that catch a
// slipped decimal point or a wrong unit (common practice, no source); chip limits come from the data sheets named beside
// them.
package config

import (
	"time"

	"airhold/sensors/units"
)

// Machine is a whole machine file, in SI.
type Machine struct {
	Name        string
	Simulated   bool // the rig stands in for the machine; every screen says so
	Tank        Tank
	Climate     Climate
	Compressors []Compressor
	Ranks       []Rank
	Channels    []Channel // in the order of the file
	Boards      []Board
	Links       []Link
	DBCs        []DBC
	Limits      Limits
	Care        map[string]CareEvery // by item; what is missing keeps the trade's interval
	Alarms      map[string]AlarmOverride
	Display     Display
	Logging     Logging
	MQTT        MQTT
	Page        Page
	Box         Box
	Users       []User
	SHA256      string // of the file's bytes, hexadecimal
	Path        string
}

// Tank is the air tank.
type Tank struct {
	Channel             string // channel id, default "tank"
	Volume              units.Volume
	VolumeUncertainty   float64 // ratio, half-width of a rectangular distribution; default 0.03
	SafeWorkingPressure units.PressureGauge
	ReliefSetting       units.PressureGauge
	DrainVolume         units.Volume
	Wall                string // channel of a wall sensor, default "wall" when declared
	Wet                 string // channel of a moisture probe inside the tank, 1 while it stands in water; no default
}

// Climate is the air that the compressor takes in on a usual working day, for a machine that does not measure it.
type Climate struct {
	Given       bool
	Temperature units.Kelvin
	Humidity    float64 // relative, 0 to 1, over liquid water
	Uncertainty float64 // ratio: how far off the water in that air may be, to either side; default 0.3
}

// Control is how a compressor is kept from running for ever.
type Control string

// The kinds of control.
const (
	Switch       Control = "switch"
	Unloader     Control = "unloader"
	Proportional Control = "proportional"
	ReliefHeld   Control = "relief_held"
)

// Compressor is one compressor.
type Compressor struct {
	Name       string
	Control    Control
	Delivery   units.Flow          // rated free air delivery; 0: not known, and then no first charge is excused by it
	CutIn      units.PressureGauge // 0: to be learned
	CutOut     units.PressureGauge // 0: to be learned
	DutyLimit  float64             // ratio, default 0.6
	DutyWindow time.Duration       // default 10 min (IEC 60034-1 S3)
	Drive      string              // channel of the drive's speed
	Running    string              // channel that says running
	Dryer      bool
	CheckValve bool   // default true
	Regulator  string // "relieving", "non-relieving" or ""
	Bleed      units.Flow
	Care       map[string]time.Duration // care intervals by run hours
}

// AtPowerOff is what a rank's valves do without power.
type AtPowerOff string

// The power-off states.
const (
	Hold          AtPowerOff = "hold"
	Vent          AtPowerOff = "vent"
	UnknownAtRest AtPowerOff = "unknown"
)

// ShutOff says how a rank can be isolated.
type ShutOff string

// The shut-offs.
const (
	ByHand  ShutOff = "hand"
	NoneOff ShutOff = "none"
)

// Rank is one rank of row units.
type Rank struct {
	Name             string // "front" is the "front rank" in every answer
	Rows, Bags       int
	Volume           units.Volume // of the whole rank
	Stretch          float64      // 1/Pa: relative growth of volume with pressure
	StretchUncertain float64      // ratio, default 0.2
	Pressure         string       // channel ids
	SecondPressure   string
	Target           string
	Loads            []string
	LoadTarget       string
	AtPowerOff       AtPowerOff
	ShutOff          ShutOff
	LinkageRatio     float64
	BagArea          []BagArea
	MaxAppliedForce  units.Newtons // a row; no default
	MachineCounts    []string      // load channels the machine's own control still averages; empty: all
}

// BagArea is one row of the bag-area table.
type BagArea struct {
	Height float64 // m
	Area   float64 // m2
}

// SourceKind says where a channel's readings come from.
type SourceKind string

// The kinds of source.
const (
	FromADC SourceKind = "adc"
	FromCAN SourceKind = "can"
	FromCSV SourceKind = "csv"
	FromSim SourceKind = "sim"
)

// Channel is one input.
type Channel struct {
	ID         string
	Quantity   units.Quantity
	Reference  units.Reference
	Unit       units.Unit
	Low, High  float64 // plausible range in SI, both zero: none
	Filter     time.Duration
	Kind       SourceKind
	ADC        ADCSource
	CAN        CANSource
	CSV        CSVSource
	Plug       string
	Calibrated Calibration
	At         Place // of its signal when CAN feeds it, else of its id
}

// Calibration says when a channel was compared with something better, as reports repeat it. Nothing is computed from it.
type Calibration struct {
	Date        time.Time  // the day, at 0:00 UTC; zero: the file tells of no calibration
	Reference   string     // what it was compared with; empty: not told
	Uncertainty float64    // SI difference, half-width; 0: not told
	Unit        units.Unit // that the uncertainty was written in
}

// Place is a line and column of the machine file, both from 1, columns in characters.
type Place struct{ Line, Column int }

// ADCSource names an input of a converter board and the transducer on it.
type ADCSource struct {
	Board      string
	Input      int
	Rate       float64 // Hz, default 10
	Transducer Transducer
}

// TransducerKind is how a quantity becomes a voltage or current.
type TransducerKind string

// The transducer kinds.
const (
	Ratiometric TransducerKind = "ratiometric" // 10-90 % of the measured supply
	ZeroToFive  TransducerKind = "0-5V"
	FourTwenty  TransducerKind = "4-20mA" // over a shunt, NE 43 bands
	Divider     TransducerKind = "divider"
	Voltage     TransducerKind = "voltage" // the voltage itself, times Scale
	Contact     TransducerKind = "contact" // open or closed against the supply
)

// Transducer is the scaling of an analog input.
type Transducer struct {
	Kind         TransducerKind
	Low, High    float64 // the quantity at the low and high end, SI
	Supply       string  // channel id of the measured supply; empty: 5 V assumed and said so
	Shunt        units.Ohms
	DividerRatio float64 // volts at the sensor for one volt at the converter, default 1
	Pull         units.Ohms
	Table        []TablePoint // for a divider: resistance to quantity
	Offset       float64      // SI, added after scaling (calibration)
	Gain         float64      // default 1
}

// TablePoint is one point of a resistance table.
type TablePoint struct {
	Resistance units.Ohms
	Value      float64
}

// CANSource names a signal of the catalogue or of a DBC.
type CANSource struct {
	Link    string
	Signal  string // "wheel_speed.speed": catalogue message and signal key
	DBC     string // name of a DBC of the machine file; empty: the built-in catalogue
	Message string
	Address int    // sender's source address, -1: any
	NAME    string // sender's 64-bit NAME in hexadecimal; empty: any
}

// CSVSource names a recorded column.
type CSVSource struct {
	Column string
	Unit   units.Unit
}

// Board is one converter board.
type Board struct {
	Name    string
	Chip    string // "ads1115", "mcp3008", "mcp3208"
	Bus     string // "i2c-1", "spi0.0"
	Address int
	VRef    units.Volts // full scale of an MCP320x
	Range   units.Volts // programmable range of an ADS1115, default 6.144 V
}

// Link is one CAN interface.
type Link struct {
	Name    string   // "can0"
	Bitrate int      // bit/s; default 250 kbit/s (SAE J1939-11, ISO 11783-2)
	Kind    string   // "can" (default), "vcan"
	Hear    []uint32 // the parameter groups (PGNs) to hear and record, beside those the channels need; empty: everything
}

// DBC is a user's message description.
type DBC struct {
	Name, File string
	Data       []byte // the file's content; nil where Parse had no way to read files
	At         Place
}

// Limits are the machine-wide limits of the checks.
type Limits struct {
	Leak            units.Flow
	LineDrop        units.PressureGauge // between tank and ranks, until learned; default 20 kPa
	WantedContact   float64             // ratio, default 0.90
	ContactLoad     units.Newtons       // default 50 N
	Barometer       units.PressureAbs   // assumed where no channel says; default 101.325 kPa, which Altitude overrides
	Altitude        float64             // m, stands for Barometer by ISO 2533; NaN: not given
	DischargeFactor float64             // Cd of equivalent holes, default 0.61
}

// AlarmOverride changes a row of the alarm catalogue.
type AlarmOverride struct {
	Off      bool
	Limit    units.Value // zero: the catalogue's
	OnDelay  time.Duration
	OffDelay time.Duration
	Set      struct{ OnDelay, OffDelay, Limit bool }
}

// Display is the user's choice of units.
type Display struct {
	Pressure, Force, Flow, Temperature, Speed, Length units.Unit
	Language                                          string
}

// Logging says what is kept and where.
type Logging struct {
	Dir  string // default /var/lib/airhold/log
	Keep time.Duration
	Raw  bool // raw frames, default true
	// Sync is what a power cut may cost, 0.2 to 10 s, default 1 s; Full is the share of the disk above which the oldest
	// sealed frames are deleted, 0.5 to 0.98, default 0.85.
	Sync time.Duration
	Full float64
}

// MQTT names the broker.
type MQTT struct {
	Broker   string // empty: embedded; else tcp://host:port
	ID       string // machine slug in the topics, default made from the name
	Username string
	Password string // file that holds it
	Listen   string // embedded broker's TCP address, default 127.0.0.1:1883; "off": none
}

// Page is the cab page.
type Page struct {
	Listen string // default 127.0.0.1:8080
	Hosts  []string
	View   string // who may look: open (default), whoever reaches the box; or paired
}

// Box is the board itself.
type Box struct {
	HotLimit   units.Kelvin // default 75 degC
	Sysfs      string       // root, default /
	Ignition   string
	BoxVoltage string
	Sounder    Sounder
}

// Sounder is a sounder or buzzer on a pin of the box.
type Sounder struct {
	Pin       string // "GPIO17" or "gpiochip0/17"; empty: none
	ActiveLow bool
}

// User is one person.
type User struct {
	Name, Role string
}

// Channel returns the channel with this id.
func (m *Machine) Channel(id string) (Channel, bool) {
	for _, c := range m.Channels {
		if c.ID == id {
			return c, true
		}
	}
	return Channel{}, false
}
