// SPDX-License-Identifier: Apache-2.0

// Package j1939 reads the network layer that SAE J1939-21/-73/-81, ISO 11783-3/-5 and NMEA 2000 share: identifiers,
// messages longer than one frame, names of devices, trouble codes.
//
// Words: a PGN is the number of a parameter group (what a message is about); a source or destination is the one-byte
// address of a device; a NAME is the 64-bit identity behind an address; a session is one message that travels in
// several frames; a session is broken when it was announced, or seen in part, and never became whole.
//
// The package only listens. It answers nothing, so it can neither ask for a lost packet again nor refuse a transfer.
// It never reads a clock: sessions age by the times in the frames.
//
// Sources: the layouts were taken from open implementations that agree with each other (AgIsoStack++, python-can-j1939,
// canboat, J1939-Framework) and from public digests; the SAE and ISO texts themselves were not at hand.
package j1939

// Well-known addresses and parameter groups of the network layer.
const (
	Global = 255 // destination of a message meant for everybody
	Null   = 254 // source of a device that has no address

	PGNRequest      = 0xEA00
	PGNAcknowledge  = 0xE800
	PGNAddressClaim = 0xEE00
	PGNDM1          = 0xFECA

	pgnTransport     = 0xEC00 // TP.CM
	pgnTransportData = 0xEB00 // TP.DT
	pgnExtended      = 0xC800 // ETP.CM
	pgnExtendedData  = 0xC700 // ETP.DT
)

// ID is a 29-bit identifier taken apart.
type ID struct {
	PGN         uint32 // 18 bits: extended data page, data page, format, and the group extension where there is one
	Priority    uint8  // 0 (first) to 7
	Source      uint8
	Destination uint8 // Global for groups that carry no destination
}

// Split takes a 29-bit identifier apart. A format byte below 240 makes the next byte a destination, which is no part
// of the PGN.
func Split(id uint32) ID {
	out := ID{
		PGN:         id >> 8 & 0x3FFFF,
		Priority:    uint8(id >> 26 & 7),
		Source:      uint8(id & 0xFF),
		Destination: Global,
	}
	if out.PGN>>8&0xFF < 240 {
		out.Destination = uint8(out.PGN & 0xFF)
		out.PGN &^= 0xFF
	}
	return out
}

// CAN puts the identifier together again. Bits beyond a field's width are dropped.
func (i ID) CAN() uint32 {
	pgn := i.PGN & 0x3FFFF
	if pgn>>8&0xFF < 240 {
		pgn = pgn&^0xFF | uint32(i.Destination)
	}
	return uint32(i.Priority&7)<<26 | pgn<<8 | uint32(i.Source)
}
