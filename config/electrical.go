// SPDX-License-Identifier: Apache-2.0

package config

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"

	"airhold/sensors/units"
)

func (c *checked) board(name string) (Board, bool) {
	for _, b := range c.m.Boards {
		if b.Name == name {
			return b, true
		}
	}
	return Board{}, false
}

func (b Board) inputs() int {
	if b.Chip == chipADS1115 {
		return 4
	}
	return 8
}

// analog calls f for every channel that an ADC feeds and that names a board.
func (c *checked) analog(f func(ch Channel, path string)) {
	for _, ch := range c.m.Channels {
		if ch.Kind == FromADC && ch.ADC.Board != "" {
			f(ch, "channels."+ch.ID+".source.adc.")
		}
	}
}

func boardInputs(c *checked) {
	var names []string
	for _, b := range c.m.Boards {
		names = append(names, b.Name)
	}
	c.analog(func(ch Channel, path string) {
		b, ok := c.board(ch.ADC.Board)
		switch {
		case !ok && c.places["boards."+ch.ADC.Board] != (place{}):
			// the board is there and was refused for another reason
		case !ok && len(names) == 0:
			c.fail(c.at(path+"board"), fmt.Sprintf("there is no board %q: the file lists no \"boards\"", ch.ADC.Board), "", "")
		case !ok:
			c.fail(c.at(path+"board"), fmt.Sprintf("there is no board %q", ch.ADC.Board), strings.Join(names, ", "), nearest(ch.ADC.Board, names))
		case b.Chip != "" && ch.ADC.Input >= b.inputs():
			c.fail(c.at(path+"input"), fmt.Sprintf("an %s has no input %d", b.Chip, ch.ADC.Input), fmt.Sprintf("0 to %d", b.inputs()-1), "")
		}
	})
}

func inputsOnce(c *checked) {
	owner := map[string]string{}
	c.analog(func(ch Channel, path string) {
		if _, written := c.places[path+"input"]; !written {
			return
		}
		key := fmt.Sprintf("%s/%d", ch.ADC.Board, ch.ADC.Input)
		if was, taken := owner[key]; taken {
			c.fail(c.at(path+"input"), fmt.Sprintf("input %d of board %q feeds channel %q already", ch.ADC.Input, ch.ADC.Board, was), "one channel an input", "")
		}
		owner[key] = ch.ID
	})
}

// boardRates holds the sum of a board's channels to what its one converter can do: 860 conversions a second for an
// ADS1115 (TI SBAS444); the MCP320x parts are faster than any machine needs.
func boardRates(c *checked) {
	const most = 860
	sum := map[string]float64{}
	c.analog(func(ch Channel, path string) {
		b, ok := c.board(ch.ADC.Board)
		if !ok || b.Chip != chipADS1115 {
			return
		}
		before := sum[b.Name]
		sum[b.Name] += ch.ADC.Rate
		if before <= most && sum[b.Name] > most {
			c.fail(c.at(path+"rate", path+"input"), fmt.Sprintf("the channels of board %q ask for %.0f conversions a second, and an ads1115 does %d in all", b.Name, sum[b.Name], most), "", "")
		}
	})
}

func boardAddresses(c *checked) {
	owner := map[string]string{}
	for _, b := range c.m.Boards {
		key := b.Bus
		if b.Chip == chipADS1115 {
			key = fmt.Sprintf("%s address 0x%02x", b.Bus, b.Address)
		}
		if was, taken := owner[key]; taken && b.Bus != "" && b.Address >= 0 {
			c.fail(c.at("boards."+b.Name+".address", "boards."+b.Name+".bus", "boards."+b.Name), fmt.Sprintf("board %q is at %s, and so is board %q", b.Name, key, was), "one board at each address", "")
		}
		owner[key] = b.Name
	}
}

func canSources(c *checked) {
	var links, dbcs []string
	for _, l := range c.m.Links {
		links = append(links, l.Name)
	}
	for _, d := range c.m.DBCs {
		dbcs = append(dbcs, d.Name)
	}
	for _, ch := range c.m.Channels {
		if ch.Kind != FromCAN {
			continue
		}
		path := "channels." + ch.ID + ".source.can."
		c.oneOf(path+"link", "link", "links", ch.CAN.Link, links)
		c.oneOf(path+"dbc", "DBC", "dbcs", ch.CAN.DBC, dbcs)
	}
}

func (c *checked) oneOf(path, what, section, name string, known []string) {
	if name == "" || c.places[section+"."+name] != (place{}) {
		return
	}
	if len(known) == 0 {
		c.fail(c.at(path), fmt.Sprintf("there is no %s %q: the file lists no %q", what, name, section), "", "")
		return
	}
	c.fail(c.at(path), fmt.Sprintf("there is no %s %q", what, name), strings.Join(known, ", "), nearest(name, known))
}

// needs says which keys a kind of transducer must have, and which it may have besides kind, offset, gain, divider_ratio.
func (k TransducerKind) needs() (must, may []string) {
	switch k {
	case Ratiometric:
		return []string{"low", "high"}, []string{"supply"}
	case ZeroToFive:
		return []string{"low", "high"}, nil
	case FourTwenty:
		return []string{"low", "high", "shunt"}, nil
	case Divider:
		return []string{"pull", "table"}, []string{"supply"}
	case Contact:
		return nil, []string{"supply", "pull"}
	default:
		return nil, nil
	}
}

func transducerKeys(c *checked) {
	c.analog(func(ch Channel, path string) {
		path += "transducer"
		t := ch.ADC.Transducer
		if t.Kind == "" {
			return
		}
		at := c.at(path+".kind", path)
		must, may := t.Kind.needs()
		for _, key := range must {
			if _, ok := c.places[path+"."+key]; !ok {
				c.fail(at, fmt.Sprintf("a %s transducer lacks %q", t.Kind, key), "", "")
			}
		}
		for _, key := range []string{"low", "high", "supply", "shunt", "pull", "table"} {
			where, ok := c.places[path+"."+key]
			if ok && !slices.Contains(must, key) && !slices.Contains(may, key) {
				c.fail(where, fmt.Sprintf("a %s transducer has no %q", t.Kind, key), strings.Join(append(must, may...), ", "), "")
			}
		}
		if slices.Contains(must, "low") && c.places[path+".low"] != (place{}) && c.places[path+".high"] != (place{}) && t.Low == t.High {
			c.fail(c.at(path+".high"), "\"low\" and \"high\" are the same; they are the readings at the two ends of the signal", "", "")
		}
		if t.Kind == Voltage && ch.Quantity != units.QVoltage && ch.Quantity != "" {
			c.fail(at, fmt.Sprintf("a voltage transducer gives volts, and channel %q is of quantity %q", ch.ID, ch.Quantity), "ratiometric, 0-5V, 4-20mA, divider, contact", "")
		}
		if (t.Kind == Contact) != (ch.Quantity == units.QState) && ch.Quantity != "" {
			c.fail(at, fmt.Sprintf("a %s transducer does not give a %q", t.Kind, ch.Quantity), "contact for a state, another kind for everything else", "")
		}
		if t.Kind == Ratiometric && c.places[path+".supply"] == (place{}) {
			c.warn(at, fmt.Sprintf("channel %q names no measured \"supply\": 5 V is assumed, and a weak supply will look like a change of %s", ch.ID, ch.Quantity), "")
		}
	})
}

// transducerVolts holds the healthy top of the signal to the converter's full scale: beyond it every reading is the same.
func transducerVolts(c *checked) {
	c.analog(func(ch Channel, path string) {
		b, ok := c.board(ch.ADC.Board)
		t := ch.ADC.Transducer
		top := 0.0
		switch t.Kind {
		case Ratiometric:
			top = 4.5
		case ZeroToFive:
			top = 5
		case FourTwenty:
			top = 0.020 * float64(t.Shunt)
		case Divider, Voltage, Contact:
		}
		full := float64(b.VRef)
		if b.Chip == chipADS1115 {
			full = float64(b.Range)
		}
		if !ok || full == 0 || top/t.DividerRatio <= full*1.001 {
			return
		}
		c.fail(c.at(path+"transducer.shunt", path+"transducer.kind"), fmt.Sprintf("the signal goes up to %.3g V at the converter, and board %q reads up to %.4g V: the top would be cut off", top/t.DividerRatio, b.Name, full),
			"a board with a wider range, a voltage divider (divider_ratio), or for 4-20mA a smaller shunt", "")
	})
}

func transducerTables(c *checked) {
	c.analog(func(ch Channel, path string) {
		t := ch.ADC.Transducer
		if t.Kind != Divider || c.places[path+"transducer.table"] == (place{}) {
			return
		}
		at := c.at(path + "transducer.table")
		if len(t.Table) < 2 {
			c.fail(at, "\"table\" needs two lines or more, each a resistance and what it means", "[[32 kOhm, 0 °C], [10 kOhm, 25 °C]]", "")
			return
		}
		for i := 1; i < len(t.Table); i++ {
			a, b := t.Table[i-1], t.Table[i]
			first, second := t.Table[0], t.Table[1]
			if b.Resistance == a.Resistance || (b.Resistance > a.Resistance) != (second.Resistance > first.Resistance) ||
				b.Value == a.Value || (b.Value > a.Value) != (second.Value > first.Value) {
				c.fail(at, fmt.Sprintf("\"table\" turns back at its line %d: resistances and values must each go one way", i+1), "", "")
				return
			}
		}
	})
}

func listeners(c *checked) {
	if at, ok := c.places[".mqtt.listen"]; ok && c.m.MQTT.Listen == c.m.Page.Listen {
		c.fail(at, "the broker and the page cannot both listen on "+c.m.Page.Listen, "", "")
	} else if at, ok := c.places[".page.listen"]; ok && c.m.MQTT.Listen == c.m.Page.Listen {
		c.fail(at, "the page and the broker cannot both listen on "+c.m.Page.Listen, "", "")
	}
}

// lookers holds what lets paired tablets alone look against an MQTT port that shows the same to everybody.
func lookers(c *checked) {
	if c.m.Page.View != "paired" || c.m.MQTT.Broker != "" || c.m.MQTT.Listen == "off" {
		return
	}
	host, _, err := net.SplitHostPort(c.m.MQTT.Listen)
	if err != nil || strings.EqualFold(host, "localhost") {
		return // what is no address was said where it stands
	}
	if ip, err := netip.ParseAddr(host); err == nil && ip.Unmap().IsLoopback() {
		return
	}
	c.fail(c.at(".mqtt.listen"), fmt.Sprintf("the page shows itself to paired tablets only, and the broker on %s shows the same to whoever reaches it", c.m.MQTT.Listen),
		"127.0.0.1:1883 or off; or view: open under page", "")
}
