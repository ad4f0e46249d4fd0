// SPDX-License-Identifier: Apache-2.0

// Package readings holds one measured value: which channel, when, how good.
//
// Words: a channel is one input of the machine file (or one of the box's own, whose id has a dot in it); a table is
// the fixed list of all channels of a run; a reading is one value of one channel at one time of the boot clock.
// The package does no I/O and never asks for the time: time arrives with the reading.
package readings

import (
	"time"

	"airhold/sensors/units"
)

// Channel is an index into a Table.
type Channel int16

// NoChannel is the index of a channel that the machine file does not declare.
const NoChannel Channel = -1

// Quality says whether a reading's value may be used, and if not, why.
type Quality uint8

// The qualities. Only a Good reading has a value.
const (
	Good         Quality = iota
	NotAvailable         // the source itself says it has no value, or a recorded cell is empty
	Open                 // signal line open (wire off, plug out)
	ShortGround          // signal line shorted to ground
	ShortSupply          // signal line shorted to supply
	OutOfBand            // outside the transducer's working band, inside the electrical limits
	Saturated            // at the end of the transducer's range (NE 43: 3.6-3.8 and 20.5-21 mA)
	BadSupply            // the sensor supply is out of tolerance, so a ratiometric value means nothing
	Late                 // the converter was not ready in time
	NoAnswer             // the converter or the bus did not answer
	Implausible          // outside the plausible range the machine file declares
	Frozen               // recorded acquisition that stands still: all channels constant
	SourceError          // the sender on the bus says that its value is broken
)

// String returns the word used in files and messages.
func (q Quality) String() string {
	switch q {
	case Good:
		return "ok"
	case NotAvailable:
		return "not_available"
	case Open:
		return "open"
	case ShortGround:
		return "short_to_ground"
	case ShortSupply:
		return "short_to_supply"
	case OutOfBand:
		return "out_of_band"
	case Saturated:
		return "saturated"
	case BadSupply:
		return "bad_supply"
	case Late:
		return "late"
	case NoAnswer:
		return "no_answer"
	case Implausible:
		return "implausible"
	case Frozen:
		return "frozen"
	case SourceError:
		return "source_error"
	default:
		return "unknown"
	}
}

// Reading is one value of one channel.
type Reading struct {
	At      time.Duration // boot clock: when the conversion ended or the frame was received
	Value   float64       // SI; means something only while Quality is Good
	Volts   float64       // what the converter saw, V (or A for a current loop); 0 where there is no converter
	Raw     int32         // the converter's code; 0 where there is no converter
	Channel Channel
	Quality Quality
}

// Info describes a channel.
type Info struct {
	ID        string
	Quantity  units.Quantity
	Reference units.Reference // gauge or absolute, for pressures
	Unit      units.Unit      // in which files and recordings write it
	Low, High float64         // plausible range, SI; both zero: none declared
	Source    string          // in the installer's words: "adc main input 0", "can wheel_speed.speed", "csv TP3"
	Plug      string          // the plug to look at, as the machine file names it; may be empty
	Wired     bool            // true for an analog input: electrical faults make sense
}

// Table is the fixed list of channels of a run.
type Table struct {
	infos []Info
	byID  map[string]Channel
}

// NewTable makes a table of infos in the order given; of two with one id, the first one counts.
func NewTable(infos []Info) *Table {
	t := &Table{infos: infos, byID: make(map[string]Channel, len(infos))}
	for i, in := range infos {
		if _, ok := t.byID[in.ID]; !ok {
			t.byID[in.ID] = Channel(i)
		}
	}
	return t
}

// Len returns how many channels there are.
func (t *Table) Len() int { return len(t.infos) }

// Info returns the description of c; the zero Info for a channel outside the table.
func (t *Table) Info(c Channel) Info {
	if c < 0 || int(c) >= len(t.infos) {
		return Info{}
	}
	return t.infos[c]
}

// Find returns the channel with this id, or NoChannel.
func (t *Table) Find(id string) Channel {
	if c, ok := t.byID[id]; ok {
		return c
	}
	return NoChannel
}

// The box's own channels, sent once a second. A link's are its name followed by one of the Link suffixes.
const (
	BoxTemperature  = "box.temperature"  // K
	BoxUndervoltage = "box.undervoltage" // 0 or 1: the board's own flag
	BoxDiskLeft     = "box.disk_left"    // s until the log's disk is full at the present rate
	BoxClock        = "box.clock"        // clock.Quality as a number
	BoxLost         = "box.readings_lost"

	LinkFrames = ".frames" // frames heard in the last second, 1/s
	LinkErrors = ".errors" // error frames in the last minute, 1/s
	LinkDrops  = ".drops"  // frames the kernel dropped since start, a count
	LinkUp     = ".up"     // 0 or 1
	LinkState  = ".state"  // of its controller: 0 not known, 1 active, 2 warning, 3 passive, 4 bus off
	LinkAlone  = ".alone"  // 0 or 1: one device repeats one frame for ever, because nobody acknowledges
)
