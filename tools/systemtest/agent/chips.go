// SPDX-License-Identifier: Apache-2.0

//go:build linux

package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"airhold/tools/systemtest/cusespi"
	"airhold/tools/systemtest/tinyi2c"
	"airhold/tools/systemtest/usbip"
)

// chipsText is a machine with one converter on each kind of bus.
const chipsText = `name: System test
tank: {volume: 38 L, safe_working_pressure: 1000 kPa, relief_setting: 900 kPa}
compressors: [{name: compressor, control: switch, delivery: 180 L/min}]
boards:
  pressures: {chip: ads1115, bus: i2c-0, address: 0x48, range: 6.144 V}
  loads: {chip: mcp3208, bus: spi0.0, vref: 5 V}
channels:
  tank: {quantity: pressure, unit: kPa, plug: P1, source: {adc: {board: pressures, input: 0, transducer: {kind: ratiometric, low: 0 kPa, high: 1000 kPa, supply: sensor_supply}}}}
  front: {quantity: pressure, unit: kPa, plug: P2, source: {adc: {board: pressures, input: 1, transducer: {kind: ratiometric, low: 0 kPa, high: 1000 kPa, supply: sensor_supply}}}}
  sensor_supply: {quantity: voltage, unit: V, source: {adc: {board: pressures, input: 3, transducer: {kind: voltage}}}}
  load_1: {quantity: load, unit: N, plug: P4, source: {adc: {board: loads, input: 0, transducer: {kind: ratiometric, low: 0 N, high: 2000 N}}}}
  load_2: {quantity: load, unit: N, plug: P5, source: {adc: {board: loads, input: 7, transducer: {kind: ratiometric, low: 0 N, high: 2000 N}}}}
ranks: [{name: front, rows: 8, bags: 8, volume: 18.5 L, pressure: front, loads: [load_1, load_2]}]
logging: {dir: /var/chips}
`

// ads1115 models the converter as far as single conversions need it: the pointer selects the result (0) or the
// configuration (1); a configuration with its highest bit set converts at once, and reads back with that bit set, which
// says that it is done (Texas Instruments SBAS444, sections 9.5 and 9.6).
type ads1115 struct {
	volts   [4]float64
	pointer byte
	config  uint16
	result  int16
}

// Tx writes to the chip or reads from it.
func (c *ads1115) Tx(w, r []byte) error {
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) >= 3 && c.pointer == 1 {
		c.config = binary.BigEndian.Uint16(w[1:])
		if input := int(c.config>>12) & 7; c.config>>15 == 1 && input >= 4 {
			full := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[c.config>>9&7]
			code := math.Round(c.volts[input-4] / full * 32768)
			c.result = int16(min(max(code, math.MinInt16), math.MaxInt16))
		}
	}
	value := uint16(c.result) //nolint:gosec // the same bits
	if c.pointer == 1 {
		value = c.config | 0x8000
	}
	for i := range r {
		r[i] = byte(value >> (8 * (1 - i%2)) & 0xff)
	}
	return nil
}

// probed is what airhold probe --json says of a channel.
type probed struct {
	Channel string `json:"channel"`
	Raw     *int32 `json:"raw"`
	Value   *struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit"`
	} `json:"value"`
	Status   string `json:"status"`
	Sentence string `json:"sentence"`
}

const chipsFile = "/tmp/chips.yaml"

// probeAll reads every channel. Exit code 1 says that one of them is not well, which is an answer.
func probeAll(ctx context.Context) (map[string]probed, error) {
	text, runErr := airhold(ctx, "probe", "--machine", chipsFile, "--json")
	all := map[string]probed{}
	for line := range strings.Lines(text) {
		var p probed
		if err := json.Unmarshal([]byte(line), &p); err != nil {
			return nil, fmt.Errorf("airhold probe --json said %q: %w", line, err)
		}
		all[p.Channel] = p
	}
	if len(all) != 5 {
		return nil, fmt.Errorf("airhold probe told of %d channels, want 5: %s: %w", len(all), text, runErr)
	}
	return all, nil
}

// chipsAnswer has airhold read converters through the kernel's own drivers: right values first, and then, one after the
// other, what an installer meets: a broken sensor wire, a converter without power, an adapter pulled out, a port that is not enabled.
func chipsAnswer(ctx context.Context, s *stand) (_ string, err error) {
	if err := os.WriteFile(chipsFile, []byte(chipsText), 0o644); err != nil { //nolint:gosec // no secret
		return "", fmt.Errorf("machine file: %w", err)
	}
	var onI2C tinyi2c.Chips
	converter := &ads1115{volts: [4]float64{2.5, 1.7, 0, 5}}
	onI2C.Plug(0x48, converter)
	port, err := usbip.Attach(ctx, tinyi2c.New(&onI2C))
	if err != nil {
		return "", fmt.Errorf("plug the I2C adapter in: %w", err)
	}
	plugged := true
	defer func() {
		if plugged {
			err = errors.Join(err, port.Unplug())
		}
	}()
	if err := wait(ctx, 10*time.Second, "/dev/i2c-0", func() bool { _, err := os.Stat("/dev/i2c-0"); return err == nil }); err != nil {
		return "", err
	}
	var onSPI cusespi.Port
	volts := [8]float64{2.5, 0, 0, 0, 0, 0, 0, 0.75}
	onSPI.Plug(cusespi.NewMCP3208(5, func(input int) float64 { return volts[input] }))
	node, err := cusespi.Attach(ctx, 0, 0, &onSPI)
	if err != nil {
		return "", fmt.Errorf("plug the SPI converter in: %w", err)
	}
	there := true
	defer func() {
		if there {
			err = errors.Join(err, node.Remove())
		}
	}()

	// A sensor says 10 % of its supply at its low end and 90 % at its high one.
	if err := wantValues(ctx, s, map[string]float64{"tank": 500, "front": 300, "sensor_supply": 5, "load_1": 1000, "load_2": 125}); err != nil {
		return "", err
	}
	steps := []struct {
		name    string
		do      func() error
		channel string
		status  string
		words   []string
		sound   []string // channels that must still be ok
	}{
		{
			name: "a sensor's wire off", do: func() error { converter.volts[1] = 0.01; return nil },
			channel: "front", status: "open", words: []string{"P2"}, sound: []string{"tank", "load_1"},
		},
		{
			name: "the converter without power", do: func() error { onI2C.Pull(0x48); return nil },
			channel: "tank", status: "no_answer", words: []string{"board pressures on i2c-0 does not answer", "plug", "address"}, sound: []string{"load_1", "load_2"},
		},
		{
			name: "the adapter pulled out", do: func() error { plugged = false; return port.Unplug() },
			channel: "tank", status: "no_answer", words: []string{"there is no /dev/i2c-0"}, sound: []string{"load_1", "load_2"},
		},
		{
			name: "no SPI port", do: func() error { there = false; return node.Remove() },
			channel: "load_1", status: "no_answer", words: []string{"there is no /dev/spidev0.0"},
		},
	}
	for _, step := range steps {
		if err := step.do(); err != nil {
			return "", fmt.Errorf("%s: %w", step.name, err)
		}
		all, err := probeAll(ctx)
		if err != nil {
			return "", fmt.Errorf("%s: %w", step.name, err)
		}
		got := all[step.channel]
		s.note("%s: %s says %s: %s", step.name, step.channel, got.Status, got.Sentence)
		bad := got.Status != step.status || got.Value != nil
		for _, w := range step.words {
			bad = bad || !strings.Contains(got.Sentence, w)
		}
		for _, c := range step.sound {
			bad = bad || all[c].Status != "ok"
		}
		if bad {
			return "", fmt.Errorf("%s: %+v; want %s, the words %q, no value, and %v sound: %+v", step.name, got, step.status, step.words, step.sound, all)
		}
	}
	asked := onSPI.Settings()
	if asked.Mode&3 != 0 || asked.SpeedHz > 1_350_000 && asked.LastHz > 1_350_000 {
		return "", fmt.Errorf("the SPI converter was asked with %+v; want mode 0 and at most 1.35 MHz (DS21298)", asked)
	}
	return fmt.Sprintf("ADS1115 over I2C and MCP3208 over SPI: 5 values right; %d faults, each in its own words", len(steps)), nil
}

func wantValues(ctx context.Context, s *stand, want map[string]float64) error {
	all, err := probeAll(ctx)
	if err != nil {
		return err
	}
	for id, v := range want {
		got := all[id]
		s.note("%s says %s: %s", id, got.Status, got.Sentence)
		if got.Status != "ok" || got.Value == nil || math.Abs(got.Value.Value-v) > 0.002*v {
			return fmt.Errorf("%s: %s %s; want %g", id, got.Status, got.Sentence, v)
		}
	}
	return nil
}
