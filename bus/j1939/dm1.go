// SPDX-License-Identifier: Apache-2.0

package j1939

// Lamp is the state of one warning lamp of a DM1 message (J1939-73), two bits.
type Lamp uint8

// The lamp states in the order of their two-bit codes.
const (
	LampOff Lamp = iota
	LampOn
	LampError
	LampNotAvailable
)

// String returns the word that stands in messages and files.
func (l Lamp) String() string {
	switch l {
	case LampOff:
		return "off"
	case LampOn:
		return "on"
	case LampError:
		return "error"
	default:
		return "not_available"
	}
}

// Lamps are the four warning lamps a device asks for.
type Lamps struct {
	Malfunction, RedStop, AmberWarning, Protect Lamp
}

// DTC is one diagnostic trouble code.
type DTC struct {
	SPN   uint32 // suspect parameter number, 19 bits, read in the layout in force since 1996 (conversion 0)
	FMI   uint8  // failure mode identifier, 0 to 31
	Count uint8  // how often it came, 0 to 126; 127 means not known

	// Conversion is the SPN conversion method bit. 1 says the sender uses one of three old layouts, which the
	// message does not tell apart: SPN is then only sure if the sender is of the third kind.
	Conversion uint8
}

// CountKnown reports whether Count is a count.
func (d DTC) CountKnown() bool { return d.Count != 127 }

// DM1 holds the active trouble codes of one device.
type DM1 struct {
	Lamps Lamps
	Flash Lamps // how the lamps flash: 0 slow, 1 fast, 2 reserved, 3 steady or not available
	DTCs  []DTC // empty when the device has no active fault
}

// ParseDM1 reads a DM1 (or DM2) payload, appending its codes to into. A code of all zero bits means "no fault", one
// of all one bits is filling; neither is returned. An incomplete last code is left out. It reports false when data
// is too short to hold the lamps.
func ParseDM1(data []byte, into []DTC) (DM1, bool) {
	if len(data) < 2 {
		return DM1{}, false
	}
	d := DM1{Lamps: lamps(data[0]), Flash: lamps(data[1]), DTCs: into}
	for b := data[2:]; len(b) >= 4; b = b[4:] {
		none := b[0]|b[1]|b[2] == 0
		filling := b[0]&b[1]&b[2] == 0xFF
		if none || filling {
			continue
		}
		d.DTCs = append(d.DTCs, DTC{
			SPN:        uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2]&0xE0)<<11,
			FMI:        b[2] & 0x1F,
			Conversion: b[3] >> 7,
			Count:      b[3] & 0x7F,
		})
	}
	return d, true
}

func lamps(b byte) Lamps {
	return Lamps{
		Malfunction:  Lamp(b >> 6 & 3),
		RedStop:      Lamp(b >> 4 & 3),
		AmberWarning: Lamp(b >> 2 & 3),
		Protect:      Lamp(b & 3),
	}
}
