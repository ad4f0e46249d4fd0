// SPDX-License-Identifier: Apache-2.0

package config

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"airhold/sensors/units"
)

// Chips that airhold has drivers for.
const (
	chipADS1115 = "ads1115"
	chipMCP3008 = "mcp3008"
	chipMCP3208 = "mcp3208"
)

var (
	i2cPattern  = regexp.MustCompile(`^i2c-[0-9]{1,2}$`)
	spiPattern  = regexp.MustCompile(`^spi[0-9]\.[0-9]$`)
	pinPattern  = regexp.MustCompile(`^(gpiochip[0-9]{1,2}/[0-9]{1,3}|[A-Za-z][A-Za-z0-9_.-]{0,31})$`)
	linkPattern = regexp.MustCompile(`^[a-z][a-z0-9_.-]{0,14}$`) // Linux: at most 15 characters
	slugBreaks  = regexp.MustCompile(`[^a-z0-9]+`)
	slugPattern = regexp.MustCompile(`^[a-z0-9_][a-z0-9_-]{0,47}$`)
)

func knownBuses() []string { return []string{"i2c-0", "i2c-1", "spi0.0", "spi0.1", "spi1.0"} }

func (r *reader) wires(m *Machine, top object) {
	top.each("boards", func(e entry) {
		if r.goodName(e.at, "board", e.key) {
			r.board(m, e)
		}
	})
	top.each("links", func(e entry) { r.link(m, e) })
	top.each("dbcs", func(e entry) {
		file, ok := r.scalar(e.value, fmt.Sprintf("the file of DBC %q", e.key))
		if !ok || !r.goodName(e.at, "DBC", e.key) {
			return
		}
		at := placeOf(e.value)
		d := DBC{Name: e.key, File: file, At: Place{Line: at.line, Column: at.column}}
		r.places["dbcs."+e.key] = at
		d.Data = r.dbc(at, file)
		m.DBCs = append(m.DBCs, d)
	})
}

func (r *reader) dbc(at place, file string) []byte {
	var data []byte
	err := os.ErrNotExist
	if r.read != nil {
		data, err = r.read(file)
	}
	switch {
	case file == ownDBC && errors.Is(err, os.ErrNotExist):
		return bytes.Clone(exampleDBC)
	case r.read == nil:
	case errors.Is(err, os.ErrNotExist):
		r.fail(at, fmt.Sprintf("there is no file %q; a DBC stands beside the machine file, or is named with its whole path", file), "", "")
	case err != nil:
		r.fail(at, fmt.Sprintf("%q cannot be read: %v", file, err), "", "")
	case len(data) > maxDBCBytes:
		r.fail(at, fmt.Sprintf("%q is larger than %d MiB; no DBC of a machine is", file, maxDBCBytes>>20), "", "")
	}
	return data
}

func (r *reader) board(m *Machine, e entry) {
	o, ok := r.object(e.value, e.at, fmt.Sprintf("board %q", e.key), "boards."+e.key, "chip", "bus", "address", "vref", "range")
	if !ok {
		return
	}
	r.places["boards."+e.key] = e.at
	o.must("chip", "say which converter it is: "+chipADS1115+", "+chipMCP3008+", "+chipMCP3208)
	o.must("bus", "say where it is connected, as i2c-1 or spi0.0")
	b := Board{Name: e.key, Chip: o.word("chip", chipADS1115, chipMCP3008, chipMCP3208)}
	var badBus bool
	if b.Bus, ok = o.text("bus"); ok && !i2cPattern.MatchString(b.Bus) && !spiPattern.MatchString(b.Bus) {
		badBus = true
		r.fail(placeOf(o.have["bus"].value), fmt.Sprintf("unknown bus %q", b.Bus), strings.Join(knownBuses(), ", ")+" and others of these forms", nearest(b.Bus, knownBuses()))
	}
	switch b.Chip {
	case chipADS1115: // TI SBAS444: address 0x48 to 0x4b by its ADDR pin, six ranges
		if ok && !badBus && !i2cPattern.MatchString(b.Bus) {
			r.fail(placeOf(o.have["bus"].value), fmt.Sprintf("an ads1115 is an I2C chip and cannot be on %q", b.Bus), "i2c-0, i2c-1, ...", "")
		}
		if b.Address = 0x48; o.have["address"].value != nil {
			b.Address = o.count("address", 0x48, 0x4b, -1)
		}
		b.Range = units.Volts(o.si("range", units.Voltage, "0.256 V", "6.144 V", 6.144))
		if !slices.Contains([]units.Volts{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}, b.Range) {
			r.fail(placeOf(o.have["range"].value), "the ads1115 has no such \"range\"", "6.144 V, 4.096 V, 2.048 V, 1.024 V, 0.512 V, 0.256 V", "")
		}
		r.notFor(o, "ads1115", "vref")
	case chipMCP3008, chipMCP3208: // Microchip DS21295, DS21298: VREF 0.25 V to VDD, VDD 2.7 to 5.5 V
		if ok && !badBus && !spiPattern.MatchString(b.Bus) {
			r.fail(placeOf(o.have["bus"].value), fmt.Sprintf("an %s is an SPI chip and cannot be on %q", b.Chip, b.Bus), "spi0.0, spi0.1, ...", "")
		}
		o.must("vref", "its readings are shares of this voltage; measure it at the VREF pin")
		b.VRef = units.Volts(o.si("vref", units.Voltage, "0.25 V", "5.5 V", 0))
		r.notFor(o, b.Chip, "address", "range")
	}
	m.Boards = append(m.Boards, b)
}

func (r *reader) notFor(o object, chip string, keys ...string) {
	for _, k := range keys {
		if e, ok := o.have[k]; ok {
			r.fail(e.at, fmt.Sprintf("an %s has no %q", chip, k), "", "")
		}
	}
}

func bitrates() []string {
	return []string{"125 kbit/s", "250 kbit/s", "500 kbit/s", "1000 kbit/s"}
}

func (r *reader) link(m *Machine, e entry) {
	if !linkPattern.MatchString(e.key) {
		r.fail(e.at, fmt.Sprintf("%q cannot be the name of a CAN interface", e.key), "a name as the system shows it, as can0 or vcan0", "")
		return
	}
	l := Link{Name: e.key, Bitrate: 250000, Kind: "can"}
	r.places["links."+e.key] = e.at
	const slcan = "an slcan adapter cannot report whether it listens only, so airhold does not use it: it must never " +
		"disturb the machine's bus; use an adapter with a driver of its own"
	if strings.HasPrefix(e.key, "slcan") {
		r.fail(e.at, slcan, "can, vcan", "")
		return
	}
	if strings.HasPrefix(e.key, "vcan") {
		l.Kind = "vcan"
	}
	if _, null := r.resolve(e.value).(*ast.NullNode); null { // "can0:" alone: all defaults
		m.Links = append(m.Links, l)
		return
	}
	o, ok := r.object(e.value, e.at, fmt.Sprintf("link %q", e.key), "links."+e.key, "bitrate", "kind", "hear")
	if !ok {
		return
	}
	if s, ok := o.text("kind"); ok && s == "slcan" {
		r.fail(placeOf(o.have["kind"].value), slcan, "can, vcan", "")
	} else if w := o.word("kind", "can", "vcan"); w != "" {
		l.Kind = w
	}
	if s, ok := o.text("bitrate"); ok {
		at := placeOf(o.have["bitrate"].value)
		number, unit := units.Split(s)
		v, err := strconv.ParseFloat(number, 64)
		switch {
		case unit == "" && err == nil:
			r.fail(at, fmt.Sprintf("\"bitrate\" is %s without a unit", number), strings.Join(bitrates(), ", "), "")
		case err == nil && unit == "kbit/s" && slices.Contains([]float64{125, 250, 500, 1000}, v):
			l.Bitrate = int(v * 1000)
		default:
			r.fail(at, fmt.Sprintf("\"bitrate\" cannot be %q", s), strings.Join(bitrates(), ", "), nearest(s, bitrates()))
		}
	}
	l.Hear = r.hear(o)
	m.Links = append(m.Links, l)
}

// maxHeard keeps a link's filters below what the kernel takes, with room for those airhold adds.
const maxHeard = 400

// hear reads which parameter groups a link is limited to.
func (r *reader) hear(o object) []uint32 {
	const allowed = "a list of parameter group numbers (PGNs) from 0 to 262143, as [65265, 61444]; leave the key out to hear and record everything"
	var heard []uint32
	o.items("hear", func(_ int, n ast.Node) {
		s, ok := r.scalar(n, `an entry of "hear"`)
		if !ok {
			return
		}
		v, err := strconv.ParseUint(s, 0, 32)
		const most, broadcast = 0x3FFFF, 240
		switch {
		case err != nil || v > most:
			r.fail(placeOf(n), fmt.Sprintf("%q is no parameter group", s), allowed, "")
		case v>>8&0xFF < broadcast && v&0xFF != 0:
			r.fail(placeOf(n), fmt.Sprintf("there is no parameter group %s: the last byte of a group below 240 in its middle byte is its receiver", s), allowed, strconv.FormatUint(v&^0xFF, 10))
		case len(heard) == maxHeard:
			r.fail(placeOf(n), fmt.Sprintf("\"hear\" has more than %d groups", maxHeard), allowed, "")
		case !slices.Contains(heard, uint32(v)):
			heard = append(heard, uint32(v))
		}
	})
	if e, ok := o.have["hear"]; ok {
		if list, ok := r.resolve(e.value).(*ast.SequenceNode); ok && len(list.Values) == 0 {
			r.fail(e.at, "\"hear\" is an empty list, so nothing would be heard", allowed, "")
		}
	}
	return heard
}

func (r *reader) outlets(m *Machine, top object) {
	d := top.child("display", "pressure", "force", "flow", "temperature", "speed", "length", "language")
	for _, u := range []struct {
		key string
		dim units.Dim
		to  *units.Unit
		std string
	}{
		{"pressure", units.Pressure, &m.Display.Pressure, "kPa"},
		{"force", units.Force, &m.Display.Force, "N"},
		{"flow", units.FlowRate, &m.Display.Flow, "L/min"},
		{"temperature", units.Temperature, &m.Display.Temperature, "Cel"},
		{"speed", units.Speed, &m.Display.Speed, "km/h"},
		{"length", units.Length, &m.Display.Length, "m"},
	} {
		if std, err := units.ParseUnit(u.std, u.dim); err == nil {
			*u.to = std
		}
		if e, ok := d.have[u.key]; ok {
			if chosen, ok := r.unit(e.value, u.dim); ok {
				*u.to = chosen
			}
		}
	}
	m.Display.Language = "en"
	if w := d.word("language", "en"); w != "" {
		m.Display.Language = w
	}

	l := top.child("logging", "dir", "keep", "raw", "sync", "full")
	m.Logging = Logging{
		Dir: "/var/lib/airhold/log", Raw: l.yes("raw", true), Keep: l.duration("keep", "1 h", "4000 d", 0),
		Sync: l.duration("sync", "0.2 s", "10 s", time.Second), Full: l.si("full", units.Ratio, "50 %", "98 %", 0.85),
	}
	if s, ok := l.text("dir"); ok {
		m.Logging.Dir = s
	}

	q := top.child("mqtt", "broker", "id", "username", "password_file", "listen")
	m.MQTT = MQTT{ID: slug(m.Name), Listen: "127.0.0.1:1883"}
	if s, ok := q.text("broker"); ok {
		m.MQTT.Broker = s
		if !brokerForm(s) {
			r.fail(placeOf(q.have["broker"].value), fmt.Sprintf("%q is no address of a broker", s), "tcp://host:port or ssl://host:port; leave the key out for the broker inside the box", "")
		}
	}
	if s, ok := q.text("id"); ok {
		m.MQTT.ID = s
		if !slugPattern.MatchString(s) {
			r.fail(placeOf(q.have["id"].value), fmt.Sprintf("%q cannot stand in a topic", s), "up to 48 of: small letters, digits, _ and -", nearest(s, []string{slug(s)}))
		}
	}
	m.MQTT.Username, _ = q.text("username")
	m.MQTT.Password, _ = q.text("password_file")
	if s, ok := q.text("listen"); ok {
		m.MQTT.Listen = s
		if s != "off" && s != "false" {
			r.address(q, "listen", s, "host:port as 127.0.0.1:1883, or off")
		} else {
			m.MQTT.Listen = "off"
		}
	}

	p := top.child("page", "listen", "hosts", "view")
	m.Page = Page{Listen: "127.0.0.1:8080", Hosts: p.names("hosts"), View: "open"}
	if v := p.word("view", "open", "paired"); v != "" {
		m.Page.View = v
	}
	if s, ok := p.text("listen"); ok {
		m.Page.Listen = s
		r.address(p, "listen", s, "host:port as 127.0.0.1:8080")
	}

	b := top.child("box", "hot_limit", "sysfs", "ignition", "box_voltage", "sounder")
	m.Box = Box{HotLimit: units.Kelvin(b.si("hot_limit", units.Temperature, "40 Cel", "110 Cel", 75+273.15)), Sysfs: "/"}
	if s, ok := b.text("sysfs"); ok {
		m.Box.Sysfs = s
	}
	m.Box.Ignition, _ = b.text("ignition")
	m.Box.BoxVoltage, _ = b.text("box_voltage")
	if _, ok := b.have["sounder"]; ok {
		o := b.child("sounder", "pin", "active")
		o.must("pin", "say which pin of the box the sounder hangs on")
		m.Box.Sounder.ActiveLow = o.word("active", "high", "low") == "low"
		if s, ok := o.text("pin"); ok {
			if !pinPattern.MatchString(s) {
				r.fail(placeOf(o.have["pin"].value), fmt.Sprintf("%q is no name of a pin", s), "the kernel's name as GPIO17, or chip and line as gpiochip0/17; gpioinfo lists them", "")
			} else {
				m.Box.Sounder.Pin = s
			}
		}
	}

	top.items("users", func(i int, n ast.Node) {
		o, ok := r.object(n, placeOf(n), fmt.Sprintf("user %d", i+1), fmt.Sprintf("users[%d]", i), "name", "role")
		if !ok {
			return
		}
		o.must("name", "say who it is")
		o.must("role", "say what they may do: view, operate or service")
		name, _ := o.text("name")
		m.Users = append(m.Users, User{Name: name, Role: o.word("role", "view", "operate", "service")})
	})
}

func (r *reader) address(o object, key, s, allowed string) {
	_, port, err := net.SplitHostPort(s)
	if n, perr := strconv.Atoi(port); err != nil || perr != nil || n < 0 || n > 65535 {
		r.fail(placeOf(o.have[key].value), fmt.Sprintf("%q is no address to listen on", s), allowed, "")
	}
}

func brokerForm(s string) bool {
	scheme, rest, ok := strings.Cut(s, "://")
	if !ok || !slices.Contains([]string{"tcp", "ssl"}, scheme) {
		return false
	}
	host, port, err := net.SplitHostPort(rest)
	n, perr := strconv.Atoi(port)
	return err == nil && host != "" && perr == nil && n > 0 && n <= 65535
}

// slug makes a topic segment from a name: "Kettle Ridge 16" is kettle-ridge-16.
func slug(name string) string {
	s := strings.Trim(slugBreaks.ReplaceAllString(strings.ToLower(name), "-"), "-")
	if len(s) > 48 {
		s = strings.TrimRight(s[:48], "-")
	}
	if s == "" {
		return "machine"
	}
	return s
}
