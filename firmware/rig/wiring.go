// SPDX-License-Identifier: Apache-2.0

package rig

import (
	"math"
	"math/rand/v2"
)

// Wiring of the simulated machine. config/example.yaml describes the same machine to airhold.
//
//	chip  input  channel        plug  electrics                                  scale
//	0x48  A0     tank           P1    ratiometric, 10 to 90 % of the supply      0 to 1000 kPa gauge
//	0x48  A1     front          P2    ratiometric                                0 to 1000 kPa gauge
//	0x48  A2     rear           P3    ratiometric                                0 to 1000 kPa gauge
//	0x48  A3     sensor_supply  -     the supply itself, about 5.02 V
//	0x49  A0     load_1         P4    ratiometric                                0 to 2000 N, front rank
//	0x49  A1     load_2         P5    ratiometric                                0 to 2000 N, front rank
//	0x49  A2     load_3         P6    ratiometric                                0 to 2000 N, front rank
//	0x49  A3     wall           P9    NTC 10 kOhm, B 3950 K, to ground; 10 kOhm to the supply
//	0x4a  A0     load_4         P7    ratiometric                                0 to 2000 N, rear rank
//	0x4a  A1     load_5         P8    ratiometric                                0 to 2000 N, rear rank
//	0x4a  A2     moisture       P10   0 to 5 V                                   0 to 1 (soil)
//	0x4a  A3     box_v          -     a quarter of the machine's voltage
//	0x4b  A0     humidity       P11   0 to 5 V                                   0 to 100 %
//	0x4b  A1     ambient        P12   0 to 5 V                                   -40 to +60 Cel
//	0x4b  A2-A3  free
//
// Ratiometric electronics are pulled down by the board: an unplugged one reads about 0.02 V, one shorted to its supply
// reads the supply. An unplugged NTC leaves the pull-up alone and reads the supply, a shorted one reads zero. The
// barometer comes over CAN (65269), in steps of 0.5 kPa.
const (
	firstChip = 0x48
	chipCount = 4

	supplyVolts = 5.02   // regulator as built
	openVolts   = 0.02   // what the pull-down leaves on an open input
	noiseShare  = 0.0005 // noise of a sensor, one sigma, as a share of its full scale
	pressureFS  = 1000e3
	loadFS      = 2000.0
)

// channel is one wire to a converter.
type channel uint8

const (
	chTank channel = iota
	chFront
	chRear
	chSupply
	chLoad1
	chLoad2
	chLoad3
	chWall
	chLoad4
	chLoad5
	chMoisture
	chBox
	chHumidity
	chAmbient
	channels // how many
)

// loadChannels are the gauge-wheel load sensors in order; the first three sit on front rows.
func loadChannels() [loadCount]channel {
	return [loadCount]channel{chLoad1, chLoad2, chLoad3, chLoad4, chLoad5}
}

// Channels lists the names of the analog channels in the order of the wiring table.
func Channels() []string {
	return []string{
		"tank", "front", "rear", "sensor_supply", "load_1", "load_2", "load_3", "wall", "load_4", "load_5",
		"moisture", "box_v", "humidity", "ambient",
	}
}

func channelNamed(name string) (channel, bool) {
	for i, n := range Channels() {
		if n == name {
			return channel(i), true
		}
	}
	return 0, false
}

// kind says how a channel makes volts.
type kind uint8

const (
	ratiometric kind = iota // 0.1 to 0.9 of the supply
	thermistor              // NTC below a pull-up to the supply
	linear                  // 0 to 5 V, made by its own electronics
	direct                  // the voltage itself
)

func (c channel) kind() kind {
	switch c {
	case chSupply, chBox:
		return direct
	case chWall:
		return thermistor
	case chMoisture, chHumidity, chAmbient:
		return linear
	default:
		return ratiometric
	}
}

// wireState is what happened to a wire.
type wireState uint8

const (
	wireGood wireState = iota
	wireOpen
	wireShort
	wireStuck
)

// wire is the electrical side of a channel: its own error and what was done to it.
type wire struct {
	state  wireState
	stuck  float64 // V
	offset float64 // share of full scale, as built
	drift  float64 // share of full scale, grown since
	quiet  bool    // no noise
}

// volts returns what the wire puts on the converter's input when its sensor sees share of its full scale (0 to 1), or
// for a direct channel the voltage.
func (w *wire) volts(c channel, share, supply float64, dice *rand.Rand) float64 {
	switch {
	case w.state == wireStuck:
		return w.stuck
	case w.state == wireOpen && c.kind() == thermistor:
		return supply
	case w.state == wireOpen:
		return openVolts
	case w.state == wireShort && c.kind() == thermistor:
		return 0
	case w.state == wireShort:
		return supply
	}
	noise := 0.0
	if !w.quiet {
		noise = noiseShare * dice.NormFloat64()
	}
	switch c.kind() {
	case ratiometric:
		seen := share + w.offset + w.drift + noise
		return supply * math.Max(0.02, math.Min(0.98, 0.1+0.8*seen))
	case thermistor:
		return supply * share
	case linear:
		if supply < 4 { // its electronics live from the same supply
			return 0
		}
		return math.Max(0, math.Min(5, 5*(share+w.offset+w.drift+noise)))
	default:
		return share + noise
	}
}

// thermistorShare returns the share of the supply over an NTC of 10 kOhm at 25 degC, B 3950 K, below 10 kOhm.
func thermistorShare(kelvin float64) float64 {
	ohms := 10e3 * math.Exp(3950*(1/kelvin-1/298.15))
	return ohms / (ohms + 10e3)
}

// share returns what a channel's sensor sees as a share of its scale, or volts for a direct one.
func (m *model) share(c channel) float64 {
	switch c {
	case chTank:
		return (m.tank.pa - m.weather.baro) / pressureFS
	case chFront:
		return (m.ranks[0].air.pa - m.weather.baro) / pressureFS
	case chRear:
		return (m.ranks[1].air.pa - m.weather.baro) / pressureFS
	case chSupply:
		return m.supply()
	case chWall:
		return thermistorShare(m.seenK)
	case chMoisture:
		return m.moisture()
	case chBox:
		return m.machineVolts() / 4
	case chHumidity:
		return m.weather.rh
	case chAmbient:
		return (m.weather.kelvin - 233.15) / 100
	default:
		for i, l := range loadChannels() {
			if l == c {
				return m.ground.rows[i].filtered / loadFS
			}
		}
		return 0
	}
}

// moisture is the soil's, 0 to 1.
func (m *model) moisture() float64 {
	return math.Max(0, math.Min(1, 0.22+0.02*float64(m.ground.soil[0])))
}

// machineVolts is the machine's battery or alternator.
func (m *model) machineVolts() float64 {
	switch {
	case m.cranking > 0:
		return 10.2
	case m.engine:
		return 13.9
	default:
		return 12.5
	}
}

// input returns the channel at an input of a converter; false is nothing connected.
func input(chip, pin int) (channel, bool) {
	at := [chipCount][4]channel{
		{chTank, chFront, chRear, chSupply},
		{chLoad1, chLoad2, chLoad3, chWall},
		{chLoad4, chLoad5, chMoisture, chBox},
		{chHumidity, chAmbient, channels, channels},
	}[chip][pin]
	return at, at < channels
}
