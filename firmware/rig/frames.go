// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"encoding/binary"
	"math"
	"time"

	"go.einride.tech/can"

	"airhold/bus"
)

// Who is on the simulated bus. The NAMEs are invented: maker code 2047, function "not available" but for the engine's.
const (
	addrEngine  = 0x00
	addrControl = 0x10 // the machine's rank control
	addrGNSS    = 0x1c
	addrTractor = 0xf0
)

// The invented field: an empty stretch of desert where nobody plants anything.
const (
	originLat   = 21.5
	originLon   = 10.5
	metresToDeg = 1 / 111195.0
)

// place is where the machine is, in degrees.
func (m *model) place() (lat, lon float64) {
	return originLat + m.drive.y*metresToDeg, originLon + m.drive.x*metresToDeg/math.Cos(originLat*math.Pi/180)
}

// wireTime is how long one extended 8-byte frame takes at 250 kbit/s (131 bits unstuffed): frames of one tick follow
// each other at that distance.
const wireTime = 524 * time.Microsecond

// mostFrames is how many frames wait for Due, about ten minutes of them. Beyond that the older half goes, and is
// counted.
const mostFrames = 1 << 16

// talk is one message of the bus: every so many ticks, at a phase of its own, built from the machine.
type talk struct {
	every, phase int64
	id           uint32
	build        func(r *Rig) ([8]byte, bool) // false: not now
}

// talks lists the periodic messages. PGNs, byte places and scales are those of SAE J1939-71, ISO 11783-7 and NMEA 2000
// as public decoders agree on them; the rank message is the one of config/example.dbc.
func talks() []talk {
	return []talk{
		{10, 0, 0x0cf022f0, selectedSpeed},
		{10, 1, 0x0cfe48f0, wheelSpeed},
		{10, 2, 0x0cfe49f0, groundSpeed},
		{10, 3, 0x0cfe45f0, rearHitch},
		{5, 4, 0x0cf00400, engineSpeed},
		{10, 5, 0x09f8011c, position},
		{10, 6, 0x09f8021c, courseSpeed},
		{20, 8, 0x18ff2a10, rankTargets},
		{100, 10, 0x18fee500, engineHours},
		{100, 21, 0x18fef500, ambient},
		{100, 32, 0x18fef700, battery},
		{100, 43, 0x18fee61c, timeDate},
		{100, 54, 0x0df0101c, systemTime},
		{100, 65, 0x18feca00, func(*Rig) ([8]byte, bool) { return noCodes(), true }},
		{100, 76, 0x18feca10, func(r *Rig) ([8]byte, bool) { return noCodes(), !r.m.codes }},
		{100, 76, 0x1cecff10, codesPart(0)},
		{100, 82, 0x1cebff10, codesPart(1)},
		{100, 88, 0x1cebff10, codesPart(2)},
	}
}

// claims are the address claims at key-on.
func claims() []can.Frame {
	claim := func(addr uint8, identity, function, class, industry uint64) can.Frame {
		const maker = 2047
		name := identity&0x1fffff | maker<<21 | function<<40 | class<<49 | industry<<60 | 1<<63
		f := can.Frame{ID: 0x18eeff00 | uint32(addr), Length: 8, IsExtended: true}
		binary.LittleEndian.PutUint64(f.Data[:], name)
		return f
	}
	return []can.Frame{
		claim(addrEngine, 101, 0, 0, 0),
		claim(addrTractor, 102, 255, 1, 2),
		claim(addrGNSS, 103, 255, 0, 2),
		claim(addrControl, 104, 255, 4, 2),
	}
}

// speak puts the frames due at the present tick into the queue. After key-off the bus stays awake for three seconds.
func (r *Rig) speak() {
	m := &r.m
	if !m.key {
		if r.awake > 0 {
			r.awake--
		}
	} else {
		if r.awake == 0 {
			for _, f := range claims() {
				r.queue(f)
			}
		}
		r.awake = 300
	}
	if r.awake == 0 {
		r.inTick = 0
		return
	}
	for i := range r.talks {
		t := &r.talks[i]
		if m.ticks%t.every != t.phase%t.every {
			continue
		}
		if data, ok := t.build(r); ok {
			r.queue(can.Frame{ID: t.id, Length: 8, Data: data, IsExtended: true})
		}
	}
	r.inTick = 0
}

func (r *Rig) queue(f can.Frame) {
	at := time.Duration(r.m.ticks)*tickTime + time.Duration(r.inTick)*wireTime
	r.inTick++
	if r.m.silent {
		return
	}
	if len(r.frames) >= mostFrames {
		r.lost += mostFrames / 2
		r.frames = append(r.frames[:0], r.frames[mostFrames/2:]...)
	}
	r.frames = append(r.frames, bus.Frame{Frame: f, Boot: at - r.o.Skip})
}

// Due appends to buf the frames that were due since the last call up to rig time now, in order, and returns it. Boot is
// the exact rig time at which a frame was due, UTC is zero, Link is zero. At most about ten minutes are kept: LostFrames
// counts what nobody fetched.
func (r *Rig) Due(now time.Duration, buf []bus.Frame) []bus.Frame {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance(now)
	n := 0
	for n < len(r.frames) && r.frames[n].Boot <= now {
		n++
	}
	buf = append(buf, r.frames[:n]...)
	r.frames = append(r.frames[:0], r.frames[n:]...)
	return buf
}

// LostFrames returns how many frames were thrown away because nobody fetched them.
func (r *Rig) LostFrames() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.lost
}

// empty is a frame in which nothing is available.
func empty() [8]byte { return [8]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff} }

// put16 writes value/step at byte i (from 0), held inside the valid range of a 16-bit J1939 parameter.
func put16(d *[8]byte, i int, value, step float64) {
	binary.LittleEndian.PutUint16(d[i:], uint16(math.Round(math.Max(0, math.Min(0xfaff, value/step)))))
}

func put8(d *[8]byte, i int, value, step float64) {
	d[i] = byte(math.Round(math.Max(0, math.Min(0xfa, value/step))))
}

// wayWrap is where the distance of the speed messages starts again, m.
const wayWrap = 4211081.215

func speedAndWay(speed, way float64) [8]byte {
	d := empty()
	put16(&d, 0, speed, 0.001)
	binary.LittleEndian.PutUint32(d[2:], uint32(math.Mod(way, wayWrap)*1000))
	return d
}

func selectedSpeed(r *Rig) ([8]byte, bool) {
	d := speedAndWay(r.m.drive.speed, r.m.drive.travelled)
	d[7] = 1<<2 | 1 // not limited, source ground, forward
	return d, true
}

// wheelSlip is how much faster the wheels turn than the machine moves.
const wheelSlip = 1.04

func wheelSpeed(r *Rig) ([8]byte, bool) {
	d := speedAndWay(r.m.drive.speed*wheelSlip, r.m.drive.travelled*wheelSlip)
	d[7] = 3<<4 | 1 // not reversed, start/stop not available, key, forward
	if r.m.key {
		d[7] |= 1 << 2
	}
	return d, true
}

func groundSpeed(r *Rig) ([8]byte, bool) {
	d := speedAndWay(r.m.drive.speed, r.m.drive.travelled)
	d[7] = 0xfc | 1
	return d, true
}

func rearHitch(r *Rig) ([8]byte, bool) {
	d := empty()
	put8(&d, 0, 10+80*r.m.drive.raised, 0.4)
	d[1] = 0x3f
	if r.m.drive.inWork() {
		d[1] |= 1 << 6
	}
	return d, true
}

func engineSpeed(r *Rig) ([8]byte, bool) {
	d := empty()
	torque := 0.0
	if r.m.engine {
		torque = 12 + 40*r.m.drive.speed/workSpeed
	}
	d[0] = 0xf0
	put8(&d, 1, torque+125, 1)
	put8(&d, 2, torque+125, 1)
	put16(&d, 3, r.m.drive.rpm, 0.125)
	return d, true
}

func position(r *Rig) ([8]byte, bool) {
	var d [8]byte
	lat, lon := r.m.place()
	binary.LittleEndian.PutUint32(d[0:], uint32(int32(math.Round(lat*1e7)))) //nolint:gosec // two's complement is meant
	binary.LittleEndian.PutUint32(d[4:], uint32(int32(math.Round(lon*1e7)))) //nolint:gosec // two's complement is meant
	return d, true
}

func courseSpeed(r *Rig) ([8]byte, bool) {
	d := empty()
	d[1] = 0xfc // true north
	course := math.Mod(r.m.drive.heading+4*math.Pi, 2*math.Pi)
	put16(&d, 2, course, 1e-4)
	put16(&d, 4, r.m.drive.speed, 0.01)
	return d, true
}

func rankTargets(r *Rig) ([8]byte, bool) {
	d := empty()
	if r.m.control {
		put16(&d, 0, r.m.asks(0)/1000, 0.1)
		put16(&d, 2, r.m.asks(1)/1000, 0.1)
		put16(&d, 4, wantedLoad, 1)
	}
	return d, true
}

func engineHours(r *Rig) ([8]byte, bool) {
	d := empty()
	binary.LittleEndian.PutUint32(d[0:], uint32(r.m.hours/0.05))
	return d, true
}

func ambient(r *Rig) ([8]byte, bool) {
	d := empty()
	put8(&d, 0, r.m.weather.baro/1000, 0.5)
	put16(&d, 1, 22+273, 0.03125)
	put16(&d, 3, r.m.weather.kelvin-0.15, 0.03125) // the scale counts 273, not 273.15
	put8(&d, 5, r.m.weather.kelvin-273.15+8+40, 1)
	return d, true
}

func battery(r *Rig) ([8]byte, bool) {
	d := empty()
	put16(&d, 4, r.m.machineVolts(), 0.05)
	put16(&d, 6, r.m.machineVolts()-0.2, 0.05)
	return d, true
}

func timeDate(r *Rig) ([8]byte, bool) {
	at := r.clock()
	utc := at.UTC()
	_, east := at.Zone() // s
	var d [8]byte
	for i, v := range [8]int{
		utc.Second()*4 + utc.Nanosecond()/250e6, utc.Minute(), utc.Hour(), int(utc.Month()), utc.Day() * 4,
		utc.Year() - 1985, east/60%60 + 125, east/3600 + 125,
	} {
		d[i] = byte(v & 0xff)
	}
	return d, true
}

func systemTime(r *Rig) ([8]byte, bool) {
	utc := r.clock().UTC()
	d := empty()
	d[1] = 0xf0 // from GNSS
	midnight := utc.Truncate(24 * time.Hour)
	binary.LittleEndian.PutUint16(d[2:], uint16(midnight.Unix()/86400)) //nolint:gosec // days since 1970 fit until 2149
	binary.LittleEndian.PutUint32(d[4:], uint32(utc.Sub(midnight)/(100*time.Microsecond)&0xffffffff))
	return d, true
}

// noCodes is DM1 without an active fault: lamps off, flashing not available, SPN 0, FMI 0.
func noCodes() [8]byte { return [8]byte{0, 0xff, 0, 0, 0, 0, 0xff, 0xff} }

// codesPart returns a part of the rank control's DM1 with two faults, sent as a broadcast (BAM): amber lamp, SPN 520201
// FMI 1 once, SPN 520202 FMI 16 three times. Both numbers are from the range left to makers, and invented.
func codesPart(part int) func(*Rig) ([8]byte, bool) {
	text := [14]byte{
		0x04, 0xff, 0x09, 0xf0, 0xe1, 1, 0x0a, 0xf0, 0xf0, 3,
		0xff, 0xff, 0xff, 0xff,
	}
	const size = 10
	d := [8]byte{0x20, size, 0, 2, 0xff, 0xca, 0xfe, 0x00}
	if part > 0 {
		d[0] = byte(part) //nolint:gosec // 1 or 2
		copy(d[1:], text[(part-1)*7:part*7])
	}
	return func(r *Rig) ([8]byte, bool) { return d, r.m.codes }
}
