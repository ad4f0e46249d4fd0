// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"fmt"
	"math"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/care"
	"airhold/firmware/compressor"
	"airhold/firmware/findings"
	"airhold/firmware/pneumatics"
	"airhold/firmware/readings"
	"airhold/firmware/supply"
	"airhold/firmware/supply/leakwatch"
	"airhold/firmware/supply/overnight"
	"airhold/firmware/trust"
	"airhold/firmware/water"
	"airhold/sensors/units"
)

// channel finds a channel that may not be named at all.
func channel(t *readings.Table, id string) readings.Channel {
	if id == "" {
		return readings.NoChannel
	}
	return t.Find(id)
}

func compressorOptions(m *config.Machine, t *readings.Table, out compressor.Runs) compressor.Options {
	o := compressor.Options{
		Tank: channel(t, m.Tank.Channel), Running: t.Find("running"), Drive: readings.NoChannel, Ignition: t.Find("ignition"),
		Barometer: t.Find("barometer"), Volume: float64(m.Tank.Volume), Runs: out,
	}
	if len(m.Compressors) == 0 {
		return o
	}
	c := m.Compressors[0]
	switch c.Control {
	case config.Switch:
		o.Control = compressor.Switch
	case config.Unloader:
		o.Control = compressor.Unloader
	case config.Proportional:
		o.Control = compressor.Proportional
	case config.ReliefHeld:
		o.Control = compressor.ReliefHeld
	}
	if c.Running != "" {
		o.Running = t.Find(c.Running)
	}
	o.Drive = channel(t, c.Drive)
	o.CutIn, o.CutOut, o.Delivery = float64(c.CutIn), float64(c.CutOut), float64(c.Delivery)
	o.DutyLimit, o.DutyWindow = c.DutyLimit, c.DutyWindow
	return o
}

func supplyOptions(m *config.Machine, t *readings.Table, c supply.Compressor) supply.Options {
	o := supply.Options{
		Tank: channel(t, m.Tank.Channel), Lowered: t.Find("lowered"), Volume: float64(m.Tank.Volume),
		SafeWorking: float64(m.Tank.SafeWorkingPressure), Relief: float64(m.Tank.ReliefSetting),
		LineDrop: float64(m.Limits.LineDrop), Compressor: c, Barometer: t.Find("barometer"), Ambient: t.Find("ambient"),
		Uncertainty: m.Tank.VolumeUncertainty, Around: around(m),
	}
	if len(m.Compressors) > 0 {
		k := m.Compressors[0]
		o.Delivery, o.DutyWindow, o.Bleed = float64(k.Delivery), k.DutyWindow, float64(k.Bleed)
	}
	for _, r := range m.Ranks {
		o.Ranks = append(o.Ranks, supply.Rank{Name: r.Name, Pressure: channel(t, r.Pressure), Target: channel(t, r.Target)})
	}
	return o
}

// delivery is what the compressor's watch has measured of its delivery, as the air budget asks for it.
type delivery struct{ s *Spine }

// PumpUp is not measured while working.
func (delivery) PumpUp() (findings.Measure, bool) { return findings.Measure{}, false }

// Trend is the delivery while working against the machine's own baseline; not known while air leaks.
func (d delivery) Trend() (ratio, low, high float64, known bool) {
	t, known := d.s.comp.Delivery()
	return t.Ratio, t.Low, t.High, known && !d.s.leaked(d.s.now)
}

func leakOptions(m *config.Machine, t *readings.Table, c leakwatch.Compressor) leakwatch.Options {
	o := leakwatch.Options{
		Tank: channel(t, m.Tank.Channel), Wall: channel(t, m.Tank.Wall), Ambient: t.Find("ambient"), Barometer: t.Find("barometer"),
		Lowered: t.Find("lowered"), Speed: t.Find("speed"), Drive: readings.NoChannel, Ignition: t.Find("ignition"),
		Volume: float64(m.Tank.Volume), VolumeUncertainty: m.Tank.VolumeUncertainty, Compressor: c,
	}
	if len(m.Compressors) > 0 {
		k := m.Compressors[0]
		o.Drive, o.Delivery, o.Bleed = channel(t, k.Drive), float64(k.Delivery), float64(k.Bleed)
	}
	for _, r := range m.Ranks {
		o.Ranks = append(o.Ranks, leakwatch.Rank{
			Name: r.Name, Pressure: channel(t, r.Pressure), Target: channel(t, r.Target), Volume: float64(r.Volume), Stretch: r.Stretch,
		})
	}
	return o
}

func nightOptions(m *config.Machine, t *readings.Table) overnight.Options {
	o := overnight.Options{
		Wall: channel(t, m.Tank.Wall), Ambient: t.Find("ambient"), Barometer: t.Find("barometer"), Ignition: t.Find("ignition"),
		Drive: readings.NoChannel, Speed: t.Find("speed"), Around: around(m),
		Volumes: []overnight.Volume{{
			Name: tankPlace, Where: tankPlace, Pressure: channel(t, m.Tank.Channel), Volume: float64(m.Tank.Volume),
			Uncertainty: m.Tank.VolumeUncertainty, Holds: true, Sensor: sensorOf(m, m.Tank.Channel), FullScale: fullScale(m, m.Tank.Channel),
		}},
	}
	if len(m.Compressors) > 0 {
		o.Drive = channel(t, m.Compressors[0].Drive)
	}
	for _, r := range m.Ranks {
		o.Volumes = append(o.Volumes, overnight.Volume{
			Name: r.Name, Where: r.Name + " rank", Pressure: channel(t, r.Pressure), Volume: float64(r.Volume), Uncertainty: r.StretchUncertain,
			Stretch: r.Stretch, Holds: r.AtPowerOff == config.Hold, Sensor: sensorOf(m, r.Pressure), FullScale: fullScale(m, r.Pressure),
		})
	}
	return o
}

func waterOptions(m *config.Machine, t *readings.Table, c water.Compressor) water.Options {
	o := water.Options{
		Tank: channel(t, m.Tank.Channel), Wall: channel(t, m.Tank.Wall), Ambient: t.Find("ambient"), Humidity: t.Find("humidity"),
		Barometer: t.Find("barometer"), Wet: channel(t, m.Tank.Wet), Ignition: t.Find("ignition"), Drive: readings.NoChannel,
		Around: around(m), Volume: float64(m.Tank.Volume), DrainVolume: float64(m.Tank.DrainVolume), Compressor: c,
	}
	if m.Climate.Given {
		o.Climate = &water.Climate{Temperature: float64(m.Climate.Temperature), Humidity: m.Climate.Humidity, Uncertainty: m.Climate.Uncertainty}
	}
	if len(m.Compressors) > 0 {
		k := m.Compressors[0]
		o.Drive, o.Delivery, o.Dryer = channel(t, k.Drive), float64(k.Delivery), k.Dryer
	}
	return o
}

// CareOptions are the trade's intervals as the machine file changes them.
func CareOptions(m *config.Machine) care.Options {
	o := care.Options{Items: map[string]care.Override{}}
	for item, every := range m.Care {
		o.Items[item] = care.Override(every)
	}
	if len(m.Compressors) > 0 {
		o.Hours = m.Compressors[0].Care
	}
	return o
}

// sensorOf names a channel's sensor and its calibration, so that another one is not taken for it.
func sensorOf(m *config.Machine, id string) string {
	c, ok := m.Channel(id)
	if !ok {
		return ""
	}
	t := c.ADC.Transducer
	return fmt.Sprintf("%s %g %g %g %g", sourceWords(c), t.Low, t.High, t.Offset, t.Gain)
}

// around is the air pressure where no channel measures it, Pa absolute: as the machine file says it, or as its altitude
// does by ISO 2533.
func around(m *config.Machine) float64 {
	if !math.IsNaN(m.Limits.Altitude) {
		if h, err := pneumatics.Geopotential(units.Metres(m.Limits.Altitude)); err == nil {
			if p, err := pneumatics.StandardPressure(h); err == nil {
				return float64(p)
			}
		}
	}
	return float64(m.Limits.Barometer)
}

func trustOptions(m *config.Machine, t *readings.Table) trust.Options {
	o := trust.Options{BoxVoltage: channel(t, boxVoltage(m)), HotLimit: float64(m.Box.HotLimit)}
	fine := map[string]bool{} // boards of 16 bit: their step is smaller than any sensor's noise
	for _, b := range m.Boards {
		fine[b.Name] = b.Chip == "ads1115"
	}
	rails := map[string]bool{}
	add := func(to *[]trust.Sensor, id, rank string) {
		c, ok := m.Channel(id)
		if !ok {
			return
		}
		*to = append(*to, trust.Sensor{Channel: t.Find(id), Rank: rank, Fine: c.Kind == config.FromADC && fine[c.ADC.Board]})
		if supply := c.ADC.Transducer.Supply; c.Kind == config.FromADC && supply != "" && !rails[supply] {
			rails[supply] = true
			o.Rails = append(o.Rails, trust.Rail{Channel: t.Find(supply)})
		}
	}
	add(&o.Pressures, m.Tank.Channel, "")
	for _, r := range m.Ranks {
		add(&o.Pressures, r.Pressure, r.Name)
		add(&o.Pressures, r.SecondPressure, r.Name)
		for _, l := range r.Loads {
			add(&o.Loads, l, r.Name)
		}
	}
	for _, l := range m.Links {
		o.Links = append(o.Links, l.Name)
	}
	return o
}

// boxVoltage is the channel of the box's own supply.
func boxVoltage(m *config.Machine) string {
	if m.Box.BoxVoltage != "" {
		return m.Box.BoxVoltage
	}
	return "box_v"
}

// feeds says what trouble at a place blinds: a rail its sensors, a sensor what is computed from it.
func feeds(m *config.Machine) map[string][]string {
	out := map[string][]string{}
	for _, c := range m.Channels {
		if rail := c.ADC.Transducer.Supply; c.Kind == config.FromADC && rail != "" {
			out[rail] = append(out[rail], c.ID)
			if c.ID == m.Tank.Channel {
				out[rail] = append(out[rail], tankPlace)
			}
		}
	}
	if m.Tank.Channel != tankPlace {
		out[m.Tank.Channel] = append(out[m.Tank.Channel], tankPlace)
	}
	for _, r := range m.Ranks {
		place := r.Name + " rank"
		for _, id := range []string{r.Pressure, r.SecondPressure} {
			if id == "" {
				continue
			}
			out[id] = append(out[id], place)
			if c, ok := m.Channel(id); ok && c.Kind == config.FromADC && c.ADC.Transducer.Supply != "" {
				out[c.ADC.Transducer.Supply] = append(out[c.ADC.Transducer.Supply], place)
			}
		}
	}
	return out
}

// tankPlace is the input that the catalogue's rows name.
const tankPlace = "tank"

func alarmOptions(m *config.Machine) alarms.Options {
	o := alarms.Options{Feeds: feeds(m)}
	if c := m.Compressors; len(c) > 0 && c[0].Drive == "" && c[0].Running == "" {
		// Without a word that it is driven, "not building" may be "not switched on": no reason to stop at once.
		o.Overrides = append(o.Overrides, alarms.Override{Key: "comp-no-build", Priority: alarms.Medium})
	}
	for key, v := range m.Alarms {
		over := alarms.Override{Key: findings.Key(key)}
		if v.Set.OnDelay {
			over.OnDelay = &v.OnDelay
		}
		if v.Set.OffDelay {
			over.OffDelay = &v.OffDelay
		}
		o.Overrides = append(o.Overrides, over)
	}
	return o
}

// sieve stands between the checks and the alarm engine: it applies what the machine file changes about an alarm that is
// the check's and not the engine's, a limit or that the alarm is off.
type sieve struct {
	to     findings.Sink
	change map[findings.Key]config.AlarmOverride
}

func newSieve(m *config.Machine, to findings.Sink) findings.Sink {
	change := map[findings.Key]config.AlarmOverride{}
	for key, o := range m.Alarms {
		if o.Off || o.Set.Limit {
			change[findings.Key(key)] = o
		}
	}
	if len(change) == 0 {
		return to
	}
	return sieve{to, change}
}

// Find passes a finding on, or not.
func (s sieve) Find(f findings.Finding) {
	o, ok := s.change[f.Key]
	if ok && o.Off {
		return
	}
	if ok && o.Set.Limit && f.Sense != findings.Flag {
		f.Limit.SI = o.Limit.SI
	}
	s.to.Find(f)
}
