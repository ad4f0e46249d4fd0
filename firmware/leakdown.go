// SPDX-License-Identifier: Apache-2.0

package firmware

import (
	"encoding/json"
	"time"

	"airhold/config"
	"airhold/firmware/alarms"
	"airhold/firmware/leakdown"
	"airhold/firmware/leakdown/session"
	"airhold/firmware/leakdown/zones"
	"airhold/firmware/store"
)

// Memory takes what must survive the box being switched off, on the spine's goroutine. Implementations must not keep it
// waiting.
type Memory interface {
	// Finished is a test that has come to its result.
	Finished(r *session.Result)
	// Learned is a learned value, under the name the store keeps it by.
	Learned(name string, value []byte)
}

// signaturePrefix begins the names under which the store keeps how a volume's air cools.
const signaturePrefix = "signature/"

// testVoice is what the leak-down test says.
type testVoice struct{ s *Spine }

// Said passes a sentence on to the journal.
func (v testVoice) Said(at time.Duration, kind, text string) {
	v.s.o.Out.Event(Event{At: at, Kind: kind, Text: text})
}

// Finished passes a result on.
func (v testVoice) Finished(r *session.Result) {
	if at, trusted := v.s.trustedUTC(v.s.now); trusted {
		v.s.judged(r.Verdict, at)
	}
	if v.s.o.Memory != nil {
		v.s.o.Memory.Finished(r)
	}
}

// Learned passes on how a volume's air cools.
func (v testVoice) Learned(volume string, sign leakdown.Signature) {
	text, err := json.Marshal(sign)
	if err != nil || v.s.o.Memory == nil {
		return // a signature that is no number teaches nothing
	}
	v.s.o.Memory.Learned(signaturePrefix+volume, text)
}

// Test returns the leak-down test.
func (s *Spine) Test() *session.Session { return s.test }

// testCommand hands a person's command to the leak-down test.
func (s *Spine) testCommand(at time.Duration, c *alarms.Command) alarms.Answer {
	if why := c.Refusal(); why != "" {
		s.o.Out.Event(Event{At: at, Kind: "test-refused", Text: string(c.Verb) + " by " + c.By + ": " + why + "."})
		return alarms.Answer{ID: c.ID, Error: why}
	}
	a := s.test.Command(at, session.Command{ID: c.ID, Verb: session.Verb(c.Verb), Args: c.Args, By: c.By})
	s.rule(alarms.S4, s.test.Running(), at)
	return alarms.Answer{ID: c.ID, OK: a.OK, Error: a.Error}
}

// sessionOptions describe the machine to the leak-down test.
func (s *Spine) sessionOptions() session.Options {
	m, t := s.o.Machine, s.o.Table
	o := session.Options{
		Tank: session.Tank{
			Pressure: channel(t, m.Tank.Channel), Volume: float64(m.Tank.Volume), Uncertainty: m.Tank.VolumeUncertainty,
			FullScale:   fullScale(m, m.Tank.Channel),
			SafeWorking: float64(m.Tank.SafeWorkingPressure), Relief: float64(m.Tank.ReliefSetting),
		},
		Running: t.Find("running"), Drive: channel(t, ""), Speed: t.Find("speed"), Lowered: t.Find("lowered"),
		Wall: channel(t, m.Tank.Wall), Ambient: t.Find("ambient"), Barometer: t.Find("barometer"),
		Air: around(m), Limit: float64(m.Limits.Leak), Discharge: m.Limits.DischargeFactor,
		LineDrop: float64(m.Limits.LineDrop), Simulated: m.Simulated,
		CutIn: s.comp.CutIn, CutOut: s.comp.CutOut, UTC: s.UTC, Signatures: signatures(s.o.Learned), Out: testVoice{s},
		Need: func() (float64, bool) { pa, _, known := s.supply.Need(); return pa, known },
	}
	if len(m.Compressors) > 0 {
		c := m.Compressors[0]
		o.Drive = channel(t, c.Drive)
		if c.Running != "" {
			o.Running = t.Find(c.Running)
		}
	}
	for _, r := range m.Ranks {
		o.Ranks = append(o.Ranks, session.Rank{
			Name: r.Name, Pressure: channel(t, r.Pressure), Target: channel(t, r.Target), Volume: float64(r.Volume), Stretch: r.Stretch,
			StretchUncertainty: r.StretchUncertain, FullScale: fullScale(m, r.Pressure),
			PowerOff: zones.PowerOff(r.AtPowerOff), ShutOff: zones.ShutOff(r.ShutOff),
		})
	}
	return o
}

// fullScale is the top of a pressure sensor's range, Pa; zero where the machine file does not say it.
func fullScale(m *config.Machine, id string) float64 {
	c, ok := m.Channel(id)
	switch {
	case !ok:
		return 0
	case c.Kind == config.FromADC && c.ADC.Transducer.High > 0:
		return c.ADC.Transducer.High
	default:
		return max(0, c.High)
	}
}

// signatures reads how the volumes' air cools from what was learned. One that cannot be read is left out: the next clean
// test teaches it again.
func signatures(learned map[string][]byte) map[string]leakdown.Signature {
	out := map[string]leakdown.Signature{}
	for name, text := range learned {
		if len(name) <= len(signaturePrefix) || name[:len(signaturePrefix)] != signaturePrefix {
			continue
		}
		var sign leakdown.Signature
		if json.Unmarshal(text, &sign) == nil && sign.Tests > 0 && sign.LogTauSD > 0 && sign.NSD > 0 && sign.SlowSD > 0 {
			out[name[len(signaturePrefix):]] = sign
		}
	}
	return out
}

// testRecord is a finished test as the store keeps it.
func testRecord(r *session.Result) (store.TestRecord, error) {
	text, err := json.Marshal(r)
	return store.TestRecord{Run: r.Run, At: r.At, Zone: r.Zone, Where: r.Where, Verdict: r.Verdict, JSON: text}, err
}
