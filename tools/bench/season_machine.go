// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware/rig"
	"airhold/sensors/units"
)

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

func between2(d dice, low, high float64) float64 { return low + (high-low)*d.Float64() }

// off draws a value that is wrong by up to a share.
func off(d dice, value, share float64) float64 { return value * (1 + between2(d, -share, share)) }

func everyLeak(lmin float64) (out [3]units.Flow) {
	for i := range out {
		out[i] = units.Flow(lmin * litre / minute)
	}
	return out
}

// seasonFile writes the machine file of a machine: what its owner would know of it. Without a sensor on the wall, the
// file does not know of one.
func seasonFile(b *rig.Build, d dice, wall bool) (*config.Machine, error) {
	x := wrongs()
	relief := off(d, b.Relief, x.relief)
	var f strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&f, format+"\n", a...) }
	p("name: Season")
	p("simulated: true")
	p("tank:")
	p("  volume: %.2f L", off(d, b.Tank, x.tank)/litre)
	p("  volume_uncertainty: 3 %%")
	p("  safe_working_pressure: %.0f kPa", relief/1e3+60)
	p("  relief_setting: %.0f kPa", relief/1e3)
	p("  drain_volume: 0.5 L")
	p("  channel: tank")
	if wall {
		p("  wall: wall")
	}
	p("compressors:")
	p("  - name: compressor")
	p("    control: switch")
	p("    delivery: %.0f L/min", off(d, b.Delivery, x.delivery)/litre*minute)
	if in, out := between2(d, -10e3, 10e3), between2(d, -10e3, 10e3); d.Float64() < x.known {
		p("    cut_in: %.0f kPa", (b.CutIn+in)/1e3)
		p("    cut_out: %.0f kPa", (b.CutOut+out)/1e3)
	}
	p("    drive: drive")
	p("    bleed: 2 L/min")
	p("ranks:")
	for k, name := range []string{"front", "rear"} {
		r := &b.Ranks[k]
		p("  - name: %s", name)
		p("    rows: 8")
		p("    bags: 8")
		p("    volume: %.2f L", off(d, r.Volume, x.rank)/litre)
		p("    stretch: %.2f %%/bar", off(d, r.Stretch, x.stretch)*bar*100)
		p("    stretch_uncertainty: 20 %%")
		p("    pressure: %s", name)
		p("    target: %s_target", name)
		p("    at_power_off: hold")
		p("    max_applied_force: 1500 N")
	}
	p("channels:")
	for _, c := range []string{"tank", "front", "rear"} {
		p("  %s: {quantity: pressure, unit: kPa, range: [-20 kPa, 1100 kPa], source: sim}", c)
	}
	for _, c := range []string{"front_target", "rear_target"} {
		p("  %s: {quantity: pressure, unit: kPa, source: sim}", c)
	}
	if wall {
		p("  wall: {quantity: temperature, unit: Cel, source: sim}")
	}
	p("  ambient: {quantity: temperature, unit: Cel, source: sim}")
	p("  humidity: {quantity: humidity, unit: \"%%\", source: sim}")
	p("  barometer: {quantity: pressure, reference: absolute, unit: kPa, source: sim}")
	p("  speed: {quantity: speed, unit: m/s, source: sim}")
	p("  drive: {quantity: rate, unit: /min, source: sim}")
	p("  lowered: {quantity: state, source: sim}")
	p("  ignition: {quantity: state, source: sim}")
	m, problems := config.Parse("season.yaml", []byte(f.String()))
	if m == nil {
		return nil, fmt.Errorf("the season's machine file is refused: %v", problems)
	}
	return m, nil
}
