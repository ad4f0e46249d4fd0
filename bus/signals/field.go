// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"airhold/sensors/units"
)

// rule says which codes of a field are no values.
type rule uint8

const (
	plain       rule = iota // every code is a value
	ruleJ1939               // J1939-71 and ISO 11783-7 ranges
	ruleAddress             // a device address: 254 is nobody, 255 not available
	ruleFloat               // IEEE 754: all ones not available
	ruleMarine              // NMEA 2000: all ones not available, then error, then reserved; signed: from the positive end
)

// layout is one message of the catalogue or of a DBC.
type layout struct {
	key      string
	source   string // where the layout was found, for the reader of the catalogue
	fields   []field
	selector *field             // picks a variant by its code
	variants map[uint64][]field // further signals by that code
	taken    []uint8            // senders for which the same file has another message of this group
	pgn      uint32
	id       uint32 // exact identifier, for DBC messages that are no parameter groups
	extended bool
	byPGN    bool
	shared   bool // the file has several messages of this group, told apart by their senders
	ownOnly  bool // of a shared group: only from the sender in id
}

// sender reports whether a message of the layout's group is this layout's when source sent it.
func (l *layout) sender(source uint8) bool {
	if !l.shared {
		return true
	}
	own := source == uint8(l.id&0xFF)
	return own || !l.ownOnly && !slices.Contains(l.taken, source)
}

// field is one signal of a layout: where it is, which codes are values, and how they scale.
type field struct {
	key       string
	words     []string          // meaning by code; "" has none
	meanings  map[uint64]string // the same for sparse codes
	gates     []gate            // all must hold, or the signal is not there
	unit      units.Unit
	reference units.Reference
	factor    float64
	offset    float64
	low, high float64 // what is possible; no limit where high is not above low
	spn       uint32
	start     uint16 // first bit: the lowest one, or in big-endian fields the highest, counted as in a DBC
	bits      uint8
	kind      Kind
	form      form
	rule      rule
	beyond    Status // what a value outside low to high is; Reserved where it is OK
	big       bool
	signed    bool
	meant     bool // a code with a meaning is a value, unless the meaning says that it is none
}

// form says how the code is built where it is not one integer.
type form uint8

const (
	integer   form = iota
	float          // IEEE 754
	dateParts      // month, quarter days, year-1985, a byte each
	timeParts      // quarter seconds, minutes, hours, a byte each
)

// gate is a condition on another field of the same message.
type gate struct {
	on     *field
	ranges [][2]uint64
}

// open reports whether the signal is in this message.
func (f *field) open(data []byte) bool {
	for i := range f.gates {
		g := &f.gates[i]
		code, ok := g.on.raw(data)
		if !ok {
			return false
		}
		hit := false
		for _, r := range g.ranges {
			hit = hit || code >= r[0] && code <= r[1]
		}
		if !hit {
			return false
		}
	}
	return true
}

// raw returns the field's bits, and false when the message is too short to hold them.
func (f *field) raw(data []byte) (uint64, bool) {
	start, n := uint(f.start), uint(f.bits)
	if f.big {
		start = start&^7 | 7 - start&7 // count from the first byte's top bit
		if start+n > uint(len(data))*8 {
			return 0, false
		}
		if start+n <= 64 && len(data) >= 8 {
			return binary.BigEndian.Uint64(data) >> (64 - start - n) & (1<<n - 1), true
		}
		var v uint64
		for i := start; i < start+n; i++ {
			v = v<<1 | uint64(data[i>>3]>>(7-i&7)&1)
		}
		return v, true
	}
	if start+n > uint(len(data))*8 {
		return 0, false
	}
	if start+n <= 64 && len(data) >= 8 {
		return binary.LittleEndian.Uint64(data) >> start & (1<<n - 1), true
	}
	first, shift := start>>3, start&7
	v := uint64(data[first]) >> shift
	for i := uint(1); i*8 < n+shift; i++ {
		v |= uint64(data[first+i]) << (i*8 - shift)
	}
	return v & (1<<n - 1), true // a shift by 64 gives 0, and 0-1 all ones
}

// read returns the signal in its own unit with its bits.
func (f *field) read(data []byte) (written float64, code uint64, st Status) {
	code, ok := f.raw(data)
	if !ok {
		return 0, 0, Absent
	}
	written, st = f.scale(code)
	return written, code, st
}

// scale turns bits into the signal's own unit.
func (f *field) scale(code uint64) (written float64, st Status) {
	if st = f.status(code); st != OK {
		return 0, st
	}
	switch f.form {
	case float:
		written = math.Float64frombits(code)
		if f.bits == 32 {
			written = float64(math.Float32frombits(uint32(code))) //nolint:gosec // 32 bits were read
		}
	case dateParts:
		written, st = days(code)
	case timeParts:
		written, st = daySeconds(code)
	case integer:
		written = float64(code)
		if f.signed {
			written = float64(f.sign(code))
		}
	}
	if st != OK {
		return 0, st
	}
	written = float64(written*f.factor) + f.offset // the conversion forbids a fused product: every machine gets the same
	if math.IsNaN(written) || math.IsInf(written, 0) || f.kind == TimeOfDay && written >= 86401 {
		return 0, Reserved
	}
	if f.high > f.low && (written < f.low-tolerance(f) || written > f.high+tolerance(f)) {
		return 0, f.outside()
	}
	return written, OK
}

func (f *field) outside() Status {
	if f.beyond == OK {
		return Reserved
	}
	return f.beyond
}

func tolerance(f *field) float64 { return math.Abs(f.factor) / 2 }

func (f *field) sign(code uint64) int64 {
	shift := 64 - f.bits
	return int64(code<<shift) >> shift //nolint:gosec // two's complement is what is wanted
}

// status tells values from the codes that stand for the lack of one.
func (f *field) status(code uint64) Status {
	ones := uint64(1)<<f.bits - 1
	switch {
	case f.rule == plain:
		return OK
	case f.meant && f.meansValue(code):
		return OK
	case f.rule == ruleMarine && f.signed:
		switch ones>>1 - code {
		case 0:
			return NotAvailable
		case 1:
			return Error
		default:
			return OK
		}
	case code == ones:
		return NotAvailable
	case f.rule == ruleAddress || f.rule == ruleFloat:
		return OK
	case f.bits == 2 && code == 2 && !f.hasWord(code):
		return Error
	case f.rule == ruleMarine:
		switch {
		case f.bits < 4:
			return OK
		case code == ones-1:
			return Error
		case code == ones-2:
			return Reserved
		}
		return OK
	case f.bits >= 8 && f.bits%8 == 0:
		return byTopByte(uint8(code >> (f.bits - 8))) //nolint:gosec // the shift leaves 8 bits
	case f.bits >= 4 && code == ones-1 && !f.hasWord(code):
		return Error
	case f.words != nil && !f.hasWord(code):
		return Reserved
	default:
		return OK
	}
}

// meansValue reports whether the file gives code a meaning that is not one of the ways to say "no value".
func (f *field) meansValue(code uint64) bool {
	text, ok := f.meanings[code]
	if !ok {
		return false
	}
	text = strings.ToLower(strings.TrimSpace(text))
	if text == "na" || text == "sna" || text == "n/a" || text == "" {
		return false
	}
	for _, none := range []string{
		"available", "error", "fault", "reserved", "invalid", "undefined", "not defined", "no action", "don't care", "do not care", "unused",
	} {
		if strings.Contains(text, none) {
			return false
		}
	}
	return true
}

func (f *field) hasWord(code uint64) bool { return code < uint64(len(f.words)) && f.words[code] != "" }

// byTopByte is J1939-71's rule for whole bytes: valid to 0xFA, special to 0xFD, 0xFE error, 0xFF not available.
func byTopByte(b uint8) Status {
	switch {
	case b <= 0xFA:
		return OK
	case b == 0xFF:
		return NotAvailable
	case b == 0xFE:
		return Error
	default:
		return Reserved
	}
}

// value reads the signal for people and files.
func (f *field) value(data []byte) Value {
	v := Value{Key: f.key, SPN: f.spn, Unit: f.unit, Reference: f.reference, Kind: f.kind}
	written, code, st := f.read(data)
	v.Status = st
	if st != OK {
		return v
	}
	v.Written = written
	v.SI = f.si(written)
	switch f.kind {
	case Date:
		v.Text = time.Unix(int64(v.SI), 0).UTC().Format(time.DateOnly)
	case TimeOfDay:
		n := int64(math.Round(written * 1e4))
		v.Text = fmt.Sprintf("%02d:%02d:%02d.%04d", n/36000000, n/600000%60, n/10000%60, n%10000)
	case Enumeration:
		if code < uint64(len(f.words)) {
			v.Text = f.words[code]
		}
		if t, ok := f.meanings[code]; ok {
			v.Text = t
		}
	case Number:
	}
	return v
}

func (f *field) si(written float64) float64 {
	if f.unit.IsZero() {
		return written
	}
	return f.unit.SI(written)
}

// days reads month, quarter days and year (each a byte, lowest first) into days since 1970. A day's four quarters all
// mean that day; zero, and days the month does not have, mean nothing.
func days(code uint64) (float64, Status) {
	st := parts(code)
	if st != OK {
		return 0, st
	}
	month, quarters, year := int(code&0xFF), int(code>>8&0xFF), int(code>>16&0xFF)+1985
	t := time.Date(year, time.Month(month), (quarters+3)/4, 0, 0, 0, 0, time.UTC)
	if month < 1 || month > 12 || quarters < 1 || t.Month() != time.Month(month) {
		return 0, Reserved
	}
	return float64(t.Unix() / 86400), OK
}

// daySeconds reads quarter seconds, minutes and hours (each a byte, lowest first) into seconds since midnight.
func daySeconds(code uint64) (float64, Status) {
	st := parts(code)
	if st != OK {
		return 0, st
	}
	quarters, minutes, hours := code&0xFF, code>>8&0xFF, code>>16&0xFF
	if quarters > 243 || minutes > 59 || hours > 23 { // 60.75 s leaves room for a leap second
		return 0, Reserved
	}
	return float64(hours*3600+minutes*60) + float64(quarters)/4, OK
}

// parts gives the worst status of three bytes.
func parts(code uint64) Status {
	worst := OK
	for range 3 {
		if st := byTopByte(uint8(code & 0xFF)); worst == OK || st == NotAvailable {
			worst = st
		}
		code >>= 8
	}
	return worst
}
